package gateway_test

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
)

// TestJournalIsClosedOff: a journal is closed off by its age between two rolls, the
// line is served on over restarts from the newest file alone, and every decision can be
// made again from the chain, which is whole.
func TestJournalIsClosedOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(rollsFrom(1)...)
		b.wrap = 40 * time.Second
		s := newShop(t, b, map[string]string{"journal.close_age": "5 min"})
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		go s.bench.run(ctx)
		path := s.snapshot.Journal.Path(s.snapshot.Lines[0].Recipe.Name)
		files := func() int {
			a, err := journal.Archives(path)
			if err != nil {
				t.Fatal(err)
			}
			return len(a)
		}
		most := 0
		for range 4 {
			options := s.options()
			options.OpenJournal = gateway.OpenJournals(s.snapshot)
			g, stop := s.start(options)
			<-time.After(13 * time.Minute) // of virtual time
			most = max(most, files())
			if c := g.Lines()[0].Machine.Conditions; len(c) > 0 {
				t.Errorf("conditions %v", c)
			}
			if err := stop(); err != nil {
				t.Fatal(err)
			}
		}
		cancel()
		report, err := journal.Verify(context.Background(), path)
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range report.Problems {
			t.Error(p)
		}
		left := files()
		if left < 6 || left != most || report.First != 0 || len(report.Archives) != left {
			t.Errorf("%d archives at most, %d now; report %+v", most, left, report)
		}
		if n := s.count(record.KindOutcome); n < 20 {
			t.Errorf("%d rolls left: the test shows nothing", n)
		}
		if n := s.count(record.KindGap); n > 1 {
			t.Errorf("%d gaps", n)
		}
	})
}
