// Package fold is the geometry of the crimped end: the overhang of the
// wrapper folded in over the roll end in pleats.
//
// The overhang o of a wrapper on a roll of radius R lies flat on the end
// between R and R − o. At a radius r the circumference is short of the paper's
// length by 2π·(R − r), which the pleats take up; at the folded edge that is
// 2π·o. A crimper wheel with B blades on a circle of diameter d strikes B
// times a turn, so that with its tip speed q times the surface speed of the
// roll the pleats are P = π·d/(B·q) apart on the rim. A pleat then takes up
// P·(R − r)/R: laid flat it covers half of that with three thicknesses in
// place of one. All of it is flat geometry, with the few layers of wrapper
// neglected against R. Quantities are SI.
package fold

import "math"

// Fault is why there is no answer.
type Fault uint8

// Faults.
const (
	BadRadius Fault = 1 + iota
	BadOverhang
	BadLayers
	BadPitch
	BadCrimper
	BadRatio
	BadLimit
)

func (f Fault) Error() string {
	switch f {
	case BadRadius:
		return "fold: radius of the roll is not positive"
	case BadOverhang:
		return "fold: overhang is not from zero to below the radius of the roll"
	case BadLayers:
		return "fold: number of layers is not positive"
	case BadPitch:
		return "fold: pitch of the pleats is not positive"
	case BadCrimper:
		return "fold: crimper diameter or number of blades is not positive"
	case BadRatio:
		return "fold: ratio of crimper speed to roll speed is not positive"
	case BadLimit:
		return "fold: core, head, lap or clearance is not a number in range"
	}
	return "fold: unknown fault"
}

func positive(v float64) bool { return v > 0 && !math.IsInf(v, 1) }

// Crimper is the wheel that strikes the pleats.
type Crimper struct {
	Diameter float64 // of the circle of the blade tips, m
	Blades   int
}

func (c Crimper) travel() float64 { return math.Pi * c.Diameter / float64(c.Blades) }

// Pitch of the pleats on the rim of the roll, m, at a ratio of crimper tip
// speed to roll surface speed.
func (c Crimper) Pitch(ratio float64) (float64, error) {
	switch {
	case !positive(c.Diameter) || c.Blades < 1:
		return 0, BadCrimper
	case !positive(ratio):
		return 0, BadRatio
	}
	return c.travel() / ratio, nil
}

// Ratio is the inverse of Pitch.
func (c Crimper) Ratio(pitch float64) (float64, error) {
	switch {
	case !positive(c.Diameter) || c.Blades < 1:
		return 0, BadCrimper
	case !positive(pitch):
		return 0, BadPitch
	}
	return c.travel() / pitch, nil
}

// Pleats is the folded end of a roll.
type Pleats struct {
	PerTurn  float64 // pleats struck in one turn of the roll
	Gathered float64 // length taken up at the folded edge in one turn, m
	Each     float64 // of it by one pleat, m
	Depth    float64 // width of one pleat laid flat at the folded edge, m
	Spacing  float64 // of the pleats at the folded edge, m
	Mean     float64 // thicknesses of wrapper at the folded edge, in the mean
	Most     float64 // and where they lie thickest
}

// Fold is the folded end of a roll of a radius, m, with an overhang, m, a
// number of layers and a pitch of the pleats on the rim, m.
func Fold(radius, overhang, layers, pitch float64) (Pleats, error) {
	switch {
	case !positive(radius):
		return Pleats{}, BadRadius
	case !(overhang >= 0) || overhang >= radius:
		return Pleats{}, BadOverhang
	case !positive(layers):
		return Pleats{}, BadLayers
	case !positive(pitch):
		return Pleats{}, BadPitch
	}
	inner := radius - overhang
	p := Pleats{
		PerTurn:  2 * math.Pi * radius / pitch,
		Gathered: 2 * math.Pi * overhang,
		Each:     pitch * overhang / radius,
		Spacing:  pitch * inner / radius,
		Mean:     layers * radius / inner,
		Most:     layers,
	}
	p.Depth = p.Each / 2
	if overhang > 0 {
		// A pleat adds two thicknesses; where they are wider than apart they
		// lie on one another.
		p.Most = layers * (1 + 2*math.Ceil(p.Depth/p.Spacing*(1-1e-12)))
	}
	return p, nil
}

// Limits is the range of overhangs that a roll allows, m.
type Limits struct {
	Least float64 // below it the outer head does not lap the fold enough
	Most  float64 // above it the fold comes too near the core
}

// Contains reports whether an overhang is in the range, ends included; NaN
// never is.
func (l Limits) Contains(overhang float64) bool {
	return overhang >= l.Least && overhang <= l.Most
}

// Bounds gives the overhangs that a roll of a radius allows: the fold stays
// clearance from a core of radius core, o ≤ R − core − clearance, and an
// outer head of radius head laps it by at least lap, o ≥ lap + R − head. A
// head of 0 stands for none, and then nothing needs to be lapped. All in m.
// Least may come out above Most: then no overhang does.
func Bounds(radius, core, clearance, head, lap float64) (Limits, error) {
	switch {
	case !positive(radius):
		return Limits{}, BadRadius
	case !(core >= 0) || core >= radius || !(clearance >= 0) || math.IsInf(clearance, 1) ||
		!(head >= 0) || math.IsInf(head, 1) || !(lap >= 0) || math.IsInf(lap, 1):
		return Limits{}, BadLimit
	}
	l := Limits{Most: radius - core - clearance}
	if head > 0 {
		l.Least = math.Max(0, lap+radius-head)
	}
	return l, nil
}
