package notice

import "math"

// reelSeen is a wrapper roll since the last estimate of its caliper.
type reelSeen struct {
	outer, outerU float64 // then; 0 for nothing seen
	drawn         float64 // since, m
	whole         bool    // every roll since has said what it drew
}

// caliperScatter is the relative standard uncertainty of an estimate of the
// caliper at which it is taken. It wants a roll that has become thinner by
// dozens of the uncertainties of its diameter.
const caliperScatter = 0.05

// takeReels estimates the wound caliper of each wrapper roll,
// t = π(OD₁² − OD₂²)/(4ΔL), once enough was drawn. The outer diameters are
// those at the request, before this roll draws.
func (w *Watch) takeReels(r *Roll) {
	if r.Number != w.newest+1 {
		w.drewUnknown() // rolls of which nothing is known may have drawn
	}
	w.newest = r.Number
	for i := range r.Reels {
		w.takeReel(r.Number, &r.Reels[i])
	}
	s, ok := slotOf(r.Slot)
	switch {
	case r.Bare:
	case !ok:
		w.drewUnknown()
	case r.Drawn > 0 && finite(r.Drawn):
		w.reels[s].drawn += r.Drawn
	default:
		w.reels[s].whole = false
	}
}

func (w *Watch) drewUnknown() {
	for i := range w.reels {
		w.reels[i].whole = false
	}
}

func (w *Watch) takeReel(roll uint32, reel *Reel) {
	s, ok := slotOf(reel.Slot)
	if !ok || !(reel.Outer > 0) || !(reel.OuterU > 0) || !(reel.Caliper > 0) || !(reel.CaliperStanding >= 0) ||
		!finite(reel.Outer) || !finite(reel.OuterU) || !finite(reel.Caliper) || !finite(reel.CaliperStanding) {
		return
	}
	seen := &w.reels[s]
	if !seen.whole || seen.outer == 0 || reel.Outer > seen.outer+4*math.Hypot(reel.OuterU, seen.outerU) {
		*seen = reelSeen{outer: reel.Outer, outerU: reel.OuterU, whole: true}
		return
	}
	if !(seen.drawn > 0) {
		return
	}
	caliper := math.Pi * (seen.outer - reel.Outer) * (seen.outer + reel.Outer) / (4 * seen.drawn)
	u := math.Pi / (2 * seen.drawn) * math.Hypot(seen.outer*seen.outerU, reel.Outer*reel.OuterU)
	if u > caliperScatter*reel.Caliper {
		return
	}
	allowed := 2 * reel.CaliperStanding * reel.Caliper
	p := &w.caliper[s]
	up, down := p.take(roll, caliper-reel.Caliper, u, allowed, limit)
	for c, one := range sides(up, down, p) {
		w.tell(c, CaliperOff, slotName(reel.Slot), one,
			Number{"caliper_m", reel.Caliper + one.mean()}, Number{"configured_m", reel.Caliper}, Number{"allowed_m", allowed})
	}
	*seen = reelSeen{outer: reel.Outer, outerU: reel.OuterU, whole: true}
}
