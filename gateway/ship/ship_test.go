package ship_test

import (
	"context"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway/cycle"
	"lapgate/gateway/engine"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
	"lapgate/gateway/ship/shiptest"
)

// What stands there before the start and what comes after it arrives, of every line,
// and the machine hears up to which outcome.
func TestShips(t *testing.T) {
	inBubble(t, []string{"north", "south", "west"}, func(ctx context.Context, y *yard) {
		for range 400 {
			y.roll("north")
		}
		y.closeOff("north")
		for range 20 {
			y.roll("south")
		}
		defer y.start(ctx)()
		y.until("all is there", func() bool { return y.arrived("north")() && y.arrived("south")() })
		if got := y.storedOf("north"); got.UpTo != 400 || got.Losses != 0 || got.Other != nil {
			t.Errorf("stored %+v", got)
		}
		for range 5 {
			y.roll("north")
			y.roll("west")
			synctest.Wait()
		}
		if got, want := y.storedOf("west"), y.rolls["west"]; got.UpTo != want {
			t.Errorf("a roll is not there at once: up to %d, want %d", got.UpTo, want)
		}
		y.append("west", record.Gap{Boot: 200, Cause: "memory lost"})
		synctest.Wait()
		if got := y.storedOf("west"); got.UpTo != 0 || got.Losses != 1 {
			t.Errorf("stored %+v after a loss of memory", got)
		}
		y.closeOff("north")
		y.roll("north")
		y.until("all is there", y.arrived("north"))
		for _, l := range y.lines {
			y.same(l, 1)
		}
		if got := y.storedOf("north").UpTo; got != 406 {
			t.Errorf("stored up to %d, want 406", got)
		}
	})
}

// Nothing is read while the journal is opened for writing, and all is once that is over.
func TestWaitsForOpening(t *testing.T) {
	inBubble(t, []string{"north"}, func(ctx context.Context, y *yard) {
		var stop func()
		y.must(y.shared["north"].Alone(func() error {
			stop = y.start(ctx)
			y.roll("north")
			for range 600 { // a lock that is waited for holds virtual time
				runtime.Gosched()
			}
			if n := len(y.engine.Of("north", "a")); n != 0 || y.shipper.State("north").Known {
				t.Error("a journal was read while it was opened")
			}
			return nil
		}))
		defer stop()
		y.until("all is there", y.arrived("north"))
		y.same("north", 1)
	})
}

// A start asks the engine how far it is, sends no more than is missing, and knows up to
// which outcome that tells.
func TestGoesOnAfterRestart(t *testing.T) {
	inBubble(t, []string{"north"}, func(ctx context.Context, y *yard) {
		stop := y.start(ctx)
		for range 30 {
			y.roll("north")
		}
		y.until("all is there", y.arrived("north"))
		stop()
		y.append("north", record.Gap{Boot: 200, Cause: "memory lost"})
		y.rolls["north"] = 0
		y.roll("north")
		y.closeOff("north")
		sent := y.calls().appends
		stop = y.start(ctx)
		y.until("all is there", y.arrived("north"))
		if n := y.calls().appends - sent; n != 1 {
			t.Errorf("sent %d batches, want 1", n)
		}
		stop()
		y.mu.Lock()
		y.stored["north"] = cycle.Stored{}
		y.mu.Unlock()
		defer y.start(ctx)()
		y.until("all is there", y.arrived("north"))
		if got := y.storedOf("north"); got.UpTo != 1 || got.Losses != 1 {
			t.Errorf("stored %+v, want 1 after one loss", got)
		}
		y.same("north", 1)
	})
}

var seeds = flag.Uint64("seeds", 3, "draws of TestFaults")

// Whatever is broken, lost, silent, forgotten or closed off: each record is there once,
// as it is here.
func TestFaults(t *testing.T) {
	for seed := range *seeds {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			inBubble(t, []string{"north", "south"}, func(ctx context.Context, y *yard) {
				draw, drawFault := rand.New(rand.NewPCG(seed, 17)), rand.New(rand.NewPCG(seed, 18))
				var mu sync.Mutex // of faults, counts and drawFault
				faults, counts := 0.2, map[shiptest.Fault]int{}
				y.engine.Fault = func(string) shiptest.Fault {
					mu.Lock()
					defer mu.Unlock()
					if drawFault.Float64() >= faults {
						return shiptest.None
					}
					f := []shiptest.Fault{shiptest.Broken, shiptest.Lost, shiptest.Silent}[drawFault.IntN(3)]
					counts[f]++
					return f
				}
				stop := y.start(ctx)
				for i := range 150 {
					line := y.lines[draw.IntN(2)]
					y.roll(line)
					switch {
					case i%40 == 17:
						y.closeOff(line)
					case i%50 == 23: // the engine fails over to a copy that lags
						y.engine.Do(func() {
							for _, c := range y.engine.Journals {
								if c.Line == line {
									c.Cut(c.Gone + uint64(draw.IntN(len(c.Records)+1)))
								}
							}
						})
					case i%60 == 31: // or to one that is empty
						y.engine.Do(func() { y.engine.Journals = nil })
					case i%70 == 41: // a restart of the daemon
						stop()
						stop = y.start(ctx)
					}
					if draw.IntN(3) == 0 {
						<-time.After(time.Duration(draw.IntN(4000)) * time.Millisecond)
					}
				}
				mu.Lock()
				faults = 0
				mu.Unlock()
				y.append("north", record.Mode{})
				y.append("south", record.Mode{})
				y.until("all is there", func() bool { return y.arrived("north")() && y.arrived("south")() })
				stop()
				for _, l := range y.lines {
					y.same(l, 1)
					if got, want := y.storedOf(l).UpTo, y.rolls[l]; got != want {
						t.Errorf("%s: stored up to %d, want %d", l, got, want)
					}
				}
				if counts[shiptest.Broken] < 5 || counts[shiptest.Lost] < 5 || counts[shiptest.Silent] < 5 {
					t.Errorf("faults %v: the test shows nothing", counts)
				}
			})
		})
	}
}

// A journal that was put back from a backup is another chain: it is not sent, the other
// line is, and a person's word has it sent under another name from where both part.
func TestFork(t *testing.T) {
	inBubble(t, []string{"north", "south"}, func(ctx context.Context, y *yard) {
		for range 10 {
			y.roll("north")
		}
		r, err := journal.OpenReader(ctx, y.path("north"))
		y.must(err)
		backup, err := r.Backup(ctx, filepath.Join(y.dir, "backup"))
		y.must(err)
		y.must(r.Close())
		stop := y.start(ctx)
		for range 10 {
			y.roll("north")
		}
		y.until("all is there", y.arrived("north"))
		stop()
		was := y.engine.Of("north", "a")[0].Head
		y.must(y.open["north"].Close())
		y.must(os.Rename(filepath.Join(y.dir, "backup"), y.path("north")))
		y.begin("north")
		y.append("north", record.Mode{By: "kim"})

		stop = y.start(ctx)
		stopped := func() bool { return y.shipper.State("north").Stopped != nil }
		y.until("it is stopped", stopped)
		why := y.shipper.State("north").Stopped
		if why.After != backup.Seq || !strings.Contains(why.Why, fmt.Sprint(backup.Seq+1)) {
			t.Errorf("stopped because %q, after %d, want %d", why.Why, why.After, backup.Seq)
		}
		y.roll("south")
		y.roll("north")
		y.until("the other line is sent", y.arrived("south"))
		<-time.After(3 * time.Minute)
		if !stopped() || y.engine.Of("north", "a")[0].Head != was {
			t.Errorf("it went on by itself: %+v", y.shipper.State("north"))
		}
		connects := y.calls().connects
		y.append("north", record.Register{Journal: why.Journal.String(), After: why.After, By: "kim", Reason: "put back"})
		y.until("it goes on", y.arrived("north"))
		y.roll("north")
		y.until("it goes on", y.arrived("north"))
		stop()
		stop = y.start(ctx)
		y.roll("north")
		y.until("it goes on after a restart", y.arrived("north"))
		stop()
		chains := y.engine.Of("north", "a")
		if len(chains) != 2 || chains[1].Kept != backup || chains[0].Head != was || y.calls().connects != connects+1 {
			t.Errorf("%d journals there, the second behind %v, want 2 and %v", len(chains), chains[len(chains)-1].Kept, backup)
		}
		y.same("north", backup.Seq+1)
		y.same("south", 1)
	})
}

// A journal that lost its end is told of before it has another record, and so is one
// that is put back a second time.
func TestShorterThanThere(t *testing.T) {
	inBubble(t, []string{"north"}, func(ctx context.Context, y *yard) {
		for range 2 {
			y.roll("north")
		}
		y.must(y.open["north"].Close())
		b, err := os.ReadFile(y.path("north"))
		y.must(err)
		for i := range 2 {
			y.begin("north")
			if i > 0 {
				y.append("north", record.Mode{Reason: "after the first backup"})
			}
			stop := y.start(ctx)
			y.until("the journal is looked at", func() bool { return y.shipper.State("north").Known || y.shipper.State("north").Stopped != nil })
			if s := y.shipper.State("north").Stopped; s != nil {
				y.append("north", record.Register{Journal: s.Journal.String(), After: s.After, By: "kim", Reason: "put back"})
			}
			y.roll("north")
			y.until("all is there", y.arrived("north"))
			stop()
			y.must(y.open["north"].Close())
			y.must(os.WriteFile(y.path("north"), b, 0o600))
			y.begin("north")
			stop = y.start(ctx)
			y.until("it is stopped", func() bool { return y.shipper.State("north").Stopped != nil })
			if s := y.shipper.State("north").Stopped; s.After != y.open["north"].Head().Seq || !strings.Contains(s.Why, "lost its end") {
				t.Errorf("round %d: %+v", i, s)
			}
			stop()
			y.must(y.open["north"].Close())
		}
		y.begin("north")
	})
}

// What the engine forgot and is not here any more cannot be told again.
func TestGoneOnBothSides(t *testing.T) {
	inBubble(t, []string{"north"}, func(ctx context.Context, y *yard) {
		for range 10 {
			y.roll("north")
		}
		y.closeOff("north")
		stop := y.start(ctx)
		y.until("all is there", y.arrived("north"))
		stop()
		archives, err := journal.Archives(y.path("north"))
		y.must(err)
		y.must(os.Remove(archives[0].Path))
		y.engine.Journals[0].Cut(7)
		y.roll("north")
		defer y.start(ctx)()
		y.until("it is stopped", func() bool { return y.shipper.State("north").Stopped != nil })
		s := y.shipper.State("north").Stopped
		if s.After != archives[0].Last || !strings.Contains(s.Why, "are gone") {
			t.Errorf("stopped %+v", s)
		}
		y.append("north", record.Register{Journal: s.Journal.String(), After: s.After, By: "kim", Reason: "gone"})
		y.until("all is there", y.arrived("north"))
		y.same("north", archives[0].Last+1)
		// One that lost everything gets what is here.
		y.engine.Do(func() { y.engine.Journals = nil })
		y.roll("north")
		y.until("all is there", y.arrived("north"))
		if c := y.engine.Of("north", "a"); len(c) != 1 || c[0].Genesis != s.Journal {
			t.Errorf("%d journals there", len(c))
		}
		y.same("north", archives[0].Last+1)
	})
}

// A journal that was set aside, one of another machine, one that is not believed, and
// one whose oldest months are not kept there.
func TestOtherJournals(t *testing.T) {
	t.Run("set aside", func(t *testing.T) {
		inBubble(t, []string{"north"}, func(ctx context.Context, y *yard) {
			defer y.start(ctx)()
			y.roll("north")
			y.until("all is there", y.arrived("north"))
			for {
				if err := y.open["north"].BeginAnew(ctx, "it contradicts itself"); err == nil {
					break
				}
			}
			past := record.NewPast()
			y.past["north"], y.rolls["north"] = &past, 0
			for range 3 { // more and less than before
				y.roll("north")
				y.until("all is there", y.arrived("north"))
			}
			if c := y.engine.Of("north", "a"); len(c) != 2 || c[0].Head.Seq != 4 {
				t.Errorf("%d journals there", len(c))
			}
			y.same("north", 1)
		})
	})
	t.Run("of another machine", func(t *testing.T) {
		inBubble(t, []string{"north"}, func(ctx context.Context, y *yard) {
			s, stop := y.ofAnother(ctx, func(c *shiptest.Chain) {
				c.Machine = "b"
				y.roll("north")
			})
			defer stop()
			if s.After != 4 || !strings.Contains(s.Why, "machine b") {
				t.Errorf("stopped %+v", s)
			}
			y.append("north", record.Register{Journal: s.Journal.String(), After: s.After, By: "kim", Reason: "another computer"})
			y.until("all is there", y.arrived("north"))
			y.same("north", 5)
		})
	})
	t.Run("of another line", func(t *testing.T) {
		inBubble(t, []string{"north"}, func(ctx context.Context, y *yard) {
			_, stop := y.ofAnother(ctx, func(c *shiptest.Chain) { c.Line = "south" })
			stop()
		})
	})
	t.Run("not believed", func(t *testing.T) {
		inBubble(t, []string{"north"}, func(ctx context.Context, y *yard) {
			y.engine.Distrust = 5
			defer y.start(ctx)()
			y.roll("north")
			y.until("all is there", y.arrived("north"))
			y.roll("north")
			y.until("it is stopped", func() bool { return y.shipper.State("north").Stopped != nil })
			<-time.After(10 * time.Minute)
			if n := y.calls().appends; n > 16 {
				t.Errorf("tried %d times", n)
			}
			y.engine.Do(func() { y.engine.Distrust = 0 })
			y.until("all is there", y.arrived("north"))
			y.same("north", 1)
		})
	})
	t.Run("months not kept", func(t *testing.T) {
		inBubble(t, []string{"north"}, func(ctx context.Context, y *yard) {
			stop := y.start(ctx)
			for range 10 {
				y.roll("north")
			}
			y.until("all is there", y.arrived("north"))
			stop()
			y.engine.Journals[0].DropMonth(20)
			y.roll("north")
			defer y.start(ctx)()
			y.until("all is there", y.arrived("north"))
			y.same("north", 21)
		})
	})
}

// An engine that is away, and a journal that cannot be read, are told; nothing of
// another line waits for the journal.
func TestAway(t *testing.T) {
	inBubble(t, []string{"north", "south"}, func(ctx context.Context, y *yard) {
		y.engine.Away = true
		defer y.start(ctx)()
		begun := time.Now()
		y.roll("north")
		<-time.After(time.Hour)
		s := y.shipper.State("north")
		if s.Connected || s.Known || s.Backlog != 4 || s.Since.Sub(begun).Abs() > time.Second || !strings.Contains(s.Error, "no route") {
			t.Errorf("state %+v", s)
		}
		y.must(y.open["south"].Close())
		y.must(os.WriteFile(y.path("south"), []byte("this is no journal and no database, however long one looks at it"), 0o600))
		y.engine.Do(func() { y.engine.Away = false })
		y.until("all is there", y.arrived("north"))
		y.until("the other is told of", func() bool { return y.shipper.State("south").Error != "" })
		y.roll("north")
		synctest.Wait()
		if s := y.shipper.State("north"); s.Backlog != 0 || s.Error != "" || !s.Since.IsZero() || !s.Connected {
			t.Errorf("state %+v", s)
		}
	})
}

// The machine hears what has come of the other one, and up to which outcome.
func TestOtherMachine(t *testing.T) {
	inBubble(t, []string{"north"}, func(ctx context.Context, y *yard) {
		other := newYard(y.t, "north")
		defer func() { y.must(other.open["north"].Close()) }()
		there, err := y.engine.Connect("b")(ctx)
		y.must(err)
		ships := func() {
			r, err := journal.OpenReader(ctx, other.path("north"))
			y.must(err)
			var all []journal.Entry
			y.must(r.Walk(ctx, journal.Filter{}, func(e journal.Entry) error { all = append(all, e); return nil }))
			y.must(r.Close())
			_, err = there.Register(ctx, engine.Journal{Genesis: all[0].Hash, Line: "north"})
			y.must(err)
			_, err = there.Append(ctx, all[0].Hash, all)
			y.must(err)
		}
		defer y.start(ctx)()
		y.roll("north")
		y.until("all is there", y.arrived("north"))
		for n := uint32(1); n < 4; n++ {
			other.roll("north")
			other.append("north", record.Mode{})
			ships()
			y.until("it is seen", func() bool { o := y.storedOf("north").Other; return o != nil && o.UpTo == n })
			head := other.open["north"].Head()
			if o := y.storedOf("north").Other; o.Head.Machine != "b" || o.Head.Seq != head.Seq || o.Head.Hash != head.Hash.String() || o.Boot != 41 {
				t.Errorf("of the other %+v, want head %v", o, head)
			}
		}
		if s := y.shipper.State("north"); len(s.Others) != 1 || s.Others[0].Machine != "b" || s.Backlog != 0 {
			t.Errorf("state %+v", s)
		}
		// The engine forgets the newest roll of the other machine, and then all of them.
		theirs := y.engine.Journals[1]
		y.engine.Do(func() { theirs.Cut(theirs.Head.Seq - 2) })
		y.until("that is seen", func() bool {
			o := y.storedOf("north").Other
			return o != nil && o.UpTo == 2 && o.Head.Seq == theirs.Head.Seq
		})
		y.engine.Do(func() { theirs.Cut(0) })
		y.until("that is seen", func() bool { return y.storedOf("north").Other == nil && len(y.shipper.State("north").Others) == 0 })
		ships()
		y.until("it is there again", func() bool { o := y.storedOf("north").Other; return o != nil && o.UpTo == 3 })
	})
}
