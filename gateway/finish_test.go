package gateway_test

import (
	"context"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
	"lapgate/gateway/ship/shiptest"
)

// late is a journal of which one outcome is written when that is let go.
type late struct {
	gateway.Journal
	waits   chan struct{} // takes one when the next outcome is to wait
	reached chan struct{}
	free    chan struct{}
}

func newLate(o *gateway.Options) *late {
	l := &late{waits: make(chan struct{}, 1), reached: make(chan struct{}), free: make(chan struct{})}
	open := o.OpenJournal
	o.OpenJournal = func(ctx context.Context, line string) (j gateway.Journal, err error) {
		l.Journal, err = open(ctx, line)
		return l, err
	}
	return l
}

func (l *late) Append(ctx context.Context, records ...record.Record) ([]record.Stored, error) {
	if slices.ContainsFunc(records, func(r record.Record) bool { return r.Kind() == record.KindOutcome }) {
		select {
		case <-l.waits:
			close(l.reached)
			<-l.free
		default:
		}
	}
	return l.Journal.Append(ctx, records...)
}

// TestStopLeavesNothing: what a line records while the daemon ends is with an engine that
// answers before the daemon is gone, also where it answers again just then.
func TestStopLeavesNothing(t *testing.T) {
	for name, away := range map[string]bool{"there": false, "just back": true} {
		t.Run(name, func(t *testing.T) {
			shipped(t, nil, func(_ context.Context, s *shop, e *shiptest.Engine, o gateway.Options) {
				l := newLate(&o)
				g, stop := s.start(o)
				until(t, time.Minute, "the engine has a roll", func() bool { at := g.Lines()[0].Engine; return at.Backlog == 0 && at.Record > 5 })
				if away {
					e.Do(func() { e.Away = true })
					<-time.After(10 * time.Minute)
				}
				l.waits <- struct{}{}
				<-l.reached
				ended := make(chan error)
				go func() { ended <- stop() }()
				synctest.Wait() // all that ends before the line does has ended
				e.Do(func() { e.Away = false })
				begun := time.Now()
				close(l.free)
				if err := <-ended; err != nil {
					t.Error(err)
				}
				if took := time.Since(begun); took > time.Second {
					t.Errorf("the end took %s", took)
				}
				s.holds(e, 0)
				if n := s.logged("the engine has not got"); n != 0 {
					t.Errorf("told %d times that records stay", n)
				}
			})
		})
	}
}

// TestStopTellsWhatStays: an engine that is away, or so slow that it does not get done, is not
// waited for, and the log says what it has not got.
func TestStopTellsWhatStays(t *testing.T) {
	for name, c := range map[string]struct {
		spoil func(*shiptest.Engine)
		why   string
	}{
		"away":   {func(e *shiptest.Engine) { e.Away = true }, "no route"},
		"silent": {func(e *shiptest.Engine) { e.Fault = func(string) shiptest.Fault { return shiptest.Silent } }, "no answer"},
		"slow": {func(e *shiptest.Engine) {
			e.Fault = func(op string) shiptest.Fault {
				if op == "append" {
					<-time.After(time.Minute)
				}
				return shiptest.None
			}
		}, "no time"},
	} {
		t.Run(name, func(t *testing.T) {
			shipped(t, nil, func(_ context.Context, s *shop, e *shiptest.Engine, o gateway.Options) {
				g, stop := s.start(o)
				until(t, time.Minute, "the engine has a roll", func() bool { at := g.Lines()[0].Engine; return at.Backlog == 0 && at.Record > 5 })
				e.Do(func() { c.spoil(e) })
				until(t, 5*time.Minute, "records wait", func() bool { return g.Lines()[0].Engine.Backlog > 3 })
				begun := time.Now()
				if err := stop(); err != nil {
					t.Error(err)
				}
				if took := time.Since(begun); took > time.Minute {
					t.Errorf("the end took %s", took)
				}
				told := s.logs.FilterMessageSnippet("the engine has not got").All()
				if len(told) != 1 {
					t.Fatalf("told %d times", len(told))
				}
				stays := told[0].ContextMap()
				if n, ok := stays["records"].(uint64); !ok || n < 4 || stays["line"] != s.snapshot.Lines[0].Recipe.Name || !strings.Contains(stays["why"].(string), c.why) {
					t.Errorf("told %v", stays)
				}
				e.Do(func() { e.Away, e.Fault = false, nil })
				o.Ship = &gateway.ShippingOptions{Machine: "a", Connect: e.Connect("a")}
				g, stop = s.start(o)
				until(t, time.Minute, "it follows", func() bool { at := g.Lines()[0].Engine; return at.Known && at.Backlog == 0 })
				if err := stop(); err != nil {
					t.Error(err)
				}
				s.holds(e, 0)
			})
		})
	}
}

// TestStopBeforeTheEngineAnswered: where nobody knows how many records it has, no number is told.
func TestStopBeforeTheEngineAnswered(t *testing.T) {
	shipped(t, nil, func(_ context.Context, s *shop, e *shiptest.Engine, o gateway.Options) {
		e.Do(func() { e.Away = true })
		g, stop := s.start(o)
		until(t, time.Minute, "records wait", func() bool { return g.Lines()[0].Engine.Backlog > 3 })
		if err := stop(); err != nil {
			t.Error(err)
		}
		if s.logged("before the engine told which records it has") != 1 || s.logged("the engine has not got") != 0 {
			t.Errorf("told %v", s.logs.All())
		}
	})
}

// TestCarriedGoesToEngine: what a file begins with after the journal was closed off arrives as
// every other record does, and does not wait for the next one.
func TestCarriedGoesToEngine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench()
		s := newShop(t, b, map[string]string{"journal.close_age": "5 min"})
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		go b.run(ctx)
		e := &shiptest.Engine{}
		o := s.options()
		o.OpenJournal = gateway.OpenJournals(s.snapshot)
		o.Ship = &gateway.ShippingOptions{Machine: "a", Connect: e.Connect("a")}
		g, stop := s.start(o)
		<-time.After(9 * time.Minute) // nothing is recorded after the journal is closed off
		archives, err := filepath.Glob(filepath.Join(filepath.Dir(s.path()), "*.0*-0*"))
		if err != nil || len(archives) != 1 {
			t.Fatalf("archives %v, %v", archives, err)
		}
		chains := e.Of(s.snapshot.Lines[0].Recipe.Name, "a")
		if len(chains) != 1 || chains[0].Records[len(chains[0].Records)-1].Record.Kind() != record.KindCarry || g.Lines()[0].Engine.Backlog != 0 {
			t.Errorf("the engine is at %+v", g.Lines()[0].Engine)
		}
		if err := stop(); err != nil {
			t.Error(err)
		}
		s.holds(e, 0)
	})
}

// TestClosingOffWaitsForReaders: a journal that somebody in the daemon reads is closed off when
// that is over, and the line is served meanwhile.
func TestClosingOffWaitsForReaders(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(rollsFrom(1)...)
		b.wrap = 50 * time.Second
		s := newShop(t, b, map[string]string{"journal.close_age": "5 min"})
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		go b.run(ctx)
		o := s.options()
		o.OpenJournal = gateway.OpenJournals(s.snapshot)
		g, stop := s.start(o)
		until(t, time.Minute, "the line is served", func() bool { return g.Lines()[0].Begun })
		closed := func() int {
			all, err := journal.Archives(s.path())
			if err != nil {
				t.Fatal(err)
			}
			return len(all)
		}
		if err := g.Read(ctx, func(*journal.Reader) error {
			<-time.After(15 * time.Minute)
			if n := closed(); n > 0 {
				t.Errorf("closed off %d times while it was read", n)
			}
			return nil
		}); err != nil {
			t.Error(err)
		}
		if n := s.count(record.KindOutcome); n < 10 {
			t.Errorf("%d rolls left meanwhile", n)
		}
		until(t, 2*time.Minute, "it is closed off", func() bool { return closed() > 0 })
		if err := stop(); err != nil {
			t.Error(err)
		}
		if _, err := os.Stat(s.path()); err != nil {
			t.Error(err)
		}
	})
}
