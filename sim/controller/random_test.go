package controller

import (
	"encoding/binary"
	"testing"

	"pgregory.net/rapid"

	"lapgate/sim/internal/standin"
	"lapgate/sim/registers"
)

// book is what a watcher of a random run keeps to hold the program to the
// guarantees.
type book struct {
	accepted map[uint32]bool // rolls
	offers   map[[3]uint32]bool
	outcomes map[uint32]bool
	newest   uint32
	last     uint32
}

// Random sequences of writes, old and new, of operators, restarts and the
// line: no roll accepts twice, no offer is accepted twice, nothing under an
// older session, nothing with a permissive off or too late, one outcome for
// each roll, no hole in the roll numbers.
func TestRandomRuns(t *testing.T) {
	runs, accepts, starts := 0, 0, 0
	rapid.Check(t, func(rt *rapid.T) {
		runs++
		b := newBench(t)
		k := book{map[uint32]bool{}, map[[3]uint32]bool{}, map[uint32]bool{}, b.epoch, b.c.RollNo()}
		var payloads [][registers.PayloadWords]uint16
		var commits [][registers.CommitWords]uint16
		offer := uint16(0)
		for range rapid.IntRange(20, 120).Draw(rt, "steps") {
			restarted := false
			switch rapid.IntRange(0, 16).Draw(rt, "what") {
			case 0, 1, 2, 3:
				offer++
				change := rapid.SampledFrom([]func([]uint16){
					nil, nil, nil, nil,
					func(w []uint16) { clear(w[33:78]); w[13], w[14] = 2, 7 },
					func(w []uint16) { w[33] = 9 },
					func(w []uint16) { w[11]++ },
					func(w []uint16) { w[32]++ },
				}).Draw(rt, "change")
				b.heartbeat()
				b.offer(offer, change, nil)
				payloads, commits = append(payloads, b.area.Payload), append(commits, b.area.Commit)
			case 4:
				if len(payloads) > 0 {
					b.area.Payload = rapid.SampledFrom(payloads).Draw(rt, "old payload")
				}
			case 5:
				if len(commits) > 0 {
					b.area.Commit = rapid.SampledFrom(commits).Draw(rt, "old commit")
				}
			case 6:
				b.epoch += rapid.Uint32Range(0, 2).Draw(rt, "epochs")
				b.nonce = rapid.Uint32Min(1).Draw(rt, "nonce")
				b.hello(b.epoch, b.nonce, b.c.Boot())
				b.scanInto(rt, &k)
				if b.c.Active() == (Session{b.epoch, b.nonce}) {
					offer = 0
				}
				b.heartbeat()
			case 7:
				b.in.Permissives = rapid.SampledFrom([]uint32{allOn, allOn, 0x3E, 0x1F}).Draw(rt, "permissives")
			case 8, 9, 10:
				b.in.Done = &Used{Slot: 1}
				b.scanInto(rt, &k)
				b.in.RollPresent = false
				for range rapid.IntRange(0, 8).Draw(rt, "empty") {
					b.scanInto(rt, &k)
				}
				b.in.RollPresent, b.in.Enter = true, roll("R", 10000, 15000, b.tick)
			case 11:
				b.in.Measured, b.in.Retry = roll("R", 10001, 15000, b.tick), true
			case 12:
				b.in.ManualSelected = rapid.Bool().Draw(rt, "manual")
				b.in.RollPresent = rapid.Bool().Draw(rt, "present")
				b.in.Abort = rapid.Bool().Draw(rt, "abort")
				b.in.Start = rapid.Bool().Draw(rt, "start")
			case 13:
				b.tick += rapid.Uint32Range(0, 400).Draw(rt, "wait")
			case 14:
				m := b.c.PowerOff()
				b.c = Start(b.c.cfg, m, 1)
				b.tick = rapid.Uint32().Draw(rt, "tick")
				if rapid.Bool().Draw(rt, "cleared") {
					b.area = Area{}
				}
				b.in.Confirm = SameRoll
				restarted = true
			case 15:
				p, _ := b.c.Outcomes()
				copy(b.area.Ack[:], standin.Ack(b.epoch, b.nonce, rapid.Uint32Range(0, p+2).Draw(rt, "ack")))
			case 16:
				b.in.Start = true
				b.scanInto(rt, &k)
				if b.c.Running() {
					starts++
				}
			}
			b.scanInto(rt, &k)
			if restarted {
				b.in.Confirm = SameRoll
			}
		}
		accepts += len(k.accepted)
	})
	if starts < runs/10 {
		t.Errorf("outputs came on only %d times in %d runs: they prove nothing", starts, runs)
	}
	if accepts < runs/2 {
		t.Errorf("only %d offers were accepted in %d runs: they prove nothing", accepts, runs)
	}
}

func (b *bench) scanInto(t *rapid.T, k *book) {
	t.Helper()
	on, before := b.in.Permissives, b.c.mem
	if before.Acked > before.Produced {
		t.Fatal("acknowledged more than produced")
	}
	for _, e := range b.scan() {
		switch e.Kind {
		case EventAdopted:
			if e.Session.Epoch <= k.newest {
				t.Fatalf("session %d adopted after %d", e.Session.Epoch, k.newest)
			}
			k.newest = e.Session.Epoch
		case EventEntered:
			if e.Roll != k.last+1 {
				t.Fatalf("roll %d after %d", e.Roll, k.last)
			}
			k.last = e.Roll
		case EventOutcome:
			if k.outcomes[e.Roll] {
				t.Fatalf("roll %d left twice", e.Roll)
			}
			k.outcomes[e.Roll] = true
			if e.Outcome == Wrapped && !k.accepted[e.Roll] {
				t.Fatalf("roll %d wrapped with a recipe it never accepted", e.Roll)
			}
		case EventVerdict:
			if e.Verdict != Accepted {
				continue
			}
			_, d, w := e.Echo()
			name := [3]uint32{e.Session.Epoch, e.Session.Nonce, uint32(e.Offer)}
			switch {
			case d != before.Roll1.Diameter || w != before.Roll1.Width || e.Req != before.Req:
				t.Fatal("S1: accepted for another measurement")
			case k.accepted[e.Roll]:
				t.Fatalf("S2: roll %d accepted twice", e.Roll)
			case k.offers[name]:
				t.Fatalf("S3: offer %v accepted twice", name)
			case e.Session.Epoch != k.newest:
				t.Fatalf("S7: accepted under %d, newest %d", e.Session.Epoch, k.newest)
			case on != allOn:
				t.Fatal("S8: accepted with a permissive off")
			case e.Tick-e.Echoed > 200:
				t.Fatal("S9: accepted too late")
			}
			k.accepted[e.Roll], k.offers[name] = true, true
		}
	}
}

// Whatever bytes stand in the gateway's area, the program takes none of them
// for an offer, and its own blocks stay whole.
func FuzzArea(f *testing.F) {
	f.Add([]byte("HE"), uint8(0))
	f.Add(make([]byte, 2*(registers.HeartbeatWords+registers.HelloWords+registers.PayloadWords+registers.CommitWords+registers.AckWords)), uint8(3))
	f.Fuzz(func(t *testing.T, raw []byte, keep uint8) {
		b := newBench(t)
		b.offer(1, nil, nil)
		good := b.area
		var words []uint16
		for len(raw) >= 2 {
			words = append(words, binary.BigEndian.Uint16(raw))
			raw = raw[2:]
		}
		for i, dst := range [][]uint16{b.area.Heartbeat[:], b.area.Hello[:], b.area.Payload[:], b.area.Commit[:], b.area.Ack[:]} {
			if keep>>i&1 == 1 {
				continue
			}
			n := copy(dst, words)
			words = words[n:]
		}
		changed := b.area.Payload != good.Payload || b.area.Commit != good.Commit
		if e := answered(b.scan()); e != nil && e.Verdict == Accepted && changed {
			t.Fatal("accepted an offer that nobody made")
		}
		b.request()
	})
}

func BenchmarkScan(b *testing.B) {
	x := newBench(&testing.T{})
	b.ReportAllocs()
	for b.Loop() {
		x.tick += 2
		x.c.Scan(x.tick, &x.area, &x.in)
	}
}
