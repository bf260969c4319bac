package gateway_test

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/lease"
	"lapgate/gateway/lease/leasetest"
	"lapgate/gateway/link/memory"
	"lapgate/gateway/record"
	"lapgate/gateway/ship/shiptest"
)

// cut takes controller and engine from a machine until the function returned is called.
func (m *machine) cut() (heal func()) {
	see := m.blind(memory.BlackHole)
	m.engine.Mute(m.name, true)
	return func() {
		see()
		m.engine.Mute(m.name, false)
	}
}

// after sends the moment of the next record for which so holds, before anything that
// follows it is done.
func (m *machine) after(so func(record.Record) bool, then func()) (at <-chan time.Time) {
	seen := make(chan time.Time, 1)
	m.shop.mu.Lock()
	defer m.shop.mu.Unlock()
	m.onRec = func(s record.Stored) {
		if so(s.Record) && len(seen) == 0 {
			then()
			seen <- s.At
		}
	}
	return seen
}

func kind[R record.Record](r record.Record) bool { _, ok := r.(R); return ok }

func accepted(r record.Record) bool {
	v, ok := r.(record.Verdict)
	return ok && v.Verdict == handshake.Accepted && !v.Settled
}

// TestPairSettlesSoon: a machine that was cut off in the middle of an offer, stood by and
// takes the line over again first finds out what became of that offer. The roll that waits
// hardly waits longer for it.
func TestPairSettlesSoon(t *testing.T) {
	inPair(t, 8, func(t *testing.T, _ *bench, _ *leasetest.Engine, one, two *machine) {
		var heal func()
		cutAt := one.after(kind[record.Commit], func() { heal = one.cut() })
		<-cutAt
		until(t, time.Minute, "the other serves", func() bool { return two.acts() && two.count(record.KindOutcome) > 0 })
		one.after(func(record.Record) bool { return false }, nil)
		heal()
		until(t, time.Minute, "the first stands by", func() bool { return !one.acts() && one.g.Lines()[0].Pair.OtherThere })
		if one.g.Lines()[0].Machine.Open == nil {
			t.Fatal("no offer of the first is open")
		}
		// The next roll waits two seconds after one has left, which is before the takeover.
		<-two.after(kind[record.Outcome], func() { heal = two.cut() })
		session := <-one.after(kind[record.Session], func() {})
		first := <-one.after(accepted, func() {})
		if took := first.Sub(session); took > time.Second {
			t.Errorf("the first recipe was accepted %s after the session began", took)
		}
		heal()
		until(t, time.Minute, "the second stands by", func() bool { return !two.acts() })
	})
}

// TestPairStopShipsFirst: a machine that is stopped lets the other one act when the engine
// has what its line recorded last, and not before.
func TestPairStopShipsFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(shift(4)...)
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		go b.run(ctx)
		e, one, two := pairShop(t, b)
		one.record = &shiptest.Engine{}
		pairOn(t, one, two)
		free := make(chan struct{})
		one.record.Do(func() {
			one.record.Fault = func(op string) shiptest.Fault {
				if op == "append" {
					<-free
				}
				return shiptest.None
			}
		})
		until(t, time.Minute, "a record waits", func() bool { return one.g.Lines()[0].Engine.Backlog > 0 })
		ended := make(chan error)
		go func() { ended <- one.stop() }()
		until(t, time.Minute, "the line has ended", func() bool { return one.g.Lines()[0].Ended })
		<-time.After(2 * time.Second)
		if row := e.Row("north"); two.acts() || lease.MachineOf(row.Instance) != "a" {
			t.Errorf("the lease is %+v while the engine has not got %d records", row, one.g.Lines()[0].Engine.Backlog)
		}
		close(free)
		if err := <-ended; err != nil {
			t.Error(err)
		}
		until(t, time.Second, "the other acts", two.acts)
		if err := two.stop(); err != nil {
			t.Error(err)
		}
		cancel()
		judge(t, b, one, two)
	})
}
