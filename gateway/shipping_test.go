package gateway_test

import (
	"context"
	"os"
	"slices"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway"
	"lapgate/gateway/control"
	"lapgate/gateway/cycle"
	"lapgate/gateway/engine"
	"lapgate/gateway/handshake"
	"lapgate/gateway/journal"
	"lapgate/gateway/link/memory"
	"lapgate/gateway/record"
	"lapgate/gateway/ship"
	"lapgate/gateway/ship/shiptest"
	"lapgate/sim/controller"
)

// shipped is a shop whose journal goes to an engine in memory, with a bench that is at
// work.
func shipped(t *testing.T, set map[string]string, work func(ctx context.Context, s *shop, e *shiptest.Engine, o gateway.Options)) {
	t.Helper()
	shippedOf(t, rollsFrom(1), set, work)
}

// shippedOf is one whose bench has certain rolls.
func shippedOf(t *testing.T, rolls []controller.Measurement, set map[string]string, work func(ctx context.Context, s *shop, e *shiptest.Engine, o gateway.Options)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		b := newBench(rolls...)
		b.wrap = 50 * time.Second
		s := newShop(t, b, set)
		ctx, cancel := context.WithCancel(context.Background())
		go b.run(ctx)
		e := &shiptest.Engine{}
		o := s.options()
		o.OpenJournal = gateway.OpenJournals(s.snapshot)
		o.Ship = &gateway.ShippingOptions{Machine: "a", Connect: e.Connect("a")}
		work(ctx, s, e, o)
		cancel()
	})
}

func (s *shop) path() string { return s.snapshot.Journal.Path(s.snapshot.Lines[0].Recipe.Name) }

// holds fails unless the newest journal of the line in the engine is that of the shop
// behind a record, to its end.
func (s *shop) holds(e *shiptest.Engine, behind uint64) {
	s.t.Helper()
	chains := e.Of(s.snapshot.Lines[0].Recipe.Name, "a")
	if len(chains) == 0 {
		s.t.Fatal("no journal there")
	}
	there := chains[len(chains)-1].Records
	r, err := journal.OpenWhole(context.Background(), s.path())
	if err != nil {
		s.t.Fatal(err)
	}
	defer func() { _ = r.Close() }()
	n := 0
	err = r.Walk(context.Background(), journal.Filter{FromSeq: behind + 1}, func(x journal.Entry) error {
		if n >= len(there) {
			n++
			return nil
		}
		if there[n].Hash != x.Hash {
			s.t.Fatalf("record %d (%s) is not there, of those up to %d", x.Seq, x.Record.Kind(), chains[len(chains)-1].Head.Seq)
		}
		n++
		return nil
	})
	if err != nil || n != len(there) || n == 0 {
		s.t.Errorf("%d records there, %d here, %v", len(there), n, err)
	}
}

func conditions(g *gateway.Gateway) []string { return g.Lines()[0].Machine.Conditions }

// pauses are the times from each offer to the next.
func (s *shop) pauses() (out []time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	last := time.Time{}
	for _, r := range s.records {
		if _, ok := r.Record.(record.Intent); ok {
			if !last.IsZero() {
				out = append(out, r.At.Sub(last))
			}
			last = r.At
		}
	}
	return out
}

// TestEngineAwayForAnHour: the line does not know whether the engine is there. What it
// records waits in the journal, people are told, and are called again; then it drains.
func TestEngineAwayForAnHour(t *testing.T) {
	run := func(away bool) (pauses []time.Duration, outcomes int) {
		shipped(t, nil, func(_ context.Context, s *shop, e *shiptest.Engine, o gateway.Options) {
			g, stop := s.start(o)
			until(t, time.Minute, "the engine has a roll", func() bool { at := g.Lines()[0].Engine; return at.Known && at.Backlog == 0 && at.Record > 5 })
			e.Do(func() { e.Away = away })
			gone, begun := time.Now(), s.count(record.KindOutcome)
			<-time.After(time.Minute)
			if got := slices.Contains(conditions(g), cycle.ConditionBehind); got != away {
				t.Errorf("away %t, told %t", away, got)
			}
			until(t, 10*time.Minute, "the alarm", func() bool { return !away || strings.Contains(alarmsOf(g, 0), cycle.ConditionBehind+" unacknowledged") })
			if away {
				t.Logf("people are alarmed %s after the engine went away", time.Since(gone).Round(time.Second))
			}
			<-time.After(59*time.Minute - 4*time.Minute)
			outcomes = s.count(record.KindOutcome) - begun
			at := g.Lines()[0].Engine
			if away && (at.Connected || at.Backlog < 200 || time.Since(at.Since) < 58*time.Minute || !strings.Contains(at.Error, "no route")) {
				t.Errorf("the engine is %+v", at)
			}
			if away {
				t.Logf("after %s of line time %d records wait, of %d rolls", time.Since(at.Since).Round(time.Minute), at.Backlog, outcomes)
			}
			e.Do(func() { e.Away = false })
			back := time.Now()
			until(t, time.Minute, "all is there", func() bool { return g.Lines()[0].Engine.Backlog == 0 })
			if away {
				t.Logf("drained %s of line time after the engine was back", time.Since(back))
			}
			until(t, time.Minute, "nothing is told", func() bool { return len(conditions(g)) == 0 })
			if err := stop(); err != nil {
				t.Error(err)
			}
			s.holds(e, 0)
			if away && (s.logged("takes the records again") != 1 || s.logged("does not take what the journal tells") < 10) {
				t.Errorf("told %d times, and %d times of its end", s.logged("does not take what the journal tells"), s.logged("takes the records again"))
			}
			pauses = s.pauses()
		})
		return pauses, outcomes
	}
	with, rolls := run(false)
	without, same := run(true)
	if rolls < 40 || same != rolls {
		t.Errorf("%d rolls with the engine, %d without", rolls, same)
	}
	longest, pause := time.Duration(0), time.Duration(0)
	for i := range min(len(with), len(without)) {
		longest, pause = max(longest, (without[i]-with[i]).Abs()), max(pause, without[i])
	}
	t.Logf("%d offers with the engine and %d without; the longest pause between two is %s, and none is longer than with the engine by more than %s", len(with), len(without), pause, longest)
	if len(with) != len(without) || longest != 0 {
		t.Errorf("%d and %d offers, one %s later than with the engine", len(with), len(without), longest)
	}
}

// TestAcknowledgementWaitsForEngine: in a pair an outcome is acknowledged when the engine
// has it. While it is away few wait; then this machine's journal alone must do, and people
// are told.
func TestAcknowledgementWaitsForEngine(t *testing.T) {
	shippedOf(t, slices.Concat(rollsFrom(1), rollsFrom(61), rollsFrom(121)), nil, func(ctx context.Context, s *shop, e *shiptest.Engine, o gateway.Options) {
		s.bench.wrap = 4 * time.Second
		g, err := gateway.New(o)
		if err != nil {
			t.Fatal(err)
		}
		g.Pair()
		ended := make(chan error, 1)
		go func() { ended <- g.Run(context.Background()) }()
		until(t, time.Minute, "the line is served", func() bool { return g.Lines()[0].Begun })
		if err := g.Hear(ctx, cycle.Lease{Held: true, Number: 5}); err != nil {
			t.Fatal(err)
		}
		until(t, 10*time.Minute, "outcomes are acknowledged", func() bool { return g.Lines()[0].Machine.Acked >= 3 })
		e.Do(func() { e.Away = true })
		from := g.Lines()[0].Machine.Acked
		most := uint32(0)
		until(t, time.Hour, "many wait", func() bool {
			m := g.Lines()[0].Machine
			if m.Acked <= from+1 {
				most = max(most, m.Produced-m.Acked)
			}
			return m.Acked > from+1
		})
		if most < 31 || most > 33 {
			t.Errorf("up to %d outcomes waited", most)
		}
		t.Logf("%d outcomes waited for the engine, then this machine acknowledged alone", most)
		alone := g.Lines()[0].Machine.Acked
		until(t, time.Hour, "it goes on alone", func() bool {
			m := g.Lines()[0].Machine
			most = max(most, m.Produced-m.Acked)
			return m.Acked >= alone+60
		})
		if most > 33 {
			t.Errorf("up to %d outcomes waited later: the controller keeps 64", most)
		}
		if c := conditions(g); !slices.Contains(c, "acknowledged-alone") || !slices.Contains(c, cycle.ConditionBehind) {
			t.Errorf("conditions %v", c)
		}
		e.Do(func() { e.Away = false })
		until(t, time.Minute, "all is well", func() bool { m := g.Lines()[0].Machine; return len(m.Conditions) == 0 && m.Acked == m.Journaled })
		// A restart of the line hears what the engine has.
		g.Stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
		s.holds(e, 0)
	})
}

// TestEngineHasAnotherJournal: the line goes on where the engine takes its journal no more,
// people are told, and a named person has it registered anew.
func TestEngineHasAnotherJournal(t *testing.T) {
	shipped(t, nil, func(ctx context.Context, s *shop, e *shiptest.Engine, o gateway.Options) {
		g, stop := s.start(o)
		until(t, time.Minute, "the engine has a roll", func() bool { return g.Lines()[0].Engine.Record > 5 })
		op := &gateway.Operator{Gateway: g}
		line := s.snapshot.Lines[0].Recipe.Name
		ask := func(by, reason string) control.Reply {
			return op.Handle(ctx, control.Request{Command: control.RegisterJournal, Line: line, By: by, Reason: reason, Caller: control.Caller{Trusted: true}})
		}
		if r := ask("kim", "x"); r.Outcome == control.Done || !strings.Contains(r.Error, "nothing to register") {
			t.Errorf("got %+v", r)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		there := e.Journals[0] // the daemon is down
		e.Do(func() {
			there.Records[len(there.Records)-1].Hash[0]++
			there.Head.Hash[0]++
		})
		common := there.Head.Seq - 1
		o.Ship = &gateway.ShippingOptions{Machine: "a", Connect: e.Connect("a")}
		g, stop = s.start(o)
		op.Gateway = g
		until(t, time.Minute, "it is told", func() bool { return slices.Contains(conditions(g), cycle.ConditionStopped) })
		until(t, time.Minute, "the alarm", func() bool { return strings.Contains(alarmsOf(g, 0), cycle.ConditionStopped+" unacknowledged") })
		rolls := s.count(record.KindOutcome)
		until(t, 5*time.Minute, "the line goes on", func() bool { return s.count(record.KindOutcome) > rolls+2 })
		if r := ask("", "x"); r.Outcome != control.Usage {
			t.Errorf("got %+v", r)
		}
		if r := ask("kim", "put back from the backup of Monday"); r.Outcome != control.Done {
			t.Errorf("got %+v", r)
		}
		until(t, time.Minute, "all is there", func() bool { at := g.Lines()[0].Engine; return !at.Stopped && at.Known && at.Backlog == 0 })
		until(t, time.Minute, "nothing is told", func() bool { return len(conditions(g)) == 0 })
		if n := s.count(record.KindRegister); n != 1 {
			t.Errorf("%d records of the act", n)
		}
		if err := stop(); err != nil {
			t.Error(err)
		}
		s.holds(e, common)
	})
}

// TestBacklogIsCritical: records that wait for the engine while the disk is nearly full are
// an alarm, and no archive leaves before the engine has it.
func TestBacklogIsCritical(t *testing.T) {
	for _, away := range []bool{false, true} {
		shipped(t, map[string]string{"journal.close_age": "5 min", "journal.keep": "10 min"}, func(_ context.Context, s *shop, e *shiptest.Engine, o gateway.Options) {
			var free atomic.Uint64
			free.Store(1e12)
			o.FreeRoom = func(string) (uint64, error) { return free.Load(), nil }
			e.Do(func() { e.Away = away })
			g, stop := s.start(o)
			<-time.After(40 * time.Minute)
			archives, err := journal.Archives(s.path())
			if err != nil || len(archives) < 5 || archives[0].First != 1 {
				t.Errorf("away %t: archives %v, %v: want all, for none is with the engine for a month", away, archives, err)
			}
			for _, a := range archives[:len(archives)-1] {
				if _, err := os.Stat(a.Path + ".shipped"); (err == nil) == away {
					t.Errorf("away %t: archive %d-%d is noted as shipped: %v", away, a.First, a.Last, err == nil)
				}
			}
			if c := conditions(g); slices.Contains(c, cycle.ConditionLongBehind) {
				t.Errorf("away %t: conditions %v", away, c)
			}
			free.Store(1e6)
			until(t, time.Minute, "the disk is short", func() bool { return slices.Contains(conditions(g), cycle.ConditionRoom) })
			if c := conditions(g); slices.Contains(c, cycle.ConditionLongBehind) != away {
				t.Errorf("away %t: conditions %v", away, c)
			}
			if err := stop(); err != nil {
				t.Error(err)
			}
		})
	}
}

// TestSessionNamesTheOtherMachine: a session says what is known of the other machine's
// journal, and the status shows it.
func TestSessionNamesTheOtherMachine(t *testing.T) {
	shipped(t, nil, func(_ context.Context, s *shop, e *shiptest.Engine, o gateway.Options) {
		line := s.snapshot.Lines[0].Recipe.Name
		head := journal.Head{Seq: 4711, Hash: journal.Hash{7}}
		e.Do(func() {
			e.Journals = append(e.Journals, &shiptest.Chain{Journal: engine.Journal{Genesis: journal.Hash{1}, Line: line, Machine: "b", Head: head}, Gone: 4710,
				Records: []journal.Entry{{Stored: record.Stored{Seq: 4711, Record: record.Outcome{Outcome: handshake.Outcome{Index: 9, RollNo: 9, Boot: 3}}}, Hash: head.Hash}}})
		})
		var cut atomic.Bool
		s.dialer.Before = func(memory.Call) memory.Fault {
			if cut.CompareAndSwap(true, false) {
				return memory.Fault{Kind: memory.Cut}
			}
			return memory.Fault{}
		}
		g, stop := s.start(o)
		until(t, time.Minute, "the other is seen", func() bool { at := g.Lines()[0].Engine; return len(at.Others) == 1 && at.Others[0].Record == 4711 })
		until(t, time.Minute, "a session", func() bool { return s.count(record.KindSession) == 1 })
		cut.Store(true)
		until(t, time.Minute, "another session", func() bool { return s.count(record.KindSession) == 2 })
		if err := stop(); err != nil {
			t.Error(err)
		}
		want := record.JournalHead{Machine: "b", Journal: journal.Hash{1}.String(), Seq: 4711, Hash: head.Hash.String()}
		var newest record.Session
		for _, r := range s.records {
			if x, ok := r.Record.(record.Session); ok {
				newest = x
			}
		}
		if newest.Other == nil || *newest.Other != want {
			t.Errorf("the session names %+v, want %+v", newest.Other, want)
		}
	})
}

// TestShippingWaitsForTheLine: nobody reads a journal that its line has not opened yet. One
// that was killed is carried over then, which a reader in the same process prevents.
func TestShippingWaitsForTheLine(t *testing.T) {
	shipped(t, nil, func(_ context.Context, s *shop, _ *shiptest.Engine, o gateway.Options) {
		var connected atomic.Bool
		open, connect, free := o.OpenJournal, o.Ship.Connect, make(chan struct{})
		o.Ship.Connect = func(ctx context.Context) (ship.Conn, error) {
			connected.Store(true)
			return connect(ctx)
		}
		o.OpenJournal = func(ctx context.Context, line string) (gateway.Journal, error) {
			<-free
			return open(ctx, line)
		}
		_, stop := s.start(o)
		<-time.After(time.Minute) // of virtual time
		if connected.Load() {
			t.Error("the engine was connected to before the journal was open")
		}
		close(free)
		until(t, time.Minute, "the journal is handed on", connected.Load)
		if err := stop(); err != nil {
			t.Error(err)
		}
	})
}

// TestNothingReadsAJournalThatIsOpened: while a line opens its journal, at the start and
// after its disk had failed, nothing has it open on the way to the engine: the index would
// stay read-only for the whole process.
func TestNothingReadsAJournalThatIsOpened(t *testing.T) {
	shipped(t, nil, func(_ context.Context, s *shop, e *shiptest.Engine, o gateway.Options) {
		var g *gateway.Gateway
		var fault atomic.Pointer[error]
		opened := 0
		open := o.OpenJournal
		o.OpenJournal = func(ctx context.Context, line string) (gateway.Journal, error) {
			if opened++; !g.Unread() {
				t.Error("the journal can be read while it is opened")
			}
			j, err := open(ctx, line)
			return &fickle{j, &fault}, err
		}
		g, err := gateway.New(o)
		if err != nil {
			t.Fatal(err)
		}
		ended := make(chan error, 1)
		go func() { ended <- g.Run(context.Background()) }()
		until(t, time.Minute, "the engine has a roll", func() bool { return g.Lines()[0].Engine.Record > 5 })
		full := error(syscall.ENOSPC)
		fault.Store(&full)
		until(t, time.Minute, "the line has ended", func() bool { return g.Lines()[0].Ended })
		fault.Store(nil)
		until(t, time.Minute, "the line is back", func() bool { return !g.Lines()[0].Ended && g.Lines()[0].Begun })
		until(t, time.Minute, "all is there", func() bool { return g.Lines()[0].Engine.Backlog == 0 })
		g.Stop()
		<-ended
		if opened < 2 {
			t.Errorf("the journal was opened %d times", opened)
		}
		s.holds(e, 0)
	})
}
