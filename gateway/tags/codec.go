package tags

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"lapgate/recipe/quantity"
)

// Point is a tag with its field, ready to turn values into words and back. One
// codec serves reading and writing, so what is written reads back as it was.
type Point struct {
	Tag   Tag
	Field Field

	steps  float64 // of the field's number in its unit
	factor float64 // number in the tag's unit = number in the field's × factor + offset
	offset float64
}

// NewPoint joins a tag to its field. The tag must have passed the check of its
// mapping; otherwise the error says what is wrong first.
func NewPoint(t Tag) (Point, error) {
	f, ok := Find(t.Field)
	if !ok {
		return Point{}, fmt.Errorf("tag %s: no such field", t.Field)
	}
	if bad := checkTag(&t, &f); len(bad) > 0 {
		return Point{}, fmt.Errorf("tag %s: %s: got %s, want %s", t.Field, bad[0].Text, bad[0].Got, bad[0].Want)
	}
	if t.Scale == 0 {
		t.Scale = 1
	}
	p := Point{Tag: t, Field: f, steps: f.steps(), factor: 1}
	if units := f.Units(); units != nil && f.Info.Unit != t.Unit {
		p.factor, p.offset = conversion(f.Info.Unit, t.Unit)
	}
	return p, nil
}

// conversion gives the straight line between two units of one dimension. It is
// taken over a long stretch, so that the rounding of its ends does not show.
func conversion(from, to string) (factor, offset float64) {
	const stretch = 1000
	d := dimension(from)
	// The units are the program's own and were checked to be of one dimension.
	zero, _ := quantity.Parse("0 "+from, d)
	far, _ := quantity.Parse(fmt.Sprintf("%d %s", stretch, from), d)
	offset = quantity.In(zero, d, to)
	return (quantity.In(far, d, to) - offset) / stretch, offset
}

// Encode turns the field in the words of its block into a value of the tag. It
// refuses what the tag cannot hold so that Decode gives the very same words
// back; nothing is clamped, cut or rounded away.
func (p *Point) Encode(words []uint16) (Value, error) {
	if p.Field.Form == Letters {
		s := p.Field.Letters(words)
		if err := fitsPadded(s, p.Tag.Length); err != nil {
			return Value{}, p.fault(err)
		}
		return Value{Text: s}, nil
	}
	x := p.Field.Get(words)
	bits, err := toBits(p.Tag.Type, (float64(x)/p.steps*p.factor+p.offset)/p.Tag.Scale)
	if err != nil {
		return Value{}, p.fault(err)
	}
	v := Value{Bits: bits}
	if back, err := p.number(v); err != nil || back != x {
		return Value{}, p.fault(fmt.Errorf("%s cannot hold %s exactly", p.Tag.Type, p.shown(x)))
	}
	return v, nil
}

// Decode puts a value of the tag into the words of the field's block. It
// refuses NaN, infinities, parts of a number that counts, what the field has
// no room for. Then the words are as they were.
func (p *Point) Decode(v Value, words []uint16) error {
	if p.Field.Form == Letters {
		s := strings.TrimRight(v.Text, " \x00")
		if err := fitsPadded(s, p.Tag.Length); err != nil {
			return p.fault(err)
		}
		return p.faultOr(p.Field.PutLetters(words, s))
	}
	x, err := p.number(v)
	if err != nil {
		return p.fault(err)
	}
	return p.faultOr(p.Field.Put(words, x))
}

// number is the field's number of a value.
func (p *Point) number(v Value) (int64, error) {
	raw, err := fromBits(p.Tag.Type, v.Bits)
	if err != nil {
		return 0, err
	}
	x := (raw*p.Tag.Scale - p.offset) / p.factor * p.steps
	n := math.Round(x)
	if p.Field.counts() && math.Abs(x-n) > 1e-6 {
		return 0, fmt.Errorf("%v is not a whole number", raw*p.Tag.Scale)
	}
	if lo, hi := p.Field.bounds(); !(n >= float64(lo) && n <= float64(hi)) {
		return 0, fmt.Errorf("%v%s is outside the field, which holds %s to %s", raw*p.Tag.Scale, spaced(p.Tag.Unit), p.shown(lo), p.shown(hi))
	}
	return int64(n), nil
}

func (p *Point) shown(x int64) string {
	return fmt.Sprintf("%v%s", float64(x)/p.steps, spaced(p.Field.Info.Unit))
}

func spaced(unit string) string {
	if unit == "" {
		return ""
	}
	return " " + unit
}

func (p *Point) fault(err error) error { return fmt.Errorf("tag %s: %w", p.Tag.Field, err) }

func (p *Point) faultOr(err error) error {
	if err == nil {
		return nil
	}
	return p.fault(err)
}

var (
	errNaN      = errors.New("the value is not a number")
	errInfinite = errors.New("the value is infinite")
)

// toBits turns a number into the bits of a type. Whole-number types take the
// nearest; the caller sees to it that this changes nothing.
func toBits(t Type, x float64) (uint64, error) {
	switch {
	case math.IsNaN(x):
		return 0, errNaN
	case math.IsInf(x, 0):
		return 0, errInfinite
	case t == Float64:
		return math.Float64bits(x), nil
	case t == Float32:
		if f := float32(x); !math.IsInf(float64(f), 0) {
			return uint64(math.Float32bits(f)), nil
		}
		return 0, fmt.Errorf("%v is beyond float32", x)
	}
	n := math.Round(x)
	lo, hi := limits(t)
	// The upper limits of 64 bits round up to a power of two, which is too much.
	if n < lo || n > hi || t.Bits() == 64 && n == hi {
		return 0, fmt.Errorf("%v does not fit %s, which holds %v to %v", x, t, lo, hi)
	}
	if t.Signed() {
		return uint64(int64(n)) & (1<<(t.Bits()-1)<<1 - 1), nil
	}
	return uint64(n), nil
}

// fromBits turns the bits of a type into a number.
func fromBits(t Type, bits uint64) (float64, error) {
	var x float64
	switch t {
	case Int16:
		x = float64(int16(bits))
	case Int32:
		x = float64(int32(bits))
	case Int64:
		x = float64(int64(bits))
	case Float32:
		x = float64(math.Float32frombits(uint32(bits)))
	case Float64:
		x = math.Float64frombits(bits)
	default:
		x = float64(bits)
	}
	switch {
	case math.IsNaN(x):
		return 0, errNaN
	case math.IsInf(x, 0):
		return 0, errInfinite
	}
	return x, nil
}

// limits are the least and the greatest number of a whole-number type.
func limits(t Type) (lo, hi float64) {
	if t.Signed() {
		half := math.Ldexp(1, t.Bits()-1)
		return -half, half - 1
	}
	return 0, math.Ldexp(1, t.Bits()) - 1
}

// fitsPadded checks that there is room for the bytes of s and that padding cannot
// change them.
func fitsPadded(s string, room int) error {
	if len(s) > room {
		return fmt.Errorf("text %q has %d characters, at most %d fit", s, len(s), room)
	}
	if strings.HasSuffix(s, " ") {
		return fmt.Errorf("text %q ends with a space, which cannot be told from padding", s)
	}
	return nil
}

// ToRegisters writes a value into the registers of a tag that is not a bool.
// dst has as many as the tag takes.
func (m *Mapping) ToRegisters(t *Tag, v Value, dst []uint16) {
	if t.Type == Text {
		clear(dst)
		for i := range len(v.Text) {
			dst[i/2] |= uint16(v.Text[i]) << m.shift(i)
		}
		return
	}
	n := len(dst)
	for i := range dst {
		w := uint16(v.Bits >> (16 * (n - 1 - i)))
		dst[m.place(i, n)] = m.bytes(w, n)
	}
}

// FromRegisters reads the value of a tag from its registers.
func (m *Mapping) FromRegisters(t *Tag, src []uint16) Value {
	switch t.Type {
	case Text:
		b := make([]byte, 0, 2*len(src))
		for i := range 2 * len(src) {
			b = append(b, byte(src[i/2]>>m.shift(i)))
		}
		return Value{Text: string(b[:min(len(b), t.Length)])}
	case Bool:
		return Value{Bits: uint64(src[0]) >> t.Bit & 1}
	}
	var v Value
	n := len(src)
	for i := range src {
		v.Bits = v.Bits<<16 | uint64(m.bytes(src[m.place(i, n)], n))
	}
	return v
}

// place is where word i of n stands, 0 being the most significant.
func (m *Mapping) place(i, n int) int {
	if m.Order == CDAB || m.Order == DCBA {
		return n - 1 - i
	}
	return i
}

// bytes swaps the bytes of a word where the order has them swapped. A value of
// one register is never swapped.
func (m *Mapping) bytes(w uint16, n int) uint16 {
	if n > 1 && (m.Order == BADC || m.Order == DCBA) {
		return w<<8 | w>>8
	}
	return w
}

// shift is by how much character i is shifted in its register.
func (m *Mapping) shift(i int) int {
	first := m.TextOrder != BA
	if (i%2 == 0) == first {
		return 8
	}
	return 0
}
