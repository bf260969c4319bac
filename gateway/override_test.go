package gateway_test

import (
	"context"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway"
	"lapgate/gateway/control"
	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/quantity"
	"lapgate/sim/controller"
)

// TestOverrideByCommand goes the way of a person: what would change is shown,
// then done for the request that was shown, and offered when the operator presses
// retry. What was never shown, or is of another request, changes nothing.
func TestOverrideByCommand(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		crooked := fitting(1)
		crooked.Widths[0] += 40 // 4 mm
		b := newBench(crooked)
		b.wrap = 2 * time.Minute
		s := newShop(t, b, map[string]string{"lines.0.limits.width_spread": "1 mm"})
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		go b.run(ctx)
		g, stop := s.start(s.options())
		defer g.Stop()
		o := &gateway.Operator{Gateway: g}
		until(t, time.Minute, "the roll is held", func() bool {
			return b.judged(func(e controller.Event) bool { return e.Verdict == controller.HeldByRecipe }) == 1
		})

		<-time.After(time.Second) // of virtual time, in which the gateway sees it
		ask := control.Request{Command: control.Override, Caller: control.Daemon(), By: "kim", Reason: "one sample is off",
			Values: []control.Value{{Name: "header_dwell", Text: "25 s"}}}
		outcome := control.Usage
		refused := func(what, want string, r control.Request) {
			t.Helper()
			if got := o.Handle(t.Context(), r); got.Outcome != outcome || !strings.Contains(got.Error, want) || got.Proposal != nil {
				t.Errorf("%s: got %+v, want %s with %q", what, got, outcome, want)
			}
		}
		bad := ask
		bad.Values = []control.Value{{Name: "header_dwell", Text: "25"}, {Name: "colour", Text: "blue"}}
		refused("a value without its unit", "header_dwell: ", bad)
		refused("an unknown name", "colour: no setpoint of that name can be overridden; want one of wrapper_slot, ", bad)
		bad = ask
		bad.Values = append(bad.Values, control.Value{Name: "header_dwell_s", Text: "13 s"})
		refused("twice", "header_dwell_s: given twice", bad)
		outcome = control.Refused // as things stand
		bad = ask
		bad.Roll = 99
		refused("another roll", "roll 99 does not wait at the station", bad)

		shown := o.Handle(t.Context(), ask)
		p := shown.Proposal
		if shown.Outcome != control.Done || p == nil || p.Roll != 1 || !p.Held || len(p.Changes) != 1 || len(shown.Text) > 0 {
			t.Fatalf("got %+v, %+v", shown, p)
		}
		if c := p.Changes[0]; c.Setpoint != "header dwell" || c.New != "25 s" || c.Old == c.New || !strings.HasSuffix(c.Old, " s") {
			t.Errorf("got %+v", c)
		}
		<-time.After(3 * time.Second) // of virtual time
		if n := s.count(record.KindOverride); n != 0 {
			t.Errorf("%d overrides in the journal before anybody agreed", n)
		}
		agreed := ask
		agreed.Shown = &handshake.Token{Boot: p.Token.Boot, Req: p.Token.Req + 1}
		refused("a request that was not shown", "has changed since it was shown", agreed)
		agreed.Shown = &p.Token
		if got := o.Handle(t.Context(), agreed); got.Outcome != control.Done || len(got.Text) != 1 || !strings.Contains(got.Text[0], "press retry") {
			t.Errorf("got %+v", got)
		}
		b.retry.Store(true)
		until(t, time.Minute, "the override is offered", func() bool {
			return b.judged(func(e controller.Event) bool { return e.Verdict == controller.Accepted }) == 1
		})
		if err := stop(); err != nil {
			t.Error(err)
		}
		var overrides []record.Override
		for _, r := range s.verify() {
			if r, ok := r.Record.(record.Override); ok {
				overrides = append(overrides, r)
			}
		}
		if len(overrides) != 1 || overrides[0].By != "kim" || overrides[0].New["header_dwell_s"] != 25 || len(overrides[0].Refused) > 0 {
			t.Errorf("got %+v", overrides)
		}
	})
}

// What Write gives a person, an override takes.
func TestSetpointsAreReadAsTheyAreWritten(t *testing.T) {
	line := snapshot(t, t.TempDir(), nil).Lines[0].Recipe
	for _, s := range recipe.AllSetpoints() {
		value := 12.0
		switch {
		case s.Form == recipe.Bits:
			value = 0b1011
		case s.Dimension == quantity.Pressure:
			value = 2e5
		}
		got, err := gateway.ReadSetpoint(&s, s.Write(line, value))
		if off := got - value; err != nil || math.Abs(off) > value/1000 {
			t.Errorf("%s: %q is read as %g, %v", s.Name, s.Write(line, value), got, err)
		}
	}
	zones := recipe.SetpointOf("vacuum_zones")
	for _, text := range []string{"0", "17", "1;2", "all", ""} {
		if _, err := gateway.ReadSetpoint(zones, text); err == nil {
			t.Errorf("zones %q were taken", text)
		}
	}
	if v, err := gateway.ReadSetpoint(zones, "none"); v != 0 || err != nil {
		t.Errorf("got %g, %v", v, err)
	}
}
