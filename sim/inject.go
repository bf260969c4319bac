package sim

import (
	"slices"
	"time"

	"lapgate/sim/controller"
	"lapgate/sim/modbus"
	"lapgate/sim/registers"
)

// dueFault is a planned fault whose point in the life of its roll has come.
type dueFault struct {
	PlannedFault
	scans int // until it is injected
}

// reach readies the faults that are planned for this point in the life of the
// roll at the station.
func (s *Sim) reach(p point) {
	if s.cur == nil {
		return
	}
	kept := s.planned[:0]
	for _, f := range s.planned {
		if f.Roll == s.cur.Ordinal && f.at == p {
			s.due = append(s.due, dueFault{f, f.Delay})
		} else {
			kept = append(kept, f)
		}
	}
	s.planned = kept
}

// injectDue injects the faults whose delay is over.
func (s *Sim) injectDue(now time.Duration, tick uint32) {
	kept := s.due[:0]
	for _, f := range s.due {
		if f.scans--; f.scans >= 0 {
			kept = append(kept, f)
			continue
		}
		switch s.inject(now, tick, f.PlannedFault) {
		case nothingToDisturb:
			s.postpone(f.PlannedFault)
		case tookEffect:
			s.occurred(f.PlannedFault)
		case withThisScan:
			s.thisScan = append(s.thisScan, f.PlannedFault)
		case withNextAccess:
			if s.cfg.OnFault != nil {
				s.cfg.OnFault(f.PlannedFault)
			}
		}
	}
	s.due = kept
}

// postpone puts a fault that found nothing to disturb off to the next roll, unless
// it is wanted at this one.
func (s *Sim) postpone(f PlannedFault) {
	if f.pinned {
		return
	}
	f.Roll = s.next + 1
	if s.cur != nil {
		f.Roll = s.cur.Ordinal + 1
	}
	if f.Roll <= len(s.cfg.Rolls) {
		s.planned = append(s.planned, f)
	}
}

func (s *Sim) occurred(f PlannedFault) {
	s.count(f.Fault)
	if s.cfg.OnFault != nil {
		s.cfg.OnFault(f)
	}
}

// afterThisScan tells, after a scan, which of the faults that act through its
// inputs took effect.
func (s *Sim) afterThisScan(events []controller.Event) {
	for _, f := range s.thisScan {
		switch {
		case f.Fault == rescan && slices.ContainsFunc(events, func(e controller.Event) bool { return e.Kind == controller.EventRequested }),
			f.Fault == manualMode && s.prog.Phase() == controller.PhaseManual:
			s.occurred(f)
			continue
		case f.Fault == manualMode:
			s.in.ManualSelected = false
		}
		s.postpone(f)
	}
	s.thisScan = s.thisScan[:0]
}

func (s *Sim) count(fault string) {
	for i := range s.counts {
		if s.counts[i].Fault == fault {
			s.counts[i].Occurred++
		}
	}
}

// imageFaults counts the faults of the register image when they take effect.
func (s *Sim) imageFaults() {
	for {
		select {
		case f := <-s.fromImage:
			s.count(f)
		default:
			return
		}
	}
}

// effect is what became of a fault that was injected.
type effect uint8

const (
	nothingToDisturb effect = iota
	tookEffect
	withThisScan   // it takes effect with the inputs of this scan
	withNextAccess // it takes effect with the next access to the registers
)

// inject does what a fault does, by where it sits.
func (s *Sim) inject(now time.Duration, tick uint32, f PlannedFault) effect {
	switch f.Fault {
	case cutLink, blackHole, lateReply:
		return s.injectLink(f)
	case restart, restartCleared, memoryLost, heartbeatFrozen:
		return s.injectStop(now, f)
	case tornBlock, lostCommit, ackLost, duplicateWrite, exception:
		return s.injectRegisters(f)
	case rescan, wrongEcho, manualMode, removeRoll:
		return s.injectWaiting(now, f)
	case rollGone, eyeFlicker, aborted:
		return s.injectRoll(now, f)
	}
	return s.injectLine(now, tick, f)
}

// injectLink disturbs the network.
func (s *Sim) injectLink(f PlannedFault) effect {
	if len(s.wires) == 0 {
		return nothingToDisturb
	}
	for _, w := range s.wires {
		switch f.Fault {
		case cutLink:
			w.Cut(f.For)
		case blackHole:
			w.Mute(f.For)
		case lateReply:
			w.Late(1, f.For)
		}
	}
	return tookEffect
}

// injectStop stops the controller's program.
func (s *Sim) injectStop(now time.Duration, f PlannedFault) effect {
	if s.down > 0 {
		return nothingToDisturb
	}
	s.down = now + f.For
	if f.Fault == heartbeatFrozen {
		s.frozen = true
		return tookEffect
	}
	m := s.prog.PowerOff()
	if f.Fault == memoryLost {
		m.Damage()
		s.taken = false // what lies there now is what the program finds
	}
	if f.Fault != restart {
		s.image.Clear()
	}
	s.restarts++
	s.audit.restarted()
	// A second loss within one second must not bring the same number.
	s.prog = controller.Start(s.cfg.Program, m, clock()+uint32(s.restarts))
	return tookEffect
}

// injectRegisters damages what a link reads or writes.
func (s *Sim) injectRegisters(f PlannedFault) effect {
	switch f.Fault {
	case tornBlock:
		s.image.Tear(1 + int(f.Dice%3))
		return withNextAccess
	case lostCommit:
		s.image.Discard(registers.Commit, 1)
		return withNextAccess
	case ackLost:
		s.image.Discard(registers.Ack, 1)
		return withNextAccess
	case exception:
		if s.server == nil {
			return nothingToDisturb
		}
		codes := modbus.Exceptions()
		s.server.Except(codes[f.Dice%uint64(len(codes))])
		return tookEffect
	}
	blocks := [...]registers.Block{registers.Payload, registers.Commit, registers.Hello, registers.Ack, registers.Heartbeat}
	for i := range blocks {
		if s.image.Reland(blocks[(f.Dice+uint64(i))%uint64(len(blocks))]) {
			return tookEffect
		}
	}
	return nothingToDisturb
}

// injectWaiting does what can only happen to a roll that waits.
func (s *Sim) injectWaiting(now time.Duration, f PlannedFault) effect {
	if s.prog.Phase() != controller.PhaseAwait || s.cur == nil {
		return nothingToDisturb
	}
	switch f.Fault {
	case rescan:
		s.remeasure(now)
	case manualMode:
		s.in.ManualSelected = true
	case removeRoll:
		s.taken = true
		return tookEffect
	case wrongEcho:
		s.prog.Disturb()
		s.inForce.Width++
		return tookEffect
	}
	return withThisScan
}

// injectRoll takes the roll away, or lets the sensor or a person say so.
func (s *Sim) injectRoll(now time.Duration, f PlannedFault) effect {
	if s.cur == nil || !s.station.atStation() || s.taken {
		return nothingToDisturb
	}
	running := s.prog.Phase() == controller.PhaseRun && !s.prog.ConfirmWanted()
	switch {
	case f.Fault == eyeFlicker:
		s.blink = true
	case !running:
		return nothingToDisturb
	case f.Fault == rollGone:
		s.taken = true
	default:
		s.in.Abort, s.lies = true, now+f.For
	}
	return tookEffect
}

// injectLine disturbs the line itself.
func (s *Sim) injectLine(now time.Duration, tick uint32, f PlannedFault) effect {
	switch f.Fault {
	case permissiveDrop:
		if s.offBits == 0 {
			s.offBits, s.offUntil = 1<<(f.Dice%6), now+f.For
			return tookEffect
		}
	case staleScan:
		const old = 18_000 // ticks, 180 s
		s.measured.Tick = tick - old
		return tookEffect
	case noWrapper:
		if i := s.station.habitSlot(); i >= 0 {
			s.station.unready(i, f.For.Seconds()*s.cfg.Speed)
			return tookEffect
		}
	}
	return nothingToDisturb
}
