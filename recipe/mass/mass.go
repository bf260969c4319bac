// Package mass predicts what a wrapped roll weighs, and judges the reading of
// the scale against it. Quantities are SI.
//
// Net is the paper of the roll alone. Tare is all the rest: core, wrapper,
// heads and glue as it is laid on, wet. Gross is both.
package mass

import (
	"math"

	"lapgate/recipe/wording"
)

// Fault is why there is no prediction.
type Fault uint8

// Faults.
const (
	BadDiameter Fault = 1 + iota
	BadCore
	BadWidth
	BadDensity
	BadTare
	BadUncertainty
)

func (f Fault) Error() string { return f.Said().String() }

// Said is the fault in words.
func (f Fault) Said() wording.Said {
	switch f {
	case BadDiameter:
		return wording.Say("fault.mass.bad-diameter")
	case BadCore:
		return wording.Say("fault.mass.bad-core")
	case BadWidth:
		return wording.Say("fault.mass.bad-width")
	case BadDensity:
		return wording.Say("fault.mass.bad-density")
	case BadTare:
		return wording.Say("fault.mass.bad-tare")
	case BadUncertainty:
		return wording.Say("fault.mass.bad-uncertainty")
	}
	return wording.Say("fault.mass")
}

// Core of a roll.
type Core struct {
	Diameter float64 // outer, m; 0 for a roll without a core
	Linear   float64 // kg/m
}

// Sheet is the wrapper on a roll.
type Sheet struct {
	Length      float64 // fed, m
	Width       float64 // m
	BasisWeight float64 // kg/m²
}

// Head is a pair of heads, one on each end.
type Head struct {
	Diameter    float64 // m; 0 for none
	BasisWeight float64 // kg/m²
}

func (h Head) one() float64 { return math.Pi / 4 * h.Diameter * h.Diameter * h.BasisWeight }

// Item is a wrapped roll. The uncertainties are standard ones of the
// quantities that they follow; those of the tare are left out, being a
// hundredth of the whole.
type Item struct {
	Diameter, DiameterU float64 // mean, m
	Width, WidthU       float64 // of the roll, median, m
	Density, DensityU   float64 // wound, kg/m³
	Core                Core
	CoreU               float64 // of paper and core together for a core that is not known, kg
	Wrapper             Sheet
	Inner, Outer        Head
	Glue                float64 // on both ends, kg
}

// Parts is what a wrapped roll weighs, kg.
type Parts struct {
	Paper, Core, Wrapper, Inner, Outer, Glue float64
	U                                        float64 // standard uncertainty of the whole
}

// Net mass, kg.
func (p *Parts) Net() float64 { return p.Paper }

// Tare mass, kg.
func (p *Parts) Tare() float64 { return p.Core + p.Wrapper + p.Inner + p.Outer + p.Glue }

// Gross mass, kg.
func (p *Parts) Gross() float64 { return p.Paper + p.Tare() }

func positive(v float64) bool    { return v > 0 && !math.IsInf(v, 1) }
func notNegative(v float64) bool { return v >= 0 && !math.IsInf(v, 1) }

// Solid is the mass of a roll of paper without its core,
// π/4·(D² − d²)·W·ρ, kg.
func Solid(diameter, core, width, density float64) float64 {
	return math.Pi / 4 * (diameter - core) * (diameter + core) * width * density
}

func (x *Item) check() error {
	switch {
	case !positive(x.Diameter):
		return BadDiameter
	case !notNegative(x.Core.Diameter) || x.Core.Diameter >= x.Diameter || !notNegative(x.Core.Linear):
		return BadCore
	case !positive(x.Width):
		return BadWidth
	case !positive(x.Density):
		return BadDensity
	case !notNegative(x.Wrapper.Length) || !notNegative(x.Wrapper.Width) || !notNegative(x.Wrapper.BasisWeight) ||
		!notNegative(x.Inner.Diameter) || !notNegative(x.Inner.BasisWeight) ||
		!notNegative(x.Outer.Diameter) || !notNegative(x.Outer.BasisWeight) || !notNegative(x.Glue):
		return BadTare
	case !notNegative(x.DiameterU) || !notNegative(x.WidthU) || !notNegative(x.DensityU) || !notNegative(x.CoreU):
		return BadUncertainty
	}
	return nil
}

// Weigh predicts the masses. The uncertainty is first-order (JCGM 100):
// relative, 2·D·u(D)/(D² − d²), u(W)/W and u(ρ)/ρ in quadrature, with what an
// unknown core adds.
func (x *Item) Weigh() (Parts, error) {
	if err := x.check(); err != nil {
		return Parts{}, err
	}
	p := Parts{
		Paper:   Solid(x.Diameter, x.Core.Diameter, x.Width, x.Density),
		Core:    x.Core.Linear * x.Width,
		Wrapper: x.Wrapper.Length * x.Wrapper.Width * x.Wrapper.BasisWeight,
		Inner:   2 * x.Inner.one(),
		Outer:   2 * x.Outer.one(),
		Glue:    x.Glue,
	}
	d := 2 * x.Diameter * x.DiameterU / ((x.Diameter - x.Core.Diameter) * (x.Diameter + x.Core.Diameter))
	w, rho := x.WidthU/x.Width, x.DensityU/x.Density
	p.U = math.Hypot(p.Paper*math.Sqrt(d*d+w*w+rho*rho), x.CoreU)
	return p, nil
}

// Verdict on a reading of the scale.
type Verdict uint8

// Verdicts. Doubtful is outside the tolerance, but by less than the
// prediction itself may be off.
const (
	Unreadable Verdict = iota // reading or prediction is not a positive number
	Good
	Doubtful
	Wrong
)

// Judgement is a reading against its prediction.
type Judgement struct {
	Verdict Verdict
	Delta   float64 // reading less prediction, kg
	Allowed float64 // tolerance on either side, kg
	Guard   float64 // k·u on top of it, within which a reading is only doubtful, kg
}

// Judge compares a reading with a predicted gross mass, kg, of standard
// uncertainty u, kg. The tolerance is a share of the prediction; a reading is
// called wrong only when it is outside by more than k·u, so that the line is
// not stopped for what the scan may have got wrong (guarded rejection, JCGM
// 106).
func Judge(reading, gross, u, tolerance, k float64) Judgement {
	j := Judgement{Delta: reading - gross, Allowed: tolerance * gross, Guard: k * u}
	if !positive(reading) || !positive(gross) || !notNegative(j.Allowed) || !notNegative(j.Guard) {
		return j
	}
	switch d := math.Abs(j.Delta); {
	case d <= j.Allowed:
		j.Verdict = Good
	case d <= j.Allowed+j.Guard:
		j.Verdict = Doubtful
	default:
		j.Verdict = Wrong
	}
	return j
}

// Kind of a cause for a wrong reading.
type Kind uint8

// Kinds, the likelier of two that explain a reading equally well first.
const (
	WrongGrade    Kind = iota // the density of another grade; Index is its place
	WrongCore                 // another core; Index is its place
	WrongRoll                 // another roll on the scale; Index is its place
	NoOuterHeads              // both are missing
	OneOuterHead              // one is missing
	NoInnerHeads              // both are missing
	OneInnerHead              // one is missing
	NoWrapper                 // weighed without wrapper, outer heads and glue
	DoubleWrapper             // wrapped twice
)

// Cause is one that may explain a reading.
type Cause struct {
	Kind     Kind
	Index    int     // in the list of Alternatives; -1 where there is none
	Gross    float64 // what the roll would weigh, kg
	Residual float64 // reading less that, kg; set by Explain
}

// Alternatives is what else could be on the scale.
type Alternatives struct {
	Densities []float64 // of the other grades, kg/m³
	Cores     []Core    // the other cores
	Rolls     []float64 // predicted gross of the rolls before and after, kg
}

// Causes appends to dst what a roll would weigh for each cause that there is
// for it. Nothing is appended for an item that cannot be weighed; entries of
// the alternatives that are no numbers in range are passed over.
func (x *Item) Causes(alt *Alternatives, dst []Cause) []Cause {
	p, err := x.Weigh()
	if err != nil {
		return dst
	}
	gross := p.Gross()
	for i, rho := range alt.Densities {
		if positive(rho) {
			dst = append(dst, Cause{Kind: WrongGrade, Index: i, Gross: gross - p.Paper + p.Paper*rho/x.Density})
		}
	}
	for i, c := range alt.Cores {
		if notNegative(c.Diameter) && c.Diameter < x.Diameter && notNegative(c.Linear) {
			other := Solid(x.Diameter, c.Diameter, x.Width, x.Density) + c.Linear*x.Width
			dst = append(dst, Cause{Kind: WrongCore, Index: i, Gross: gross - p.Paper - p.Core + other})
		}
	}
	for i, g := range alt.Rolls {
		if positive(g) {
			dst = append(dst, Cause{Kind: WrongRoll, Index: i, Gross: g})
		}
	}
	if p.Outer > 0 {
		dst = append(dst, Cause{Kind: NoOuterHeads, Index: -1, Gross: gross - p.Outer},
			Cause{Kind: OneOuterHead, Index: -1, Gross: gross - p.Outer/2})
	}
	if p.Inner > 0 {
		dst = append(dst, Cause{Kind: NoInnerHeads, Index: -1, Gross: gross - p.Inner},
			Cause{Kind: OneInnerHead, Index: -1, Gross: gross - p.Inner/2})
	}
	if p.Wrapper > 0 {
		dst = append(dst, Cause{Kind: NoWrapper, Index: -1, Gross: gross - p.Wrapper - p.Outer - p.Glue},
			Cause{Kind: DoubleWrapper, Index: -1, Gross: gross + p.Wrapper})
	}
	return dst
}

// Explain keeps, in place, the causes that explain a reading, the best first:
// the reading is within the tolerance of what the cause predicts, and the
// cause makes up for more than half of the deviation from the expected gross
// mass, so that a head of a few hundred grams is never blamed for fifty
// kilograms. Of equal residuals the lower Kind and then the lower Index comes
// first. It returns none for a reading that is no positive number.
func Explain(reading, gross, tolerance float64, causes []Cause) []Cause {
	kept := causes[:0]
	if !positive(reading) || !positive(gross) || !notNegative(tolerance) {
		return kept
	}
	deviation := math.Abs(reading - gross)
	for _, c := range causes {
		c.Residual = reading - c.Gross
		off := math.Abs(c.Residual)
		if !(off <= tolerance*c.Gross) || !(off < deviation/2) {
			continue
		}
		// There are a few dozen at most: insertion keeps them in order
		// without allocating.
		kept = append(kept, c)
		for i := len(kept) - 1; i > 0 && before(&kept[i], &kept[i-1]); i-- {
			kept[i], kept[i-1] = kept[i-1], kept[i]
		}
	}
	return kept
}

func before(a, b *Cause) bool {
	x, y := math.Abs(a.Residual), math.Abs(b.Residual)
	switch {
	case x != y:
		return x < y
	case a.Kind != b.Kind:
		return a.Kind < b.Kind
	}
	return a.Index < b.Index
}
