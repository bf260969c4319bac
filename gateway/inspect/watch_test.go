package inspect_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/inspect"
	"lapgate/gateway/link"
	"lapgate/gateway/link/memory"
	"lapgate/gateway/present"
	"lapgate/recipe"
)

// told is one field as JSON tells it.
type told struct {
	Block, Field string
	Changed      bool
	Value, Was   any
	Word         string
}

// watch watches a block of an image that changes at each look, and returns what is
// told at each.
func watch(t *testing.T, block handshake.ID, looks int, at func(n int, m *memory.Image) memory.Fault) (out [][]told, lost int, err error) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		m := memory.NewImage()
		n := 0
		d := &memory.Dialer{Image: m, Before: func(c memory.Call) memory.Fault {
			switch {
			case c.Op == "write":
				t.Error("a watch writes")
			case c.Op == "read" && c.Block == handshake.REQ:
				n++
				return at(n, m)
			}
			return memory.Fault{}
		}}
		err = inspect.Watch(t.Context(), d, inspect.WatchWanted{
			Block: block, Poll: 100 * time.Millisecond, Looks: looks,
			Lost: func(error) { lost++ },
			Tell: func(table *present.Table) error {
				var b bytes.Buffer
				p := present.New(&b, &recipe.Line{})
				p.Form.JSON = true
				if err := p.Print(table); err != nil {
					return err
				}
				var rows []told
				for d := json.NewDecoder(&b); d.More(); {
					var r told
					if err := d.Decode(&r); err != nil {
						return err
					}
					rows = append(rows, r)
				}
				out = append(out, rows)
				return nil
			},
		})
	})
	return out, lost, err
}

func publish(t *testing.T, m *memory.Image, r handshake.Request) {
	t.Helper()
	w := make([]uint16, handshake.ReqWords)
	if err := r.Encode(w); err != nil {
		t.Fatal(err)
	}
	m.Store(handshake.REQ, 0, w)
}

func TestWatchTellsWhatChanges(t *testing.T) {
	looks, lost, err := watch(t, handshake.REQ, 7, func(n int, m *memory.Image) memory.Fault {
		r := handshake.Request{GenHead: uint16(n), GenTail: uint16(n), Tick: uint32(n) * 10, Boot: 3, Phase: handshake.Await, Diameter: 12504}
		switch n {
		case 3:
			r.Phase, r.Diameter = handshake.Run, 12505
		case 4: // a word that nobody sealed anew
			w := make([]uint16, handshake.ReqWords)
			m.Load(handshake.REQ, 0, w)
			w[59] = 2
			m.Store(handshake.REQ, 0, w)
			return memory.Fault{}
		case 5: // the link is cut, and dialled again
			return memory.Fault{Kind: memory.Cut}
		}
		if n != 7 { // and once nothing changes
			publish(t, m, r)
		}
		return memory.Fault{}
	})
	if err != nil || lost != 1 || len(looks) != 5 {
		t.Fatalf("%v, lost %d times, %d looks told: %+v", err, lost, len(looks), looks)
	}
	find := func(look int, field string) *told {
		i := slices.IndexFunc(looks[look], func(r told) bool { return r.Field == field })
		if i < 0 {
			return nil
		}
		return &looks[look][i]
	}
	if len(looks[0]) != len(handshake.Fields(handshake.REQ))+1 {
		t.Errorf("the first look tells %d rows, want every field and the state", len(looks[0]))
	}
	for _, r := range looks[0] {
		if r.Changed || r.Was != nil {
			t.Errorf("%+v is told as changed at the first look", r)
		}
	}
	if d := find(0, "diameter_m"); d == nil || d.Value != 1.2504 {
		t.Errorf("diameter %+v", d)
	}
	if c := find(1, "tick_s"); c == nil || !c.Changed || c.Value != 0.2 || c.Was != 0.1 || find(1, "phase") != nil {
		t.Errorf("the second look tells %+v", looks[1])
	}
	p := find(2, "phase")
	if p == nil || !p.Changed || p.Word != "run" || p.Value != 2.0 || p.Was != 1.0 || find(2, "tick_s") != nil || find(2, "diameter_m") == nil {
		t.Errorf("the third look tells %+v", looks[2])
	}
	if s := find(3, "state"); s == nil || !strings.Contains(s.Value.(string), "checksum") || s.Was != "decodes" || find(3, "unit_mode").Word != "Maintenance" {
		t.Errorf("the fourth look tells %+v", looks[3])
	}
}

// Of OUT it is the entry of the newest outcome.
func TestWatchNewestOutcome(t *testing.T) {
	looks, _, err := watch(t, handshake.OUT, 2, func(n int, m *memory.Image) memory.Fault {
		publish(t, m, handshake.Request{Produced: uint32(64 + n)})
		o := handshake.Outcome{Index: uint32(64 + n), RollNo: uint32(n), Outcome: handshake.Removed}
		w := make([]uint16, handshake.OutWords)
		if err := o.Encode(w); err != nil {
			t.Fatal(err)
		}
		m.Store(handshake.OUT, n, w)
		return memory.Fault{}
	})
	if err != nil || len(looks) != 2 || !slices.ContainsFunc(looks[0], func(r told) bool { return r.Field == "outcome" && r.Word == "removed" }) ||
		!slices.ContainsFunc(looks[1], func(r told) bool { return r.Field == "out_idx" && r.Changed && r.Value == 66.0 && r.Was == 65.0 }) {
		t.Errorf("%v: %+v", err, looks)
	}
}

func TestWatchEnds(t *testing.T) {
	down := &memory.Dialer{Image: memory.NewImage(), Before: func(memory.Call) memory.Fault { return memory.Fault{Kind: memory.Cut} }}
	err := inspect.Watch(t.Context(), down, inspect.WatchWanted{Block: handshake.REQ, Poll: time.Second})
	if link.ClassOf(err) != link.Down {
		t.Errorf("a controller that is not there: %v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	here := &memory.Dialer{Image: memory.NewImage()}
	full := errors.New("the pipe is closed")
	if err := inspect.Watch(ctx, here, inspect.WatchWanted{Block: handshake.ACK, Poll: time.Second, Tell: func(*present.Table) error { return full }}); !errors.Is(err, full) {
		t.Errorf("got %v", err)
	}
	if err := inspect.Watch(ctx, here, inspect.WatchWanted{Block: handshake.ACK, Poll: time.Hour, Tell: func(*present.Table) error { cancel(); return nil }}); err != nil {
		t.Errorf("interrupted: %v", err)
	}
}
