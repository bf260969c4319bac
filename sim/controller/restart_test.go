package controller

import (
	"testing"

	"lapgate/sim/internal/standin"
	"lapgate/sim/registers"
)

// restart turns the power off and on; the clock of ticks begins anew.
func (b *bench) restart(m Memory) {
	b.c = Start(b.c.cfg, m, 250_000_000)
	b.tick = 3
	b.scan()
}

func TestRestartInEveryPhase(t *testing.T) {
	hold := func(w []uint16) { clear(w[33:78]); w[13], w[14] = 2, 4 }
	tests := []struct {
		name    string
		before  func(*bench)
		phase   Phase
		request bool
	}{
		{"empty", func(b *bench) { b.leave() }, PhaseEmpty, false},
		{"await", func(*bench) {}, PhaseAwait, true},
		{"run", func(b *bench) { b.accept(1) }, PhaseRun, false},
		{"held", func(b *bench) { b.offer(1, hold, nil); b.scan() }, PhaseHeld, false},
		{"manual", func(b *bench) { b.in.ManualSelected = true; b.scan() }, PhaseManual, false},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			b := newBench(t)
			tc.before(b)
			boot, req, res := b.c.Boot(), b.c.ReqID(), b.c.mem.Result
			produced, _ := b.c.Outcomes()
			ring := b.c.mem.Ring
			b.restart(b.c.PowerOff())
			if tc.request {
				req++
			}
			r := b.request()
			if b.c.Boot() != boot+1 || b.c.Phase() != tc.phase || b.c.ReqID() != req {
				t.Errorf("boot %d, phase %s, request %d; want %d, %s, %d", b.c.Boot(), b.c.Phase(), b.c.ReqID(), boot+1, tc.phase, req)
			}
			if b.c.Active() != (Session{}) || r.LastOffer != 0 || r.Floor != 11 {
				t.Errorf("session %v, last offer %d, floor %d", b.c.Active(), r.LastOffer, r.Floor)
			}
			if p, _ := b.c.Outcomes(); b.c.mem.Result != res || p != produced || b.c.mem.Ring != ring {
				t.Error("result or ring did not stay")
			}
			// What stands in the area from before is of another boot or session.
			b.refused(b.scan())
			b.refused(b.scan())
			if b.c.Active() != (Session{}) {
				t.Error("an old HELLO opened a session")
			}
		})
	}
}

func TestRestartAsksAboutTheRunningRoll(t *testing.T) {
	for _, same := range []bool{true, false} {
		b := newBench(t)
		b.accept(1)
		offer, session := b.area.Payload[12], b.c.Active()
		b.restart(b.c.PowerOff())
		if !b.c.ConfirmWanted() || b.request().Flags&FlagOperator == 0 {
			t.Fatal("the operator is not asked")
		}
		b.in.Done = &Used{}
		b.scan()
		if b.c.Phase() != PhaseRun {
			t.Fatal("the roll was finished before the operator answered")
		}
		want := Aborted
		if same {
			b.in.Confirm = SameRoll
			b.scan()
			if b.c.Phase() != PhaseRun || b.c.ConfirmWanted() {
				t.Fatal("run does not go on")
			}
			b.in.Done = &Used{Slot: 2}
			want = Wrapped
		} else {
			b.in.Confirm = OtherRoll
		}
		b.scan()
		w := b.c.mem.Ring[1]
		if Outcome(w[15]) != want || w[14] != offer || (Session{long(w[:], 10), long(w[:], 12)}) != session || b.c.Phase() != PhaseEmpty {
			t.Errorf("outcome %d of offer %d, want %s of %d", w[15], w[14], want, offer)
		}
	}
}

func TestRestartMeasuresTheWaitingRollAgain(t *testing.T) {
	b := newBench(t)
	req := b.c.ReqID()
	m := b.c.PowerOff()
	b.in.Measured = roll("B-1", 10161, 15240, 2)
	b.restart(m)
	if r := b.request(); r.Req != req+1 || r.Diameter != 10161 || r.ScanAge > 10 {
		t.Errorf("request %d, diameter %d, age %d", r.Req, r.Diameter, r.ScanAge)
	}
	b.restart(b.c.PowerOff())
	if r := b.request(); r.Req != req+2 || r.ScanAge != 0xFFFF {
		t.Errorf("not measured again: request %d, age %d; want an age that nobody takes for fresh", r.Req, r.ScanAge)
	}
}

func TestMemoryLost(t *testing.T) {
	b := newBench(t)
	b.accept(1)
	m := b.c.PowerOff()
	m.Damage()
	b.in.RollPresent = true
	b.restart(m)
	r := b.request()
	if r.Boot != 250_000_000 || r.Floor != 0 || r.Flags&FlagMemoryLost == 0 || r.Flags&FlagOperator == 0 || r.Flags&FlagValid != 0 {
		t.Errorf("boot %d, floor %d, flags %b", r.Boot, r.Floor, r.Flags)
	}
	if p, _ := b.c.Outcomes(); p != 1 || Outcome(b.c.mem.Ring[1][15]) != Lost {
		t.Errorf("%d outcomes, the first %d, want the roll at the station as lost", p, b.c.mem.Ring[1][15])
	}
	b.hello(20, 5, b.c.Boot())
	b.in.Enter = roll("B-2", 9000, 14000, b.tick)
	b.scan()
	if b.c.Active() != (Session{}) || b.c.RollNo() != 1 {
		t.Error("a session or a roll came in before the operator acknowledged")
	}
	b.in.AckMemoryLoss = true
	b.scan()
	b.scan()
	if b.c.Active() != (Session{20, 5}) || b.c.MemoryLost() || b.c.Phase() != PhaseEmpty {
		t.Errorf("session %v, phase %s", b.c.Active(), b.c.Phase())
	}
	b.enter()
	if b.c.RollNo() != 2 || b.c.Phase() != PhaseAwait {
		t.Errorf("roll %d, phase %s", b.c.RollNo(), b.c.Phase())
	}
}

func TestRingToTheBrimAndBeyond(t *testing.T) {
	b := newBench(t)
	b.leave()
	for range registers.RingEntries - 1 {
		b.enter()
		b.leave()
	}
	if p, a := b.c.Outcomes(); p-a != registers.RingEntries || b.request().Flags&FlagRingFull == 0 {
		t.Fatalf("%d in the ring, flags %b", p-a, b.request().Flags)
	}
	b.enter()
	if b.c.RollNo() != registers.RingEntries || b.c.Phase() != PhaseEmpty {
		t.Fatal("in automatic a roll entered a full ring")
	}
	// In manual the line goes on and the oldest is overwritten and counted.
	b.in.ManualSelected = true
	b.enter()
	b.scan()
	b.in.Done = &Used{Slot: 1}
	b.scan()
	if b.c.Overwritten() != 1 || long(b.c.mem.Ring[1][:], 2) != registers.RingEntries+1 {
		t.Errorf("overwritten %d, entry 1 holds %d", b.c.Overwritten(), long(b.c.mem.Ring[1][:], 2))
	}
	b.in.ManualSelected = false
	copy(b.area.Ack[:], standin.Ack(b.epoch, b.nonce, 10))
	b.scan()
	b.enter()
	if b.c.Phase() != PhaseAwait {
		t.Error("no roll enters after the ring was acknowledged")
	}
}

func TestHeartbeat(t *testing.T) {
	b := newBench(t)
	b.tick += 240
	b.scan()
	if !b.c.Alive() {
		t.Fatal("silent within the loss time")
	}
	b.tick += 10
	b.scan()
	if b.c.Alive() || b.request().Flags&FlagAlive != 0 {
		t.Fatal("alive although the count stands")
	}
	b.beat = 0xFFFE
	for range 3 { // over the wrap
		b.heartbeat()
		b.tick += 200
		b.scan()
		if !b.c.Alive() {
			t.Fatalf("not alive at count %d", b.beat)
		}
	}
	b.tick += 300
	b.epoch++
	b.heartbeat()
	b.scan()
	if b.c.Alive() {
		t.Error("alive by a heartbeat of another session")
	}
}

func TestTickWraps(t *testing.T) {
	b := newBench(t)
	b.tick = 0xFFFFFFFF - 3
	b.heartbeat()
	b.scan()
	b.offer(1, nil, nil)
	b.tick += 40
	b.want(b.scan(), Accepted, 0)
	if !b.c.Alive() {
		t.Error("heartbeat lost over the wrap")
	}
}

func TestPublication(t *testing.T) {
	b := newBench(t)
	gen, at := b.c.req[2], b.request().Tick
	published := 0
	for range 50 {
		b.scan()
		if !b.c.published {
			continue
		}
		published++
		r := b.request()
		if b.c.req[2] != gen+1 || b.c.req[93] != b.c.req[2] {
			t.Errorf("generation %d after %d, tail %d", b.c.req[2], gen, b.c.req[93])
		}
		if age := r.Tick - at; age > 10 {
			t.Errorf("published %d0 ms after the last", age)
		}
		gen, at = b.c.req[2], r.Tick
	}
	if published != 10 {
		t.Errorf("published %d times in a second, want 10", published)
	}
	b.in.ManualSelected = true
	b.scan()
	if !b.c.published || b.request().Phase != uint16(PhaseManual) {
		t.Error("a change of phase was not published at once")
	}
}
