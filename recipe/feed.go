package recipe

import (
	"math"

	"lapgate/recipe/drive"
)

// feedPlan is the wrapper that one roll takes.
type feedPlan struct {
	Used   float64 // ends on the roll, m
	Travel float64 // of the feed rolls, m
}

// feedLength is the sum over the layers of the circle at mid-caliper,
// πN(D + N·t), with overlap and tail; the feed rolls travel further by their
// slip.
func feedLength(diameter, caliper float64, s *Spec, slip float64) feedPlan {
	used := math.Pi*s.Layers*(diameter+s.Layers*caliper) + s.Overlap + s.Tail
	return feedPlan{Used: used, Travel: used / (1 - slip)}
}

// maxCounts is the largest number of counts that the controller can hold.
const maxCounts = math.MaxUint32

// feed sets how much wrapper is fed and how long that takes.
func (j *job) feed() {
	if !j.line.Equipment.Wrap.Powered() || !j.seated {
		return
	}
	w := &j.line.Wrap
	plan := feedLength(j.roll.Diameter, j.paper.Caliper, j.spec, w.FeedSlip)
	j.used = plan.Used
	grip, ok := j.grip(w.Tension * j.chosen.Width)
	if !ok {
		return
	}
	counts := math.Ceil(plan.Travel * w.CountsPerMetre)
	j.feedMove = drive.Move{
		Path:  plan.Travel,
		Speed: w.Speed,
		Accel: math.Min(w.Accel, grip),
		Decel: math.Min(w.Decel, j.seat.Decel),
	}
	seconds, _, ok := j.feedMove.Time()
	j.feedUncertainty(plan)
	u := j.feedU.total()
	if !ok || !positive(plan.Travel) || !(counts >= 1 && counts <= maxCounts) || !finite(u) {
		j.problem(WrapIncalculable, plan.Travel, 0, -1)
		return
	}
	sp := &j.out.Setpoints
	sp.Groups |= 1 << GroupWrap
	sp.Layers = j.spec.Layers
	sp.FeedLength = plan.Travel
	sp.FeedCounts = int64(counts)
	sp.Overlap = j.spec.Overlap
	sp.WrapTime = seconds
	sp.WrapSpeed = w.Speed
	j.out.Uncertainty.FeedLength = u
}

// feedUncertainty propagates diameter, caliper and slip to the travel of the
// feed rolls (JCGM 100, 5.1.2).
func (j *job) feedUncertainty(plan feedPlan) {
	w := &j.line.Wrap
	n := j.spec.Layers
	j.feedU.add("diameter of the roll", math.Pi*n/(1-w.FeedSlip)*j.roll.DiameterU)
	j.feedU.add("caliper of the wrapper", math.Pi*n*n/(1-w.FeedSlip)*j.paper.CaliperU)
	j.feedU.add("slip of the feed rolls", plan.Travel/(1-w.FeedSlip)*w.FeedSlipU)
}
