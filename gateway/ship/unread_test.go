package ship_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"lapgate/gateway/engine"
	"lapgate/gateway/engine/enginetest"
	"lapgate/gateway/journal"
)

// besides has the journal of another machine on a line be in the engine.
func besides(t *testing.T, d *enginetest.Database, line string) {
	t.Helper()
	other := newYard(t, line)
	for range 3 {
		other.roll(line)
	}
	r, err := journal.OpenReader(t.Context(), other.path(line))
	other.must(err)
	defer func() { other.must(r.Close()) }()
	var all []journal.Entry
	other.must(r.Walk(t.Context(), journal.Filter{}, func(e journal.Entry) error {
		all = append(all, e)
		return nil
	}))
	s := d.Settings(enginetest.Machine)
	s.Machine = "b"
	c, err := engine.New(s).Connect(t.Context())
	other.must(err)
	defer c.Close()
	_, err = c.Register(t.Context(), engine.Journal{Genesis: all[0].Hash, Line: line})
	other.must(err)
	_, err = c.Append(t.Context(), all[0].Hash, all)
	other.must(err)
}

// TestOtherThatCannotBeRead: records of another machine that are damaged there, or that this
// one may not read, keep none of its own from arriving.
func TestOtherThatCannotBeRead(t *testing.T) {
	for name, user := range map[string]string{"damaged": enginetest.Machine, "denied": enginetest.Writer} {
		t.Run(name, func(t *testing.T) {
			d := enginetest.New(t)
			besides(t, d, "north")
			if name == "damaged" {
				d.SQL(t, `UPDATE lapgate.records SET body = replace(body, '41', '42') WHERE kind = 'OUTCOME'`)
			}
			y := newYard(t, "north", "south")
			s := settings(d, nil)
			s.User = user
			y.to(s)
			y.roll("north")
			y.roll("south")
			stop := y.start(t.Context())
			y.soon("all is there", func() bool { return y.arrived("north")() && y.arrived("south")() })
			if n := y.failedTimes(); n != 0 {
				t.Errorf("broken off %d times: %v", n, y.failures[0])
			}
			stop()
		})
	}
}

// TestForkThatCannotBeRead: where this machine may not read how far the engine has its journal,
// that is told of the line, and the others arrive.
func TestForkThatCannotBeRead(t *testing.T) {
	d := enginetest.New(t)
	y := newYard(t, "north", "south")
	s := settings(d, nil)
	s.User = enginetest.Writer
	y.to(s)
	y.roll("north")
	r, err := journal.OpenReader(t.Context(), y.path("north"))
	y.must(err)
	_, err = r.Backup(t.Context(), filepath.Join(y.dir, "backup"))
	y.must(err)
	y.must(r.Close())
	y.roll("north")
	stop := y.start(t.Context())
	y.soon("all is there", y.arrived("north"))
	stop()
	y.must(y.open["north"].Close())
	y.must(os.Rename(filepath.Join(y.dir, "backup"), y.path("north")))
	y.begin("north")
	y.roll("north")
	y.roll("south")
	stop = y.start(t.Context())
	y.soon("it is told", func() bool { return strings.Contains(y.shipper.State("north").Error, "lapgate_reader") })
	y.soon("the other line is there", y.arrived("south"))
	if n := y.failedTimes(); n != 0 {
		t.Errorf("broken off %d times: %v", n, y.failures[0])
	}
	stop()
}
