package handshake

import (
	"fmt"
	"hash/crc32"
	"math"
)

// Sizes of the blocks in registers, and of the ring in entries.
const (
	ReqWords       = 96
	OutWords       = 40
	OutEntries     = 64
	HeartbeatWords = 10
	HelloWords     = 10
	PayloadWords   = 80
	CommitWords    = 14
	AckWords       = 10
	LimitsWords    = 80
)

// LayoutVersion stands in the layout word of every block that has one.
const LayoutVersion = 2

// firstLayout is the layout of the oldest words that a journal may hold.
const firstLayout = 1

// TagLen is the greatest number of characters of a roll tag.
const TagLen = 16

// Blocks is the number of blocks.
const Blocks = int(LIMITS) + 1

// Form is how a field stands in its registers.
type Form string

// The forms. A u32 is high word first, an i16 is two's complement, a text is
// bytes with two to a register and zeros at the end, an array is of u16.
const (
	FormU16   Form = "u16"
	FormU32   Form = "u32"
	FormI16   Form = "i16"
	FormText  Form = "text"
	FormArray Form = "array"
)

// Direction tells who writes a block.
type Direction string

// The directions.
const (
	ToGateway    Direction = "controller to gateway"
	ToController Direction = "gateway to controller"
)

// FieldInfo describes one field of a block for documents and register maps.
type FieldInfo struct {
	Name      string    // snake_case, unique within the block
	Register  int       // offset from the base of the block or entry
	Words     int       // registers it takes
	Kind      Form      // how it stands in them
	Scale     float64   // number in Unit = number on the wire × Scale
	Unit      string    // empty for plain numbers, bits and text
	Doc       string    // meaning, values, and what 0 means
	Direction Direction // who writes it
	Bits      bool      // a set of bits, not a quantity
	Setpoint  string    // the setpoint of the recipe that it carries, empty for none
	Since     int       // first version of the layout that has it
}

// In reports whether the words of a block, as a journal keeps them, are of a
// layout that has the field. Words of an earlier one cannot tell it.
func (f *FieldInfo) In(words []uint16) bool { return int(words[1]) >= f.Since }

// Range is the least and the greatest number that the registers hold.
func (f *FieldInfo) Range() (least, most int64) {
	switch f.Kind {
	case FormU32:
		return 0, math.MaxUint32
	case FormI16:
		return math.MinInt16, math.MaxInt16
	}
	return 0, math.MaxUint16
}

// Number is the number of a field that is one, in the words of its block.
func (f *FieldInfo) Number(words []uint16) int64 {
	w := words[f.Register:]
	switch f.Kind {
	case FormU32:
		return int64(get32(w))
	case FormI16:
		return int64(int16(w[0]))
	}
	return int64(w[0])
}

// PutNumber sets the number of a field in the words of its block; it must be in
// its Range.
func (f *FieldInfo) PutNumber(words []uint16, n int64) {
	w := words[f.Register:]
	if f.Kind == FormU32 {
		put32(w, uint32(n))
		return
	}
	w[0] = uint16(n)
}

// PerSI is how many of the field's numbers make one SI unit of what it holds,
// with temperatures in °C and shares as such.
func (f *FieldInfo) PerSI() float64 {
	unit := 1.0 // of the field's in one SI unit
	switch f.Unit {
	case "mm", "mm/s", "g":
		unit = 1000
	case "kPa":
		unit = 0.001
	case "%":
		unit = 100
	}
	return unit / f.Scale
}

// SI is a number of the field in SI units.
func (f *FieldInfo) SI(n int64) float64 {
	per := f.PerSI()
	if per < 1 {
		return float64(n) * math.Round(1/per) // a whole number of SI units to each
	}
	return float64(n) / per
}

// Nearest is the number of the field nearest to a value in SI units. ok is
// false where the field has no room for it, or it is no number.
func (f *FieldInfo) Nearest(v float64) (n int64, ok bool) {
	x := math.Round(v * f.PerSI())
	least, most := f.Range()
	if !(x >= float64(least) && x <= float64(most)) {
		return 0, false
	}
	return int64(x), true
}

// shape is a table without its accessors.
type shape interface {
	size() int
	infos() []FieldInfo
	verify(words []uint16) error
}

// field is one row of a table. Exactly one accessor is set.
type field[T any] struct {
	reg   int
	words int
	name  string
	scale float64
	unit  string
	doc   string
	bits  bool
	of    string // setpoint that it carries, empty for none
	from  int    // first version of the layout that has it, 0 for the first
	u16   func(*T) *uint16
	u32   func(*T) *uint32
	i16   func(*T) *int16
	text  func(*T) *Tag
	array func(*T) []uint16
}

func u16f[T any](reg int, name string, scale float64, unit, doc string, at func(*T) *uint16) field[T] {
	return field[T]{reg: reg, words: 1, name: name, scale: scale, unit: unit, doc: doc, u16: at}
}

func u32f[T any](reg int, name string, scale float64, unit, doc string, at func(*T) *uint32) field[T] {
	return field[T]{reg: reg, words: 2, name: name, scale: scale, unit: unit, doc: doc, u32: at}
}

func i16f[T any](reg int, name string, scale float64, unit, doc string, at func(*T) *int16) field[T] {
	return field[T]{reg: reg, words: 1, name: name, scale: scale, unit: unit, doc: doc, i16: at}
}

func textf[T any](reg, words int, name, doc string, at func(*T) *Tag) field[T] {
	return field[T]{reg: reg, words: words, name: name, scale: 1, doc: doc, text: at}
}

func arrayf[T any](reg, words int, name string, scale float64, unit, doc string, at func(*T) []uint16) field[T] {
	return field[T]{reg: reg, words: words, name: name, scale: scale, unit: unit, doc: doc, array: at}
}

// bitset marks a field as a set of bits.
func (f field[T]) bitset() field[T] {
	f.bits = true
	return f
}

// setpoint tells which setpoint of the recipe the field carries.
func (f field[T]) setpoint(name string) field[T] {
	f.of = name
	return f
}

// since tells the first version of the layout that has the field.
func (f field[T]) since(layout int) field[T] {
	f.from = layout
	return f
}

// table is one block: encoder, decoder, register map and documentation all
// come from it.
type table[T any] struct {
	block    ID
	words    int
	typ      uint16
	layout   bool // register 1 is the layout word
	genHead  int  // registers of the generation, 0 none
	genTail  int
	dir      Direction
	fields   []field[T]
	reserved []int // registers that stay zero
}

// build finds the registers that no field covers; those are written as zero
// and refused when they are not.
func build[T any](t table[T]) *table[T] {
	var used [ReqWords]bool
	used[0], used[t.words-2], used[t.words-1] = true, true, true
	if t.layout {
		used[1] = true
	}
	for _, f := range t.fields {
		for i := range f.words {
			used[f.reg+i] = true
		}
	}
	for r := range t.words {
		if !used[r] {
			t.reserved = append(t.reserved, r)
		}
	}
	return &t
}

func (t *table[T]) size() int { return t.words }

func (t *table[T]) infos() []FieldInfo {
	out := make([]FieldInfo, 0, len(t.fields)+3)
	own := func(name string, register, words int, kind Form, doc string) FieldInfo {
		return FieldInfo{Name: name, Register: register, Words: words, Kind: kind, Scale: 1, Doc: doc, Direction: t.dir, Since: firstLayout}
	}
	out = append(out, own("type", 0, 1, FormU16, fmt.Sprintf("Type word of the block, always %04X hexadecimal.", t.typ)))
	if t.layout {
		out = append(out, own("layout", 1, 1, FormU16, fmt.Sprintf("Version of the layout, always %d.", LayoutVersion)))
	}
	for _, f := range t.fields {
		out = append(out, t.info(&f))
	}
	return append(out, own("crc", t.words-2, 2, FormU32, "CRC-32 over all registers before it, as big-endian bytes."))
}

func (t *table[T]) info(f *field[T]) FieldInfo {
	return FieldInfo{Name: f.name, Register: f.reg, Words: f.words, Kind: f.form(), Scale: f.scale, Unit: f.unit, Doc: f.doc, Direction: t.dir, Bits: f.bits, Setpoint: f.of, Since: max(f.from, firstLayout)}
}

func (f *field[T]) form() Form {
	switch {
	case f.u32 != nil:
		return FormU32
	case f.i16 != nil:
		return FormI16
	case f.text != nil:
		return FormText
	case f.array != nil:
		return FormArray
	}
	return FormU16
}

// CRC returns CRC-32 (IEEE 802.3) over the words as big-endian bytes.
func CRC(words []uint16) uint32 {
	crc := ^uint32(0)
	for _, w := range words {
		crc = crc32.IEEETable[byte(crc)^byte(w>>8)] ^ crc>>8
		crc = crc32.IEEETable[byte(crc)^byte(w)] ^ crc>>8
	}
	return ^crc
}

func get32(w []uint16) uint32 { return uint32(w[0])<<16 | uint32(w[1]) }

func put32(w []uint16, v uint32) { w[0], w[1] = uint16(v>>16), uint16(v) }

// encode fills dst, which has the length of the block.
func (t *table[T]) encode(x *T, dst []uint16) error {
	if len(dst) != t.words {
		return fmt.Errorf("encode block %s: %d registers given, want %d", t.block, len(dst), t.words)
	}
	for i := range t.fields {
		f := &t.fields[i]
		w := dst[f.reg : f.reg+f.words]
		switch {
		case f.u16 != nil:
			w[0] = *f.u16(x)
		case f.u32 != nil:
			put32(w, *f.u32(x))
		case f.i16 != nil:
			w[0] = uint16(*f.i16(x))
		case f.array != nil:
			copy(w, f.array(x))
		case f.text != nil:
			if err := putText(w, *f.text(x)); err != nil {
				return fmt.Errorf("encode block %s: field %s: %w", t.block, f.name, err)
			}
		}
	}
	for _, r := range t.reserved {
		dst[r] = 0
	}
	dst[0] = t.typ
	if t.layout {
		dst[1] = LayoutVersion
	}
	put32(dst[t.words-2:], CRC(dst[:t.words-2]))
	return nil
}

// decode fills x. On an error x is as it was.
func (t *table[T]) decode(words []uint16, x *T) error {
	if err := t.verify(words); err != nil {
		return err
	}
	t.read(words, x)
	return nil
}

// decodeStored is decode for words that a journal holds. They may be of an
// earlier layout, which has no more than zeros where later fields stand.
func (t *table[T]) decodeStored(words []uint16, x *T) error {
	if err := t.verifyLayout(words, firstLayout); err != nil {
		return err
	}
	t.read(words, x)
	return nil
}

// read fills x from words that were verified.
func (t *table[T]) read(words []uint16, x *T) {
	for i := range t.fields {
		f := &t.fields[i]
		w := words[f.reg : f.reg+f.words]
		switch {
		case f.u16 != nil:
			*f.u16(x) = w[0]
		case f.u32 != nil:
			*f.u32(x) = get32(w)
		case f.i16 != nil:
			*f.i16(x) = int16(w[0])
		case f.array != nil:
			copy(f.array(x), w)
		case f.text != nil:
			getText(w, f.text(x))
		}
	}
}

// verify accepts exactly the words that encode can produce. The generation is
// compared before the checksum, so that a block caught half written is told
// apart from a damaged one.
func (t *table[T]) verify(words []uint16) error { return t.verifyLayout(words, LayoutVersion) }

// verifyLayout is verify for words of a layout from oldest on.
func (t *table[T]) verifyLayout(words []uint16, oldest int) error {
	if len(words) != t.words {
		return &DecodeError{Block: t.block, Cause: CauseLength, Got: uint32(len(words)), Want: uint32(t.words)}
	}
	if words[0] != t.typ {
		return &DecodeError{Block: t.block, Cause: CauseType, Got: uint32(words[0]), Want: uint32(t.typ)}
	}
	if t.layout && (int(words[1]) < oldest || words[1] > LayoutVersion) {
		return &DecodeError{Block: t.block, Cause: CauseLayout, Register: 1, Field: "layout",
			Got: uint32(words[1]), Want: LayoutVersion}
	}
	if t.genTail != 0 && words[t.genHead] != words[t.genTail] {
		return &DecodeError{Block: t.block, Cause: CauseGeneration, Register: t.genTail,
			Got: uint32(words[t.genTail]), Want: uint32(words[t.genHead])}
	}
	if got, want := get32(words[t.words-2:]), CRC(words[:t.words-2]); got != want {
		return &DecodeError{Block: t.block, Cause: CauseCRC, Register: t.words - 2, Got: got, Want: want}
	}
	for _, r := range t.reserved {
		if words[r] != 0 {
			return &DecodeError{Block: t.block, Cause: CauseLayout, Register: r, Field: "zero", Got: uint32(words[r])}
		}
	}
	for i := range t.fields {
		f := &t.fields[i]
		if t.layout && int(words[1]) < f.from && words[f.reg] != 0 {
			return &DecodeError{Block: t.block, Cause: CauseLayout, Register: f.reg, Field: "zero", Got: uint32(words[f.reg])}
		}
	}
	return nil
}

// putText writes bytes, the first in the high byte, and zeros behind them.
func putText(w []uint16, s Tag) error {
	if len(s) > 2*len(w) {
		return fmt.Errorf("text %q has %d characters, at most %d fit", string(s), len(s), 2*len(w))
	}
	clear(w)
	for i := range len(s) {
		w[i/2] |= uint16(s[i]) << (8 - 8*(i%2))
	}
	return nil
}

// getText sets *s, and allocates only when the text changed.
func getText(w []uint16, s *Tag) {
	var room [2 * ReqWords]byte
	n := 0
	for _, v := range w {
		room[n], room[n+1] = byte(v>>8), byte(v)
		n += 2
	}
	for n > 0 && room[n-1] == 0 {
		n--
	}
	if string(*s) != string(room[:n]) {
		*s = Tag(room[:n])
	}
}
