package tags

import (
	"math"
	"testing"
)

func TestRange(t *testing.T) {
	for _, c := range []struct {
		typ       Type
		scale     float64
		low, high string
	}{
		{Int16, 0.1, "-3276.8", "3276.7"},
		{Uint16, 1, "0", "65535"},
		{Uint16, 0, "0", "65535"},
		{Int32, 0.01, "-21474836.48", "21474836.47"},
		{Int64, 1, "-9223372036854775808", "9223372036854775807"},
		{Uint64, 0.001, "0", "18446744073709551.615"},
		{Bool, 1, "0", "1"},
		{Float32, 1, "-3.4028235e+38", "3.4028235e+38"},
		{Float64, 1, "-1.7976931e+308", "1.7976931e+308"},
	} {
		x := Tag{Type: c.typ, Scale: c.scale}
		if low, high, ok := x.Range(); !ok || low != c.low || high != c.high {
			t.Errorf("%s × %v: got %s to %s (%v), want %s to %s", c.typ, c.scale, low, high, ok, c.low, c.high)
		}
	}
	x := Tag{Type: Text, Length: 4}
	if _, _, ok := x.Range(); ok {
		t.Error("a text has a range")
	}
}

func TestBoundsAndShow(t *testing.T) {
	for _, c := range []struct {
		tag             Tag
		value           Value
		low, high, show string
	}{
		{Tag{Field: "request.diameter", Type: Float32, Unit: "mm"}, Value{Bits: uint64(math.Float32bits(1200.5))}, "0", "429496729.5", "1200.5 mm"},
		{Tag{Field: "request.diameter", Type: Uint32, Unit: "m", Scale: 0.0001}, Value{Bits: 12005}, "0", "429496.7295", "1.2005 m"},
		{Tag{Field: "request.platen_temperature", Type: Int16, Unit: "°C", Scale: 0.1}, Value{Bits: 0xFFF6}, "0", "6553.5", "-1.0 °C"},
		{Tag{Field: "request.permissives", Type: Uint32}, Value{Bits: 0x3F}, "0", "4294967295", "0x3F"},
		{Tag{Field: "request.flags.bit5", Type: Bool}, Value{Bits: 1}, "0", "1", "true"},
		{Tag{Field: "request.diameter", Type: Float64, Unit: "mm"}, Value{Bits: math.Float64bits(math.NaN())}, "0", "429496729.5", errNaN.Error()},
	} {
		p, err := NewPoint(c.tag)
		if err != nil {
			t.Fatal(err)
		}
		low, high, ok := p.Bounds()
		if got := p.Show(c.value); !ok || low != c.low || high != c.high || got != c.show {
			t.Errorf("%s: got %s to %s and %q, want %s to %s and %q", c.tag.Field, low, high, got, c.low, c.high, c.show)
		}
	}
}

var orders = []Order{ABCD, CDAB, BADC, DCBA}

// The order that is written out is the one in which the codec puts the bytes.
func TestOrderWritten(t *testing.T) {
	for _, o := range orders {
		m := &Mapping{Order: o}
		for _, typ := range []Type{Uint32, Uint64} {
			x := Tag{Type: typ}
			var v Value
			for i := range typ.Bits() / 8 {
				v.Bits = v.Bits<<8 | uint64('A'+i)
			}
			words := make([]uint16, x.Registers())
			m.ToRegisters(&x, v, words)
			got := ""
			for _, w := range words {
				got += string([]byte{byte(w >> 8), byte(w)})
			}
			if want := o.Written(typ); got != want {
				t.Errorf("%s of %s stands as %s, written %s", typ, o, got, want)
			}
		}
	}
	if ABCD.Written(Int16) != "" {
		t.Error("a type of one register has an order")
	}
}
