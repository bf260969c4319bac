package gateway_test

import (
	"context"
	"errors"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway"
	"lapgate/gateway/config"
	"lapgate/gateway/cycle"
	"lapgate/gateway/handshake"
	"lapgate/gateway/inspect"
	"lapgate/gateway/journal"
	"lapgate/gateway/link"
	"lapgate/gateway/link/memory"
	"lapgate/gateway/record"
)

func noDialer(*config.Line) (link.Dialer, error) { return nil, errors.New("no dialer") }

func noJournal(context.Context, string) (gateway.Journal, error) {
	return nil, errors.New("no journal")
}

// TestArmAfterCheck arms a line whose controller passes the check.
func TestArmAfterCheck(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(fitting(1), fitting(2))
		s := newShadow(t, b, nil)
		var writes, early atomic.Int64
		s.dialer.Before = func(c memory.Call) memory.Fault {
			if c.Op == "write" {
				writes.Add(1)
				if s.count(record.KindMode) == 0 {
					early.Add(1)
				}
			}
			return memory.Fault{}
		}
		ctx, cancel := context.WithCancel(context.Background())
		go b.run(ctx)
		g, stop := s.start(s.options())
		<-time.After(time.Second) // of virtual time
		if _, err := g.Arm(t.Context(), "north", gateway.Person{By: " "}, "why", nil); err == nil {
			t.Error("armed without a name")
		}
		report, err := g.Arm(t.Context(), "north", gateway.Person{By: "kim"}, "go live", nil)
		if err != nil || report == nil || len(report.Items) < 10 || len(report.Failed()) > 0 {
			t.Fatalf("got %v, %+v", err, report)
		}
		if early.Load() != 0 {
			t.Errorf("%d writes before the line was armed", early.Load())
		}
		until(t, time.Minute, "an outcome", func() bool { return s.count(record.KindOutcome) == 1 })
		if err := g.Disarm(t.Context(), "north", gateway.Person{By: "kim"}, "enough"); err != nil {
			t.Error(err)
		}
		at := writes.Load()
		<-time.After(20 * time.Second) // of virtual time
		if writes.Load() != at || at == 0 {
			t.Errorf("%d writes while armed, %d after it was disarmed", at, writes.Load()-at)
		}
		if err := stop(); err != nil {
			t.Error(err)
		}
		if _, err := g.Arm(t.Context(), "north", gateway.Person{By: "kim"}, "too late", nil); err == nil || !strings.Contains(err.Error(), "has ended") {
			t.Errorf("armed a line that has ended: %v", err)
		}
		cancel()
		s.verify()
	})
}

// TestArmRefused leaves a line in shadow for whatever fails in the check.
func TestArmRefused(t *testing.T) {
	for name, c := range map[string]struct {
		spoil   func(*shop, *bench) // once connected
		subject string
	}{
		"program stands": {func(_ *shop, b *bench) { b.stopped.Store(true) }, "tick"},
		"other data in a block": {func(_ *shop, b *bench) {
			b.image.Lock()
			defer b.image.Unlock()
			copy(b.image.Words(handshake.ACK, 0), []uint16{1, 2, 3})
		}, "block ACK"},
		"block refused": {func(s *shop, _ *bench) {
			s.dialer.Before = func(c memory.Call) memory.Fault {
				if c.Op == "read" && c.Block == handshake.HELLO {
					return memory.Fault{Kind: memory.Refuse}
				}
				return memory.Fault{}
			}
		}, "block HELLO"},
		"link lost": {func(s *shop, _ *bench) {
			s.dialer.Before = func(c memory.Call) memory.Fault {
				if c.Op == "read" && c.Block == handshake.COMMIT {
					return memory.Fault{Kind: memory.Cut}
				}
				return memory.Fault{}
			}
		}, "connection"},
		"another gateway": {func(_ *shop, b *bench) {
			b.beat.Store(true)
		}, "session"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBench()
				s := newShadow(t, b, nil)
				ctx, cancel := context.WithCancel(context.Background())
				go b.run(ctx)
				g, stop := s.start(s.options())
				<-time.After(2 * time.Second) // of virtual time
				synctest.Wait()
				c.spoil(s, b)
				report, err := g.Arm(t.Context(), "north", gateway.Person{By: "kim"}, "go live", nil)
				if !errors.Is(err, gateway.ErrNotArmed) || report == nil {
					t.Fatalf("got %v", err)
				}
				found := false
				for _, i := range report.Failed() {
					found = found || i.Subject == c.subject
				}
				if !found {
					t.Errorf("%s did not fail in %+v", c.subject, report.Failed())
				}
				if l := g.Lines()[0]; l.Armed || s.count(record.KindMode) != 0 {
					t.Error("the line is armed")
				}
				if err := stop(); err != nil {
					t.Error(err)
				}
				cancel()
			})
		})
	}
}

// TestArmWithoutConnection is refused as not reachable.
func TestArmWithoutConnection(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench()
		s := newShadow(t, b, nil)
		s.dialer.Before = func(memory.Call) memory.Fault { return memory.Fault{Kind: memory.Cut} }
		g, stop := s.start(s.options())
		<-time.After(2 * time.Second) // of virtual time
		report, err := g.Arm(t.Context(), "north", gateway.Person{By: "kim"}, "go live", nil)
		if !errors.Is(err, gateway.ErrNotArmed) || report == nil || !report.Unreachable {
			t.Errorf("got %v, %+v", err, report)
		}
		if err := stop(); err != nil {
			t.Error(err)
		}
	})
}

// TestSwapDisarms puts another controller in the place of the one that the line
// was armed for.
func TestSwapDisarms(t *testing.T) {
	for name, swap := range map[string]func(*bench){
		"memory lost":  func(b *bench) { b.swap() },
		"other layout": func(b *bench) { b.layout.Store(3) },
	} {
		for _, kept := range []string{"disarm", "keep"} {
			t.Run(name+", "+kept, func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					b := newBench(fitting(1), fitting(2), fitting(3))
					s := newShop(t, b, map[string]string{"lines.0.arming.swap": kept})
					ctx, cancel := context.WithCancel(context.Background())
					go b.run(ctx)
					g, stop := s.start(s.options())
					until(t, time.Minute, "an outcome", func() bool { return s.count(record.KindOutcome) == 1 })
					if !g.Lines()[0].Armed {
						t.Fatal("the line is not armed")
					}
					swap(b)
					<-time.After(15 * time.Second) // of virtual time
					if got, want := g.Lines()[0].Armed, kept == "keep"; got != want {
						t.Errorf("armed is %t, want %t", got, want)
					}
					if n := s.logged("writing is forbidden: "); (n == 1) != (kept == "disarm") {
						t.Errorf("people were told %d times", n)
					}
					if err := stop(); err != nil {
						t.Error(err)
					}
					cancel()
					modes := 0
					for _, r := range s.verify() {
						if m, ok := r.Record.(record.Mode); ok && !m.Armed && m.Cause == record.CauseSwap {
							modes++
						}
					}
					if (modes == 1) != (kept == "disarm") {
						t.Errorf("%d records", modes)
					}
				})
			})
		}
	}
}

// TestSurveyOfNothing is a report, not a failure of the program.
func TestSurveyOfNothing(t *testing.T) {
	r := inspect.Undialled(&link.Error{Op: "dial", Class: link.ConfigClass, Err: errors.New("no such block"), Help: "correct the base"})
	if r.Unreachable || len(r.Failed()) != 1 || r.Items[0].Remedy != "correct the base" {
		t.Errorf("got %+v", r)
	}
}

// TestContradictoryJournal: a journal whose records contradict each other does not
// keep the line from starting. It is set aside untouched, and the line is in shadow,
// also over restarts, until a person arms it.
func TestContradictoryJournal(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench()
		s := newShop(t, b, nil)
		path := s.snapshot.Journal.Path("north")
		j, err := journal.Open(t.Context(), path)
		if err != nil {
			t.Fatal(err)
		}
		for range 2 { // the same epoch twice
			if _, err := j.Append(t.Context(), record.Session{Session: handshake.Session{Epoch: 7, Nonce: 1}, Boot: 41, Cause: "test"}); err != nil {
				t.Fatal(err)
			}
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		go b.run(ctx)
		for start := range 2 {
			g, stop := s.start(s.options())
			<-time.After(2 * time.Second) // of virtual time
			l := g.Lines()[0]
			if l.Ended || l.Armed || l.Machine.State != cycle.StateWatch || !slices.Contains(l.Machine.Conditions, "journal-set-aside") {
				t.Errorf("start %d: %+v", start, l)
			}
			if s.logged("was set aside untouched as") == 0 {
				t.Errorf("start %d: not told", start)
			}
			if start == 1 {
				if _, err := g.Arm(t.Context(), "north", gateway.Person{By: "kim"}, "looked at it", nil); err != nil {
					t.Error(err)
				}
				<-time.After(2 * time.Second) // of virtual time
				if l := g.Lines()[0]; !l.Armed || len(l.Machine.Conditions) != 0 || l.Machine.State != cycle.StatePoll {
					t.Errorf("after arming %+v", l)
				}
			}
			if err := stop(); err != nil {
				t.Error(err)
			}
		}
		aside, err := filepath.Glob(path + ".damaged-*")
		if err != nil || len(aside) == 0 {
			t.Fatalf("set aside: %v, %v", aside, err)
		}
		r, err := journal.Verify(t.Context(), aside[0])
		if err != nil || r.Records != 2 {
			t.Errorf("the journal that was set aside: %+v, %v", r, err)
		}
	})
}

// TestDoneIsSeen: whoever is told that a command is done sees it in the status at once.
func TestDoneIsSeen(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newShop(t, newBench(), nil)
		g, stop := s.start(s.options())
		for i := range 200 {
			on := i%2 == 0
			if err := g.Hold(t.Context(), "north", cycle.HoldAll{On: on, By: "kim", Reason: "cleaning"}); err != nil {
				t.Fatal(err)
			}
			if got := g.Lines()[0].Machine.HoldAll; got != on {
				t.Fatalf("command %d is done, and the status tells of a hold: %t", i+1, got)
			}
		}
		if err := stop(); err != nil {
			t.Error(err)
		}
	})
}
