package gateway_test

import (
	"context"
	"errors"
	"fmt"
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
	"lapgate/gateway/journal"
	"lapgate/gateway/link"
	"lapgate/gateway/link/memory"
	"lapgate/gateway/record"
	"lapgate/sim/controller"
)

func TestShift(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const n = 40
		rolls := make([]controller.Measurement, 0, n)
		for i := range n {
			rolls = append(rolls, fitting(i))
		}
		rolls[20] = misfit()
		b := newBench(rolls...)
		s := newShop(t, b, nil)
		ctx, cancel := context.WithCancel(context.Background())
		go b.run(ctx)
		g, stop := s.start(s.options())
		until(t, 2*time.Hour, "every outcome journaled", func() bool { return s.count(record.KindOutcome) == n })
		until(t, 10*time.Second, "every outcome acknowledged", func() bool {
			st := g.Lines()[0].Machine
			return st.Produced == n && st.Acked == n
		})
		if st := g.Lines()[0]; !st.Connected || st.Ended || !st.Armed {
			t.Errorf("got state %+v", st)
		}
		if err := stop(); err != nil {
			t.Errorf("Run returned %v", err)
		}
		cancel()
		synctest.Wait()
		accepted := b.judged(func(e controller.Event) bool { return e.Verdict == controller.Accepted })
		held := b.judged(func(e controller.Event) bool { return e.Verdict == controller.HeldByRecipe })
		if accepted != n-1 || held != 1 {
			t.Errorf("got %d accepted and %d held, want %d and 1", accepted, held, n-1)
		}
		if n := len(s.verify()); n != len(s.records) {
			t.Errorf("journal has %d records, the observer saw %d", n, len(s.records))
		}
		if n := s.count(record.KindSession); n != 1 {
			t.Errorf("got %d sessions, want 1", n)
		}
	})
}

// TestStopMidRoll stops at every kind of record once, also between a record
// and what it stands for, and starts again on the same journal.
func TestStopMidRoll(t *testing.T) {
	for _, at := range []record.Kind{record.KindSession, record.KindRequest, record.KindIntent, record.KindCommit, record.KindVerdict, record.KindOutcome} {
		t.Run(string(at), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBench(fitting(1), fitting(2), fitting(3))
				s := newShop(t, b, nil)
				ctx, cancel := context.WithCancel(context.Background())
				go b.run(ctx)
				reached := make(chan struct{}, 100)
				s.onRec = func(r record.Stored) {
					if r.Record.Kind() == at {
						reached <- struct{}{}
					}
				}
				_, stop := s.start(s.options())
				<-reached
				if err := stop(); err != nil {
					t.Errorf("first run: %v", err)
				}
				s.verify()
				<-time.After(3 * time.Second) // of virtual time

				_, stop = s.start(s.options())
				until(t, 10*time.Minute, "three outcomes", func() bool { return s.count(record.KindOutcome) == 3 })
				if err := stop(); err != nil {
					t.Errorf("second run: %v", err)
				}
				cancel()
				s.verify()
				if n := b.judged(func(e controller.Event) bool { return e.Verdict == controller.Accepted }); n != 3 {
					t.Errorf("got %d accepted, want 3", n)
				}
			})
		})
	}
}

func TestLinkCut(t *testing.T) {
	for _, kind := range []memory.Kind{memory.Cut, memory.Lost, memory.Landed, memory.BlackHole} {
		t.Run(fmt.Sprint(kind), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				const n = 12
				rolls := make([]controller.Measurement, n)
				for i := range rolls {
					rolls[i] = fitting(i)
				}
				b := newBench(rolls...)
				s := newShop(t, b, nil)
				calls := 0
				s.dialer.Before = func(memory.Call) memory.Fault {
					if calls++; calls%97 == 0 { // prime to the calls of one roll
						return memory.Fault{Kind: kind}
					}
					return memory.Fault{}
				}
				ctx, cancel := context.WithCancel(context.Background())
				go b.run(ctx)
				_, stop := s.start(s.options())
				until(t, time.Hour, "every outcome", func() bool { return s.count(record.KindOutcome) == n })
				if err := stop(); err != nil {
					t.Error(err)
				}
				cancel()
				s.verify()
				if s.count(record.KindSession) < 10 {
					t.Errorf("got %d sessions: the link was hardly cut", s.count(record.KindSession))
				}
				accepted := map[uint32]int{}
				b.judged(func(e controller.Event) bool {
					if e.Verdict == controller.Accepted {
						accepted[e.Roll]++
					}
					return false
				})
				for roll, n := range accepted {
					if n > 1 {
						t.Errorf("roll %d accepted %d offers", roll, n)
					}
				}
			})
		})
	}
}

// TestPayloadNotReadable: a controller that does not let the payload be read gets
// every recipe all the same, and people are told once.
func TestPayloadNotReadable(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const n = 3
		b := newBench(fitting(1), fitting(2), fitting(3))
		s := newShop(t, b, nil)
		s.dialer.Before = func(c memory.Call) memory.Fault {
			if c.Op == "read" && handshake.GatewayOwned(c.Block) {
				return memory.Fault{Kind: memory.Closed}
			}
			return memory.Fault{}
		}
		ctx, cancel := context.WithCancel(context.Background())
		go b.run(ctx)
		_, stop := s.start(s.options())
		until(t, 10*time.Minute, "every outcome", func() bool { return s.count(record.KindOutcome) == n })
		if err := stop(); err != nil {
			t.Error(err)
		}
		cancel()
		s.verify()
		if accepted := b.judged(func(e controller.Event) bool { return e.Verdict == controller.Accepted }); accepted != n {
			t.Errorf("%d accepted, want %d", accepted, n)
		}
		if told := s.logged("does not let the payload be read"); told != 1 {
			t.Errorf("told %d times, want once", told)
		}
	})
}

// TestRequestWithoutValue: a request block that the server has no good value of is an
// invalid read. The connection stays, and nobody takes the controller for another.
func TestRequestWithoutValue(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(fitting(1), fitting(2))
		s := newShop(t, b, nil)
		var bad atomic.Bool
		dials := 0
		s.dialer.Before = func(c memory.Call) memory.Fault {
			if c.Op == "dial" {
				dials++
			}
			if bad.Load() && c.Op == "read" && c.Block == handshake.REQ {
				return memory.Fault{Kind: memory.Valueless}
			}
			return memory.Fault{}
		}
		ctx, cancel := context.WithCancel(context.Background())
		go b.run(ctx)
		g, stop := s.start(s.options())
		until(t, time.Minute, "an outcome", func() bool { return s.count(record.KindOutcome) == 1 })
		bad.Store(true)
		<-time.After(30 * time.Second) // of virtual time
		if st := g.Lines()[0]; !st.Connected || !st.Armed {
			t.Errorf("without a value the line is %+v", st)
		}
		if s.logged("the request block is not valid") == 0 {
			t.Error("nobody was told")
		}
		bad.Store(false)
		until(t, time.Minute, "the other outcome", func() bool { return s.count(record.KindOutcome) == 2 })
		if err := stop(); err != nil {
			t.Error(err)
		}
		cancel()
		s.verify()
		if dials != 1 {
			t.Errorf("dialled %d times, want once", dials)
		}
	})
}

func TestControllerOffAtStart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(fitting(1))
		s := newShop(t, b, nil)
		var off atomic.Bool
		off.Store(true)
		var dials []time.Duration // of the loop's goroutine
		begin := time.Now()
		s.dialer.Before = func(c memory.Call) memory.Fault {
			if c.Op == "dial" {
				dials = append(dials, time.Since(begin))
			}
			if off.Load() {
				return memory.Fault{Kind: memory.Cut}
			}
			return memory.Fault{}
		}
		ctx, cancel := context.WithCancel(context.Background())
		go b.run(ctx)
		g, stop := s.start(s.options())
		<-time.After(60 * time.Second) // of virtual time
		if st := g.Lines()[0]; st.Connected || st.Error == "" || st.Machine.Seen {
			t.Errorf("with the controller off: got %+v", st)
		}
		if n := s.count(record.KindSession); n != 0 {
			t.Errorf("%d sessions without a controller", n)
		}
		if n := s.logged("controller not reachable"); n != 1 {
			t.Errorf("said %d times that the controller is not reachable, want once", n)
		}
		if got := alarmsOf(g, 0); got != "link-down unacknowledged" {
			t.Errorf("the alarms are %q", got)
		}
		off.Store(false)
		until(t, 2*time.Minute, "an outcome", func() bool { return s.count(record.KindOutcome) == 1 })
		if got := alarmsOf(g, 0); got != "link-down returned" {
			t.Errorf("with the controller on again the alarms are %q", got)
		}
		if err := stop(); err != nil {
			t.Error(err)
		}
		cancel()
		waits := dials[:len(dials)-1] // the last one succeeded
		back := s.logs.FilterMessage("controller reachable again").All()
		if len(back) != 1 || back[0].ContextMap()["failures"] != int64(len(waits)) {
			t.Errorf("got recovery %v, want one with %d failures", back, len(waits))
		}
		// With the jitter in the middle each wait is three quarters of its
		// step: 0.25 s doubling to 5 s.
		step := 250 * time.Millisecond
		for i := 1; i < len(waits); i++ {
			if got, want := waits[i]-waits[i-1], step*3/4; got < want || got > want+150*time.Millisecond {
				t.Errorf("wait %d: got %s, want about %s", i, got, want)
			}
			step = min(2*step, 5*time.Second)
		}
		if len(waits) < 10 {
			t.Errorf("only %d attempts in a minute", len(waits))
		}
	})
}

// failing is a real journal that fails from one record on.
type failing struct {
	*journal.Journal
	after int
}

var errDisk = errors.New("no space left on device")

func (f *failing) Append(ctx context.Context, records ...record.Record) ([]record.Stored, error) {
	if f.after -= len(records); f.after < 0 {
		return nil, errDisk
	}
	return f.Journal.Append(ctx, records...)
}

func TestJournalFailure(t *testing.T) {
	// Records of the first roll: CONFIG, MODE, SESSION, REQUEST, INTENT, COMMIT, VERDICT, OUTCOME.
	for after := range 8 {
		t.Run(fmt.Sprint(after), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBench(fitting(1), fitting(2))
				s := newShop(t, b, nil)
				o := s.options()
				open := o.OpenJournal
				o.OpenJournal = func(ctx context.Context, line string) (gateway.Journal, error) {
					j, err := open(ctx, line)
					if err != nil {
						return nil, err
					}
					return &failing{j.(*journal.Journal), after}, nil
				}
				written := 0
				s.dialer.After = func(c memory.Call) {
					if c.Op == "write" && c.Block != handshake.HEARTBEAT {
						written++
					}
				}
				ctx, cancel := context.WithCancel(context.Background())
				go b.run(ctx)
				g, err := gateway.New(o)
				if err != nil {
					t.Fatal(err)
				}
				ended := make(chan error, 1)
				go func() { ended <- g.Run(context.Background()) }()
				err = <-ended
				if !errors.Is(err, errDisk) {
					t.Errorf("Run returned %v, want the failure of the journal", err)
				}
				if st := g.Lines()[0]; !st.Ended || !strings.Contains(st.Error, errDisk.Error()) {
					t.Errorf("got state %+v", st)
				}
				// What goes out after each record that is durable: nothing for CONFIG and
				// MODE, HELLO, PAYLOAD for REQUEST and INTENT together, COMMIT, nothing for VERDICT.
				if want := [...]int{0, 0, 0, 1, 1, 2, 3, 3}[after]; written != want {
					t.Errorf("%d blocks were written, want %d", written, want)
				}
				if after > 0 {
					flags := make([]uint16, handshake.HeartbeatWords)
					b.image.Load(handshake.HEARTBEAT, 0, flags)
					if after > 3 && flags[7]&handshake.FlagJournalFault == 0 {
						t.Errorf("the heartbeat does not tell of the journal's fault: %04x", flags)
					}
				}

				// A start with the disk repaired serves both rolls.
				_, stop := s.start(s.options())
				until(t, 5*time.Minute, "two outcomes", func() bool { return s.count(record.KindOutcome) == 2 })
				if err := stop(); err != nil {
					t.Error(err)
				}
				cancel()
				s.verify()
			})
		})
	}
}

func TestShadowWritesNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(fitting(1))
		s := newShadow(t, b, nil)
		var writes atomic.Int64
		s.dialer.Before = func(c memory.Call) memory.Fault {
			if c.Op == "write" {
				writes.Add(1)
			}
			return memory.Fault{}
		}
		ctx, cancel := context.WithCancel(context.Background())
		go b.run(ctx)
		g, stop := s.start(s.options())
		until(t, time.Minute, "a shadow recipe", func() bool { return s.count(record.KindShadow) == 1 })
		if n := writes.Load(); n != 0 {
			t.Errorf("%d writes in shadow", n)
		}
		if _, err := g.Arm(t.Context(), "north", gateway.Person{By: "test"}, "go live", nil); err != nil {
			t.Fatal(err)
		}
		until(t, 2*time.Minute, "an outcome after arming", func() bool { return s.count(record.KindOutcome) == 1 })
		if writes.Load() == 0 || s.count(record.KindMode) != 1 {
			t.Errorf("armed: %d writes, %d mode records", writes.Load(), s.count(record.KindMode))
		}
		if err := stop(); err != nil {
			t.Error(err)
		}
		cancel()
		s.verify()
	})
}

func TestSendGuards(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench()
		s := newShop(t, b, nil)
		o := s.options()
		g, err := gateway.New(o)
		if err != nil {
			t.Fatal(err)
		}
		port, err := s.dialer.Dial(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		words := make([]uint16, handshake.HelloWords)
		h := handshake.Hello{Session: handshake.Session{Epoch: 1, Nonce: 2}, Boot: 3}
		if err := h.Encode(words); err != nil {
			t.Fatal(err)
		}
		stands := func() bool {
			got := make([]uint16, handshake.HelloWords)
			b.image.Load(handshake.HELLO, 0, got)
			return slices.Equal(got, words)
		}
		if ok, _ := g.Send(t.Context(), port, false, handshake.HELLO, words); ok || stands() {
			t.Error("a write got through in shadow")
		}
		if ok, halted := g.Send(t.Context(), port, true, handshake.REQ, words); ok || halted == nil {
			t.Error("a write to the controller's block was not a reason to end")
		}
		if ok, _ := g.Send(t.Context(), port, true, handshake.HELLO, words); !ok || !stands() {
			t.Error("an allowed write did not get through")
		}
	})
}

func TestOneBadLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(fitting(1))
		s := newShop(t, b, nil)
		s.snapshot = withSouth(s.snapshot)
		o := s.options()
		southEnds(&o)
		ctx, cancel := context.WithCancel(context.Background())
		go b.run(ctx)
		g, stop := s.start(o)
		until(t, 2*time.Minute, "an outcome of the good line", func() bool { return s.count(record.KindOutcome) == 1 })
		if lines := g.Lines(); lines[0].Ended || !lines[1].Ended {
			t.Errorf("got %+v", lines)
		}
		if err := stop(); !errors.Is(err, errDisk) || !strings.Contains(err.Error(), "line south") {
			t.Errorf("Run returned %v", err)
		}
		cancel()
	})
}

func TestProgramErrorEndsItsLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(fitting(1))
		s := newShop(t, b, nil)
		s.onRec = func(r record.Stored) {
			if r.Record.Kind() == record.KindIntent {
				panic("out of cheese")
			}
		}
		ctx, cancel := context.WithCancel(context.Background())
		go b.run(ctx)
		g, err := gateway.New(s.options())
		if err != nil {
			t.Fatal(err)
		}
		err = g.Run(context.Background())
		if err == nil || !strings.Contains(err.Error(), "line north: program error: out of cheese") {
			t.Errorf("Run returned %v", err)
		}
		if err := g.Hold(t.Context(), "north", cycle.HoldAll{On: true}); err == nil {
			t.Error("a line that has ended took an event")
		}
		// The journal was closed on the way out and serves the next start.
		s.onRec = nil
		_, stop := s.start(s.options())
		until(t, time.Minute, "the outcome", func() bool { return s.count(record.KindOutcome) == 1 })
		if err := stop(); err != nil {
			t.Error(err)
		}
		cancel()
		s.verify()
	})
}

func TestReload(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(fitting(1), fitting(2))
		s := newShop(t, b, nil)
		ctx, cancel := context.WithCancel(context.Background())
		go b.run(ctx)
		g, stop := s.start(s.options())
		until(t, time.Minute, "the first roll accepted", func() bool { return s.count(record.KindVerdict) == 1 })
		dir := s.snapshot.Journal.Directory
		for _, bad := range []map[string]string{
			{"lines.0.controller.unit": "9"},
			{"lines.0.arming.away": "1 min"},
			{"lines.0.name": "elsewhere"},
		} {
			if err := reload(g, snapshot(t, dir, bad), "test"); err == nil {
				t.Errorf("%v was put in force without a restart", bad)
			}
		}
		next := snapshot(t, dir, map[string]string{"lines.0.wrap.speed": "500 mm/s"})
		if err := reload(g, next, "test"); err != nil {
			t.Fatal(err)
		}
		until(t, 3*time.Minute, "the second outcome", func() bool { return s.count(record.KindOutcome) == 2 })
		if err := stop(); err != nil {
			t.Error(err)
		}
		cancel()
		var hashes []uint32
		for _, r := range s.verify() {
			if i, ok := r.Record.(record.Intent); ok {
				hashes = append(hashes, i.ConfigHash)
			}
			if c, ok := r.Record.(record.Config); ok && c.Hash == next.Hash && len(c.Changes) != 1 {
				t.Errorf("got changes %v, want the one of the wrap speed", c.Changes)
			}
		}
		if want := []uint32{s.snapshot.Hash, next.Hash}; !slices.Equal(hashes, want) {
			t.Errorf("recipes were made under %x, want %x", hashes, want)
		}
	})
}

func TestNewErrors(t *testing.T) {
	if _, err := gateway.New(gateway.Options{}); err == nil || strings.Count(err.Error(), "\n") != 2 {
		t.Errorf("got %v, want three problems", err)
	}
	if _, err := gateway.New(gateway.Options{Snapshot: &config.Snapshot{}, Dialer: func(*config.Line) (link.Dialer, error) { return nil, nil },
		OpenJournal: func(context.Context, string) (gateway.Journal, error) { return nil, nil }}); err == nil {
		t.Error("a configuration without lines was taken")
	}
}

// TestFenced: a newer session of another gateway ends the line. The process may say
// that all is fenced only when no line ended for another reason.
func TestFenced(t *testing.T) {
	for _, alone := range []bool{true, false} {
		t.Run(fmt.Sprint(alone), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBench()
				s := newShop(t, b, nil)
				o := s.options()
				if !alone {
					o.Snapshot = withSouth(s.snapshot)
					southEnds(&o)
				}
				ctx, cancel := context.WithCancel(context.Background())
				defer cancel()
				go b.run(ctx)
				if err := s.fence(ctx, o); err == nil || errors.Is(err, gateway.ErrFenced) != alone || !strings.Contains(err.Error(), "another gateway serves the line") {
					t.Errorf("Run returned %v", err)
				}
			})
		})
	}
}
