package gateway_test

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway"
	"lapgate/gateway/control"
	"lapgate/gateway/engine"
	"lapgate/gateway/lease"
	"lapgate/gateway/lease/leasetest"
	"lapgate/gateway/link/memory"
	"lapgate/gateway/record"
	"lapgate/gateway/ship/shiptest"
	"lapgate/sim/controller"
)

// machine is one of two that serve the line of a bench.
type machine struct {
	*shop
	name    string
	engine  *leasetest.Engine
	starts  int
	version string           // of the program
	record  *shiptest.Engine // that takes its journal; nil for none
	g       *gateway.Gateway
	stop    func() error

	mu    sync.Mutex
	still chan struct{} // while its process is stopped
	cable memory.Kind   // what befalls its calls of the controller
}

// pairShop is two machines with one engine and one controller.
func pairShop(t *testing.T, b *bench) (e *leasetest.Engine, one, two *machine) {
	t.Helper()
	e = leasetest.New()
	machines := make([]*machine, 2)
	for i, name := range []string{"a", "b"} {
		m := &machine{shop: newShadow(t, b, nil), name: name, engine: e}
		m.dialer.Before = func(memory.Call) memory.Fault {
			m.pause()
			m.mu.Lock()
			defer m.mu.Unlock()
			return memory.Fault{Kind: m.cable}
		}
		machines[i] = m
	}
	return e, machines[0], machines[1]
}

// pause waits as long as the process of the machine is stopped.
func (m *machine) pause() {
	m.mu.Lock()
	still := m.still
	m.mu.Unlock()
	if still != nil {
		<-still
	}
}

// halt stops the process of the machine at its next call of controller or engine, until
// the function returned is called.
func (m *machine) halt() (wake func()) {
	still := make(chan struct{})
	m.mu.Lock()
	m.still = still
	m.mu.Unlock()
	return func() {
		m.mu.Lock()
		m.still = nil
		m.mu.Unlock()
		close(still)
	}
}

func (m *machine) begin() {
	m.starts++
	o := m.options()
	o.Version = m.version
	if m.record != nil {
		o.OpenJournal = gateway.OpenJournals(m.snapshot)
		o.Ship = &gateway.ShippingOptions{Machine: m.name, Connect: m.record.Connect(m.name)}
	}
	connect := m.engine.From(m.name)
	o.Pair = &gateway.PairOptions{
		Machine: m.name, Instance: lease.Instance(m.name, fmt.Sprint(m.starts)),
		TTL: 3 * time.Second, Renew: 500 * time.Millisecond, Look: 250 * time.Millisecond, Limit: time.Second,
		Connect: func(ctx context.Context) (lease.Store, error) {
			s, err := connect(ctx)
			return halting{s, m}, err
		},
	}
	m.g, m.stop = m.start(o)
}

// halting is a connection of a machine whose process may be stopped.
type halting struct {
	lease.Store
	m *machine
}

func (h halting) Renew(ctx context.Context, instance string, held []engine.Lease) ([]string, error) {
	h.m.pause()
	return h.Store.Renew(ctx, instance, held)
}

func (h halting) Leases(ctx context.Context, lines []string) ([]engine.Lease, error) {
	h.m.pause()
	return h.Store.Leases(ctx, lines)
}

func (m *machine) do(t *testing.T, r control.Request) control.Reply {
	t.Helper()
	r.Caller = control.Caller{User: "kim", Trusted: true}
	o := gateway.Operator{Gateway: m.g}
	return o.Handle(t.Context(), r)
}

// armPair arms both machines by command on this one.
func (m *machine) armPair(t *testing.T) {
	t.Helper()
	if r := m.do(t, control.Request{Command: control.Arm, Line: "north", By: "kim", Reason: "both looked at", Pair: true, Keep: true}); r.Outcome != control.Done {
		t.Fatalf("arming the pair from %s: %+v", m.name, r)
	}
}

func (m *machine) acts() bool {
	p := m.g.Lines()[0].Pair
	return p != nil && p.Acts
}

// judge holds what the controller saw against the journals of both: no roll was accepted
// twice, and every outcome is in one of them or in a gap.
func judge(t *testing.T, b *bench, machines ...*machine) {
	t.Helper()
	accepted := map[uint32]int{}
	b.judged(func(e controller.Event) bool {
		if e.Verdict == controller.Accepted {
			accepted[e.Roll]++
		}
		return false
	})
	for roll, n := range accepted {
		if n > 1 {
			t.Errorf("roll %d: %d recipes were accepted", roll, n)
		}
	}
	known, gaps := map[uint32]bool{}, []record.Gap{}
	for _, m := range machines {
		for _, s := range m.verify() {
			switch r := s.Record.(type) {
			case record.Outcome:
				known[r.Outcome.RollNo] = true
				if r.Contradicts != "" {
					t.Errorf("%s: the controller contradicts the journal of roll %d", m.name, r.Outcome.RollNo)
				}
			case record.Gap:
				gaps = append(gaps, r)
			}
		}
	}
	b.image.Lock()
	defer b.image.Unlock()
	for _, e := range b.events {
		if e.Kind != controller.EventOutcome || known[e.Roll] {
			continue
		}
		covered := false
		for _, g := range gaps {
			covered = covered || g.FromRoll <= e.Roll && e.Roll <= g.ToRoll
		}
		if !covered {
			t.Errorf("the outcome of roll %d is in no journal and in no gap", e.Roll)
		}
	}
}

func shift(n int) (rolls []controller.Measurement) {
	for i := range n {
		rolls = append(rolls, fitting(i))
	}
	return rolls
}

// TestPairTakesOver: whatever befalls the machine that acts, in the middle of a shift and
// at every step of a roll, the other takes over in time and no roll is lost or wrapped by
// two recipes. The old one wakes up in the middle of what it was about to send.
func TestPairTakesOver(t *testing.T) {
	const n = 8
	faults := []struct {
		name  string
		fault func(m *machine) (heal func())
	}{
		{"stopped and woken", func(m *machine) func() { return m.halt() }},
		{"cut off", func(m *machine) func() {
			heal := m.blind(memory.BlackHole)
			m.engine.Mute(m.name, true)
			return func() {
				heal()
				m.engine.Mute(m.name, false)
			}
		}},
		{"handed over", func(m *machine) func() {
			if err := m.stop(); err != nil {
				m.t.Error(err)
			}
			return m.begin
		}},
	}
	for _, f := range faults {
		t.Run(f.name, func(t *testing.T) {
			for step := range 8 {
				synctest.Test(t, func(t *testing.T) {
					b := newBench(shift(n)...)
					ctx, cancel := context.WithCancel(context.Background())
					defer cancel()
					_, one, two := pairShop(t, b)
					go b.run(ctx)
					one.begin()
					two.begin()
					until(t, 10*time.Second, "both see the controller", func() bool { return one.g.Lines()[0].Machine.Seen && two.g.Lines()[0].Machine.Seen })
					one.armPair(t)
					until(t, time.Minute, "a roll has left", func() bool { return one.count(record.KindOutcome)+two.count(record.KindOutcome) > 0 })
					if two.acts() {
						one, two = two, one
					}
					// A roll takes about 8.5 s: waits, is offered, judged, wrapped, leaves.
					<-time.After(time.Duration(step) * 1100 * time.Millisecond)
					heal := f.fault(one)
					began := time.Now()
					until(t, 5*time.Second, "the other has a session", func() bool { return two.count(record.KindSession) > 0 })
					if took := time.Since(began); f.name == "handed over" && took > time.Second {
						t.Errorf("what was handed over was taken after %s", took)
					}
					<-time.After(15 * time.Second)
					heal()
					until(t, 10*time.Minute, "the shift is over", func() bool {
						return b.judged(func(e controller.Event) bool { return e.Verdict == controller.Accepted }) == n && two.g.Lines()[0].Machine.Journaled == n
					})
					<-time.After(20 * time.Second)
					if one.acts() || !two.acts() {
						t.Error("the line moved again")
					}
					for _, m := range []*machine{one, two} {
						if err := m.stop(); err != nil {
							t.Error(err)
						}
					}
					cancel()
					judge(t, b, one, two)
					if t.Failed() {
						for _, m := range []*machine{one, two} {
							for _, l := range m.logs.All() {
								t.Log(step, m.name, l.Time.Format("04:05.000"), l.Message, l.ContextMap())
							}
						}
					}
				})
			}
		})
	}
}

// pairAt begins a pair of which a acts on the line and b stands by, both armed by one
// command, and a roll has left.
func pairAt(t *testing.T, b *bench) (e *leasetest.Engine, one, two *machine) {
	t.Helper()
	e, one, two = pairShop(t, b)
	pairOn(t, one, two)
	return e, one, two
}

// pairOn begins two machines likewise.
func pairOn(t *testing.T, one, two *machine) {
	t.Helper()
	one.begin()
	two.begin()
	sees := func(m *machine) bool { return m.g.Lines()[0].Machine.Seen }
	until(t, 10*time.Second, "both see the controller", func() bool { return sees(one) && sees(two) })
	<-time.After(5 * time.Second) // the row that nobody took stands long enough
	one.armPair(t)
	until(t, time.Minute, "a roll has left", func() bool { return one.acts() && one.count(record.KindOutcome) > 0 })
}

// in runs a test of a pair in a bubble, with a shift of so many rolls.
func inPair(t *testing.T, rolls int, f func(t *testing.T, b *bench, e *leasetest.Engine, one, two *machine)) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(shift(rolls)...)
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		go b.run(ctx)
		e, one, two := pairAt(t, b)
		f(t, b, e, one, two)
		for _, m := range []*machine{one, two} {
			if err := m.stop(); err != nil {
				t.Error(err)
			}
		}
		cancel()
		judge(t, b, one, two)
	})
}

// newestMode is the newest arming or disarming in the journal of a machine.
func (m *machine) newestMode() (mode record.Mode) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.shop.mu.Lock()
	defer m.shop.mu.Unlock()
	for _, s := range m.records {
		if r, ok := s.Record.(record.Mode); ok {
			mode = r
		}
	}
	return mode
}

func (m *machine) armed() bool { return m.g.Lines()[0].Armed }

// TestPairUpgrade: both machines are brought up in the middle of a shift, one after the
// other, and no roll is lost, held or wrapped by hand. A new program is armed by name.
func TestPairUpgrade(t *testing.T) {
	const n = 12
	inPair(t, n, func(t *testing.T, b *bench, _ *leasetest.Engine, one, two *machine) {
		upgrade := func(m, other *machine) {
			m.version = fmt.Sprintf("version %d", m.starts)
			if err := m.stop(); err != nil {
				t.Error(err)
			}
			until(t, time.Second, "the other acts", other.acts)
			m.begin()
			until(t, 10*time.Second, "it is back", func() bool { return m.g.Lines()[0].Machine.Seen })
			<-time.After(2 * time.Second)
			if m.armed() {
				t.Errorf("%s is armed under another program without a word", m.name)
			}
			other.armPair(t)
			if !m.armed() {
				t.Errorf("%s is not armed by the word on the other machine", m.name)
			}
			<-time.After(7 * time.Second)
		}
		upgrade(two, one)
		upgrade(one, two)
		if !two.acts() {
			t.Error("the line did not move")
		}
		upgrade(two, one)
		until(t, 10*time.Minute, "the shift is over", func() bool { return one.g.Lines()[0].Machine.Produced == n })
		accepted := b.judged(func(e controller.Event) bool { return e.Verdict == controller.Accepted })
		if all := b.judged(func(controller.Event) bool { return true }); accepted != n || all != n {
			t.Errorf("of %d rolls %d got a recipe by %d offers", n, accepted, all)
		}
	})
}

// TestPairActs: what keeps a line from writing goes to both machines and is in both
// journals; a machine that stands by after it does not take over armed.
func TestPairActs(t *testing.T) {
	inPair(t, 6, func(t *testing.T, _ *bench, e *leasetest.Engine, one, two *machine) {
		for _, m := range []*machine{one, two} {
			if r := m.newestMode(); !r.Armed || !r.Pair || r.By != "kim" || r.Lasts == nil {
				t.Errorf("%s has arming %+v", m.name, r)
			}
		}
		hold := control.Request{Command: control.Hold, By: "ola", Reason: "paper"}
		if r := two.do(t, hold); r.Outcome != control.Done || !strings.Contains(strings.Join(r.Text, "\n"), "a took it too") {
			t.Errorf("hold on the one that stands by: %+v", r)
		}
		if one.count(record.KindHold) != 1 || two.count(record.KindHold) != 1 || !one.g.Lines()[0].Machine.HoldAll {
			t.Error("the hold is not in both journals")
		}
		hold.Off = true
		if r := one.do(t, hold); r.Outcome != control.Done || two.g.Lines()[0].Machine.HoldAll {
			t.Errorf("end of the hold: %+v", r)
		}
		if r := two.do(t, control.Request{Command: control.Disarm, By: "ola"}); r.Outcome != control.Done || one.armed() || two.armed() {
			t.Errorf("disarm: %+v", r)
		}
		<-time.After(10 * time.Second)
		if one.acts() || two.acts() || e.Row("north").Instance != "" {
			t.Error("a line in shadow holds a lease")
		}
		// Nobody but the one that was armed takes it.
		if r := two.do(t, control.Request{Command: control.Arm, Line: "north", By: "kim", Reason: "alone"}); r.Outcome != control.Done {
			t.Errorf("arming one machine: %+v", r)
		}
		until(t, 5*time.Second, "it acts", two.acts)
		if one.armed() {
			t.Error("the other was armed too")
		}
		one.do(t, control.Request{Command: control.Arm, Line: "north", By: "kim", Reason: "alone too"})
		e.Mute("b", true)
		<-time.After(10 * time.Second)
		if one.acts() {
			t.Error("a line that was armed on one machine alone was taken over armed")
		}
		e.Mute("b", false)
		<-time.After(5 * time.Second)
	})
}

// TestPairHeldIsNotTakenOver: while a hold stands that is newer than the arming, nobody
// takes over armed.
func TestPairHeldIsNotTakenOver(t *testing.T) {
	inPair(t, 6, func(t *testing.T, _ *bench, e *leasetest.Engine, one, two *machine) {
		hold := control.Request{Command: control.Hold, By: "ola", Reason: "paper"}
		if r := one.do(t, hold); r.Outcome != control.Done {
			t.Errorf("hold: %+v", r)
		}
		e.Mute("a", true)
		<-time.After(10 * time.Second)
		if two.acts() {
			t.Error("taken over although every roll is held")
		}
		hold.Off = true
		if r := two.do(t, hold); r.Outcome != control.Failed || !strings.Contains(r.Error, "not reached: a") {
			t.Errorf("end of the hold: %+v", r)
		}
		until(t, 5*time.Second, "then it is taken over", two.acts)
		e.Mute("a", false)
		until(t, 10*time.Second, "the other hears of the end too", func() bool { return !one.g.Lines()[0].Machine.HoldAll && !one.acts() })
	})
}

// TestPairNotReached: with the engine away each command says that the other machine was not
// reached; what keeps it from writing is told as soon as it can be, an arming never.
func TestPairNotReached(t *testing.T) {
	inPair(t, 6, func(t *testing.T, _ *bench, e *leasetest.Engine, one, two *machine) {
		e.Away(true)
		<-time.After(2 * time.Second)
		r := one.do(t, control.Request{Command: control.Disarm, By: "ola"})
		if r.Outcome != control.Failed || !strings.Contains(r.Error, "not reached: b") || len(r.Text) != 1 || one.armed() || !two.armed() {
			t.Errorf("disarm: %+v", r)
		}
		arm := control.Request{Command: control.Arm, Line: "north", By: "kim", Reason: "again", Pair: true}
		if !strings.Contains(r.Error, "it is told as soon as it is there") {
			t.Errorf("disarm: %+v", r)
		}
		if r := one.do(t, arm); r.Outcome != control.Failed || !strings.Contains(r.Error, "on neither machine") || strings.Contains(r.Error, "is told") || one.armed() {
			t.Errorf("arm: %+v", r)
		}
		e.Away(false)
		until(t, 5*time.Second, "the other is told", func() bool { return !two.armed() })
		<-time.After(20 * time.Second)
		if one.armed() || two.armed() || two.acts() {
			t.Error("what was not reached was armed later")
		}
		if r := two.newestMode(); r.By != "ola" || r.User != "kim on a" {
			t.Errorf("the other has %+v", r)
		}
	})
}

// TestPairArmedByOneHalf: an arming that the other machine did and this one could not do
// itself ends there as well.
func TestPairArmedByOneHalf(t *testing.T) {
	inPair(t, 4, func(t *testing.T, _ *bench, _ *leasetest.Engine, one, two *machine) {
		if r := two.do(t, control.Request{Command: control.Disarm, By: "ola"}); r.Outcome != control.Done {
			t.Fatalf("disarm: %+v", r)
		}
		heal := one.blind(memory.Cut)
		<-time.After(2 * time.Second)
		r := one.do(t, control.Request{Command: control.Arm, Line: "north", By: "kim", Reason: "again", Pair: true})
		if r.Outcome == control.Done || one.armed() {
			t.Errorf("armed without a controller: %+v", r)
		}
		until(t, 5*time.Second, "the other is disarmed too", func() bool { return !two.armed() })
		if two.acts() || two.count(record.KindSession) > 0 {
			t.Error("the other acted meanwhile")
		}
		heal()
		<-time.After(10 * time.Second)
	})
}

// blind takes the controller from a machine until the function returned is called.
func (m *machine) blind(by memory.Kind) (heal func()) {
	set := func(k memory.Kind) {
		m.mu.Lock()
		defer m.mu.Unlock()
		m.cable = k
	}
	set(by)
	return func() { set(memory.None) }
}

// TestTakeoverByHand: with the engine away and the machine that acted lost, a person moves
// the line; while that one lives or the engine answers, it is refused.
func TestTakeoverByHand(t *testing.T) {
	inPair(t, 8, func(t *testing.T, _ *bench, e *leasetest.Engine, one, two *machine) {
		take := control.Request{Command: control.Takeover, Line: "north", By: "kim", Reason: "no power there"}
		refusedFor := func(m *machine, why string) {
			t.Helper()
			if r := m.do(t, take); r.Outcome != control.Refused || !strings.Contains(r.Error, why) {
				t.Errorf("want it refused for %q, got %+v", why, r)
			}
		}
		refusedFor(two, "the engine answers")
		e.Away(true)
		<-time.After(20 * time.Second)
		if two.acts() || !one.acts() {
			t.Fatal("the line moved by silence")
		}
		refusedFor(one, "acts on the line already")
		refusedFor(two, "shows a live gateway")
		take.Alive = true
		if r := two.do(t, take); r.Outcome != control.Asked || r.Question.Answer != "north" {
			t.Errorf("although alive: %+v", r)
		}
		take.Alive = false
		wake := one.halt()
		<-time.After(4 * time.Second)
		if r := two.do(t, take); r.Outcome != control.Done {
			t.Fatalf("with the other one gone: %+v", r)
		}
		until(t, 3*time.Second, "it has a session", func() bool { return two.acts() && two.count(record.KindSession) > 0 })
		if two.count(record.KindTakeover) != 1 {
			t.Error("it is not in the journal")
		}
		<-time.After(20 * time.Second)
		wake()
		<-time.After(5 * time.Second)
		e.Away(false)
		until(t, 5*time.Second, "the engine has it", func() bool { return lease.MachineOf(e.Row("north").Instance) == "b" })
		<-time.After(20 * time.Second)
		if one.acts() || !two.acts() {
			t.Error("the line moved again")
		}
		if r := two.g.Lines()[0].Pair; r.Lease != e.Row("north").Number || r.Silent != "" {
			t.Errorf("its role is %+v", r)
		}
	})
}

// TestPairFencedGoesOn: a pair of which one is fenced does not end with it: the daemon
// stands by, and is there for the next takeover.
func TestPairFencedGoesOn(t *testing.T) {
	inPair(t, 4, func(t *testing.T, _ *bench, e *leasetest.Engine, one, two *machine) {
		e.Mute("a", true)
		until(t, 5*time.Second, "the other took over", func() bool { return two.acts() && two.count(record.KindSession) > 0 })
		until(t, time.Second, "the first is fenced", func() bool { return one.g.Lines()[0].Machine.Fenced })
		until(t, 5*time.Second, "its place in the pair is fenced", func() bool { p := one.g.Lines()[0].Pair; return p.Fenced && p.Role == lease.Fenced.String() })
		e.Mute("a", false)
		<-time.After(5 * time.Second)
		if l := one.g.Lines()[0]; l.Ended || !l.Armed || one.acts() {
			t.Errorf("the fenced line is %+v", l)
		}
		if err := two.stop(); err != nil {
			t.Error(err)
		}
		until(t, time.Second, "it acts again", one.acts)
		two.begin()
		<-time.After(10 * time.Second)
	})
}
