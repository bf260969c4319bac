package tags

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"lapgate/gateway/handshake"
	"lapgate/recipe/quantity"
)

// Form is what a field holds.
type Form uint8

// The forms.
const (
	Number Form = iota
	Bits
	OneBit
	Letters
)

// Field is one field of a block that a tag can stand for: a whole one, one
// element of an array, or one bit of a set of bits.
type Field struct {
	Name  string // block.field, block.field.N for element N from 1, block.field.bitN
	Block handshake.ID
	Form  Form
	Info  handshake.FieldInfo
	part  int // element or bit, -1 for the whole field
}

// BlockName is the name of a block in the names of its fields.
func BlockName(id handshake.ID) string {
	switch id {
	case handshake.REQ:
		return "request"
	case handshake.OUT:
		return "outcome"
	}
	return strings.ToLower(id.String())
}

// Fields lists every field that can be mapped, in the order of the blocks. Type
// word, layout word and checksum are the blocks' own and are no fields of a
// mapping, and LIMITS has none: a mapped controller does not publish it.
func Fields() []Field {
	var out []Field
	for _, id := range handshake.IDs() {
		if handshake.Optional(id) {
			continue
		}
		for _, info := range handshake.Fields(id) {
			switch info.Name {
			case "type", "layout", "crc":
				continue
			}
			f := Field{Name: BlockName(id) + "." + info.Name, Block: id, Info: info, part: -1}
			switch {
			case info.Kind == handshake.FormArray:
				for i := range info.Words {
					e := f
					e.Name, e.part = f.Name+"."+strconv.Itoa(i+1), i
					out = append(out, e)
				}
				continue
			case info.Kind == handshake.FormText:
				f.Form = Letters
			case info.Bits:
				f.Form = Bits
			}
			out = append(out, f)
			if f.Form == Bits {
				for i := range 16 * info.Words {
					b := f
					b.Name, b.Form, b.part = f.Name+".bit"+strconv.Itoa(i), OneBit, i
					out = append(out, b)
				}
			}
		}
	}
	return out
}

// Find returns the field of a name.
func Find(name string) (Field, bool) {
	fields := Fields()
	if i := slices.IndexFunc(fields, func(f Field) bool { return f.Name == name }); i >= 0 {
		return fields[i], true
	}
	return Field{}, false
}

// Get returns the number of the field in the words of its block.
func (f *Field) Get(words []uint16) int64 {
	switch {
	case f.Form == OneBit:
		return f.Info.Number(words) >> f.part & 1
	case f.part >= 0:
		return int64(words[f.Info.Register+f.part])
	}
	return f.Info.Number(words)
}

// Put sets the number of the field in the words of its block. The error says
// that the field has no room for it; then nothing is set.
func (f *Field) Put(words []uint16, v int64) error {
	lo, hi := f.bounds()
	if v < lo || v > hi {
		return fmt.Errorf("%d is outside the field, which holds %d to %d", v, lo, hi)
	}
	switch {
	case f.Form == OneBit:
		f.Info.PutNumber(words, f.Info.Number(words)&^(1<<f.part)|v<<f.part)
	case f.part >= 0:
		words[f.Info.Register+f.part] = uint16(v)
	default:
		f.Info.PutNumber(words, v)
	}
	return nil
}

func (f *Field) bounds() (lo, hi int64) {
	if f.Form == OneBit {
		return 0, 1
	}
	return f.Info.Range()
}

// Letters returns the text of the field, without its padding.
func (f *Field) Letters(words []uint16) string {
	var b strings.Builder
	for _, w := range words[f.Info.Register : f.Info.Register+f.Info.Words] {
		b.WriteByte(byte(w >> 8))
		b.WriteByte(byte(w))
	}
	return strings.TrimRight(b.String(), "\x00")
}

// PutLetters sets the text of the field. The error says that it does not fit;
// then nothing is set.
func (f *Field) PutLetters(words []uint16, s string) error {
	if err := fitsPadded(s, 2*f.Info.Words); err != nil {
		return err
	}
	w := words[f.Info.Register : f.Info.Register+f.Info.Words]
	clear(w)
	for i := range len(s) {
		w[i/2] |= uint16(s[i]) << (8 - 8*(i%2))
	}
	return nil
}

// steps is how many steps of the field's number make one of its unit.
func (f *Field) steps() float64 {
	if f.Info.Scale >= 1 {
		return 1 / f.Info.Scale
	}
	return math.Round(1 / f.Info.Scale) // every scale below 1 is one part of a whole number
}

// counts reports whether the field is a plain number, of which parts make no
// sense.
func (f *Field) counts() bool { return f.Info.Unit == "" && f.Info.Scale == 1 }

const percent = "%"

// Units lists the units that a tag of the field can have; nil for a field
// without one.
func (f *Field) Units() []string {
	if f.Info.Unit == "" || f.Form == OneBit {
		return nil
	}
	if f.Info.Unit == percent {
		return []string{percent}
	}
	return quantity.Units(dimension(f.Info.Unit))
}

// dimension is what the units of the wire measure.
func dimension(unit string) quantity.Dimension {
	switch unit {
	case "mm":
		return quantity.Length
	case "s":
		return quantity.Time
	case "kg", "g":
		return quantity.Mass
	case "kPa":
		return quantity.Pressure
	case "°C":
		return quantity.Temperature
	case "mm/s":
		return quantity.Speed
	case "Hz":
		return quantity.Frequency
	}
	return quantity.None
}
