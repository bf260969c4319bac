package lease_test

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway/cycle"
	"lapgate/gateway/engine"
	"lapgate/gateway/lease"
	"lapgate/gateway/lease/leasetest"
)

const (
	ttl   = 3 * time.Second
	renew = 500 * time.Millisecond
	look  = 250 * time.Millisecond
	limit = time.Second
	// takeover is how long it may be from a fault to the new holder: the time of the row, and
	// as long as it takes to see that its beat stands and that the time is over.
	takeover = ttl + renew + 2*look
)

// daemon is one of the two, without machines: what its lines are told is noted.
type daemon struct {
	name   string
	keeper *lease.Keeper
	stop   func()

	mu     sync.Mutex
	may    lease.May
	fenced map[string]uint32 // number of the lease with which a line was fenced
	told   map[string]cycle.Lease
	acts   []engine.Act
	refuse string // key of an act for which there is no room
	taken  []lease.Happening
	step   time.Duration // of the clock of the machine
	asleep chan struct{} // while the process is stopped
}

func (d *daemon) Stands(line string) lease.Tick {
	d.mu.Lock()
	asleep := d.asleep
	d.mu.Unlock()
	if asleep != nil {
		<-asleep
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	at, fenced := d.fenced[line]
	return lease.Tick{May: d.may, Fenced: fenced, FencedAt: at}
}

func (d *daemon) Lease(line string, e cycle.Lease) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.told[line] = e
}

func (d *daemon) Happened(_ string, h lease.Happening) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.taken = append(d.taken, h)
}

func (d *daemon) About() string { return "about " + d.name }

func (d *daemon) Act(a engine.Act) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	if a.Key == d.refuse && d.refuse != "" {
		return false
	}
	d.acts = append(d.acts, a)
	return true
}

func (d *daemon) Withdrawn(uint64) {}

func (d *daemon) wall() time.Time {
	d.mu.Lock()
	defer d.mu.Unlock()
	return time.Now().Add(d.step)
}

func (d *daemon) holds(line string) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.told[line].Held
}

func (d *daemon) set(f func()) {
	d.mu.Lock()
	defer d.mu.Unlock()
	f()
}

// sleep stops the process until the function returned is called.
func (d *daemon) sleep() (wake func()) {
	asleep := make(chan struct{})
	d.set(func() { d.asleep = asleep })
	return func() {
		d.set(func() { d.asleep = nil })
		close(asleep)
	}
}

// post has the other machine do an act on the line.
func (d *daemon) post(kind, key string) *lease.Posted {
	return d.keeper.Post(engine.Act{Line: "north", Kind: kind, Key: key}, time.Now(), nil)
}

func (d *daemon) forgot() (n int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, h := range d.taken {
		if h.Forgot {
			n++
		}
	}
	return n
}

var starts int

// start starts the daemon of a machine on an engine, which may take what the other let be.
// It must be called in a bubble.
func start(e *leasetest.Engine, name string, lines ...string) *daemon {
	return startWith(e, lease.Over, name, lines...)
}

// startWith is start with what the daemon may do from its first look on.
func startWith(e *leasetest.Engine, may lease.May, name string, lines ...string) *daemon {
	starts++
	d := &daemon{name: name, may: may, fenced: map[string]uint32{}, told: map[string]cycle.Lease{}}
	d.keeper = lease.NewKeeper(lease.Settings{
		Machine: name, Instance: lease.Instance(name, fmt.Sprint(starts)), Lines: lines,
		TTL: ttl, Renew: renew, Look: look, Limit: limit, Connect: e.From(name), Daemon: d, Wall: d.wall,
	})
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		d.keeper.Run(ctx)
	}()
	d.stop = func() {
		cancel()
		<-ended
	}
	return d
}

func wait(d time.Duration) {
	<-time.After(d)
	synctest.Wait()
}

// until waits until something is so.
func until(t *testing.T, most time.Duration, what string, so func() bool) {
	t.Helper()
	began := time.Now()
	for {
		synctest.Wait()
		if so() {
			return
		}
		if time.Since(began) > most {
			t.Fatalf("not within %s: %s", most, what)
		}
		<-time.After(10 * time.Millisecond)
	}
}

// inPair runs a test in a bubble, on an engine with a machine that holds the lease of one
// line, and one that stands by. Both are stopped in the end.
func inPair(t *testing.T, f func(t *testing.T, e *leasetest.Engine, a, b *daemon)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		e := leasetest.New()
		a := start(e, "a", "north")
		defer a.stop()
		until(t, 10*time.Second, "the first takes a lease that nobody held", func() bool { return a.holds("north") })
		b := start(e, "b", "north")
		defer b.stop()
		wait(10 * time.Second)
		if b.holds("north") || e.Moves() != 1 {
			t.Fatal("the other did not stand by")
		}
		f(t, e, a, b)
	})
}

// TestTakeover: whatever ends the holder, the standby takes over in time, once; where the
// holder lives, however long the engine is away, nothing moves.
func TestTakeover(t *testing.T) {
	faults := []struct {
		name  string
		fault func(e *leasetest.Engine, a *daemon) (after func())
		moves int // beside the first
	}{
		{"killed", func(e *leasetest.Engine, a *daemon) func() { e.Mute("a", true); return a.sleep() }, 1},
		{"stopped and woken", func(_ *leasetest.Engine, a *daemon) func() { return a.sleep() }, 1},
		{"cut off", func(e *leasetest.Engine, _ *daemon) func() {
			e.Mute("a", true)
			return func() { e.Mute("a", false) }
		}, 1},
		{"engine started again", func(e *leasetest.Engine, _ *daemon) func() { e.Restart(); return nil }, 0},
		{"engine away", func(e *leasetest.Engine, _ *daemon) func() { e.Away(true); return func() { e.Away(false) } }, 0},
		{"clock stepped", func(_ *leasetest.Engine, a *daemon) func() {
			a.set(func() { a.step = time.Hour })
			return func() { a.set(func() { a.step = -10 * 365 * 24 * time.Hour }) }
		}, 0},
		{"engine silent", func(e *leasetest.Engine, _ *daemon) func() {
			e.Mute("a", true)
			e.Mute("b", true)
			return func() { e.Mute("a", false); e.Mute("b", false) }
		}, 0},
	}
	for _, f := range faults {
		t.Run(f.name, func(t *testing.T) {
			for offset := range 30 { // of the fault within the beat of the holder
				inPair(t, func(t *testing.T, e *leasetest.Engine, a, b *daemon) {
					wait(time.Duration(offset) * renew / 30)
					after := f.fault(e, a)
					if f.moves > 0 {
						until(t, takeover, "the standby takes over", func() bool { return b.holds("north") })
					}
					wait(20 * time.Second)
					if after != nil {
						after() // wakes what was killed, too, which comes through to nobody
					}
					wait(20 * time.Second)
					if n := e.Moves() - 1; n != f.moves {
						t.Errorf("%d moves, want %d", n, f.moves)
					}
					if a, b := a.holds("north"), b.holds("north"); f.name != "killed" && a == b || b != (f.moves > 0) {
						t.Errorf("in the end a holds it: %t, b holds it: %t", a, b)
					}
				})
			}
		})
	}
}

// TestHandedOver: what was let go on purpose is taken at the next look.
func TestHandedOver(t *testing.T) {
	inPair(t, func(t *testing.T, e *leasetest.Engine, a, b *daemon) {
		a.stop()
		until(t, look+look/2, "the other takes what was handed over", func() bool { return b.holds("north") })
		again := start(e, "a", "north")
		wait(time.Minute)
		if again.holds("north") || e.Moves() != 2 {
			t.Errorf("the one that came back did not stand by; %d moves", e.Moves())
		}
		b.stop()
		until(t, look+look/2, "and back", func() bool { return again.holds("north") })
		again.stop()
	})
}

// TestRestartedHolderWaits: a daemon that was killed and started again is another holder,
// and waits for the lease of the one before as everyone does.
func TestRestartedHolderWaits(t *testing.T) {
	inPair(t, func(t *testing.T, e *leasetest.Engine, a, b *daemon) {
		b.stop()
		e.Mute("a", true)
		wake := a.sleep()
		e.Mute("a", false)
		again := start(e, "a", "north")
		wait(ttl - look)
		if again.holds("north") {
			t.Error("it took the lease before its time")
		}
		until(t, takeover, "then it takes it", func() bool { return again.holds("north") })
		wake()
		wait(time.Second)
		if a.holds("north") {
			t.Error("the one before still believes in it")
		}
		a.stop()
		again.stop()
	})
}

// TestForgotten: an engine that forgot numbers is claimed from above, and people are told;
// nothing moves to the other machine.
func TestForgotten(t *testing.T) {
	for _, row := range []engine.Lease{{}, {Number: 3, Beat: 7, Instance: "b/old", TTL: ttl}, {Number: 3, TTL: ttl}} {
		t.Run(fmt.Sprintf("%+v", row), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				e := leasetest.New()
				e.Put(engine.Lease{Line: "north", Number: 56, TTL: ttl})
				a := start(e, "a", "north")
				until(t, time.Second, "a lease that was handed over is taken", func() bool { return a.holds("north") })
				b := start(e, "b", "north")
				b.set(func() { b.may = lease.Keep })
				wait(5 * time.Second)
				row.Line = "north"
				e.Put(row)
				wait(5 * time.Second)
				b.set(func() { b.may = lease.Over })
				wait(5 * time.Second)
				if got := e.Row("north"); got.Number != 58 || lease.MachineOf(got.Instance) != "a" || !a.holds("north") || b.holds("north") {
					t.Errorf("the row is %+v", got)
				}
				if a.forgot() != 1 {
					t.Errorf("told %d times that the engine forgot, want once", a.forgot())
				}
				a.stop()
				b.stop()
			})
		})
	}
}

// TestTwoBelieve: where two hold a lease, as behind two engines that both take writes, the
// one that the controller fenced stops, and does not take it back from the other.
func TestTwoBelieve(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		one, two := leasetest.New(), leasetest.New()
		a, b := start(one, "a", "north"), start(two, "b", "north")
		until(t, takeover, "both hold a lease", func() bool { return a.holds("north") && b.holds("north") })
		a.set(func() { a.fenced["north"] = 1 })
		until(t, look+look/2, "the fenced one stops", func() bool { return !a.holds("north") })
		if r := one.Row("north"); r.Instance != "" || r.Number != 1 {
			t.Errorf("the lease was not let go: %+v", r)
		}
		wait(ttl - look)
		if a.holds("north") {
			t.Error("it took the lease again at once")
		}
		until(t, takeover, "it takes a greater number", func() bool { return a.holds("north") && one.Row("north").Number == 2 })
		a.stop()
		b.stop()
	})
}

// TestFencedWaitsForGreater: a fenced holder whose engine forgot takes no number that it
// held before.
func TestFencedWaitsForGreater(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		e := leasetest.New()
		e.Put(engine.Lease{Line: "north", Number: 9, TTL: ttl})
		a := start(e, "a", "north")
		until(t, time.Second, "it holds number 10", func() bool { return a.holds("north") })
		a.set(func() { a.fenced["north"] = 10 })
		wait(2 * look)
		e.Put(engine.Lease{Line: "north", Number: 4, TTL: ttl})
		until(t, takeover+look, "it claims", func() bool { return a.holds("north") })
		if n := e.Row("north").Number; n != 11 {
			t.Errorf("got number %d, want 11", n)
		}
		a.stop()
	})
}

// TestMay: what a daemon may do about a lease decides what it does.
func TestMay(t *testing.T) {
	cases := []struct {
		may   lease.May
		row   engine.Lease
		takes bool
	}{
		{lease.Nothing, engine.Lease{}, false},
		{lease.Keep, engine.Lease{}, false},
		{lease.Keep, engine.Lease{Number: 4}, false},
		{lease.Vacant, engine.Lease{}, true},
		{lease.Vacant, engine.Lease{Number: 4}, true},
		{lease.Vacant, engine.Lease{Number: 4, Instance: "a/before"}, true},
		{lease.Vacant, engine.Lease{Number: 4, Instance: "b/before"}, false},
		{lease.Over, engine.Lease{Number: 4, Instance: "b/before"}, true},
	}
	for _, c := range cases {
		synctest.Test(t, func(t *testing.T) {
			e := leasetest.New()
			c.row.Line, c.row.TTL = "north", ttl
			if c.row.Number > 0 {
				e.Put(c.row)
			}
			d := startWith(e, c.may, "a", "north")
			wait(10 * time.Second)
			if d.holds("north") != c.takes {
				t.Errorf("%+v: takes the lease: %t", c, !c.takes)
			}
			d.set(func() { d.may = lease.Nothing })
			wait(10 * time.Second)
			if d.holds("north") || c.takes && e.Row("north").Instance != "" {
				t.Errorf("%+v: it did not let go, the row is %+v", c, e.Row("north"))
			}
			d.stop()
		})
	}
}

// TestMovedByHand: with engine and holder gone, a person moves the line. The engine learns
// of it when it is back, and the holder of before stops then.
func TestMovedByHand(t *testing.T) {
	inPair(t, func(t *testing.T, e *leasetest.Engine, a, b *daemon) {
		if err := b.keeper.Move(t.Context(), "north"); err == nil {
			t.Error("moved by hand while the engine answers")
		}
		e.Away(true)
		wait(time.Minute)
		if b.holds("north") {
			t.Fatal("the standby acted on silence")
		}
		if err := b.keeper.Move(t.Context(), "north"); err != nil || !b.holds("north") {
			t.Fatalf("not moved: %v", err)
		}
		if r := b.keeper.Role("north"); r.State != lease.Unproven || r.Number != 2 {
			t.Errorf("its role is %+v", r)
		}
		e.Away(false)
		until(t, 2*time.Second, "the engine has it", func() bool { return lease.MachineOf(e.Row("north").Instance) == "b" && !a.holds("north") })
		wait(20 * time.Second)
		if !b.holds("north") || a.holds("north") || b.forgot() != 0 {
			t.Errorf("in the end a holds it: %t, b holds it: %t", a.holds("north"), b.holds("north"))
		}
	})
}

// TestLostAnswer: an answer to a take that is lost leaves no line without a holder.
func TestLostAnswer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		e := leasetest.New()
		a := start(e, "a", "north")
		until(t, takeover, "it holds the lease", func() bool { return a.holds("north") })
		own := e.Row("north").Instance
		a.set(func() { a.may = lease.Nothing })
		wait(2 * look)
		a.set(func() { a.may = lease.Over })
		e.Put(engine.Lease{Line: "north", Number: 2, Instance: own, TTL: ttl}) // as taken, and not answered
		until(t, 2*look, "it finds that it holds it", func() bool { return a.holds("north") })
		if e.Moves() != 1 || e.Row("north").Number != 2 {
			t.Errorf("it was taken again: %+v", e.Row("north"))
		}
		a.stop()
	})
}

// TestManyLines: a fault of one line moves that line alone.
func TestManyLines(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		e := leasetest.New()
		lines := []string{"east", "north", "south", "west"}
		a := start(e, "a", lines...)
		until(t, takeover, "all are held", func() bool {
			return !slices.ContainsFunc(lines, func(l string) bool { return !a.holds(l) })
		})
		b := start(e, "b", lines...)
		wait(5 * time.Second)
		a.set(func() { a.fenced["south"] = 1 })
		until(t, 2*look+look/2, "the line moves", func() bool { return b.holds("south") })
		a.set(func() { delete(a.fenced, "south") })
		wait(time.Minute)
		for _, l := range lines {
			if a.holds(l) != (l != "south") || b.holds(l) != (l == "south") {
				t.Errorf("line %s: a holds it: %t, b holds it: %t", l, a.holds(l), b.holds(l))
			}
		}
		a.stop()
		b.stop()
	})
}

// TestPresence: a machine that says nothing counts as gone, unless it is the engine that
// says nothing.
func TestPresence(t *testing.T) {
	inPair(t, func(t *testing.T, e *leasetest.Engine, a, b *daemon) {
		there := func() bool {
			o := a.keeper.Pair().Others
			return len(o) == 1 && o[0].Machine == "b" && o[0].Present && o[0].About == "about b"
		}
		if !there() {
			t.Fatalf("got %+v", a.keeper.Pair())
		}
		b.stop()
		until(t, lease.GoneAfter+2*time.Second, "it is gone", func() bool { return !there() })
		b = start(e, "b", "north")
		until(t, 3*time.Second, "it is there again", there)
		e.Away(true)
		wait(time.Minute)
		if p := a.keeper.Pair(); p.Silent == "" || time.Since(p.Since) < 50*time.Second {
			t.Errorf("with the engine away: %+v", p)
		}
		e.Away(false)
		until(t, 3*time.Second, "both are there again", there)
		b.stop()
	})
}

// TestActs: an act gets to the other machine once, in order, also when the engine was away
// meanwhile; one that was taken back does not.
func TestActs(t *testing.T) {
	inPair(t, func(t *testing.T, e *leasetest.Engine, a, b *daemon) {
		e.Away(true)
		first, second, back := a.post(lease.ActHold, "1"), a.post(lease.ActHoldOff, "2"), a.post(lease.ActArm, "3")
		wait(10 * time.Second)
		a.keeper.Withdraw(back)
		if len(b.acts) != 0 || !a.keeper.Owes("north") {
			t.Fatalf("got %+v", b.acts)
		}
		e.Away(false)
		wait(5 * time.Second)
		if <-back.Answered(); back.Answer().Text != lease.Withdrawn {
			t.Errorf("what was taken back was answered %+v", back.Answer())
		}
		if len(b.acts) != 2 || b.acts[0].Kind != lease.ActHold || b.acts[1].Kind != lease.ActHoldOff || b.acts[0].Machine != "a" {
			t.Fatalf("got %+v", b.acts)
		}
		if age := b.acts[0].Age; age < 10*time.Second || age > 11*time.Second {
			t.Errorf("it was done %s ago, want the time for which the engine was away", age)
		}
		b.keeper.Answer(b.acts[0].Number, "")
		b.keeper.Answer(b.acts[1].Number, "the line has ended")
		if <-first.Answered(); first.Answer().Text != "" || first.Answer().Machine != "b" {
			t.Errorf("got answer %+v", first.Answer())
		}
		if <-second.Answered(); second.Answer().Text != "the line has ended" {
			t.Errorf("got answer %+v", second.Answer())
		}
		wait(5 * time.Second)
		if len(b.acts) != 2 || a.keeper.Owes("north") {
			t.Errorf("acts came again: %+v", b.acts)
		}
	})
}

// TestActsOfAnEngineThatForgets: an act is posted once although the answer was lost, and
// again where the engine has forgotten it; one that may be there is taken back there.
func TestActsOfAnEngineThatForgets(t *testing.T) {
	inPair(t, func(t *testing.T, e *leasetest.Engine, a, b *daemon) {
		e.LosePosted(1)
		hold := a.post(lease.ActHold, "hold")
		wait(5 * time.Second)
		if all, _ := e.Acts(); len(all) != 1 || len(b.acts) != 1 {
			t.Errorf("the engine has %+v, the other machine %+v, want one act", all, b.acts)
		}
		e.ForgetActs()
		wait(5 * time.Second)
		if len(b.acts) != 2 || b.acts[1].Key != "hold" || b.acts[1].Number == b.acts[0].Number {
			t.Fatalf("the other machine has %+v, want the act again", b.acts)
		}
		b.keeper.Answer(b.acts[1].Number, "")
		if <-hold.Answered(); hold.Answer().Machine != "b" {
			t.Errorf("got answer %+v", hold.Answer())
		}
		e.LosePosted(1)
		e.Mute("b", true)
		arm := a.post(lease.ActArm, "arm")
		wait(look)
		a.keeper.Withdraw(arm)
		if <-arm.Answered(); arm.Answer().Text != lease.Withdrawn {
			t.Errorf("what was taken back was answered %+v", arm.Answer())
		}
		if all, open := e.Acts(); open != 0 || len(all) != 2 {
			t.Errorf("the engine has %+v, %d of them without an answer", all, open)
		}
		e.Mute("b", false)
		wait(5 * time.Second)
		if len(b.acts) != 2 {
			t.Errorf("the other machine has %+v", b.acts)
		}
	})
}

// TestActsReplaced: a machine that is away for long finds the newest of the acts that
// replace each other, and neither engine nor memory fills with the others.
func TestActsReplaced(t *testing.T) {
	inPair(t, func(t *testing.T, e *leasetest.Engine, a, b *daemon) {
		e.Mute("b", true)
		for i := range 50 {
			if i == 25 {
				e.Away(true)
			}
			a.keeper.Post(engine.Act{Line: "north", Kind: lease.ActHold, Key: fmt.Sprint(i)}, time.Now(),
				func(earlier *engine.Act) bool { return earlier.Kind == lease.ActHold })
			wait(look)
		}
		if n := len(a.keeper.Owed("north")); n > 2 { // one that the engine has, one that it has not
			t.Errorf("%d acts wait here", n)
		}
		e.Away(false)
		wait(5 * time.Second)
		if _, open := e.Acts(); open != 1 {
			t.Errorf("%d acts wait in the engine", open)
		}
		e.Mute("b", false)
		wait(5 * time.Second)
		if len(b.acts) != 1 || b.acts[0].Key != "49" {
			t.Errorf("the other machine has %+v, want the newest", b.acts)
		}
	})
}

// TestActsKeepTheirOrder: a line that has no room for an act gets none that came later.
func TestActsKeepTheirOrder(t *testing.T) {
	inPair(t, func(t *testing.T, _ *leasetest.Engine, a, b *daemon) {
		b.set(func() { b.refuse = "1" })
		for _, key := range []string{"1", "2", "3"} {
			a.post(lease.ActHold, key)
		}
		wait(5 * time.Second)
		b.set(func() { b.refuse = "" })
		wait(5 * time.Second)
		var keys []string
		b.set(func() {
			for _, a := range b.acts {
				keys = append(keys, a.Key)
			}
		})
		if !slices.Equal(keys, []string{"1", "2", "3"}) {
			t.Errorf("acts came in the order %v", keys)
		}
	})
}
