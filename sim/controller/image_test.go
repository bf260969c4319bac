package controller

import (
	"errors"
	"slices"
	"testing"

	"lapgate/sim/internal/standin"
	"lapgate/sim/registers"
)

func TestImageAddresses(t *testing.T) {
	g := NewImage(DefaultBases())
	tests := []struct {
		addr  uint16
		count int
		read  bool
		write bool
	}{
		{1000, 96, true, false},
		{1095, 1, true, false},
		{1200, 120, true, false},
		{3759, 1, true, false},
		{3760, 1, false, false},
		{999, 2, false, false},
		{0, 1, false, false},
		{65535, 1, false, false},
		{4000, 10, true, true},
		{4010, 10, true, true},
		{4030, 80, true, true},
		{4120, 14, true, true},
		{4140, 10, true, true},
		{4030, 1, true, true},
		{4109, 1, true, true},
		{4000, 20, true, false}, // two blocks
		{4020, 10, true, false}, // between blocks
		{4139, 2, true, false},
		{4149, 2, false, false},
		{4000, 0, false, false},
		{4000, 150, true, false},
		{4200, 80, true, false},
		{4279, 1, true, false},
		{4279, 2, false, false},
		{4199, 2, false, false},
	}
	for _, tc := range tests {
		_, err := g.Read(tc.addr, tc.count)
		if (err == nil) != tc.read {
			t.Errorf("read of %d at %d: %v", tc.count, tc.addr, err)
		}
		before := g.Copy()
		words := make([]uint16, tc.count)
		for i := range words {
			words[i] = 0xA5A5
		}
		err = g.Write(tc.addr, words)
		if (err == nil) != tc.write {
			t.Errorf("write of %d at %d: %v", tc.count, tc.addr, err)
		}
		var ae *AddressError
		if err != nil && (!errors.As(err, &ae) || g.Copy() != before) {
			t.Errorf("refused write of %d at %d: %v; it must change nothing", tc.count, tc.addr, err)
		}
		if err == nil {
			if got, _ := g.Read(tc.addr, tc.count); !slices.Equal(got, words) {
				t.Errorf("wrote %d at %d, read %04X", tc.count, tc.addr, got)
			}
		}
	}
}

func TestTornBlockNeverLooksWhole(t *testing.T) {
	b := newBench(t)
	g := NewImage(DefaultBases())
	g.Publish(b.c)
	struck := 0
	g.OnFault(func(string) { struck++ })
	b.in.Measured = roll("B-1", 10000, 15000, b.tick)
	b.scan()
	g.Publish(b.c)
	g.Tear(2)
	for range 2 {
		w, err := g.Read(1000, 96)
		if err != nil {
			t.Fatal(err)
		}
		if _, ok := standin.Decode(w); ok {
			t.Error("a torn block looks whole")
		}
	}
	w, _ := g.Read(1000, 96)
	if _, ok := standin.Decode(w); !ok || struck != 2 {
		t.Errorf("whole again %t, struck %d times", ok, struck)
	}
}

func TestDiscardAndReland(t *testing.T) {
	g := NewImage(DefaultBases())
	first, second := standin.Ack(1, 2, 3), standin.Ack(1, 2, 4)
	if g.Reland(registers.Ack) {
		t.Error("landed what was never written")
	}
	for _, w := range [][]uint16{first, second} {
		if err := g.Write(4140, w); err != nil {
			t.Fatal(err)
		}
	}
	if !g.Reland(registers.Ack) {
		t.Fatal("nothing to land")
	}
	if a := g.Copy(); !slices.Equal(a.Ack[:], first) {
		t.Errorf("landed %04X", a.Ack)
	}
	g.Discard(registers.Ack, 1)
	if err := g.Write(4140, second); err != nil {
		t.Fatal(err)
	}
	if a := g.Copy(); !slices.Equal(a.Ack[:], first) {
		t.Error("a discarded write arrived")
	}
	if err := g.Write(4140, second); err != nil {
		t.Fatal(err)
	}
	if a := g.Copy(); !slices.Equal(a.Ack[:], second) {
		t.Error("the write after the discarded one did not arrive")
	}
	g.Clear()
	if g.Copy() != (Area{}) {
		t.Error("not cleared")
	}
}
