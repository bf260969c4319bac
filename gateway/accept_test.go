package gateway_test

import (
	"context"
	"os"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway"
	"lapgate/gateway/control"
	"lapgate/gateway/record"
)

// TestDoubtfulJournal: a journal that was lost while the daemon was down is told as a
// condition, at each start, until a named person accepts the new one.
func TestDoubtfulJournal(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newShop(t, newBench(rollsFrom(1)...), nil)
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		go s.bench.run(ctx)
		serve := func(doubtful bool, do func(*gateway.Operator)) {
			t.Helper()
			options := s.options()
			options.OpenJournal = gateway.OpenJournals(s.snapshot)
			g, stop := s.start(options)
			doubted := func() bool { return slices.Contains(g.Lines()[0].Machine.Conditions, "journal-doubtful") }
			until(t, time.Minute, "the line is served", func() bool { return g.Lines()[0].Connected })
			if doubted() != doubtful {
				t.Errorf("conditions %v, want the journal doubted: %v", g.Lines()[0].Machine.Conditions, doubtful)
			}
			if do != nil {
				do(&gateway.Operator{Gateway: g})
				<-time.After(time.Second) // of virtual time, in which the state is published
				if doubted() {
					t.Error("the condition stands after the journal was accepted")
				}
			}
			if err := stop(); err != nil {
				t.Fatal(err)
			}
		}
		serve(false, nil)
		path := s.snapshot.Journal.Path(s.snapshot.Lines[0].Recipe.Name)
		if err := os.Remove(path); err != nil {
			t.Fatal(err)
		}
		serve(true, nil)
		serve(true, func(o *gateway.Operator) {
			accept := control.Request{Command: control.AcceptJournal, Caller: control.Daemon(), By: "Kim Berg"}
			if got := o.Handle(t.Context(), accept); got.Outcome != control.Usage || !strings.Contains(got.Error, "a reason") {
				t.Errorf("without a reason: %+v", got)
			}
			accept.Reason = "the old disk is gone"
			if got := o.Handle(t.Context(), accept); got.Outcome != control.Done {
				t.Errorf("accepting: %+v", got)
			}
			if got := o.Handle(t.Context(), accept); got.Outcome != control.Failed || !strings.Contains(got.Error, "nothing is doubted") {
				t.Errorf("accepting again: %+v", got)
			}
		})
		if n := s.count(record.KindAccept); n != 1 {
			t.Errorf("%d records of it, want 1", n)
		}
		serve(false, nil)
		cancel()
	})
}
