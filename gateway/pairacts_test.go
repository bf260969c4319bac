package gateway_test

import (
	"context"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway"
	"lapgate/gateway/control"
	"lapgate/gateway/lease/leasetest"
	"lapgate/gateway/record"
)

// again stops the daemon of a machine and starts it again.
func (m *machine) again() {
	if err := m.stop(); err != nil {
		m.t.Error(err)
	}
	m.begin()
}

// failed has a command fail because the other machine was not reached.
func (m *machine) failed(t *testing.T, r control.Request) {
	t.Helper()
	if got := m.do(t, r); got.Outcome != control.Failed || !strings.Contains(got.Error, "not reached") {
		t.Errorf("%s on %s: %+v, want that the other was not reached", r.Command, m.name, got)
	}
}

func (m *machine) held() bool { return m.g.Lines()[0].Machine.HoldAll }

func (m *machine) sees() bool { return m.g.Lines()[0].Machine.Seen }

// untold is what pair shows that the other machine was not told of yet.
func (m *machine) untold(t *testing.T) []string {
	t.Helper()
	r := m.do(t, control.Request{Command: control.Pair, Line: "north"})
	if len(r.Pair) != 1 {
		t.Fatalf("pair on %s: %+v", m.name, r)
	}
	return r.Pair[0].Untold
}

var (
	holdAll = control.Request{Command: control.Hold, By: "ola", Reason: "paper"}
	holdOff = control.Request{Command: control.Hold, By: "ola", Reason: "paper is dry", Off: true}
	disarms = control.Request{Command: control.Disarm, By: "ola", Reason: "enough"}
)

// TestPairToldAfterRestart: what the other machine was not told of when the daemon ended
// is told by the one that is started after it, whoever was away, and once.
func TestPairToldAfterRestart(t *testing.T) {
	ways := []struct {
		name  string
		apart func(e *leasetest.Engine, two *machine) (together func())
	}{
		{"engine away", func(e *leasetest.Engine, _ *machine) func() { e.Away(true); return func() { e.Away(false) } }},
		{"other machine cut off", func(e *leasetest.Engine, _ *machine) func() { e.Mute("b", true); return func() { e.Mute("b", false) } }},
		{"other machine off", func(_ *leasetest.Engine, two *machine) func() {
			if err := two.stop(); err != nil {
				two.t.Error(err)
			}
			return two.begin
		}},
		{"engine away and forgetful", func(e *leasetest.Engine, _ *machine) func() {
			e.Mute("b", true)
			return func() { e.ForgetActs(); e.Mute("b", false) }
		}},
	}
	for _, w := range ways {
		t.Run(w.name, func(t *testing.T) {
			inPair(t, 6, func(t *testing.T, _ *bench, e *leasetest.Engine, one, two *machine) {
				together := w.apart(e, two)
				<-time.After(2 * time.Second)
				one.failed(t, holdAll)
				one.failed(t, disarms)
				one.again()
				until(t, 10*time.Second, "it is back", one.sees)
				<-time.After(time.Minute)
				if owed := one.untold(t); !slices.Equal(owed, []string{"hold", "disarm"}) {
					t.Errorf("not told yet are %v", owed)
				}
				together()
				until(t, 10*time.Second, "the other is told", func() bool { return two.sees() && two.held() && !two.armed() })
				if r := two.newestMode(); r.By != "ola" || r.User != "kim on a" || r.Reason != "enough" {
					t.Errorf("the other has %+v", r)
				}
				<-time.After(5 * time.Second)
				if owed := one.untold(t); len(owed) != 0 {
					t.Errorf("not told yet are %v", owed)
				}
				all, open := e.Acts()
				if open != 0 {
					t.Errorf("%d of %+v wait in the engine", open, all)
				}
				one.again()
				two.again()
				<-time.After(10 * time.Second)
				if after, _ := e.Acts(); len(after) != len(all) {
					t.Errorf("what was answered is told again: %+v", after)
				}
				if one.acts() || two.acts() || two.newestMode().By != "ola" {
					t.Error("a line in shadow acts")
				}
			})
		})
	}
}

// TestPairNewestCounts: an act that comes late does not undo what was done since on the
// machine that it comes to, with and without a restart of the one that it comes from.
func TestPairNewestCounts(t *testing.T) {
	arm := control.Request{Command: control.Arm, Line: "north", By: "kim", Reason: "alone", Keep: true}
	cases := []struct {
		name         string
		before       *control.Request // on both
		late, newer  control.Request
		held, armed2 bool // in the end, on both and on the other
	}{
		{"late end of a hold", &holdAll, holdOff, holdAll, true, true},
		{"late hold", nil, holdAll, holdOff, false, true},
		{"late disarming", nil, disarms, arm, false, true},
	}
	for _, c := range cases {
		for _, restart := range []bool{false, true} {
			t.Run(fmt.Sprintf("%s, restart %t", c.name, restart), func(t *testing.T) {
				inPair(t, 6, func(t *testing.T, _ *bench, e *leasetest.Engine, one, two *machine) {
					if c.before != nil {
						if r := one.do(t, *c.before); r.Outcome != control.Done {
							t.Fatalf("before: %+v", r)
						}
					}
					e.Away(true)
					<-time.After(2 * time.Second)
					one.failed(t, c.late)
					<-time.After(time.Second)
					if c.newer.Command == control.Arm {
						if r := two.do(t, c.newer); r.Outcome != control.Done {
							t.Errorf("newer: %+v", r)
						}
					} else {
						two.failed(t, c.newer)
					}
					<-time.After(time.Second)
					if restart {
						one.again()
						two.again()
						until(t, 10*time.Second, "both are back", func() bool { return one.sees() && two.sees() })
					}
					e.Away(false)
					<-time.After(10 * time.Second)
					if one.held() != c.held || two.held() != c.held || two.armed() != c.armed2 {
						t.Errorf("held are %t and %t, want %t; the other is armed: %t, want %t", one.held(), two.held(), c.held, two.armed(), c.armed2)
					}
					if _, open := e.Acts(); open != 0 {
						t.Errorf("%d acts wait in the engine", open)
					}
					if c.late.Command == control.Disarm && one.armed() {
						t.Error("the disarming was undone")
					}
				})
			})
		}
	}
}

// TestPairHoldKeepsFromArming: a hold or a disarming that the other machine was given
// while both were being armed is not lost.
func TestPairHoldKeepsFromArming(t *testing.T) {
	for name, act := range map[string]control.Request{"hold": holdAll, "disarming": disarms} {
		t.Run(name, func(t *testing.T) {
			inPair(t, 6, func(t *testing.T, _ *bench, e *leasetest.Engine, one, two *machine) {
				if r := one.do(t, disarms); r.Outcome != control.Done {
					t.Fatalf("disarm: %+v", r)
				}
				e.Mute("b", true)
				reply := make(chan control.Reply, 1)
				go func() {
					reply <- one.do(t, control.Request{Command: control.Arm, Line: "north", By: "kim", Reason: "again", Pair: true, Keep: true})
				}()
				<-time.After(time.Second)
				two.failed(t, act)
				e.Mute("b", false)
				if r := <-reply; r.Outcome == control.Done || !strings.Contains(r.Error, "newest command counts") {
					t.Errorf("armed although the other machine was told otherwise since: %+v", r)
				}
				<-time.After(20 * time.Second)
				if one.armed() || two.armed() || one.acts() || two.acts() {
					t.Errorf("armed are %t and %t", one.armed(), two.armed())
				}
				if act.Command == control.Hold && (!one.held() || !two.held()) {
					t.Error("the hold is lost")
				}
			})
		})
	}
}

// TestPairArmedThroughFaults: whatever fails at whichever moment while both machines are
// armed by one command: a line takes over armed only where both journals have the arming,
// and where the command failed it is armed nowhere in the end.
func TestPairArmedThroughFaults(t *testing.T) {
	faults := map[string]func(e *leasetest.Engine, one, two *machine){
		"restart of the one that is asked": func(_ *leasetest.Engine, one, _ *machine) { one.again() },
		"restart of the other":             func(_ *leasetest.Engine, _, two *machine) { two.again() },
		"restart of both":                  func(_ *leasetest.Engine, one, two *machine) { two.again(); one.again() },
		"engine away": func(e *leasetest.Engine, _, _ *machine) {
			e.Away(true)
			<-time.After(time.Minute)
			e.Away(false)
		},
		"engine away and the other restarts": func(e *leasetest.Engine, _, two *machine) {
			e.Away(true)
			two.again()
			<-time.After(5 * time.Second)
			e.Away(false)
		},
	}
	for name, fault := range faults {
		t.Run(name, func(t *testing.T) {
			for step := range 7 {
				synctest.Test(t, func(t *testing.T) { armedThrough(t, time.Duration(step)*160*time.Millisecond, fault) })
			}
		})
	}
}

func armedThrough(t *testing.T, after time.Duration, fault func(e *leasetest.Engine, one, two *machine)) {
	b := newBench(shift(2)...)
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	e, one, two := pairShop(t, b)
	go b.run(ctx)
	one.begin()
	two.begin()
	until(t, 10*time.Second, "both see the controller", func() bool { return one.sees() && two.sees() })
	reply := make(chan control.Reply, 1)
	asked := gateway.Operator{Gateway: one.g}
	go func() {
		reply <- asked.Handle(ctx, control.Request{
			Command: control.Arm, Line: "north", By: "kim", Reason: "both looked at", Pair: true, Keep: true, Caller: control.Caller{User: "kim", Trusted: true},
		})
	}()
	<-time.After(after)
	fault(e, one, two)
	r := <-reply
	<-time.After(time.Minute)
	armings := func(m *machine) (n int) {
		m.shop.mu.Lock()
		defer m.shop.mu.Unlock()
		for _, s := range m.records {
			if mode, ok := s.Record.(record.Mode); ok && mode.Armed && mode.By == "kim" && mode.Cause == "" {
				n++
			}
		}
		return n
	}
	for _, m := range []*machine{one, two} {
		p := m.do(t, control.Request{Command: control.Pair, Line: "north"}).Pair[0]
		if p.TakesOver && (armings(one) == 0 || armings(two) == 0) {
			t.Errorf("after %s: %s takes over armed, with %d armings in one journal and %d in the other", after, m.name, armings(one), armings(two))
		}
		if r.Outcome != control.Done && m.armed() {
			t.Errorf("after %s: %s is armed although it was said: %s", after, m.name, r.Error)
		}
	}
	if p := two.do(t, control.Request{Command: control.Pair, Line: "north"}).Pair[0]; r.Outcome == control.Done && two.armed() && !p.TakesOver {
		t.Errorf("after %s: armed on both, and the other takes over nothing", after)
	}
	if _, open := e.Acts(); open != 0 {
		t.Errorf("after %s: %d acts wait in the engine", after, open)
	}
	for _, m := range []*machine{one, two} {
		if err := m.stop(); err != nil {
			t.Error(err)
		}
	}
}

// TestPairNoteIsDamaged: a file of which nothing can be read keeps no line from being
// served, and people are told what to do.
func TestPairNoteIsDamaged(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench()
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		_, one, _ := pairShop(t, b)
		go b.run(ctx)
		if err := os.WriteFile(one.snapshot.Journal.Path("north")+".acts", []byte(`{"hold":`), 0o600); err != nil {
			t.Fatal(err)
		}
		one.begin()
		until(t, 10*time.Second, "it sees the controller", one.sees)
		if one.logs.FilterMessageSnippet("not known what was done").Len() != 1 {
			t.Errorf("logged was %+v", one.logs.All())
		}
		if err := one.stop(); err != nil {
			t.Error(err)
		}
	})
}

// TestPairDisarmedBeforeHandedOver: what a machine did before it was stopped is done on the
// other one before that takes the line, though nobody holds it any more.
func TestPairDisarmedBeforeHandedOver(t *testing.T) {
	inPair(t, 4, func(t *testing.T, _ *bench, e *leasetest.Engine, one, two *machine) {
		e.Mute("b", true)
		<-time.After(2 * time.Second)
		one.failed(t, disarms)
		if err := one.stop(); err != nil {
			t.Error(err)
		}
		e.Mute("b", false)
		until(t, 5*time.Second, "the other is told", func() bool { return !two.armed() })
		<-time.After(5 * time.Second)
		if n := e.Moves(); n != 1 || two.count(record.KindSession) != 0 {
			t.Errorf("the line moved %d times, and %d sessions were opened", n-1, two.count(record.KindSession))
		}
		one.begin()
		<-time.After(5 * time.Second)
	})
}
