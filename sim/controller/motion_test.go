package controller

import (
	"testing"

	"lapgate/sim/internal/standin"
	"lapgate/sim/registers"
)

// press presses start for one scan and reports whether the outputs are on.
func (b *bench) press() bool {
	b.in.Start = true
	b.scan()
	on := b.c.Running()
	b.scan()
	return on && b.c.Running()
}

// running is a bench with a roll in run and its outputs on.
func running(t *testing.T) *bench {
	b := newBench(t)
	b.accept(1)
	if b.c.Running() {
		t.Fatal("outputs came on because a recipe was accepted")
	}
	if !b.press() {
		t.Fatal("outputs do not come on at a press of start")
	}
	return b
}

// outcomes are the outcomes of the ring, in order.
func (b *bench) outcomes() (all []Outcome) {
	for n := uint32(1); n <= b.c.mem.Produced; n++ {
		all = append(all, Outcome(b.c.mem.Ring[n%registers.RingEntries][15]))
	}
	return all
}

// What takes the outputs away takes them in the same scan, and nothing but a press
// of start brings them back.
func TestOutputsComeBackByAPressAlone(t *testing.T) {
	for name, c := range map[string]struct{ off, back func(*bench) }{
		"permissive": {func(b *bench) { b.in.Permissives = 0x3E }, func(b *bench) { b.in.Permissives = allOn }},
		"roll gone": {func(b *bench) { b.leave() }, func(b *bench) {
			b.in.RollPresent, b.in.Confirm = true, SameRoll
			b.scan()
		}},
		"restart": {func(b *bench) { b.restart(b.c.PowerOff()) }, func(b *bench) {
			b.in.Confirm = SameRoll
			b.scan()
		}},
	} {
		t.Run(name, func(t *testing.T) {
			b := running(t)
			c.off(b)
			b.scan()
			if b.c.Running() || b.c.Phase() != PhaseRun {
				t.Fatalf("outputs on %t in phase %s", b.c.Running(), b.c.Phase())
			}
			if b.press() {
				t.Fatal("outputs came on with what took them away still there")
			}
			c.back(b)
			for range 20 {
				b.scan()
			}
			if b.c.Running() {
				t.Fatal("outputs came back by themselves")
			}
			if !b.press() {
				t.Error("outputs do not come back at a press of start")
			}
			b.in.Done = &Used{}
			b.scan()
			if got := b.outcomes(); b.c.Running() || len(got) != 1 || got[0] != Wrapped {
				t.Errorf("outputs on %t, outcomes %v", b.c.Running(), got)
			}
		})
	}
}

// A button that was down through a restart is no press.
func TestAButtonHeldThroughARestart(t *testing.T) {
	b := running(t)
	b.in.Start = true
	b.restart(b.c.PowerOff())
	for range 3 {
		b.in.Start, b.in.Confirm = true, SameRoll
		b.scan()
	}
	if b.c.ConfirmWanted() || b.c.Running() {
		t.Errorf("asks %t, outputs on %t", b.c.ConfirmWanted(), b.c.Running())
	}
}

// A button that is held down is one press, and a press counts only in run or in
// manual with a roll there.
func TestAPressIsAnEdge(t *testing.T) {
	b := newBench(t)
	b.in.Start = true
	b.scan()
	b.in.Start = true
	b.offer(1, nil, nil)
	b.want(b.scan(), Accepted, 0)
	for range 5 {
		b.in.Start = true
		b.scan()
	}
	if b.c.Running() {
		t.Fatal("a button that was already down turned the outputs on")
	}
	b.scan()
	b.in.RollPresent = false
	if b.press() {
		t.Error("outputs came on while the sensor saw no roll")
	}
	b.in.RollPresent = true
	if !b.press() {
		t.Error("outputs do not come on")
	}
	for o := range Output(Outputs) {
		if b.c.Output(o) != Driven {
			t.Errorf("output %d is %d while the outputs are on", o, b.c.Output(o))
		}
	}
	b.in.Abort = true
	b.scan()
	for o := range Output(Outputs) {
		if got, want := b.c.Output(o), makersStates()[o]; got != want || got == Driven {
			t.Errorf("output %d fell to %d, want %d", o, got, want)
		}
	}
}

// The sensor off for less than GoneTime is nothing in any phase; for longer the
// roll is gone.
func TestPresenceInEachPhase(t *testing.T) {
	hold := func(w []uint16) { clear(w[33:78]); w[13], w[14] = 2, 4 }
	for name, c := range map[string]struct {
		before func(*bench)
		phase  Phase
		gone   []Outcome
	}{
		"await":  {func(*bench) {}, PhaseAwait, []Outcome{Removed}},
		"held":   {func(b *bench) { b.offer(1, hold, nil); b.scan() }, PhaseHeld, []Outcome{Removed}},
		"manual": {func(b *bench) { b.in.ManualSelected = true; b.scan() }, PhaseManual, []Outcome{Removed}},
		"run":    {func(b *bench) { b.accept(1); b.press() }, PhaseRun, nil},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t)
			c.before(b)
			on, req := b.c.Running(), b.c.ReqID()
			for range 5 { // of 20 ms, with a scan between
				b.in.RollPresent = false
				for range 4 {
					b.scan()
				}
				b.in.RollPresent = true
				b.scan()
			}
			if b.c.Phase() != c.phase || b.c.ReqID() != req || b.c.Running() != on {
				t.Fatalf("a short break: phase %s, request %d, outputs on %t", b.c.Phase(), b.c.ReqID(), b.c.Running())
			}
			b.leave()
			if got := b.outcomes(); len(got) != len(c.gone) || len(got) > 0 && got[0] != c.gone[0] {
				t.Fatalf("outcomes %v, want %v", got, c.gone)
			}
			if c.phase != PhaseRun {
				return
			}
			if b.c.Phase() != PhaseRun || b.c.Running() || b.request().Flags&FlagOperator == 0 {
				t.Fatalf("gone in run: phase %s, outputs on %t, flags %b", b.c.Phase(), b.c.Running(), b.request().Flags)
			}
			b.in.Done, b.in.Confirm = &Used{}, SameRoll // with nothing there
			b.scan()
			if b.c.Phase() != PhaseRun || !b.c.ConfirmWanted() {
				t.Fatal("run went on without a roll")
			}
			b.in.Confirm = OtherRoll
			b.scan()
			if got := b.outcomes(); len(got) != 1 || got[0] != Aborted || b.c.Phase() != PhaseEmpty {
				t.Errorf("outcomes %v, phase %s", got, b.c.Phase())
			}
		})
	}
}

// A commit that arrives as its roll leaves is not judged.
func TestALeavingRollTakesItsCommitWithIt(t *testing.T) {
	b := newBench(t)
	b.in.RollPresent = false
	for range 5 {
		b.scan()
	}
	b.offer(1, nil, nil)
	b.refused(b.scan())
	if got := b.outcomes(); len(got) != 1 || got[0] != Removed || b.c.StaleCommits() != 1 {
		t.Errorf("outcomes %v, stale commits %d", got, b.c.StaleCommits())
	}
}

// After an abort the roll that still lies there gets no second number, until it was
// gone or the operator says that it is another.
func TestAbortWithTheRollLeftInPlace(t *testing.T) {
	for _, confirmed := range []bool{false, true} {
		b := running(t)
		roll, req := b.c.RollNo(), b.c.ReqID()
		b.in.Abort = true
		b.scan()
		if got := b.outcomes(); len(got) != 1 || got[0] != Aborted || b.c.Running() || b.c.Phase() != PhaseEmpty {
			t.Fatalf("outcomes %v, outputs on %t, phase %s", got, b.c.Running(), b.c.Phase())
		}
		again := func() {
			b.in.Enter = &Measurement{Tag: TagOf("B-1"), Diameter: 10160, Width: 15240, Valid: true, Tick: b.tick}
			b.scan()
		}
		for range 10 {
			again()
		}
		b.in.RollPresent = false // a flicker
		again()
		b.in.RollPresent = true
		again()
		b.restart(b.c.PowerOff())
		again()
		if b.c.RollNo() != roll || b.c.ReqID() != req {
			t.Fatalf("the same roll became number %d, request %d", b.c.RollNo(), b.c.ReqID())
		}
		if confirmed {
			b.in.Confirm = OtherRoll
			b.scan()
		} else {
			b.leave()
			b.in.RollPresent = true
		}
		again()
		if b.c.RollNo() != roll+1 || b.c.Phase() != PhaseAwait {
			t.Errorf("confirmed %t: roll %d, phase %s", confirmed, b.c.RollNo(), b.c.Phase())
		}
	}
}

// The outcome names the accepted recipe by the token of its payload, also when the
// program was started again since; those without a recipe name none.
func TestOutcomeNamesTheAcceptedPayload(t *testing.T) {
	b := newBench(t)
	b.accept(1)
	p := b.area.Payload
	b.restart(b.c.PowerOff())
	b.in.Confirm = SameRoll
	b.scan()
	b.in.Done = &Used{}
	b.scan()
	w := b.c.mem.Ring[1]
	if long(w[:], 6) != long(p[:], 6) || long(w[:], 8) != long(p[:], 8) || long(w[:], 6) == b.c.Boot() || long(w[:], 17) != long(p[:], 78) {
		t.Errorf("outcome names boot %d, request %d, payload %08X", long(w[:], 6), long(w[:], 8), long(w[:], 17))
	}
	b = newBench(t)
	b.leave()
	w = b.c.mem.Ring[1]
	if long(w[:], 10) != 0 || long(w[:], 12) != 0 || w[14] != 0 || long(w[:], 17) != 0 || long(w[:], 6) != b.c.Boot() || long(w[:], 8) != b.c.ReqID() {
		t.Errorf("an outcome without a recipe is %04X", w[:20])
	}
}

// Back in automatic a roll that nobody began by hand is asked for anew; one that was
// begun stays in manual until it is done.
func TestBackToAutomatic(t *testing.T) {
	b := newBench(t)
	b.in.ManualSelected = true
	b.scan()
	req := b.c.ReqID()
	b.in.ManualSelected = false
	b.scan()
	if b.c.Phase() != PhaseAwait || b.c.ReqID() != req+1 {
		t.Errorf("phase %s, request %d", b.c.Phase(), b.c.ReqID())
	}
	b.in.ManualSelected = true
	b.scan()
	if !b.press() {
		t.Fatal("outputs do not come on in manual")
	}
	b.in.ManualSelected = false
	b.scan()
	if b.c.Phase() != PhaseManual {
		t.Errorf("a roll half wrapped went to phase %s", b.c.Phase())
	}
	b.in.Done = &Used{}
	b.scan()
	if got := b.outcomes(); len(got) != 1 || got[0] != ByHand {
		t.Errorf("outcomes %v", got)
	}
}

// The press closes only between its closing temperatures, both measured, and after
// a wait only on a new press of start.
func TestPressCloses(t *testing.T) {
	for name, c := range map[string]struct {
		cooler, hotter uint16
		closes         bool
	}{
		"within": {1680, 1850, true}, "cooler too cool": {1679, 1800, false}, "hotter too hot": {1700, 1851, false},
		"not measured": {0, 0, false},
	} {
		b := running(t)
		ask := func(cooler, hotter uint16, start bool) bool {
			b.in.Closing, b.in.Platen, b.in.PlatenHot, b.in.Start = true, cooler, hotter, start
			b.scan()
			return b.c.PressCloses()
		}
		if got := ask(c.cooler, c.hotter, false); got != c.closes {
			t.Errorf("%s: closes %t", name, got)
		}
		if c.closes {
			if !ask(1000, 1000, false) {
				t.Errorf("%s: a press that closed opened as its platens cooled", name)
			}
			continue
		}
		if ask(c.cooler, c.hotter, true) || ask(1700, 1800, false) || ask(1700, 1800, false) {
			t.Errorf("%s: closed after a wait without a new press of start", name)
		}
		if !ask(1700, 1800, true) {
			t.Errorf("%s: does not close at a press of start", name)
		}
		b.in.Permissives = 0
		if ask(1700, 1800, false) {
			t.Errorf("%s: closes with the outputs off", name)
		}
	}
}

// A clock that was never set is an alarm after loss of memory, and no session comes
// before it is set and the program started again.
func TestClockAfterLossOfMemory(t *testing.T) {
	for _, clock := range []uint32{0, 1, builtYear - 1} {
		b := newBench(t)
		m := b.c.PowerOff()
		m.Damage()
		b.in.RollPresent = false
		b.c, b.tick = Start(b.c.cfg, m, clock), 3
		b.scan()
		b.in.AckMemoryLoss = true
		b.scan()
		b.hello(20, 5, b.c.Boot())
		b.scan()
		if !b.c.ClockWrong() || b.c.Active() != (Session{}) || b.c.Boot() == 0 || !b.c.MemoryLost() {
			t.Errorf("clock %d: alarm %t, session %v, boot %d", clock, b.c.ClockWrong(), b.c.Active(), b.c.Boot())
		}
		b.restart(b.c.PowerOff())
		if b.c.ClockWrong() || b.c.Boot() != 250_000_000 {
			t.Fatalf("clock set: alarm %t, boot %d", b.c.ClockWrong(), b.c.Boot())
		}
		b.in.AckMemoryLoss = true
		b.scan()
		b.hello(20, 5, b.c.Boot())
		b.scan()
		if b.c.Active() != (Session{20, 5}) {
			t.Errorf("session %v", b.c.Active())
		}
	}
}

// The memory-loss procedure is the way out of a floor that no epoch is above. What
// stood in the gateway's registers before is not read again.
func TestMemoryLossProcedure(t *testing.T) {
	b := newBench(t)
	b.c = Start(b.c.cfg, FreshAt(0xFFFFFFFF), 1)
	b.scan()
	b.hello(0xFFFFFFFF, 1, b.c.Boot())
	b.scan()
	if b.c.Active() != (Session{}) {
		t.Fatal("a session over the greatest floor")
	}
	b.in.ClearMemory = true
	b.scan()
	b.hello(12, 9, 250_000_000) // of another life, and it still stands there
	b.restart(b.c.PowerOff())
	b.in.AckMemoryLoss = true
	b.scan()
	b.scan()
	if b.request().Floor != 0 || b.c.MemoryLost() || b.c.Active() != (Session{}) {
		t.Errorf("floor %d, memory lost %t, session %v", b.request().Floor, b.c.MemoryLost(), b.c.Active())
	}
	b.hello(4_000_000_000, 9, b.c.Boot())
	b.scan()
	if b.c.Active() != (Session{4_000_000_000, 9}) {
		t.Errorf("session %v", b.c.Active())
	}
	if b.c.StaleCommits() != 0 {
		t.Errorf("%d stale commits of registers that nobody wrote", b.c.StaleCommits())
	}
}

// The switch of the procedure does nothing while a roll is in run.
func TestMemoryIsNotClearedInRun(t *testing.T) {
	b := running(t)
	b.in.ClearMemory = true
	b.scan()
	b.restart(b.c.PowerOff())
	if b.c.MemoryLost() || b.c.Phase() != PhaseRun {
		t.Errorf("memory lost %t, phase %s", b.c.MemoryLost(), b.c.Phase())
	}
}

// A first scan that is spread over several does nothing of the handshake and gives
// no output before it is finished.
func TestFirstScanSpreads(t *testing.T) {
	for _, scans := range []int{1, 2, 5, 64, 100} {
		b := running(t)
		b.leave()
		b.in.Confirm = OtherRoll
		b.scan()
		b.enter()
		img := NewImage(DefaultBases())
		m := b.c.PowerOff()
		b.c.cfg.FirstScans = scans
		b.c = Start(b.c.cfg, m, 250_000_000)
		boot := m.data.Boot
		copy(b.area.Hello[:], standin.Hello(b.epoch+1, 5, boot+1))
		for n := 1; n <= scans; n++ {
			if !b.c.Starting() {
				t.Fatalf("%d scans: finished after %d", scans, n-1)
			}
			b.in.Start = true
			b.scan()
			img.Publish(b.c)
			if n < scans && (b.c.Active() != (Session{}) || b.c.published || b.c.Running() || b.c.Boot() != boot) {
				t.Fatalf("%d scans: at %d session %v, published %t, outputs on %t", scans, n, b.c.Active(), b.c.published, b.c.Running())
			}
		}
		if b.c.Starting() || b.c.Active() != (Session{b.epoch + 1, 5}) || b.c.Boot() != boot+1 || b.c.Phase() != PhaseAwait {
			t.Errorf("%d scans: session %v, boot %d, phase %s", scans, b.c.Active(), b.c.Boot(), b.c.Phase())
		}
		if w, err := img.Read(1240, 40); err != nil || long(w, 2) != 1 {
			t.Errorf("%d scans: the ring is not shown: %04X, %v", scans, w, err)
		}
	}
}
