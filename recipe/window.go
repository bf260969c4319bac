package recipe

import (
	"math"
	"slices"

	"lapgate/recipe/wording"
)

// Window is what the overhang of a roll must keep, and the rules that set its
// ends.
//
// With o the overhang (Ww − Wr)/2 of a roll in the middle of its wrapper, e
// the centring tolerance, R the radius of the roll, N·t the thickness of the
// layers on it and p the placement of a head, the rules are
//
//	o − e ≥ minimum                              the poor side covers enough
//	o − e − (R + N·t − R_head) − p ≥ lap         the fold reaches under the outer head
//	o + e ≤ maximum                              the rich side still folds well
//	o + e ≤ R − R_core − clearance               the fold does not reach the core
//
// Each is taken at the end of the roll that hurts: the first two at its widest
// place, the lap at its largest diameter, the last two at its narrowest place,
// the core at its smallest diameter. What is left uncertain is a guard band of
// k·u, u being half of the root of the squares of the uncertainties of both
// widths, with that of the diameter where R takes part and that of the head
// where R_head does.
type Window struct {
	Overhang Range    // of o; empty when Min is above Max
	Widths   Range    // of the wrapper widths that give it
	Lower    Boundary // the rule that sets Overhang.Min
	Upper    Boundary // the rule that sets Overhang.Max
}

// Empty reports whether no wrapper width would do.
func (w Window) Empty() bool { return !(w.Overhang.Min <= w.Overhang.Max+lengthSlack) }

// Contains reports whether an overhang keeps every rule.
func (w Window) Contains(o float64) bool {
	return o >= w.Overhang.Min-lengthSlack && o <= w.Overhang.Max+lengthSlack
}

// Boundary names the rule that sets one end of the window.
type Boundary uint8

// The rules of the window.
const (
	ByMinimum Boundary = iota // least overhang of the specification
	ByLap                     // least lap on the outer head
	ByMaximum                 // greatest overhang of the specification
	ByCore                    // the fold stays clear of the core
	boundaries
)

func (b Boundary) String() string { return b.Said().String() }

// Said is the same in words of the table.
func (b Boundary) Said() wording.Said {
	switch b {
	case ByMinimum:
		return wording.Say("rule.minimum")
	case ByLap:
		return wording.Say("rule.lap")
	case ByMaximum:
		return wording.Say("rule.maximum")
	case ByCore:
		return wording.Say("rule.core")
	}
	return wording.Say("rule.unknown")
}

// WrapperWindow is the window of the overhang for a roll by the paper of a
// slot. For slot 0, and for one whose paper the specification does not allow,
// it is one that holds for every allowed paper that has a window. ok is false
// when the roll itself, its specification or its core is not known.
func WrapperWindow(line *Line, roll *Roll, slot int) (w Window, ok bool) {
	var out Recipe
	var stand Stand
	j := job{line: line, roll: roll, stand: &stand, out: &out}
	if !j.identify() {
		return Window{}, false
	}
	j.chooseHeads()
	j.findRules()
	for i := range line.Stand.Slots {
		s := &line.Stand.Slots[i]
		if paper := line.Materials.Paper(s.Paper); s.Number == slot && paper != nil && slices.Contains(j.spec.Papers, s.Paper) {
			return j.windowFor(paper), true
		}
	}
	return j.bestWindow(), true
}

// ruled is what the rules ask of the overhang of one roll, before the
// thickness of a wrapper.
type ruled struct {
	limit [boundaries]float64 // of o by each rule; the lap without N·t
	u     [boundaries]float64 // standard uncertainty of the margin to it
	bad   bool                // a setting that would widen the window is negative
}

// findRules puts the rules of Window together.
func (j *job) findRules() {
	r, s, k := j.roll, j.spec, j.line.Limits.GuardK
	h, clearance := &j.line.Heads, j.line.Crimp.Clearance
	e := j.line.Centring.Tolerance
	x := r.Extent()
	wide, narrow := (x.Widest-r.Width)/2, (r.Width-x.Narrowest)/2
	coreDiameter := 0.0
	if j.core != nil {
		coreDiameter = j.core.Diameter
	}
	widths := r.WidthU*r.WidthU + j.line.Stand.WidthU*j.line.Stand.WidthU
	both := widths + r.DiameterU*r.DiameterU
	q := &j.rules
	q.u[ByMinimum] = math.Sqrt(widths) / 2
	q.u[ByMaximum] = q.u[ByMinimum]
	q.u[ByCore] = math.Sqrt(both) / 2
	q.limit[ByMinimum] = s.Overhang.Min + e + wide + k*q.u[ByMinimum]
	q.limit[ByMaximum] = s.Overhang.Max - e - narrow - k*q.u[ByMaximum]
	q.limit[ByCore] = (x.Smallest-coreDiameter)/2 - clearance - e - narrow - k*q.u[ByCore]
	if head := j.out.Setpoints.OuterHead; head > 0 {
		q.u[ByLap] = math.Sqrt(both+h.SizeU*h.SizeU) / 2
		q.limit[ByLap] = (x.Largest-head)/2 + h.Placement + s.MinLap + e + wide + k*q.u[ByLap]
	}
	// A negative reserve would widen the window.
	q.bad = !(e >= 0 && k >= 0 && s.MinLap >= 0 && clearance >= 0 && h.Placement >= 0)
}

// windowFor is the window for a paper.
func (j *job) windowFor(paper *Paper) Window {
	q := &j.rules
	w := Window{Lower: ByMinimum, Upper: ByMaximum, Overhang: Range{q.limit[ByMinimum], q.limit[ByMaximum]}}
	if q.u[ByLap] > 0 || q.limit[ByLap] != 0 {
		lap := q.limit[ByLap]
		if paper != nil {
			lap += j.spec.Layers * paper.Caliper
		}
		if lap > w.Overhang.Min {
			w.Overhang.Min, w.Lower = lap, ByLap
		}
	}
	if room := q.limit[ByCore]; room < w.Overhang.Max {
		w.Overhang.Max, w.Upper = room, ByCore
	}
	if q.bad || !finite(w.Overhang.Min) || !finite(w.Overhang.Max) {
		w.Overhang = Range{math.NaN(), math.NaN()}
	}
	w.Widths = Range{j.roll.Width + 2*w.Overhang.Min, j.roll.Width + 2*w.Overhang.Max}
	return w
}

// bestWindow is the window of the thickest of the allowed papers that have
// one, which lies within those of the others; without one, of the thinnest.
func (j *job) bestWindow() Window {
	var best Window
	thickest, thinnest := -1.0, math.Inf(1)
	found := false
	for _, name := range j.spec.Papers {
		paper := j.line.Materials.Paper(name)
		if paper == nil {
			continue
		}
		switch w := j.windowFor(paper); {
		case !w.Empty() && paper.Caliper > thickest:
			best, thickest, found = w, paper.Caliper, true
		case thickest < 0 && paper.Caliper < thinnest:
			best, thinnest, found = w, paper.Caliper, true
		}
	}
	if !found {
		return j.windowFor(nil)
	}
	return best
}

// WorstLap is how far the folded overhang of a recipe surely comes in under
// its outer head, m: on its poor side, at the largest diameter and the widest
// place of the roll, with the head off its place, less the guard band.
func (l *Line) WorstLap(roll *Roll, spec *Spec, sp *Setpoints) float64 {
	x := roll.Extent()
	u := math.Sqrt(roll.WidthU*roll.WidthU+l.Stand.WidthU*l.Stand.WidthU+roll.DiameterU*roll.DiameterU+l.Heads.SizeU*l.Heads.SizeU) / 2
	around := 0.0
	if paper := l.PaperOf(sp.Slot); paper != nil {
		around = spec.Layers * paper.Caliper
	}
	poor := sp.Overhang - l.Centring.Tolerance - (x.Widest-roll.Width)/2
	return poor - ((x.Largest-sp.OuterHead)/2 + around) - l.Heads.Placement - l.Limits.GuardK*u
}
