package sim

import (
	"time"

	"lapgate/sim/controller"
)

// operator is the person at the line and what is on their mind about the roll
// that waits.
type operator struct {
	since   time.Duration // of the newest thing that happened
	hold    uint16        // reason of the newest hold
	retries int
	rescans int
	byHand  bool // the roll is being wrapped by hand
	hung    bool // a fresh wrapper was hung for the roll

	startAt time.Duration // of the coming press of start, 0 for none
}

func (o *operator) asked(now time.Duration)  { o.since = now }
func (o *operator) judged(now time.Duration) { o.since = now }

// Reasons of a hold that call for something else than another try.
const (
	holdNoRecipe    = 1
	holdDimension   = 2
	holdImplausible = 3
	holdMeasurement = 4
	holdInterlock   = 5
	holdPermissive  = 6
	holdSupply      = 7
)

// shortestReaction is the least time in which the operator acts, however fast
// the line's time runs.
const shortestReaction = 60 * time.Millisecond

// operate lets the operator act. What they press takes effect with the next
// scan.
func (s *Sim) operate(now time.Duration, tick uint32) {
	o, st := &s.operator, s.station
	react := max(time.Duration(s.cfg.Operator.React/s.cfg.Speed*float64(time.Second)), shortestReaction)
	waited := now - o.since
	switch {
	case s.prog.MemoryLost():
		if waited > react {
			s.in.AckMemoryLoss = true
		}
		return
	case s.prog.ConfirmWanted():
		if waited > react {
			s.in.Confirm = controller.SameRoll
			if s.taken {
				s.in.Confirm = controller.OtherRoll
			}
		}
		return
	case s.cur == nil || !s.entered || s.taken:
		return
	}
	s.startPressed(now)
	switch s.prog.Phase() {
	case controller.PhaseRun:
		switch {
		case st.stage == finished:
			s.in.Done = st.used(s.start, tick)
		case st.stuck:
			s.in.Abort = true // and the roll is craned out
		}
	case controller.PhaseManual:
		switch {
		case !o.byHand && waited > react:
			o.byHand = true
			s.start = tick
			if !st.begin(nil) {
				// Nothing hangs that fits: wait for a slot, or give up.
				o.byHand, o.since = false, now
				if !st.fits() {
					s.taken = true
				}
			}
		case o.byHand && st.stage == finished:
			s.in.Done = st.used(s.start, tick)
		case o.byHand && st.stuck:
			s.taken = true // the platens never get hot enough to close
		}
	case controller.PhaseHeld:
		if waited > react {
			s.onHold(now)
		}
	case controller.PhaseAwait:
		s.onWait(now, waited, react)
	}
}

// startPressed lets the operator press start where the line waits for it: outputs
// that are off with a roll to wrap, and a press that waited for its platens.
func (s *Sim) startPressed(now time.Duration) {
	o, phase := &s.operator, s.prog.Phase()
	press := s.prog.Press()
	wrapping := phase == controller.PhaseRun || phase == controller.PhaseManual && o.byHand
	wanted := wrapping && (!s.prog.Running() || press.Waits && press.Within)
	if wanted && s.offBits != 0 && s.offUntil == 0 {
		s.offBits = 0 // put right what is off first
	}
	switch {
	case !wanted || s.offBits != 0:
		o.startAt = 0
	case o.startAt == 0:
		o.startAt = now + max(time.Duration(s.cfg.Operator.Start/s.cfg.Speed*float64(time.Second)), shortestReaction)
	case now >= o.startAt:
		s.in.Start, o.startAt = true, 0
	}
}

// onHold is what the operator does with a roll that was held.
func (s *Sim) onHold(now time.Duration) {
	o := &s.operator
	if o.retries >= s.cfg.Operator.Retries {
		if slot := s.station.habitSlot(); o.hold == holdSupply && slot >= 0 && !o.hung {
			// What hangs will not do, whatever is thought of it here: hang another.
			s.station.hang(slot)
			o.hung, o.retries, o.since = true, 0, now
			return
		}
		s.takeInHand()
		return
	}
	retry := func() {
		o.retries++
		o.since = now
		if o.hold != holdSupply { // whose cause is not the roll
			s.remeasure(now)
		}
		s.in.Retry = true
	}
	switch o.hold {
	case holdPermissive:
		// Put right what is off, then try again.
		if s.offBits != 0 && s.offUntil == 0 {
			s.offBits = 0
			o.since = now
			return
		}
		if s.offBits == 0 {
			retry()
		}
	case holdNoRecipe, holdDimension, holdInterlock, holdSupply:
		if !s.station.fits() {
			s.taken = true
			return
		}
		if s.station.habitSlot() < 0 {
			return // the wrapper is being changed
		}
		retry()
	default:
		retry()
	}
}

// onWait is what the operator does with a roll that asks and gets nothing.
func (s *Sim) onWait(now, waited, react time.Duration) {
	o := &s.operator
	req, v, _ := s.prog.Result()
	rejected := req == s.prog.ReqID() && v == controller.Rejected
	// The gateway may well try the same request again; give it the time.
	if rejected && waited > react+time.Second {
		if o.rescans >= s.cfg.Operator.Retries {
			s.takeInHand()
			return
		}
		o.rescans++
		s.remeasure(now)
		return
	}
	if looked := s.cfg.Operator.Looked; looked != nil && !looked(s.prog.RollNo()) {
		s.operator.since = now
		return
	}
	if (s.hasOpen || s.cfg.Shadow) && waited > s.cfg.Operator.Patience {
		s.takeInHand()
	}
}

// takeInHand turns the selector to manual, or sends the roll away where no
// wrapper fits it.
func (s *Sim) takeInHand() {
	if !s.station.fits() {
		s.taken = true
		return
	}
	s.in.ManualSelected = true
	s.operator.byHand = false
}
