package gateway_test

import (
	"context"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway"
	"lapgate/gateway/control"
	"lapgate/gateway/cycle"
	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/check"
	"lapgate/sim/controller"
)

// TestConfirmByCommand: a roll that may tip is held; a named person is shown the
// angle and answers that it is steadied; nothing moves until the operator
// presses retry, and the word is used up by that request.
func TestConfirmByCommand(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(fitting(1))
		b.wrap = 2 * time.Minute
		s := newShop(t, b, map[string]string{"lines.0.cradle.least_ratio": "5"})
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
		ask := control.Request{Command: control.Confirm, Caller: control.Daemon(), Roll: 1, By: "kim", Finding: string(check.NarrowRoll)}
		outcome := control.Usage
		refused := func(what, want string, r control.Request) {
			t.Helper()
			if got := o.Handle(t.Context(), r); got.Outcome != outcome || !strings.Contains(got.Error, want) || got.Proposal != nil {
				t.Errorf("%s: got %+v, want %s with %q", what, got, outcome, want)
			}
		}
		bad := ask
		bad.Finding = string(recipe.NoSlot)
		refused("a finding of another kind", "no finding that a person can confirm", bad)
		bad.Roll = 99
		refused("that of another roll", "no finding that a person can confirm", bad)
		bad = ask
		bad.By = ""
		refused("nobody", "needs the name of a person", bad)
		outcome = control.Refused // as things stand
		bad = ask
		bad.Roll = 99
		refused("another roll", "roll 99 does not wait at the station", bad)

		shown := o.Handle(t.Context(), ask)
		p := shown.Proposal
		if shown.Outcome != control.Done || p == nil || p.Roll != 1 || !p.Held || !strings.Contains(p.Finding, "tips when it leans by ") || len(shown.Text) > 0 {
			t.Fatalf("got %+v, %+v", shown, p)
		}
		agreed := ask
		agreed.Shown = &handshake.Token{Boot: p.Token.Boot, Req: p.Token.Req + 1}
		refused("a request that was not shown", "has changed since it was shown", agreed)
		agreed.Shown = &p.Token
		if got := o.Handle(t.Context(), agreed); got.Outcome != control.Done || len(got.Text) != 1 || !strings.Contains(got.Text[0], "press retry") {
			t.Errorf("got %+v", got)
		}
		<-time.After(3 * time.Second) // of virtual time
		if n := b.judged(func(e controller.Event) bool { return e.Verdict == controller.Accepted }); n != 0 {
			t.Errorf("%d recipes were accepted before the operator pressed retry", n)
		}
		b.retry.Store(true)
		until(t, time.Minute, "the recipe is accepted", func() bool {
			return b.judged(func(e controller.Event) bool { return e.Verdict == controller.Accepted }) == 1
		})
		if err := stop(); err != nil {
			t.Error(err)
		}

		var words []record.Confirm
		var history record.History
		var rolls []*record.Roll
		for _, r := range s.verify() {
			if r, ok := r.Record.(record.Confirm); ok {
				words = append(words, r)
			}
			more, err := history.Add(r)
			if err != nil {
				t.Fatal(err)
			}
			rolls = append(rolls, more...)
		}
		rolls = append(rolls, history.Rest()...)
		want := handshake.Token{Boot: p.Token.Boot, Req: p.Token.Req + 1}
		if len(words) != 1 || words[0].By != "kim" || words[0].Roll != 1 || words[0].Token != want || words[0].Finding != check.NarrowRoll {
			t.Fatalf("the journal has %+v", words)
		}
		// What was recorded is enough to decide again, as a replay does.
		line := s.snapshot.Lines[0].Recipe
		for i, round := range rolls[0].Rounds {
			d := cycle.Decide(line, &round.Request, &round.Basis, round.Override)
			if held := i == 0; d.Held() != held || d.Held() != (round.Offer.Form == handshake.KindHold) {
				t.Errorf("round %d: held is %v: %+v", i, d.Held(), d.Findings)
			}
		}
	})
}
