package sim

import (
	"time"

	"lapgate/sim/controller"
)

// armed is a strike whose point has come.
type armed struct {
	Strike
	scans int
}

// arm readies the strikes whose point has come for the roll at the station.
func (s *Sim) arm(p point) {
	if s.cur == nil {
		return
	}
	kept := s.strikes[:0]
	for _, st := range s.strikes {
		if st.Roll == s.cur.Ordinal && st.at == p {
			s.pending = append(s.pending, armed{st, st.Delay})
		} else {
			kept = append(kept, st)
		}
	}
	s.strikes = kept
}

// strike lets the armed faults whose delay is over take effect.
func (s *Sim) strike(now time.Duration, tick uint32) {
	kept := s.pending[:0]
	for _, a := range s.pending {
		if a.scans--; a.scans >= 0 {
			kept = append(kept, a)
			continue
		}
		switch s.hit(now, tick, a.Strike) {
		case missed:
			s.again(a.Strike)
		case struck:
			s.struckBy(a.Strike)
		case pulsed:
			s.pulse = append(s.pulse, a.Strike)
		case laid:
			if s.cfg.OnFault != nil {
				s.cfg.OnFault(a.Strike)
			}
		}
	}
	s.pending = kept
}

// again puts a strike that found nothing to strike off to the next roll.
func (s *Sim) again(f Strike) {
	f.Roll = s.next + 1
	if s.cur != nil {
		f.Roll = s.cur.Ordinal + 1
	}
	if f.Roll <= len(s.cfg.Rolls) {
		s.strikes = append(s.strikes, f)
	}
}

func (s *Sim) struckBy(f Strike) {
	s.count(f.Fault)
	if s.cfg.OnFault != nil {
		s.cfg.OnFault(f)
	}
}

// pulses tells, after a scan, which strikes through its inputs took effect.
func (s *Sim) pulses(events []controller.Event) {
	for _, f := range s.pulse {
		did := false
		for i := range events {
			switch e := &events[i]; f.Fault {
			case rescan:
				did = did || e.Kind == controller.EventRequested
			case removeRoll:
				did = did || e.Kind == controller.EventOutcome && e.Outcome == controller.Removed
			}
		}
		if f.Fault == manualMode {
			did = s.prog.Phase() == controller.Manual
		}
		if did {
			s.struckBy(f)
			continue
		}
		if f.Fault == manualMode {
			s.in.ManualSelected = false
		}
		s.again(f)
	}
	s.pulse = s.pulse[:0]
}

func (s *Sim) count(fault string) {
	for i := range s.counts {
		if s.counts[i].Fault == fault {
			s.counts[i].Struck++
		}
	}
}

// imageHits counts the faults of the register image when they take effect.
func (s *Sim) imageHits() {
	for {
		select {
		case f := <-s.imgHits:
			s.count(f)
		default:
			return
		}
	}
}

// effect of a strike.
type effect uint8

const (
	missed effect = iota // there was nothing to strike
	struck               // it took effect
	pulsed               // it takes effect with this scan
	laid                 // it takes effect with the next access to the registers
)

// hit does what a fault does.
func (s *Sim) hit(now time.Duration, tick uint32, f Strike) effect {
	waiting := s.prog.Phase() == controller.Await && s.cur != nil
	switch f.Fault {
	case cutLink, blackHole, lateReply:
		if len(s.wires) == 0 {
			return missed
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
		return struck
	case restart, restartCleared, memoryLost:
		if s.down > 0 {
			return missed
		}
		m := s.prog.PowerOff()
		if f.Fault == memoryLost {
			m.Damage()
		}
		if f.Fault != restart {
			s.image.Clear()
		}
		s.restarts++
		// A second loss within one second must not bring the same number.
		s.prog = controller.Start(s.cfg.Program, m, clock()+uint32(s.restarts))
		s.down = now + f.For
		return struck
	case heartbeatFrozen:
		if s.down > 0 {
			return missed
		}
		s.down, s.frozen = now+f.For, true
		return struck
	case tornBlock:
		s.image.Tear(1 + int(f.Dice%3))
		return laid
	case lostCommit:
		s.image.Discard(controller.BlockCommit, 1)
		return laid
	case ackLost:
		s.image.Discard(controller.BlockAck, 1)
		return laid
	case duplicateWrite:
		blocks := [...]controller.BlockName{
			controller.BlockPayload, controller.BlockCommit, controller.BlockHello, controller.BlockAck, controller.BlockHeartbeat,
		}
		for i := range blocks {
			if s.image.Reland(blocks[(f.Dice+uint64(i))%uint64(len(blocks))]) {
				return struck
			}
		}
	case permissiveDrop:
		if s.offBits == 0 {
			s.offBits, s.offUntil = 1<<(f.Dice%6), now+f.For
			return struck
		}
	case rescan:
		if waiting {
			s.remeasure(now)
			return pulsed
		}
	case wrongEcho:
		if waiting {
			s.prog.Disturb()
			s.inForce.Width++
			return struck
		}
	case staleScan:
		s.measured.Tick = tick - 18_000
		return struck
	case manualMode:
		if waiting {
			s.in.ManualSelected = true
			return pulsed
		}
	case removeRoll:
		if waiting {
			s.in.Remove = true
			return pulsed
		}
	case noWrapper:
		if i := s.station.habitSlot(); i >= 0 {
			s.station.unready(i, f.For.Seconds()*s.cfg.Speed)
			return struck
		}
	}
	return missed
}
