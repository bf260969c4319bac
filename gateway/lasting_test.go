package gateway_test

import (
	"context"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway"
	"lapgate/gateway/cycle"
	"lapgate/gateway/handshake"
	"lapgate/gateway/link/memory"
	"lapgate/gateway/record"
)

// modes are the records of the right to write, in order.
func (s *shop) modes() (out []record.Mode) {
	for _, r := range s.verify() {
		if m, ok := r.Record.(record.Mode); ok {
			out = append(out, m)
		}
	}
	return out
}

// stands reports whether a condition of the first line stands.
func stands(g *gateway.Gateway, code string) bool {
	return slices.Contains(g.Lines()[0].Machine.Conditions, code)
}

// TestArmingOverRestarts arms a line, ends the daemon, changes something, and starts
// it again, twice. Shadow is the rest position: the line is armed again only where its
// arming was to last and all was found as it was left, and says why it is not until a
// person arms it by name.
func TestArmingOverRestarts(t *testing.T) {
	keep := &record.Lasting{}
	for name, c := range map[string]struct {
		lasts  *record.Lasting
		change func(s *shop, b *bench, o *gateway.Options)
		why    string // of the shadow after the restart, empty where the line is armed
	}{
		"not to last":    {why: "had not armed the line for longer"},
		"to last":        {lasts: keep},
		"for a while":    {lasts: &record.Lasting{Until: time.Date(2000, 1, 1, 3, 0, 0, 0, time.UTC)}},
		"while is over":  {lasts: &record.Lasting{Until: time.Date(2000, 1, 1, 0, 1, 0, 0, time.UTC)}, change: func(*shop, *bench, *gateway.Options) { <-time.After(2 * time.Minute) }, why: "armed by kim until 2000-01-01 00:01:00"},
		"away, shorter":  {lasts: keep, change: func(*shop, *bench, *gateway.Options) { <-time.After(14 * time.Minute) }},
		"away, too long": {lasts: keep, change: func(*shop, *bench, *gateway.Options) { <-time.After(16 * time.Minute) }, why: "arming.away is 15m"},
		"other setting": {lasts: keep, change: func(s *shop, _ *bench, _ *gateway.Options) {
			s.with(map[string]string{"lines.0.wrap.speed": "500 mm/s"})
		}, why: "the configuration is not the one"},
		"other program": {lasts: keep, change: func(_ *shop, _ *bench, o *gateway.Options) { o.Version = "v2" }, why: "the program is another version"},
		"other setting, start cut short": {lasts: keep, change: func(s *shop, _ *bench, o *gateway.Options) {
			s.with(map[string]string{"lines.0.wrap.speed": "500 mm/s"})
			o.Snapshot = s.snapshot
			s.cutShort(*o)
		}, why: "the configuration is not the one"},
		"other setting, put back": {lasts: keep, change: func(s *shop, _ *bench, o *gateway.Options) {
			before := s.snapshot
			s.with(map[string]string{"lines.0.wrap.speed": "500 mm/s"})
			o.Snapshot = s.snapshot
			s.cutShort(*o)
			s.snapshot = before
		}},
		"other program, start cut short": {lasts: keep, change: func(s *shop, _ *bench, o *gateway.Options) {
			o.Version = "v2"
			s.cutShort(*o)
		}, why: "the program is another version"},
		"away, starts cut short": {lasts: keep, change: func(s *shop, _ *bench, o *gateway.Options) {
			for range 2 {
				<-time.After(10 * time.Minute) // of virtual time
				s.cutShort(*o)
			}
		}, why: "arming.away is 15m"},
		"memory lost": {lasts: keep, change: func(_ *shop, b *bench, _ *gateway.Options) { b.swap() }, why: "lost its memory"},
		"controller off": {lasts: keep, change: func(s *shop, _ *bench, _ *gateway.Options) {
			s.dialer.Before = func(memory.Call) memory.Fault { return memory.Fault{Kind: memory.Cut} }
		}, why: "arming.away is 15m"},
		"another gateway": {lasts: keep, change: func(_ *shop, b *bench, _ *gateway.Options) { b.beat.Store(true) }, why: "another gateway"},
		"backup": {lasts: keep, change: func(s *shop, _ *bench, o *gateway.Options) {
			saved := map[string][]byte{}
			for _, path := range s.journalFiles() {
				var err error
				if saved[path], err = os.ReadFile(path); err != nil {
					s.t.Error(err)
				}
			}
			_, stop := s.start(*o)
			<-time.After(5 * time.Second) // of virtual time
			if err := stop(); err != nil {
				s.t.Error(err)
			}
			<-time.After(10 * time.Second) // of virtual time, in which the controller notices
			for path, text := range saved {
				if err := os.WriteFile(path, text, 0o600); err != nil {
					s.t.Error(err)
				}
			}
		}, why: "it is a copy of before, or another gateway served the line"},
		"journal gone": {lasts: keep, change: func(s *shop, _ *bench, _ *gateway.Options) {
			for _, path := range s.journalFiles() {
				if err := os.Remove(path); err != nil {
					s.t.Error(err)
				}
			}
			s.records = nil
		}, why: "-"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBench(fitting(1))
				s := newShadow(t, b, nil)
				ctx, cancel := context.WithCancel(context.Background())
				go b.run(ctx)
				o := s.options()
				o.Version = "v1"
				g, stop := s.start(o)
				<-time.After(2 * time.Second) // of virtual time
				if _, err := g.Arm(t.Context(), "north", gateway.Person{By: "kim", User: "ola"}, "go live", c.lasts); err != nil {
					t.Fatal(err)
				}
				until(t, time.Minute, "an outcome", func() bool { return s.count(record.KindOutcome) == 1 })
				<-time.After(time.Second) // of virtual time
				if err := stop(); err != nil {
					t.Error(err)
				}
				o = s.options()
				o.Version = "v1"
				if c.change != nil {
					c.change(s, b, &o)
				}
				o.Snapshot = s.snapshot
				for start := range 2 { // the second one finds what the first left
					g, stop = s.start(o)
					wait := 5 * time.Second
					if s.dialer.Before != nil {
						wait = 16 * time.Minute
					}
					<-time.After(wait) // of virtual time
					if got := g.Lines()[0].Armed; got != (c.why == "") {
						t.Errorf("start %d: armed is %t", start, got)
					}
					if c.why == "-" {
						if !stands(g, "holds-unknown") {
							t.Errorf("start %d: nothing says that holds are not known", start)
						}
					} else if stands(g, "shadow") != (c.why != "") || s.logged(c.why) == 0 {
						t.Errorf("start %d: conditions %v, want one that tells %q", start, g.Lines()[0].Machine.Conditions, c.why)
					}
					if err := stop(); err != nil {
						t.Error(err)
					}
				}
				modes := s.modes()
				switch last := modes; {
				case c.why == "-":
					if len(last) != 0 {
						t.Errorf("a new journal has %+v", last)
					}
				case c.why == "":
					if m := last[len(last)-1]; m.Cause != record.CauseResumed || m.By != "kim" || m.User != "ola" || m.Reason != "go live" || m.Lasts == nil {
						t.Errorf("armed again by %+v", m)
					}
				default:
					if m := last[len(last)-1]; m.Armed || m.Cause != record.CauseRestart || !strings.Contains(m.Reason, c.why) {
						t.Errorf("put into shadow by %+v", m)
					}
				}
				cancel()
			})
		})
	}
}

// cutShort starts a gateway and leaves the journal as a kill does that comes right after
// its first record.
func (s *shop) cutShort(o gateway.Options) {
	begun := make(chan files, 1)
	o.OnRecord = func(_ string, r record.Stored) {
		if r.Record.Kind() == record.KindConfig && len(begun) == 0 {
			begun <- filesOf(s.t, s.snapshot.Journal.Directory)
		}
	}
	_, stop := s.start(o)
	left := <-begun
	if err := stop(); err != nil {
		s.t.Error(err)
	}
	left.put(s.t, s.snapshot.Journal.Directory, s.snapshot.Journal.Path("north"))
}

// with changes the configuration.
func (s *shop) with(set map[string]string) {
	s.snapshot = snapshot(s.t, s.snapshot.Journal.Directory, set)
}

// journalFiles are the files of the line's journal.
func (s *shop) journalFiles() []string {
	files, err := filepath.Glob(s.snapshot.Journal.Path("north") + "*")
	if err != nil {
		s.t.Fatal(err)
	}
	return files
}

// TestArmingEnds: what was allowed for some rolls or some time ends while the line is
// served. The roll after the last one gets no recipe, over a restart as well.
func TestArmingEnds(t *testing.T) {
	for name, c := range map[string]struct {
		lasts record.Lasting
		rolls int // that get a recipe; 0 for any number
		why   string
	}{
		"rolls": {record.Lasting{Rolls: 3}, 3, "it was armed by kim for 3 rolls"},
		"roll":  {record.Lasting{Rolls: 1}, 1, "it was armed by kim for 1 roll"},
		"time":  {record.Lasting{Until: time.Date(2000, 1, 1, 0, 2, 0, 0, time.UTC)}, 0, "it was armed by kim until 2000-01-01 00:02:00"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBench(rollsFrom(1)...)
				s := newShadow(t, b, nil)
				ctx, cancel := context.WithCancel(context.Background())
				go b.run(ctx)
				g, stop := s.start(s.options())
				<-time.After(2 * time.Second) // of virtual time
				if _, err := g.Arm(t.Context(), "north", gateway.Person{By: "kim"}, "a trial", &c.lasts); err != nil {
					t.Fatal(err)
				}
				until(t, time.Minute, "the first outcome", func() bool { return s.count(record.KindOutcome) == 1 })
				if err := stop(); err != nil {
					t.Error(err)
				}
				g, stop = s.start(s.options())
				<-time.After(3 * time.Minute) // of virtual time
				if g.Lines()[0].Armed || !stands(g, "shadow") || s.logged(c.why) == 0 {
					t.Errorf("armed is %t, conditions %v", g.Lines()[0].Armed, g.Lines()[0].Machine.Conditions)
				}
				if _, err := g.Arm(t.Context(), "north", gateway.Person{By: "kim"}, "go on", nil); err != nil {
					t.Error(err)
				}
				<-time.After(time.Second) // of virtual time
				if stands(g, "shadow") {
					t.Error("the condition stands though a person armed the line")
				}
				if err := stop(); err != nil {
					t.Error(err)
				}
				cancel()
				accepted, over := 0, 0
				for _, r := range s.verify() {
					switch r := r.Record.(type) {
					case record.Verdict:
						if over == 0 && r.Verdict == handshake.Accepted {
							accepted++
						}
					case record.Mode:
						if r.Cause == record.CauseOver {
							over++
						}
					}
				}
				if over != 1 || c.rolls != 0 && accepted != c.rolls || accepted == 0 {
					t.Errorf("%d rolls got a recipe, %d records that it is over", accepted, over)
				}
			})
		})
	}
}

// TestDisarmedWhileItWaits: a line whose lasting arming waits for its controller is
// disarmed for good.
func TestDisarmedWhileItWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench()
		s := newShadow(t, b, nil)
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		go b.run(ctx)
		g, stop := s.start(s.options())
		<-time.After(2 * time.Second) // of virtual time
		if _, err := g.Arm(t.Context(), "north", gateway.Person{By: "kim"}, "go live", &record.Lasting{}); err != nil {
			t.Fatal(err)
		}
		if err := stop(); err != nil {
			t.Error(err)
		}
		var back atomic.Bool
		s.dialer.Before = func(memory.Call) memory.Fault {
			if back.Load() {
				return memory.Fault{}
			}
			return memory.Fault{Kind: memory.Cut}
		}
		g, stop = s.start(s.options())
		<-time.After(2 * time.Second) // of virtual time
		if err := g.Disarm(t.Context(), "north", gateway.Person{By: "ola"}, "not now"); err != nil {
			t.Error(err)
		}
		back.Store(true)
		<-time.After(20 * time.Second) // of virtual time
		if l := g.Lines()[0]; l.Armed || !l.Connected {
			t.Errorf("armed is %t, connected %t", l.Armed, l.Connected)
		}
		if err := stop(); err != nil {
			t.Error(err)
		}
		if modes := s.modes(); len(modes) != 2 || modes[1].Armed || modes[1].By != "ola" {
			t.Errorf("got %+v", modes)
		}
	})
}

// TestHoldsUnknown: a new journal says that holds before it are not known, until
// somebody says how it is, also by ending a hold that is in no journal.
func TestHoldsUnknown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench()
		s := newShadow(t, b, nil)
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		go b.run(ctx)
		for start := range 2 {
			g, stop := s.start(s.options())
			<-time.After(2 * time.Second) // of virtual time
			if got := stands(g, "holds-unknown"); got != (start == 0) {
				t.Errorf("start %d: %t", start, got)
			}
			if err := g.Hold(t.Context(), "north", cycle.HoldAll{By: "kim", Reason: "nobody holds it"}); err != nil {
				t.Error(err)
			}
			<-time.After(time.Second) // of virtual time
			if stands(g, "holds-unknown") {
				t.Error("the condition stands though somebody ended the hold")
			}
			if err := stop(); err != nil {
				t.Error(err)
			}
		}
		if n := s.count(record.KindHold); n != 1 {
			t.Errorf("%d records of a hold, want the one that said so", n)
		}
	})
}
