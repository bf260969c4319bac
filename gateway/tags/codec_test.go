package tags

import (
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"lapgate/gateway/handshake"
)

func point(t testing.TB, tg Tag) Point {
	t.Helper()
	p, err := NewPoint(tg)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// The bytes of 123456.789 as IEEE 754 single and double, and of a counter, in
// each order; the letters of the order name the bytes. 47 F1 20 65 is
// 0x47F12065, sign 0, exponent 143, fraction 0x712065.
func TestOrders(t *testing.T) {
	const double = 0x40FE240C9FBE76C9
	for _, c := range []struct {
		order  Order
		typ    Type
		bits   uint64
		want   []uint16
		number float64
	}{
		{ABCD, Float32, 0x47F12065, []uint16{0x47F1, 0x2065}, float64(float32(123456.789))},
		{CDAB, Float32, 0x47F12065, []uint16{0x2065, 0x47F1}, float64(float32(123456.789))},
		{BADC, Float32, 0x47F12065, []uint16{0xF147, 0x6520}, float64(float32(123456.789))},
		{DCBA, Float32, 0x47F12065, []uint16{0x6520, 0xF147}, float64(float32(123456.789))},
		{ABCD, Float64, double, []uint16{0x40FE, 0x240C, 0x9FBE, 0x76C9}, 123456.789},
		{CDAB, Float64, double, []uint16{0x76C9, 0x9FBE, 0x240C, 0x40FE}, 123456.789},
		{BADC, Float64, double, []uint16{0xFE40, 0x0C24, 0xBE9F, 0xC976}, 123456.789},
		{DCBA, Float64, double, []uint16{0xC976, 0xBE9F, 0x0C24, 0xFE40}, 123456.789},
		{CDAB, Int32, 0xFFFFFFFE, []uint16{0xFFFE, 0xFFFF}, -2},
		{BADC, Uint16, 0x1234, []uint16{0x1234}, 0x1234},
		{DCBA, Int16, 0x8000, []uint16{0x8000}, -32768},
	} {
		m := &Mapping{Order: c.order}
		tg := &Tag{Type: c.typ}
		got := make([]uint16, len(c.want))
		m.ToRegisters(tg, Value{Bits: c.bits}, got)
		if !slices.Equal(got, c.want) {
			t.Errorf("%s in %s: got %04X, want %04X", c.typ, c.order, got, c.want)
		}
		if back := m.FromRegisters(tg, c.want); back.Bits != c.bits {
			t.Errorf("%s in %s: read back %X, want %X", c.typ, c.order, back.Bits, c.bits)
		}
		if x, err := fromBits(c.typ, c.bits); err != nil || x != c.number {
			t.Errorf("%s %X is %v, %v, want %v", c.typ, c.bits, x, err, c.number)
		}
		if bits, err := toBits(c.typ, c.number); err != nil || bits != c.bits {
			t.Errorf("%v as %s is %X, %v, want %X", c.number, c.typ, bits, err, c.bits)
		}
	}
	for _, c := range []struct {
		order TextOrder
		want  []uint16
	}{{AB, []uint16{0x5231, 0x3200, 0}}, {BA, []uint16{0x3152, 0x0032, 0}}} {
		m := &Mapping{TextOrder: c.order}
		tg := &Tag{Type: Text, Length: 5}
		got := make([]uint16, tg.Registers())
		m.ToRegisters(tg, Value{Text: "R12"}, got)
		if !slices.Equal(got, c.want) {
			t.Errorf("text in %s: got %04X, want %04X", c.order, got, c.want)
		}
		if v := m.FromRegisters(tg, c.want); strings.TrimRight(v.Text, "\x00") != "R12" {
			t.Errorf("text in %s reads back as %q", c.order, v.Text)
		}
	}
}

// Values of the worked example of the handshake in units of a controller.
func TestUnitsAndScales(t *testing.T) {
	for _, c := range []struct {
		tag  Tag
		wire int64
		want float64
	}{
		{Tag{Field: "payload.feed_length", Type: Float32, Unit: "mm"}, 119433, float64(float32(11943.3))},
		{Tag{Field: "payload.feed_length", Type: Float64, Unit: "in"}, 254, 1},
		{Tag{Field: "payload.feed_length", Type: Int32, Unit: "mm", Scale: 0.01}, 119433, 1194330},
		{Tag{Field: "payload.header_temperature", Type: Float32, Unit: "°F"}, 1767, float64(float32(350.06))},
		{Tag{Field: "payload.header_temperature", Type: Int16, Unit: "°F", Scale: 0.1}, 1767, 3501},
		{Tag{Field: "payload.centring_offset", Type: Int16, Unit: "mm", Scale: 0.1}, -12, -12},
		{Tag{Field: "payload.centring_offset", Type: Float32, Unit: "mm"}, -12, float64(float32(-1.2))},
		{Tag{Field: "payload.layers", Type: Float32}, 325, 3.25},
		{Tag{Field: "payload.scale_tolerance", Type: Float32, Unit: "%"}, 150, 1.5},
		{Tag{Field: "payload.contact_pressure", Type: Float64, Unit: "bar"}, 103, 0.103},
		{Tag{Field: "payload.glue", Type: Uint16, Unit: "g"}, 85, 85},
		{Tag{Field: "commit.tick", Type: Uint32, Unit: "ms", Scale: 10}, 880123, 880123},
		{Tag{Field: "hello.nonce", Type: Uint64}, 0x9E3779B9, 0x9E3779B9},
	} {
		p := point(t, c.tag)
		words := make([]uint16, handshake.Words(p.Field.Block))
		if err := p.Field.Put(words, c.wire); err != nil {
			t.Fatal(err)
		}
		v, err := p.Encode(words)
		if err != nil {
			t.Errorf("%+v: %v", c.tag, err)
			continue
		}
		got, err := fromBits(c.tag.Type, v.Bits)
		if err != nil || math.Abs(got-c.want) > 1e-12*math.Abs(c.want) {
			t.Errorf("%s of %d in %q is %v, %v, want %v", c.tag.Field, c.wire, c.tag.Unit, got, err, c.want)
		}
		clear(words)
		if err := p.Decode(v, words); err != nil || p.Field.Get(words) != c.wire {
			t.Errorf("%s reads back as %d, %v, want %d", c.tag.Field, p.Field.Get(words), err, c.wire)
		}
	}
}

// What cannot be told exactly is refused on both ways, and changes nothing.
func TestRefusals(t *testing.T) {
	f32 := func(x float32) Value { return Value{Bits: uint64(math.Float32bits(x))} }
	for _, c := range []struct {
		name string
		tag  Tag
		v    Value
		want string
	}{
		{"NaN", Tag{Field: "request.diameter", Type: Float32, Unit: "mm"}, f32(float32(math.NaN())), "not a number"},
		{"infinity", Tag{Field: "request.diameter", Type: Float32, Unit: "mm"}, f32(float32(math.Inf(1))), "infinite"},
		{"NaN in 64 bits", Tag{Field: "request.diameter", Type: Float64, Unit: "mm"}, Value{Bits: 0x7FF8000000000001}, "not a number"},
		{"negative length", Tag{Field: "request.diameter", Type: Float32, Unit: "mm"}, f32(-1), "outside the field"},
		{"too long", Tag{Field: "request.diameter", Type: Float32, Unit: "m"}, f32(1e9), "outside the field"},
		{"part of a roll", Tag{Field: "request.roll_no", Type: Float32}, f32(7.5), "not a whole number"},
		{"negative roll", Tag{Field: "request.roll_no", Type: Int32}, Value{Bits: 0xFFFFFFFF}, "outside the field"},
		{"huge roll", Tag{Field: "request.roll_no", Type: Uint64}, Value{Bits: math.MaxUint64}, "outside the field"},
		{"text too long", Tag{Field: "request.roll_tag", Type: Text, Length: 20}, Value{Text: strings.Repeat("x", 17)}, "at most 16 fit"},
	} {
		p := point(t, c.tag)
		words := make([]uint16, handshake.ReqWords)
		for i := range words {
			words[i] = 0x5555
		}
		before := slices.Clone(words)
		if err := p.Decode(c.v, words); err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), c.tag.Field) {
			t.Errorf("%s: got error %v, want %q", c.name, err, c.want)
		}
		if !slices.Equal(words, before) {
			t.Errorf("%s: the words changed", c.name)
		}
	}
	for _, c := range []struct {
		name string
		tag  Tag
		wire int64
	}{
		{"feed of 3.3 m in 16 bits of 0.1 mm", Tag{Field: "payload.feed_length", Type: Int16, Unit: "mm", Scale: 0.1}, 33000},
		{"roll number that float32 rounds", Tag{Field: "payload.roll_no", Type: Float32}, 1<<24 + 1},
		{"negative centring without sign", Tag{Field: "payload.centring_offset", Type: Uint16, Unit: "mm", Scale: 0.1}, -1},
	} {
		p := point(t, c.tag)
		words := make([]uint16, handshake.PayloadWords)
		if err := p.Field.Put(words, c.wire); err != nil {
			t.Fatal(err)
		}
		if v, err := p.Encode(words); err == nil {
			t.Errorf("%s: encoded as %X", c.name, v.Bits)
		}
	}
}

// anyTag draws a tag that passes the check, of any field.
func anyTag(t *rapid.T) Tag {
	fields := Fields()
	for {
		f := fields[rapid.IntRange(0, len(fields)-1).Draw(t, "field")]
		tg := Tag{
			Field: f.Name, Type: rapid.SampledFrom(Types()).Draw(t, "type"), Address: 0, Bit: -1,
			Scale: rapid.SampledFrom([]float64{0, 1, 0.1, 0.01, 0.5, 1e-3, 10}).Draw(t, "scale"),
		}
		if tg.Type == Text {
			tg.Length = rapid.IntRange(1, 20).Draw(t, "length")
		}
		if tg.Type == Bool {
			tg.Bit = rapid.IntRange(0, 15).Draw(t, "bit")
		}
		if units := f.Units(); units != nil {
			tg.Unit = rapid.SampledFrom(units).Draw(t, "unit")
		}
		if len(checkTag(&tg, &f)) == 0 {
			return tg
		}
	}
}

// Whatever the tag and whatever stands in the block: what is written reads back
// as it was, over the registers of any order.
func TestWhatIsWrittenReadsBack(t *testing.T) {
	encoded, refused := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		p, err := NewPoint(anyTag(t))
		if err != nil {
			t.Fatal(err)
		}
		words := make([]uint16, handshake.Words(p.Field.Block))
		if p.Field.Form == Letters {
			s := strings.TrimRight(string(rapid.SliceOfN(rapid.Byte(), 0, handshake.TagLen).Draw(t, "text")), "\x00")
			if p.Field.PutLetters(words, s) != nil {
				t.Skip()
			}
		} else {
			lo, hi := p.Field.bounds()
			if err := p.Field.Put(words, rapid.Int64Range(lo, hi).Draw(t, "wire")); err != nil {
				t.Fatal(err)
			}
		}
		v, err := p.Encode(words)
		if err != nil {
			refused++
			return
		}
		encoded++
		m := &Mapping{Order: rapid.SampledFrom(orders).Draw(t, "order"), TextOrder: rapid.SampledFrom([]TextOrder{AB, BA}).Draw(t, "text order")}
		registers := make([]uint16, p.Tag.Registers())
		if p.Tag.Type == Bool {
			registers[0] = uint16(v.Bits) << p.Tag.Bit
		} else {
			m.ToRegisters(&p.Tag, v, registers)
		}
		back := make([]uint16, len(words))
		if err := p.Decode(m.FromRegisters(&p.Tag, registers), back); err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(back, words) {
			t.Fatalf("%+v: got %04X, want %04X", p.Tag, back, words)
		}
	})
	if encoded == 0 || refused > 20*encoded {
		t.Errorf("%d encoded and %d refused: the test shows too little", encoded, refused)
	}
}

// FuzzDecode gives any bits to any tag: they are refused, or what was made of
// them reads back the same once it is written.
func FuzzDecode(f *testing.F) {
	f.Add(uint16(3), uint8(8), uint64(0x7FC00000), "")
	f.Add(uint16(40), uint8(9), uint64(0x7FF0000000000000), "R2026-001190")
	f.Add(uint16(90), uint8(2), uint64(65535), "x ")
	fields := Fields()
	f.Fuzz(func(t *testing.T, field uint16, typ uint8, bits uint64, text string) {
		fd := fields[int(field)%len(fields)]
		tg := Tag{Field: fd.Name, Type: Types()[int(typ)%len(Types())], Bit: -1}
		if tg.Type == Text {
			tg.Length = 16
		}
		if units := fd.Units(); units != nil {
			tg.Unit = units[int(typ)%len(units)]
		}
		p, err := NewPoint(tg)
		if err != nil {
			t.Skip()
		}
		if n := tg.Type.Bits(); n < 64 {
			bits &= 1<<n - 1
		}
		words := make([]uint16, handshake.Words(fd.Block))
		if p.Decode(Value{Bits: bits, Text: text}, words) != nil {
			if slices.ContainsFunc(words, func(w uint16) bool { return w != 0 }) {
				t.Fatal("refused, and yet something was set")
			}
			return
		}
		v, err := p.Encode(words)
		if err != nil {
			return // between two steps of the tag, as 16 777 217 is in float32
		}
		again := make([]uint16, len(words))
		if err := p.Decode(v, again); err != nil || !slices.Equal(again, words) {
			t.Fatalf("%+v: %04X, then %04X, %v", tg, words, again, err)
		}
	})
}
