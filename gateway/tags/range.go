package tags

import (
	"fmt"
	"math"
	"math/big"
	"strconv"
	"strings"
)

// Range is the least and the greatest number that the type of the tag has, in
// the tag's unit. ok is false for a text, which has none.
func (t *Tag) Range() (low, high string, ok bool) {
	one := big.NewInt(1)
	width := t.Type.Bits()
	switch {
	case width == 0:
		return "", "", false
	case t.Type.Float():
		most := math.MaxFloat64
		if t.Type == Float32 {
			most = math.MaxFloat32
		}
		if scale := t.step(); scale < 1 || t.Type == Float32 {
			most *= scale
		}
		text := strconv.FormatFloat(most, 'g', 8, 64)
		return "-" + text, text, true
	case t.Type.Signed():
		half := new(big.Int).Lsh(one, uint(width-1))
		return t.exact(new(big.Int).Neg(half)), t.exact(new(big.Int).Sub(half, one)), true
	}
	return "0", t.exact(new(big.Int).Sub(new(big.Int).Lsh(one, uint(width)), one)), true
}

func (t *Tag) step() float64 {
	if t.Scale == 0 {
		return 1
	}
	return t.Scale
}

// exact is a whole number of the controller in the tag's unit, with the
// decimals of the scale and every digit that it has.
func (t *Tag) exact(n *big.Int) string {
	scale := strconv.FormatFloat(t.step(), 'f', -1, 64)
	_, decimals, _ := strings.Cut(scale, ".")
	x, ok := new(big.Rat).SetString(scale)
	if !ok { // a scale that is no number, which the check refuses
		return n.String()
	}
	return x.Mul(x, new(big.Rat).SetInt(n)).FloatString(len(decimals))
}

// Bounds is the least and the greatest number that the field holds, in the unit
// of the tag. A value outside is refused, whatever the type could hold. ok is
// false for a text.
func (p *Point) Bounds() (low, high string, ok bool) {
	if p.Field.Form == Letters {
		return "", "", false
	}
	lo, hi := p.Field.bounds()
	return p.inUnit(lo), p.inUnit(hi), true
}

func (p *Point) inUnit(x int64) string {
	const digits = 10
	v, _ := strconv.ParseFloat(strconv.FormatFloat(float64(x)/p.steps*p.factor+p.offset, 'g', digits, 64), 64)
	return strconv.FormatFloat(v, 'f', -1, 64)
}

// Show is a value in the tag's unit as it stands in the controller, whether or
// not the field has room for it.
func (p *Point) Show(v Value) string {
	t := &p.Tag
	switch {
	case t.Type == Text:
		return strconv.Quote(strings.TrimRight(v.Text, " \x00"))
	case t.Type == Bool:
		return strconv.FormatBool(v.Bits&1 == 1)
	case t.Type == Float32 && t.step() == 1:
		return strconv.FormatFloat(float64(math.Float32frombits(uint32(v.Bits))), 'g', -1, 32) + spaced(t.Unit)
	case t.Type.Float():
		x, err := fromBits(t.Type, v.Bits)
		if err != nil {
			return err.Error()
		}
		return strconv.FormatFloat(x*t.step(), 'g', -1, 64) + spaced(t.Unit)
	case p.Field.Form == Bits:
		return fmt.Sprintf("0x%X", v.Bits)
	}
	n := new(big.Int).SetUint64(v.Bits)
	if width := uint(t.Type.Bits()); t.Type.Signed() && n.Bit(int(width-1)) == 1 {
		n.Sub(n, new(big.Int).Lsh(big.NewInt(1), width))
	}
	return t.exact(n) + spaced(t.Unit)
}

// Written is the order of a type's bytes in its registers, with as many letters
// as it has bytes; empty for a type of one register or of characters.
func (o Order) Written(t Type) string {
	switch {
	case t.Bits() < 32:
		return ""
	case t.Bits() == 32:
		return string(o)
	}
	switch o {
	case ABCD:
		return "ABCDEFGH"
	case CDAB:
		return "GHEFCDAB"
	case BADC:
		return "BADCFEHG"
	case DCBA:
		return "HGFEDCBA"
	}
	return ""
}
