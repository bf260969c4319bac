package record_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
)

// turns are two machines that serve one line by turns, and what became of its rolls.
type turns struct {
	t      *testing.T
	draw   *rand.Rand
	at     time.Time
	log    []turn // of both, in the order of time
	seq    [2]uint64
	past   [2]record.Past
	acts   int // who does
	epoch  uint32
	boot   uint32
	req    uint32
	index  uint32 // newest outcome produced
	acked  uint32
	rounds map[uint32]int // requests of each roll, by its number
	lives  int
	away   bool // one machine takes over in the middle of roll 100, and acts alone up to roll 800
}

type turn struct {
	machine int
	record.Stored
}

func (w *turns) add(r record.Record) {
	w.t.Helper()
	w.at = w.at.Add(time.Second)
	w.seq[w.acts]++
	if err := w.past[w.acts].Add(r); err != nil {
		w.t.Fatal(err)
	}
	w.log = append(w.log, turn{w.acts, record.Stored{Seq: w.seq[w.acts], At: w.at, Record: r}})
}

// takeOver lets the other machine act: it opens a session, closes what it left open, and
// leaves to the other what that acknowledged.
func (w *turns) takeOver(roll uint32, accepted bool) {
	w.acts = 1 - w.acts
	w.epoch++
	w.add(record.Session{Session: handshake.Session{Epoch: w.epoch, Nonce: 1}, Boot: w.boot})
	past := &w.past[w.acts]
	if o := past.Open; o != nil {
		if o.Roll == roll && accepted {
			w.add(record.Verdict{Roll: o.Roll, Offer: o.Name, Verdict: handshake.Accepted, Settled: true})
		} else {
			w.add(record.Void{Roll: o.Roll, Offer: o.Name, Evidence: "the other machine served it"})
		}
	}
	if w.acked > past.Outcomes {
		w.add(record.Gap{FromIndex: past.Outcomes + 1, ToIndex: w.acked, Cause: record.HeldByOther})
		w.add(record.Gap{FromRoll: past.Covered + 1, ToRoll: w.acked, Cause: record.HeldByOther})
	}
	for past.Outcomes < w.index { // journaled by the other, and not acknowledged
		n := past.Outcomes + 1
		w.add(record.Outcome{Outcome: handshake.Outcome{Index: n, RollNo: n, Boot: w.boot, Outcome: handshake.Wrapped}})
	}
	w.acked = w.index
}

// roll is wrapped, by one machine or both.
func (w *turns) roll() {
	n := w.index + 1
	accepted := false
	alone := w.away && n > 100 && n < 800
	maybe := func(chance float64) bool {
		if w.draw.Float64() >= chance || alone {
			return false
		}
		w.takeOver(n, accepted)
		return true
	}
	for offer := uint16(1); !accepted; offer++ {
		w.req++
		token := handshake.Token{Boot: w.boot, Req: w.req}
		r := record.Request{Token: token, Roll: n}
		r.Measured.Tag = fmt.Sprintf("R-%d-%d", w.lives, n)
		w.add(r)
		w.rounds[n]++
		if w.away && n == 100 && offer == 1 {
			w.takeOver(n, false)
			continue
		}
		if maybe(.05) {
			continue
		}
		name := record.OfferName{Session: handshake.Session{Epoch: w.epoch, Nonce: 1}, Offer: offer + uint16(n%60000)}
		w.add(record.Intent{Token: token, Roll: n, Offer: name, Form: handshake.KindRecipe})
		w.add(record.Commit{Roll: n, Offer: name})
		if w.draw.Float64() < .05 && !alone { // the controller took it, and nobody here learnt of it
			accepted = true
			w.takeOver(n, true)
			break
		}
		w.add(record.Verdict{Roll: n, Offer: name, Verdict: handshake.Accepted})
		accepted = true
	}
	maybe(.05)
	w.index++
	w.add(record.Outcome{Outcome: handshake.Outcome{Index: n, RollNo: n, Boot: w.boot, Req: w.req, Outcome: handshake.Wrapped}})
	if maybe(.05) {
		return
	}
	w.acked = n
}

// Whatever takes over from whom and when: each roll is told once, with all requests of
// both machines and its outcome, and every gap of the one is filled by the other.
func TestUnion(t *testing.T) {
	for seed := range uint64(40) {
		w := &turns{t: t, draw: rand.New(rand.NewPCG(seed, 5)), at: time.Date(2026, 3, 1, 22, 0, 0, 0, time.UTC), boot: 41,
			past: [2]record.Past{record.NewPast(), record.NewPast()}, rounds: map[uint32]int{}, away: seed%2 == 1}
		w.epoch++
		w.add(record.Session{Session: handshake.Session{Epoch: w.epoch, Nonce: 1}, Boot: w.boot})
		const rolls = 900 // more than are held back
		for range rolls {
			w.roll()
		}
		u := record.NewUnion(2)
		var got []*record.Roll
		for _, s := range w.log {
			done, err := u.Add(s.machine, s.Stored)
			if err != nil {
				t.Fatal(err)
			}
			got = append(got, done...)
		}
		if len(got) == 0 {
			t.Error("nothing was given out before the end")
		}
		got = append(got, u.Rest()...)
		if len(got) != rolls {
			t.Fatalf("seed %d: %d rolls, want %d", seed, len(got), rolls)
		}
		for i, r := range got {
			n := uint32(i + 1)
			if r.Number != n || r.Outcome == nil || r.Outcome.Outcome.Index != n || r.Gap != "" || r.Tag != fmt.Sprintf("R-0-%d", n) || len(r.Rounds) != w.rounds[n] {
				t.Fatalf("seed %d: roll %d is %d, %d rounds of %d, outcome %v, gap %q", seed, n, r.Number, len(r.Rounds), w.rounds[n], r.Outcome, r.Gap)
			}
			if !slices.IsSortedFunc(r.Rounds, func(a, b record.Round) int { return a.RequestAt.At.Compare(b.RequestAt.At) }) {
				t.Fatalf("seed %d: rounds of roll %d are not in order", seed, n)
			}
		}
		held := u.Held()
		if len(held) < 10 {
			t.Fatalf("seed %d: %d gaps: the test shows nothing", seed, len(held))
		}
		for _, h := range held {
			if h.Outcomes != nil || h.Rolls != nil {
				t.Fatalf("seed %d: not filled: %+v", seed, h)
			}
		}
	}
}

// What has not arrived yet is told, and nothing else.
func TestNotYetArrived(t *testing.T) {
	outcome := func(n uint32) record.Outcome {
		return record.Outcome{Outcome: handshake.Outcome{Index: n, RollNo: n + 100, Boot: 41, Outcome: handshake.Wrapped}}
	}
	u := record.NewUnion(2)
	seq := [2]uint64{}
	add := func(machine int, records ...record.Record) {
		for _, r := range records {
			seq[machine]++
			if _, err := u.Add(machine, record.Stored{Seq: seq[machine], Record: r}); err != nil {
				t.Fatal(err)
			}
		}
	}
	session := func(epoch uint32) record.Session {
		return record.Session{Session: handshake.Session{Epoch: epoch, Nonce: 1}, Boot: 41}
	}
	want := func(outcomes, rolls []record.Range) {
		t.Helper()
		held := u.Held()
		if len(held) != 2 || !slices.Equal(held[0].Outcomes, outcomes) || !slices.Equal(held[1].Rolls, rolls) || held[0].At.Journal != 1 {
			t.Errorf("held %+v, want outcomes %v, rolls %v", held, outcomes, rolls)
		}
	}
	add(1, session(7), record.Request{Token: handshake.Token{Boot: 41, Req: 1}, Roll: 104})
	add(1, record.Gap{FromIndex: 1, ToIndex: 6, Cause: record.HeldByOther}, record.Gap{FromRoll: 101, ToRoll: 106, Cause: record.HeldByOther})
	want([]record.Range{{From: 1, To: 6}}, []record.Range{{From: 101, To: 106}})
	add(0, session(6), outcome(1), outcome(2))
	want([]record.Range{{From: 3, To: 6}}, []record.Range{{From: 103, To: 106}})
	add(0, outcome(3), record.Gap{FromIndex: 4, ToIndex: 4, Cause: "overwritten"}, outcome(5))
	want([]record.Range{{From: 4, To: 4}, {From: 6, To: 6}}, []record.Range{{From: 104, To: 104}, {From: 106, To: 106}})
	// The same numbers of another life of the controller fill nothing.
	add(0, record.Gap{Boot: 900, Cause: "memory lost"})
	for n := uint32(1); n < 7; n++ {
		o := outcome(n)
		o.Outcome.Boot = 900
		add(0, o)
	}
	want([]record.Range{{From: 4, To: 4}, {From: 6, To: 6}}, []record.Range{{From: 104, To: 104}, {From: 106, To: 106}})
	// What stands before the records that were added fills a gap as well.
	if held := u.Held(); held[0].Filled() || held[0].Missing().String() != "outcome 4, outcome 6" || !slices.Equal(held[0].By, []int{0}) {
		t.Errorf("held %+v, missing %s", held[0], held[0].Missing())
	}
	for _, n := range []uint32{4, 6} {
		u.Know(0, record.Stored{Record: outcome(n)})
	}
	if held := u.Held(); !held[0].Filled() || !held[1].Filled() {
		t.Errorf("held %+v", held)
	}
	gaps, left := 0, 0
	for _, r := range u.Rest() {
		if r.Gap == record.HeldByOther {
			gaps++
		}
		if r.Outcome != nil {
			left++
		}
	}
	if gaps != 1 || left != 10 {
		t.Errorf("%d rolls have not arrived, %d left, want 1 and 10", gaps, left)
	}
}
