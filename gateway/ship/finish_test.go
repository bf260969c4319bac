package ship_test

import (
	"context"
	"errors"
	"slices"
	"testing"
	"time"

	"lapgate/gateway/journal"
	"lapgate/gateway/record"
	"lapgate/gateway/ship"
	"lapgate/gateway/ship/shiptest"
)

// At the finish an engine that answers gets all there is, however long its next attempt
// would have waited, and one that breaks off now and then too.
func TestFinish(t *testing.T) {
	inBubble(t, []string{"north", "south"}, func(ctx context.Context, y *yard) {
		y.wait = time.Hour
		y.engine.Away = true
		stop := y.start(ctx)
		for range 500 {
			y.roll("north")
		}
		y.until("the engine was tried", func() bool { return y.shipper.State("north").Error != "" })
		y.roll("south")
		calls := 0
		y.engine.Do(func() {
			y.engine.Away = false
			y.engine.Fault = func(string) shiptest.Fault {
				calls++
				return map[int]shiptest.Fault{5: shiptest.Broken, 11: shiptest.Lost}[calls]
			}
		})
		begun := time.Now()
		y.finish()
		stop()
		if took := time.Since(begun); took != 0 || calls < 11 {
			t.Errorf("waited %s, after %d calls", took, calls)
		}
		y.same("north", 1)
		y.same("south", 1)
	})
}

// An engine that does not answer is tried once and not waited for, and one that has
// everything is let go at once.
func TestFinishWithoutEngine(t *testing.T) {
	inBubble(t, []string{"north"}, func(ctx context.Context, y *yard) {
		stop := y.start(ctx)
		y.roll("north")
		y.until("all is there", y.arrived("north"))
		y.finish()
		stop()
		y.wait = time.Hour
		y.engine.Away = true
		y.failures = nil
		stop = y.start(ctx)
		y.roll("north")
		begun, shipper := time.Now(), y.shipper
		y.until("it was tried", func() bool { return shipper.State("north").Error != "" })
		y.finish()
		stop()
		if took := time.Since(begun); took > time.Second || len(y.failures) != 2 {
			t.Errorf("it took %s and %d attempts", took, len(y.failures))
		}
		if s := shipper.State("north"); s.Backlog == 0 || s.Error == "" {
			t.Errorf("state %+v", s)
		}
	})
}

// refusing fails at each batch of a journal.
type refusing struct {
	ship.Conn
	engine *shiptest.Engine
	line   string
}

func (c refusing) Append(ctx context.Context, genesis journal.Hash, records []journal.Entry) (journal.Head, error) {
	if slices.ContainsFunc(c.engine.Of(c.line, "a"), func(x *shiptest.Chain) bool { return x.Genesis == genesis }) {
		return journal.Head{}, errors.New("cannot be stored")
	}
	return c.Conn.Append(ctx, genesis, records)
}

// The lines behind one whose records break the connection off each time do not wait for it,
// at the finish either.
func TestOneLineFails(t *testing.T) {
	inBubble(t, []string{"north", "south", "west"}, func(ctx context.Context, y *yard) {
		y.connect = func(ctx context.Context) (ship.Conn, error) {
			c, err := y.engine.Connect("a")(ctx)
			return refusing{c, y.engine, "north"}, err
		}
		stop := y.start(ctx)
		for _, l := range y.lines {
			y.roll(l)
		}
		y.until("the others are there", func() bool { return y.arrived("south")() && y.arrived("west")() })
		for _, l := range y.lines {
			y.roll(l)
		}
		shipper := y.shipper
		y.finish()
		stop()
		y.same("south", 1)
		y.same("west", 1)
		if s := shipper.State("north"); s.Record != 0 || s.Backlog == 0 {
			t.Errorf("state %+v", s)
		}
	})
}

// A person's word on a journal that the engine takes no more is not lost with a connection.
func TestWordOutlivesTheConnection(t *testing.T) {
	inBubble(t, []string{"north"}, func(ctx context.Context, y *yard) {
		s, stop := y.ofAnother(ctx, func(c *shiptest.Chain) { c.Machine = "b" })
		defer stop()
		broken := 0
		y.engine.Do(func() {
			y.engine.Fault = func(op string) shiptest.Fault {
				if op == "connect" || broken == 3 {
					return shiptest.None
				}
				broken++
				return shiptest.Broken
			}
		})
		begun := time.Now()
		y.append("north", record.Register{Journal: s.Journal.String(), After: s.After, By: "kim", Reason: "another computer"})
		y.until("it goes on", y.arrived("north"))
		if took := time.Since(begun); took > 10*time.Second || broken != 3 {
			t.Errorf("it went on %s later, after %d connections", took, broken)
		}
	})
}

// A journal that the engine takes no more does not keep the other from the finish.
func TestFinishWithStop(t *testing.T) {
	inBubble(t, []string{"north", "south"}, func(ctx context.Context, y *yard) {
		y.engine.Distrust = 3
		y.roll("north")
		y.append("north", record.Mode{})
		y.roll("south")
		y.append("south", record.Mode{})
		stop := y.start(ctx)
		shipper := y.shipper
		y.finish()
		stop()
		for _, l := range y.lines {
			if s := shipper.State(l); s.Stopped == nil || s.Backlog == 0 {
				t.Errorf("%s: %+v", l, s)
			}
		}
		y.engine.Distrust = 0
		stop = y.start(ctx)
		y.finish()
		stop()
		y.same("north", 1)
		y.same("south", 1)
	})
}
