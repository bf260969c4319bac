package sim

import (
	"math"

	"lapgate/sim/controller"
	"lapgate/sim/physics"
	"lapgate/sim/registers"
)

// begin starts to wrap the roll, with a recipe or by hand. It reports false
// when the operator finds nothing to wrap it with.
func (s *station) begin(r *controller.Recipe) bool {
	j := job{byHand: r == nil}
	if r == nil {
		r = &controller.Recipe{}
	}
	taken := *r
	taken.Groups &^= s.cfg.Ignored
	r = &taken
	if !s.takeSlot(&j, r) {
		return false
	}
	s.takePaper(&j, r)
	s.takePress(&j, r)
	if r.Has(registers.GroupWeigh) {
		j.gross, j.tolerance = r.Gross, r.ScaleTolerance
	}
	j.offset = s.cfg.Centring.Offset
	if r.Has(registers.GroupCentre) {
		j.offset = r.Centring
	}
	s.job = j
	s.stage, s.left = innerHead, s.cfg.Times.InnerHead
	return true
}

// takeSlot takes the wrapper that is told, or the one that an operator would
// take.
func (s *station) takeSlot(j *job, r *controller.Recipe) bool {
	j.slot = -1
	if !r.Has(registers.GroupStand) {
		j.slot = s.habitSlot()
	} else {
		j.toldWidth = r.WrapperWidth
		for i := range s.cfg.Stand.Slots {
			if s.cfg.Stand.Slots[i].Number == r.Slot {
				j.slot = i
			}
		}
	}
	if j.slot < 0 {
		if j.byHand {
			return false
		}
		s.defects = append(s.defects, Defect{Kind: WrongWrapper, What: "no such wrapper slot"})
		j.slot = 0
	}
	return true
}

// takePaper takes how much paper is wound on, how fast, and how it is crimped.
func (s *station) takePaper(j *job, r *controller.Recipe) {
	c := s.cfg
	if r.Has(registers.GroupWrap) {
		j.counts, j.layers, j.overlap = float64(r.FeedCounts), r.Layers, r.Overlap
		j.turning = r.WrapSpeed
	} else {
		j.layers, j.overlap, j.turning = c.Habit.Layers, c.Habit.Overlap, c.Habit.WrapSpeed
		if c.Ignored>>registers.GroupWrap&1 == 1 && !j.byHand {
			j.layers++ // or a habit that happens to be the recipe would hide it
		}
		paper := physics.Around(s.roll.Diameter, c.Stand.Slots[j.slot].Caliper, j.layers) + j.overlap
		j.counts = math.Ceil(paper * c.Wrap.CountsPerMetre)
	}
	j.feed = j.turning
	j.crimpSpeed = c.Habit.CrimpSpeed
	if r.Has(registers.GroupDrives) {
		j.turning = c.Drives.Turning.Surface(r.TurningHz)
		j.feed = c.Drives.Feed.Surface(r.FeedHz)
		j.crimpSpeed = c.Drives.Turning.Surface(r.CrimpTurningHz)
	}
	j.crimpTurns = c.Habit.CrimpTurns
	if r.Has(registers.GroupCrimp) {
		j.crimpTurns, j.crimpTime, j.centreHeight = r.CrimpTurns, r.CrimpTime, r.CentreHeight
	}
}

// takePress takes heads, glue and how they are pressed.
func (s *station) takePress(j *job, r *controller.Recipe) {
	c := s.cfg
	switch {
	case c.Headless:
	case r.Has(registers.GroupHeader):
		j.temperature, j.dwell = r.Temperature, r.Dwell
		j.closeLeast, j.closeGreatest = r.CloseLeast, r.CloseGreatest
	default:
		j.temperature, j.dwell = c.Habit.Temperature, c.usualDwell()
	}
	j.innerHead, j.outerHead = r.InnerHead, r.OuterHead
	if j.outerHead == 0 && !c.Headless {
		for _, h := range c.Heads {
			if h <= s.roll.smallest()-c.Spread.HeadSize*3-2*c.Spread.HeadPlacement {
				j.outerHead = h
			}
		}
	}
	if r.Has(registers.GroupGlue) {
		j.glue = r.Glue
	}
}
