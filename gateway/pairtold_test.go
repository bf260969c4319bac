package gateway_test

import (
	"strings"
	"testing"
	"time"

	"lapgate/gateway/control"
	"lapgate/gateway/engine"
	"lapgate/gateway/lease/leasetest"
	"lapgate/gateway/record"
)

// told are the messages of a machine by their code.
func (m *machine) told(code string) (out []string) {
	for _, l := range m.logs.All() {
		if l.ContextMap()["code"] == code {
			out = append(out, l.Message)
		}
	}
	return out
}

// TestPairTellsOfFence: a machine that was cut off from the engine and overtaken tells that it
// stands by, and not that the engine answers.
func TestPairTellsOfFence(t *testing.T) {
	inPair(t, 4, func(t *testing.T, _ *bench, e *leasetest.Engine, one, two *machine) {
		e.Mute("a", true)
		until(t, 10*time.Second, "the first is fenced", func() bool { return two.acts() && one.g.Lines()[0].Pair.Fenced })
		<-time.After(5 * time.Second)
		if n := len(one.told("lease-answers")); n != 0 {
			t.Errorf("told %d times that the engine answers, which does not", n)
		}
		if n, alone := len(one.told("overtaken")), len(one.told("fenced")); n != 1 || alone != 0 {
			t.Errorf("told %d times that it was overtaken, and %d times that it stops", n, alone)
		}
		if p := one.g.Lines()[0].Pair; p.Lease != 1 || p.Holder != "" {
			t.Errorf("the lease is shown as %d, of %q", p.Lease, p.Holder)
		}
		if m := one.told("line-moved"); len(m) != 1 || !strings.Contains(m[0], "let the lease of the line go, which had number 1") {
			t.Errorf("told %q", m)
		}
		e.Mute("a", false)
		until(t, 5*time.Second, "the engine is heard again", func() bool { return len(one.told("lease-answers")) == 1 })
	})
}

// TestPairTellsOfHolder: a machine that lost its lease names who has it now.
func TestPairTellsOfHolder(t *testing.T) {
	inPair(t, 4, func(t *testing.T, _ *bench, e *leasetest.Engine, one, _ *machine) {
		e.Put(engine.Lease{Line: "north", Number: 9, Instance: "c/7", TTL: 3 * time.Second})
		until(t, 5*time.Second, "it stands by", func() bool { return len(one.told("line-moved")) > 0 })
		if m := one.told("line-moved"); !strings.Contains(m[0], "number 9, of c") {
			t.Errorf("told %q", m)
		}
	})
}

// TestPairTakeoverTooLate: where the engine answers again before a line is taken over by hand,
// it is not, and the journal does not say that it was.
func TestPairTakeoverTooLate(t *testing.T) {
	inPair(t, 6, func(t *testing.T, _ *bench, e *leasetest.Engine, one, two *machine) {
		e.Away(true)
		wake := one.halt()
		<-time.After(5 * time.Second)
		var of uint64
		two.shop.mu.Lock()
		two.onRec = func(s record.Stored) {
			if s.Record.Kind() == record.KindTakeover {
				of = s.Seq
				e.Away(false)
				<-time.After(time.Second)
			}
		}
		two.shop.mu.Unlock()
		r := two.do(t, control.Request{Command: control.Takeover, Line: "north", By: "kim", Reason: "no power there"})
		if r.Outcome != control.Refused || !strings.Contains(r.Error, "the engine answers") {
			t.Errorf("takeover: %+v", r)
		}
		corrected := false
		for _, s := range two.verify() {
			c, ok := s.Record.(record.Correction)
			corrected = corrected || ok && c.Seq == of
		}
		if of == 0 || !corrected {
			t.Errorf("record %d says that the line was taken over, and none corrects it", of)
		}
		wake()
		<-time.After(10 * time.Second)
	})
}

// TestPairTellsOfHand: a takeover by hand does not make the engine answer.
func TestPairTellsOfHand(t *testing.T) {
	inPair(t, 6, func(t *testing.T, _ *bench, e *leasetest.Engine, one, two *machine) {
		e.Away(true)
		wake := one.halt()
		<-time.After(5 * time.Second)
		if r := two.do(t, control.Request{Command: control.Takeover, Line: "north", By: "kim", Reason: "no power there"}); r.Outcome != control.Done {
			t.Fatalf("takeover: %+v", r)
		}
		until(t, 5*time.Second, "it has a session", func() bool { return two.count(record.KindSession) > 0 })
		if p := two.do(t, control.Request{Command: control.Pair, Line: "north"}).Pair[0]; !p.Acts || p.Holder != "a" || p.Lease != 2 {
			t.Errorf("shown is %+v", p)
		}
		if p := one.do(t, control.Request{Command: control.Pair, Line: "north"}).Pair[0]; p.Holder != "a" {
			t.Errorf("the one that held it shows %+v", p)
		}
		if n := len(two.told("lease-answers")); n != 0 {
			t.Errorf("told %d times that the engine answers, which does not", n)
		}
		wake()
		e.Away(false)
		until(t, 5*time.Second, "the engine is heard again", func() bool { return len(two.told("lease-answers")) == 1 })
		<-time.After(10 * time.Second)
	})
}
