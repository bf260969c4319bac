package gateway_test

import (
	"context"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway"
	"lapgate/gateway/control"
	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe/check"
	"lapgate/sim/controller"
)

// slotsReady says which slots are ready, slot 1 the lowest bit.
func (b *bench) slotsReady(bits uint16) {
	b.image.Lock()
	defer b.image.Unlock()
	b.inputs.SlotsReady = bits
}

// TestHangByCommand: the slot that serves a roll is told to be empty, so that it is
// held; a wrapper is hung in another slot, which takes effect when its contact was
// off and on; the roll waits for a person to confirm what hangs, then it is wrapped
// with it. What the journal holds is enough to decide all of it again.
func TestHangByCommand(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(fitting(1), fitting(4)) // both take 50 in, which hangs in slot 3
		b.wrap = 2 * time.Minute
		s := newShop(t, b, nil)
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		go b.run(ctx)
		g, stop := s.start(s.options())
		defer g.Stop()
		o := &gateway.Operator{Gateway: g}
		hang := func(w control.Wrapper, agreed bool) control.Reply {
			return o.Handle(t.Context(), control.Request{Command: control.Hang, Caller: control.Daemon(), By: "kim", Wrapper: &w, Agreed: agreed})
		}
		done := func(want string, w control.Wrapper) {
			t.Helper()
			if r := hang(w, true); r.Outcome != control.Done || len(r.Text) != 1 || !strings.Contains(r.Text[0], want) {
				t.Fatalf("%+v: got %+v, want %q", w, r, want)
			}
		}
		held := func(n int) {
			t.Helper()
			until(t, time.Minute, "the roll is held", func() bool {
				return b.judged(func(e controller.Event) bool { return e.Verdict == controller.HeldByRecipe }) == n
			})
			<-time.After(time.Second) // of virtual time, in which the gateway sees it
		}
		<-time.After(time.Second)
		done("act 1 is recorded: it is in force at once", control.Wrapper{Slot: 3, Empty: true})
		held(1)

		for want, w := range map[string]control.Wrapper{
			`no wrapper of 48 in hang at slot 2; it allows 34 in, 42 in, 50 in`: {Slot: 2, Width: "48 in", Paper: "kraft-poly"},
			`no "silk" hang at slot 2; it allows kraft-poly`:                    {Slot: 2, Width: "50 in", Paper: "silk"},
			"the line has no slot 9; it has 1, 2, 3":                            {Slot: 9, Width: "50 in", Paper: "kraft-poly"},
			"width: ":                                                           {Slot: 2, Width: "50", Paper: "kraft-poly"},
			"a wrapper has a width and a paper":                                 {Slot: 2, Width: "50 in"},
			"give one of them":                                                  {Slot: 2, Width: "50 in", Paper: "kraft-poly", Outer: "1 m", Length: "900 m"},
			"2 in across is none: its core has":                                 {Slot: 2, Width: "50 in", Paper: "kraft-poly", Outer: "2 in"},
			"say one of them":                                                   {Slot: 2, Empty: true, OutOfService: true},
			"does not wait to take effect":                                      {Slot: 3, Correct: 1},
			"the newest act at slot 3 is 1":                                     {Slot: 3, Correct: 7, Empty: true},
			"nobody told what hangs at slot 2; le":                              {Slot: 2, Correct: 1, Empty: true},
			"has no width, paper, diameter":                                     {Slot: 2, Empty: true, Width: "50 in"},
		} {
			outcome := control.Usage
			if w.Correct != 0 { // what may be corrected depends on what was told
				outcome = control.Refused
			}
			if r := hang(w, true); r.Outcome != outcome || !strings.Contains(r.Error, want) {
				t.Errorf("%+v: got %+v, want %s with %q", w, r, outcome, want)
			}
		}
		fifty := control.Wrapper{Slot: 2, Width: "50 in", Paper: "kraft-poly", Length: "900 m"}
		if r := hang(fifty, false); r.Outcome != control.Done || strings.Contains(r.Text[0], "recorded") || s.count(record.KindHang) != 1 {
			t.Errorf("shown only: %+v, %d records", r, s.count(record.KindHang))
		}
		done("it takes effect when the slot was seen not ready and ready again", fifty)
		b.retry.Store(true)
		held(2) // nothing is taken from a slot at which people work
		b.slotsReady(0x3D)
		<-time.After(time.Second)
		b.slotsReady(0x3F)
		<-time.After(time.Second)
		b.retry.Store(true)
		held(3) // the first roll on it

		ask := control.Request{Command: control.Confirm, Caller: control.Daemon(), Roll: 1, By: "kim", Finding: string(check.NewWrapper)}
		shown := o.Handle(t.Context(), ask)
		if p := shown.Proposal; shown.Outcome != control.Done || !strings.Contains(p.Finding, `50 in of "kraft-poly"`) {
			t.Fatalf("got %+v", shown)
		}
		ask.Shown = &shown.Proposal.Token
		if r := o.Handle(t.Context(), ask); r.Outcome != control.Done {
			t.Fatalf("got %+v", r)
		}
		b.retry.Store(true)
		accepted := func(n int) {
			t.Helper()
			until(t, 5*time.Minute, "the recipe is accepted", func() bool {
				return b.judged(func(e controller.Event) bool { return e.Verdict == controller.Accepted }) == n
			})
			<-time.After(time.Second)
		}
		accepted(1)
		if r := hang(control.Wrapper{Slot: 2, Empty: true}, true); r.Outcome != control.Refused || !strings.Contains(r.Error, "roll 1 is offered or wrapped with the wrapper of slot 2") {
			t.Errorf("while it is wrapped: %+v", r)
		}
		accepted(2) // the next roll asks for nothing
		if err := stop(); err != nil {
			t.Error(err)
		}

		var slots []uint16
		for _, r := range s.verify() {
			if r, ok := r.Record.(record.Intent); ok {
				var p handshake.Payload
				if err := handshake.DecodePayload(r.Payload, &p); err != nil {
					t.Fatal(err)
				}
				slots = append(slots, p.Slot)
			}
		}
		if len(slots) != 5 || slots[3] != 2 || slots[4] != 2 {
			t.Errorf("slots of the offers %v, want 2 at the last two", slots)
		}
	})
}

// TestStationByCommand: a station is worked by hand without a change of the
// configuration, over a restart, until somebody says otherwise.
func TestStationByCommand(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(fitting(1), fitting(2), fitting(3))
		s := newShop(t, b, nil)
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		go b.run(ctx)
		g, stop := s.start(s.options())
		o := &gateway.Operator{Gateway: g}
		ask := func(station, mode string, end time.Time) control.Reply {
			return o.Handle(t.Context(), control.Request{Command: control.Station, Caller: control.Daemon(), By: "kim", Station: station, Mode: mode, Until: end, Agreed: true})
		}
		for want, c := range map[string][2]string{
			`no station is named "press"; it is one of centring, stand`: {"press", "manual"},
			"heads is manual in the configuration":                      {"heads", "manual"},
			"header is auto in the configuration; say manual":           {"header", "semi"},
			"header is worked as configured already":                    {"header", "auto"},
		} {
			outcome := control.Usage
			if c[1] == "auto" { // which it is already, now
				outcome = control.Refused
			}
			if r := ask(c[0], c[1], time.Time{}); r.Outcome != outcome || !strings.Contains(r.Error, want) {
				t.Errorf("%v: got %+v, want %s with %q", c, r, outcome, want)
			}
		}
		<-time.After(time.Second)
		if r := ask("header", "manual", time.Now().Add(5*time.Second)); r.Outcome != control.Done || !strings.Contains(r.Text[0], "header is recorded: from the next request on it is worked by hand") {
			t.Fatalf("got %+v", r)
		}
		left := func(n int) func() bool {
			return func() bool { return s.count(record.KindOutcome) == n }
		}
		until(t, time.Minute, "roll 1 leaves", left(1))
		if err := stop(); err != nil {
			t.Error(err)
		}
		g, stop = s.start(s.options())
		defer g.Stop()
		o.Gateway = g
		until(t, time.Minute, "roll 2 leaves", left(2))
		standing := strings.Join(g.Lines()[0].Machine.Conditions, " ")
		if !strings.Contains(standing, "station-by-hand/header") || !strings.Contains(standing, "station-overdue/header") {
			t.Errorf("conditions: %s", standing)
		}
		if r := ask("header", "auto", time.Time{}); r.Outcome != control.Done {
			t.Fatalf("got %+v", r)
		}
		until(t, time.Minute, "roll 3 leaves", left(3))
		if err := stop(); err != nil {
			t.Error(err)
		}
		var dwell []bool
		for _, r := range s.verify() {
			if r, ok := r.Record.(record.Intent); ok {
				var p handshake.Payload
				if err := handshake.DecodePayload(r.Payload, &p); err != nil {
					t.Fatal(err)
				}
				dwell = append(dwell, p.Dwell != 0)
			}
		}
		if len(dwell) != 3 || dwell[0] || dwell[1] || !dwell[2] {
			t.Errorf("a dwell was sent: %v, want it for the last roll alone", dwell)
		}
	})
}
