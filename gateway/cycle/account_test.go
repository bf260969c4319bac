package cycle

import (
	"math"
	"reflect"
	"testing"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/reel"
)

// lengthOf is the wrapper, m, on a roll of the line of the tests: 12 thou of
// an inch wound on a core of 3 in.
func lengthOf(outer float64) float64 {
	return math.Pi / 4 * (outer*outer - 0.0762*0.0762) / 0.0003048
}

// TestAccount follows slot 2 through diameters and outcomes. Each step is a
// request, with what is counted then and whether an account begins, and the
// outcome after it.
func TestAccount(t *testing.T) {
	wrap := func(slot uint16, metres float64) *handshake.Outcome {
		return &handshake.Outcome{Outcome: handshake.Wrapped, Slot: slot, EncoderUsed: uint32(metres * 1e4)}
	}
	type step struct {
		outer  float64
		left   float64 // counted, m; negative when it is not known
		begins bool
		after  record.Record
	}
	out := func(o *handshake.Outcome) record.Record { return record.Outcome{Outcome: *o} }
	for _, c := range []struct {
		name  string
		steps []step
	}{
		{"drawn", []step{
			{0.9, -1, true, out(wrap(2, 12))}, {0.897, lengthOf(0.9) - 12, false, out(wrap(2, 13))}, {0.894, lengthOf(0.9) - 25, false, nil}}},
		{"drawn from another slot", []step{{0.9, -1, true, out(wrap(1, 12))}, {0.9, -1, false, nil}}},
		{"without a diameter", []step{{0, -1, false, out(wrap(2, 12))}, {0, -1, false, nil}}},
		{"diameter lost", []step{{0.9, -1, true, nil}, {0, lengthOf(0.9), false, out(wrap(2, 12))}, {0, lengthOf(0.9) - 12, false, nil}}},
		{"diameter smaller than the core", []step{{0.05, -1, false, nil}}},
		{"sensor stands still", []step{{0.2, -1, true, out(wrap(2, 60))}, {0.2, lengthOf(0.2) - 60, false, out(wrap(2, 60))}, {0.2, 0, false, nil}}},
		{"another roll", []step{{0.3, -1, true, out(wrap(2, 12))}, {0.9, -1, true, out(wrap(2, 12))}, {0.897, lengthOf(0.9) - 12, false, nil}}},
		{"another roll after a diameter that was lost", []step{{0.3, -1, true, out(wrap(2, 12))}, {0, lengthOf(0.3) - 12, false, nil}, {0.9, -1, true, nil}}},
		{"one bad reading", []step{{0.9, -1, true, out(wrap(2, 12))}, {0.5, lengthOf(0.9) - 12, false, nil}, {0.896, lengthOf(0.9) - 12, false, nil}}},
		{"by hand without a reading", []step{
			{0.9, -1, true, out(wrap(2, 12))}, {0.897, lengthOf(0.9) - 12, false, out(&handshake.Outcome{Outcome: handshake.WrappedByHand})}, {0.894, -1, true, nil}}},
		{"wrapped without a reading", []step{{0.9, -1, true, out(wrap(2, 12))}, {0, lengthOf(0.9) - 12, false, out(wrap(2, 0))}, {0, -1, false, nil}}},
		{"reading without a slot", []step{{0.9, -1, true, out(wrap(0, 12))}, {0, -1, false, nil}}},
		{"slot that is none", []step{{0.9, -1, true, out(wrap(7, 12))}, {0, -1, false, nil}}},
		{"reading that no roll takes", []step{{0.9, -1, true, out(wrap(2, 1001))}, {0, -1, false, nil}}},
		{"aborted", []step{{0.9, -1, true, out(&handshake.Outcome{Outcome: handshake.Aborted, Slot: 2, EncoderUsed: 40000})}, {0.9, lengthOf(0.9) - 4, false, nil}}},
		{"removed", []step{{0.9, -1, true, out(wrap(2, 12))}, {0.897, lengthOf(0.9) - 12, false, out(&handshake.Outcome{Outcome: handshake.Removed})}, {0.897, lengthOf(0.9) - 12, false, nil}}},
		{"gap", []step{{0.9, -1, true, out(wrap(2, 12))}, {0.897, lengthOf(0.9) - 12, false, record.Gap{FromIndex: 2, ToIndex: 3}}, {0, -1, false, nil}}},
	} {
		m := New(Config{Line: testLine(), Times: testTimes})
		var log []record.Record
		for i, s := range c.steps {
			stand := recipe.Stand{}
			stand.Outer[1] = s.outer
			hung := m.countStand(&stand)
			if begins := len(hung) > 0; begins != s.begins || begins && (len(hung) != 1 || hung[0] != record.HungRoll{Slot: 2, Width: 1.85, Paper: "kraft"}) {
				t.Errorf("%s, request %d: begins %+v, want %v", c.name, i+1, hung, s.begins)
			}
			e := stand.Counted[1]
			if e.Known != (s.left >= 0) || e.Known && (math.Abs(e.Length-s.left) > 1e-6 || !(e.U > 0)) {
				t.Errorf("%s, request %d: counted %+v, want %v", c.name, i+1, e, s.left)
			}
			news := []record.Record{record.Request{Stand: stand, Hung: hung}}
			if s.after != nil {
				news = append(news, s.after)
			}
			for _, r := range news {
				if err := m.mem.apply(r); err != nil {
					t.Fatalf("%s: %v", c.name, err)
				}
			}
			log = append(log, news...)
			// A restart at any point finds the same accounts.
			found := newMemory()
			for _, r := range log {
				if err := found.apply(r); err != nil {
					t.Fatalf("%s: %v", c.name, err)
				}
			}
			if !reflect.DeepEqual(found, m.mem) {
				t.Fatalf("%s, request %d: a restart finds %+v, want %+v", c.name, i+1, found.accounts, m.mem.accounts)
			}
		}
	}
}

// TestAccountOfAnotherWrapper: where the configuration names another wrapper
// than the one that was hung, nothing is counted until its diameter is known.
func TestAccountOfAnotherWrapper(t *testing.T) {
	line := testLine()
	line.Stand.Slots = append([]recipe.SlotSpec(nil), line.Stand.Slots...)
	m := New(Config{Line: line, Times: testTimes})
	m.mem.accounts[1] = account{hung: hungIn(&line.Stand.Slots[1]), outer: 0.9, drawn: 12, last: 0.9}
	stand := recipe.Stand{}
	if hung := m.countStand(&stand); hung != nil || !stand.Counted[1].Known {
		t.Fatalf("before: begins %+v, counted %+v", hung, stand.Counted[1])
	}
	line.Stand.Slots[1].Width = 1.9
	if hung := m.countStand(&stand); hung != nil || stand.Counted != [6]reel.Estimate{} {
		t.Errorf("another width: begins %+v, counted %+v", hung, stand.Counted)
	}
	stand.Outer[1] = 0.5
	if hung := m.countStand(&stand); len(hung) != 1 || hung[0].Width != 1.9 || stand.Counted[1].Known {
		t.Errorf("another width and its diameter: begins %+v, counted %+v", hung, stand.Counted)
	}
	line.Equipment.Stand = recipe.Absent
	if hung := m.countStand(&stand); hung != nil || stand.Counted[1].Known {
		t.Errorf("no stand: begins %+v, counted %+v", hung, stand.Counted)
	}
}

// An account begins with what a person told of a wrapper roll, as a length or as a
// diameter, once that is in force; without either the one before ends.
func TestAccountOfToldWrapper(t *testing.T) {
	for name, c := range map[string]struct {
		outer, length, left float64 // left is negative where nothing is counted
	}{
		"length":   {0, 900, 900},
		"diameter": {0.9, 0, lengthOf(0.9)},
		"neither":  {0, 0, -1},
	} {
		m := New(Config{Line: testLine(), Times: testTimes})
		m.mem.accounts[1] = account{hung: hungIn(&testLine().Stand.Slots[1]), outer: 0.9, drawn: 12, last: 0.9}
		m.askHang(HangWrapper{Slot: 2, State: record.Hangs, Width: 1.85, Paper: "kraft", Outer: c.outer, Length: c.length, By: "kim"})
		stand := recipe.Stand{}
		if m.countStand(&stand); !stand.Counted[1].Known {
			t.Errorf("%s: the account ended before the wrapper hung", name)
		}
		m.watchSlots(&handshake.Request{SlotsReady: 0x3D})
		m.watchSlots(&handshake.Request{SlotsReady: 0x3F})
		m.countStand(&stand)
		if s := m.Status().Line.Stand.Slots[1]; !s.NewlyHung || m.line.Stand.Slots[1].NewlyHung {
			t.Errorf("%s: the status shows slot 2 as %+v", name, s)
		}
		e := stand.Counted[1]
		if e.Known != (c.left >= 0) || e.Known && (math.Abs(e.Length-c.left) > 1e-6 || !(e.U > 0)) {
			t.Errorf("%s: counted %+v, want %v", name, e, c.left)
		}
		if err := m.mem.apply(record.Outcome{Outcome: handshake.Outcome{Index: 1, RollNo: 1, Outcome: handshake.Wrapped, Slot: 2, EncoderUsed: 120000}}); err != nil {
			t.Fatal(err)
		}
		m.countStand(&stand)
		if e := stand.Counted[1]; c.left >= 0 && math.Abs(e.Length-(c.left-12)) > 1e-6 {
			t.Errorf("%s: after a roll %+v, want %v", name, e, c.left-12)
		}
	}
}
