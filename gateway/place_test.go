package gateway_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway"
	"lapgate/gateway/config"
	"lapgate/gateway/control"
	"lapgate/gateway/cycle"
	"lapgate/gateway/journal"
	"lapgate/gateway/link"
	"lapgate/gateway/link/memory"
	"lapgate/gateway/record"
	"lapgate/sim/controller"
)

// pair is two lines, north and south, each with a controller of its own.
type pair struct {
	*shop
	south   *bench
	options gateway.Options
	counts  map[string]*atomic.Int32 // outcomes, by line
	modes   chan record.Mode         // of south, after its start
}

func newPair(ctx context.Context, t *testing.T) *pair {
	s := newShop(t, newBench(rollsFrom(100)...), nil)
	s.snapshot = withSouth(s.snapshot)
	p := &pair{shop: s, south: newBench(rollsFrom(500)...), modes: make(chan record.Mode, 100),
		counts: map[string]*atomic.Int32{"north": {}, "south": {}}}
	p.options = s.options()
	p.options.Dialer = func(l *config.Line) (link.Dialer, error) {
		if l.Recipe.Name == "south" {
			return &memory.Dialer{Image: p.south.image}, nil
		}
		return s.dialer, nil
	}
	seen := p.options.OnRecord
	p.options.OnRecord = func(line string, r record.Stored) {
		if line == "north" {
			seen(line, r)
		}
		if r.Record.Kind() == record.KindOutcome {
			p.counts[line].Add(1)
		}
		if m, ok := r.Record.(record.Mode); ok && line == "south" && m.By != "test" {
			p.modes <- m
		}
	}
	go s.bench.run(ctx)
	go p.south.run(ctx)
	return p
}

func rollsFrom(n int) (out []controller.Measurement) {
	for i := range 60 {
		out = append(out, fitting(n+i))
	}
	return out
}

// fickle is a journal whose disk is full for as long as it says so.
type fickle struct {
	gateway.Journal
	fault *atomic.Pointer[error]
}

func (f fickle) Append(ctx context.Context, records ...record.Record) ([]record.Stored, error) {
	if e := f.fault.Load(); e != nil {
		return nil, fmt.Errorf("record: %w", *e)
	}
	return f.Journal.Append(ctx, records...)
}

// southFails gives south a journal that fails as fault says.
func (p *pair) southFails(fault *atomic.Pointer[error]) {
	open := p.options.OpenJournal
	p.options.OpenJournal = func(ctx context.Context, line string) (gateway.Journal, error) {
		j, err := open(ctx, line)
		if line == "south" && err == nil {
			j = fickle{j, fault}
		}
		return j, err
	}
}

// TestFullDiskComesBack: a line whose disk is full is shown as not served, comes back
// in shadow when there is room again, and its neighbour does not notice.
func TestFullDiskComesBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		p := newPair(ctx, t)
		var fault atomic.Pointer[error]
		p.southFails(&fault)
		g, stop := p.start(p.options)
		south := func() *cycle.Status { return &g.Lines()[1].Machine }
		until(t, time.Minute, "south wraps", func() bool { return p.counts["south"].Load() > 0 && south().Open == nil })
		full := journal.ErrFull
		fault.Store(&full)
		until(t, time.Minute, "south ends", func() bool { return g.Lines()[1].Ended })
		st := g.Lines()[1]
		if st.Armed || st.Connected || !st.Alive() || time.Until(st.Again) <= 0 || time.Since(st.At) > time.Minute || !strings.Contains(st.Error, "the disk is full") {
			t.Errorf("stopped by its journal, the line is shown as %+v", st)
		}
		before := p.counts["north"].Load()
		<-time.After(time.Minute) // of virtual time
		if g.Lines()[0].Ended || p.counts["north"].Load() == before {
			t.Errorf("the neighbour stands: %d outcomes", before)
		}
		fault.Store(nil)
		until(t, 10*time.Minute, "south comes back", func() bool { return !g.Lines()[1].Ended && g.Lines()[1].Connected })
		if m := <-p.modes; m.Armed || m.Cause != record.CauseReopened || m.By != "lapgate" || !strings.Contains(m.Reason, "the disk is full") {
			t.Errorf("recorded is %+v", m)
		}
		if st := g.Lines()[1]; st.Armed || !st.Again.IsZero() {
			t.Errorf("back, the line is %+v, want in shadow", st)
		}
		if err := stop(); err != nil {
			t.Error(err)
		}
		cancel()
	})
}

// TestFailedDiskComesBack: a line whose disk failed to synchronise comes back by itself,
// in shadow, where its journal is found as it was left. One that was lost or damaged
// meanwhile is left as it is until a named person has the line served again.
func TestFailedDiskComesBack(t *testing.T) {
	for name, c := range map[string]struct {
		change func(path string) error
		ends   string // why it does not come back by itself
		why    string // condition once it was restarted by name
	}{
		"as it was": {},
		"deleted":   {os.Remove, "the file is gone", "holds-unknown"},
		"damaged":   {func(path string) error { return os.WriteFile(path, bytes.Repeat([]byte("x"), 8192), 0o600) }, "is damaged", "journal-set-aside"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				ctx, cancel := context.WithCancel(context.Background())
				defer cancel()
				p := newPair(ctx, t)
				var fault atomic.Pointer[error]
				p.southFails(&fault)
				g, stop := p.start(p.options)
				until(t, time.Minute, "south wraps", func() bool { return p.counts["south"].Load() > 0 })
				failed := journal.ErrDisk
				fault.Store(&failed)
				until(t, time.Minute, "south ends", func() bool { return g.Lines()[1].Ended })
				if st := g.Lines()[1]; st.Again.IsZero() || !st.Alive() {
					t.Errorf("the line is not to come back: %+v", st)
				}
				fault.Store(nil)
				path := p.snapshot.Journal.Path("south")
				if c.change != nil {
					if err := c.change(path); err != nil {
						t.Fatal(err)
					}
				}
				<-time.After(10 * time.Minute) // of virtual time
				st := g.Lines()[1]
				if st.Ended != (c.ends != "") || st.Armed || !strings.Contains(st.Error, c.ends) {
					t.Errorf("after minutes the line is %+v, want ended by %q", st, c.ends)
				}
				if c.ends != "" {
					if left, err := filepath.Glob(path + ".damaged-*"); err != nil || len(left) > 0 {
						t.Errorf("set aside by itself: %v, %v", left, err)
					}
					if err := g.Restart(ctx, "south", gateway.Person{By: "Kim Berg"}, "looked at it"); err != nil {
						t.Fatal(err)
					}
					<-time.After(time.Minute) // of virtual time
					if st := g.Lines()[1]; st.Ended || st.Armed || !slices.Contains(st.Machine.Conditions, c.why) {
						t.Errorf("restarted, the line is %+v, want %s", st, c.why)
					}
				}
				if err := stop(); err != nil {
					t.Error(err)
				}
				cancel()
			})
		})
	}
}

// TestRestartByName: a line that does not come back by itself does so by name, in
// shadow and recorded, and the gateway is over only when no line is left.
func TestRestartByName(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		p := newPair(ctx, t)
		var fault atomic.Pointer[error]
		p.southFails(&fault)
		g, stop := p.start(p.options)
		until(t, time.Minute, "south wraps", func() bool { return p.counts["south"].Load() > 0 })
		if err := g.Restart(ctx, "south", gateway.Person{By: "Kim Berg"}, ""); err == nil || !strings.Contains(err.Error(), "is served") {
			t.Errorf("a line that is served: %v", err)
		}
		bad := errDisk
		fault.Store(&bad)
		until(t, time.Minute, "south ends", func() bool { return g.Lines()[1].Ended })
		<-time.After(10 * time.Minute) // of virtual time
		if st := g.Lines()[1]; !st.Ended || st.Alive() || st.Armed {
			t.Errorf("the line came back by itself: %+v", st)
		}
		if err := g.Restart(ctx, "south", gateway.Person{By: " "}, ""); err == nil {
			t.Error("restarted by nobody")
		}
		if err := g.Restart(ctx, "south", gateway.Person{By: "Kim Berg"}, "disk changed"); err == nil || !strings.Contains(err.Error(), errDisk.Error()) {
			t.Errorf("with the fault there still: %v", err)
		}
		fault.Store(nil)
		o := &gateway.Operator{Gateway: g}
		if r := o.Handle(ctx, control.Request{Command: control.Restart, Caller: control.Daemon(), By: "Kim Berg"}); r.Outcome != control.Usage || !strings.Contains(r.Error, "--line") {
			t.Errorf("without a line: %+v", r)
		}
		if r := o.Handle(ctx, control.Request{Command: control.Restart, Caller: control.Daemon(), Line: "south", By: "Kim Berg", Reason: "disk changed"}); r.Outcome != control.Done {
			t.Errorf("got %+v", r)
		}
		if m := <-p.modes; m.Armed || m.By != "Kim Berg" || m.Reason != "disk changed" || m.Cause != record.CauseReopened {
			t.Errorf("recorded is %+v", m)
		}
		until(t, time.Minute, "south reads again", func() bool { return g.Lines()[1].Machine.Seen })
		if st := g.Lines()[1]; st.Armed || st.Ended {
			t.Errorf("restarted, the line is %+v", st)
		}
		if err := stop(); err != nil {
			t.Error(err)
		}
		cancel()
	})
}

// TestWordWithoutRecord: what a person tells or commands is not said to be done where the
// record of it failed.
func TestWordWithoutRecord(t *testing.T) {
	for name, r := range map[string]control.Request{
		"hang":    {Command: control.Hang, Caller: control.Daemon(), Wrapper: &control.Wrapper{Slot: 3, Empty: true}, Agreed: true},
		"station": {Command: control.Station, Caller: control.Daemon(), Station: "header", Mode: "manual", Agreed: true},
		"hold":    {Command: control.Hold},
		"disarm":  {Command: control.Disarm},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				ctx, cancel := context.WithCancel(context.Background())
				defer cancel()
				p := newPair(ctx, t)
				var fault atomic.Pointer[error]
				p.southFails(&fault)
				g, stop := p.start(p.options)
				until(t, time.Minute, "a session of south", func() bool { return g.Lines()[1].Machine.State == cycle.StatePoll })
				fault.Store(&errDisk)
				r.Line, r.By, r.Reason, r.Caller = "south", "kim", "because", control.Daemon()
				if got := (&gateway.Operator{Gateway: g}).Handle(ctx, r); got.Outcome != control.Failed || len(got.Text) > 0 || !strings.Contains(got.Error, errDisk.Error()) {
					t.Errorf("got %+v", got)
				}
				fault.Store(nil)
				if err := stop(); !errors.Is(err, errDisk) {
					t.Errorf("Run returned %v", err)
				}
				cancel()
			})
		})
	}
}

// TestJournalInUse: a journal that another process holds is waited for.
func TestJournalInUse(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(fitting(1))
		s := newShop(t, b, nil)
		held, err := journal.Open(t.Context(), s.snapshot.Journal.Path("north"))
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(context.Background())
		go b.run(ctx)
		g, stop := s.start(s.options())
		until(t, time.Minute, "the line waits", func() bool { return g.Lines()[0].Ended })
		if st := g.Lines()[0]; !st.Alive() || !strings.Contains(st.Error, "in use") || st.At.IsZero() || st.Armed {
			t.Errorf("got %+v", st)
		}
		if err := held.Close(); err != nil {
			t.Fatal(err)
		}
		until(t, 10*time.Minute, "the line is served", func() bool { return g.Lines()[0].Machine.Seen })
		if g.Lines()[0].Armed {
			t.Error("a line that came back by itself is armed")
		}
		if err := stop(); err != nil {
			t.Error(err)
		}
		cancel()
	})
}

// TestFencedStaysInShadow: two daemons that are started again and again do not take the
// line from each other, also where the configuration arms it.
func TestFencedStaysInShadow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench()
		s := newShop(t, b, nil)
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		go b.run(ctx)
		if err := s.fence(ctx, s.options()); !errors.Is(err, gateway.ErrFenced) {
			t.Fatalf("Run returned %v", err)
		}
		g, stop := s.start(s.options())
		until(t, time.Minute, "the controller is read", func() bool { return g.Lines()[0].Machine.Seen })
		<-time.After(time.Minute) // of virtual time
		if st := g.Lines()[0]; st.Armed || st.Machine.State != cycle.StateWatch {
			t.Errorf("started again, the line is %+v", st)
		}
		if err := stop(); err != nil {
			t.Error(err)
		}
	})
}

// badFolder is a file system whose driver has a fault.
type badFolder struct{}

func (badFolder) Open(string) (fs.File, error) { panic("out of cheese") }

// TestProgramErrorBesideTheLine: a fault in the folder of orders ends its line alone,
// and not the daemon.
func TestProgramErrorBesideTheLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		p := newPair(ctx, t)
		p.snapshot.Lines[1].Orders.Directory = filepath.Join(t.TempDir(), "orders")
		p.snapshot.Lines[1].Orders.Poll = time.Second
		p.options.OpenOrders = func(string) fs.FS { return badFolder{} }
		g, stop := p.start(p.options)
		until(t, time.Minute, "south ends", func() bool { return g.Lines()[1].Ended })
		if st := g.Lines()[1]; !strings.Contains(st.Error, "orders folder: program error: out of cheese") {
			t.Errorf("got %+v", st)
		}
		until(t, time.Minute, "north wraps", func() bool { return p.counts["north"].Load() > 0 })
		if err := stop(); err == nil || !strings.Contains(err.Error(), "line south") {
			t.Errorf("Run returned %v", err)
		}
		cancel()
	})
}

// TestDiskThatFills: people are told before the disk of the journals is full, and when
// it has room again.
func TestDiskThatFills(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench()
		s := newShop(t, b, map[string]string{"journal.least_free": "200"})
		var free atomic.Uint64
		free.Store(200e6)
		o := s.options()
		o.FreeRoom = func(folder string) (uint64, error) {
			if folder != s.snapshot.Journal.Directory {
				t.Errorf("looked at %s", folder)
			}
			return free.Load(), nil
		}
		ctx, cancel := context.WithCancel(context.Background())
		go b.run(ctx)
		g, stop := s.start(o)
		shown := func() bool { return slices.Contains(g.Lines()[0].Machine.Conditions, "disk-nearly-full") }
		until(t, time.Minute, "a connection", func() bool { return g.Lines()[0].Connected })
		if shown() {
			t.Error("told with room enough")
		}
		free.Store(199e6)
		until(t, time.Minute, "the condition", shown)
		<-time.After(4 * time.Minute) // of virtual time
		if n := s.logged("nearly full"); n != 1 {
			t.Errorf("told %d times, want once", n)
		}
		free.Store(1e9)
		until(t, time.Minute, "the end of the condition", func() bool { return !shown() })
		synctest.Wait() // until it is told
		if s.logged("has room again") != 1 {
			t.Error("the end was not told")
		}
		if err := stop(); err != nil {
			t.Error(err)
		}
		cancel()
	})
}
