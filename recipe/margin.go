package recipe

import "math"

// geometryRisk tells the chances of the kinds of bad wrap that follow from
// sizes. A centring error shifts the overhang of one end up and of the other
// one down, so what counts is its size, as likely anywhere from 0 to the
// tolerance; a head lies as likely anywhere from 0 to its placement off the
// axis.
func (j *job) geometryRisk() {
	if j.paper == nil {
		return
	}
	j.riskSheet()
	e, k, q := j.line.Centring.Tolerance, j.line.Limits.GuardK, &j.rules
	o := j.candidate.Overhang
	margin := func(rule Boundary) float64 {
		m := o - q.limit[rule]
		if rule == ByMaximum || rule == ByCore {
			m = -m
		}
		// The limits have the guard band and the centring error in them, which
		// are added back here.
		return m + k*q.u[rule] + e
	}
	low, high := margin(ByMinimum), margin(ByMaximum)
	j.setRisk(RiskOverhang, smeared(low, q.u[ByMinimum], e, 0)+smeared(high, q.u[ByMaximum], e, 0), math.Min(low, high), q.u[ByMinimum])
	core := margin(ByCore)
	j.setRisk(RiskCore, smeared(core, q.u[ByCore], e, 0), core, q.u[ByCore])
	head := j.out.Setpoints.OuterHead
	if head == 0 {
		return
	}
	h, x := &j.line.Heads, j.roll.Extent()
	lap := margin(ByLap) - j.spec.Layers*j.paper.Caliper + h.Placement
	p := worseOfTwo(lap, q.u[ByLap], h.Placement)
	if e > 0 {
		// A centring error shortens the lap at one end and lengthens it at the
		// other. The chance at either is at most the sum of both.
		p = smeared(lap, q.u[ByLap], e, h.Placement) + smeared(lap+e, q.u[ByLap], e, h.Placement)
	}
	j.setRisk(RiskLap, p, lap, q.u[ByLap])
	proud := (x.Smallest-head)/2 - h.OuterEdge
	u := math.Hypot(j.roll.DiameterU, h.SizeU) / 2
	j.setRisk(RiskHead, worseOfTwo(proud, u, h.Placement), proud, u)
}

// riskSheet is the chance that the wrapper does not go around as often as
// wanted, or that what is left on the stand does not reach. Where the roll is
// thicker, at one end of a tapered one, the same length reaches less far.
func (j *job) riskSheet() {
	if !j.out.Setpoints.Groups.Has(GroupWrap) {
		return
	}
	margin, u := j.spec.Overlap-math.Pi*j.spec.Layers*math.Abs(j.roll.Taper)/2, j.out.Uncertainty.FeedLength
	p := smeared(margin, u, 0, 0)
	if c := &j.candidate; finite(c.Left) {
		p += smeared(c.Left-c.Need, c.LeftU, 0, 0)
	}
	j.setRisk(RiskSheet, p, margin, u)
}

func (j *job) setRisk(kind RiskKind, p, margin, u float64) {
	if !finite(p) || !finite(margin) || !finite(u) {
		return
	}
	j.out.Risk[kind] = Chance{Known: true, P: math.Min(1, p), Margin: margin, U: u}
}
