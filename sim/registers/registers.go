// Package registers is the simulator's own table of the registers of the
// handshake, written from configs/controller/handshake.md alone: blocks, fields,
// units and words stand here and nowhere else below sim. The gateway has a table
// of its own, so that a mistake in one is not made in both. Controller program,
// tags, nodes and displays of the simulator are all made from this table.
package registers

import (
	"fmt"
	"hash/crc32"
	"math"
)

// LayoutVersion is the version of the layout that each block with such a
// register names.
const LayoutVersion = 2

// Sizes of the blocks in registers, and of the ring of outcomes in entries.
const (
	RequestWords   = 96
	OutcomeWords   = 40
	HeartbeatWords = 10
	HelloWords     = 10
	PayloadWords   = 80
	CommitWords    = 14
	AckWords       = 10
	LimitsWords    = 80

	RingEntries = 64
)

// TagLetters is how many characters a roll tag has at most; two stand in each
// register.
const TagLetters = 16

// Block names a block as its description does.
type Block string

// The blocks: three of the controller, five of the gateway.
const (
	Request   Block = "REQ"
	Outcome   Block = "OUT"
	Heartbeat Block = "HEARTBEAT"
	Hello     Block = "HELLO"
	Payload   Block = "PAYLOAD"
	Commit    Block = "COMMIT"
	Ack       Block = "ACK"
	Limits    Block = "LIMITS"
)

// Blocks lists the blocks in the order of the description.
func Blocks() []Block {
	return []Block{Request, Outcome, Heartbeat, Hello, Payload, Commit, Ack, Limits}
}

// Shape is what is fixed of a block.
type Shape struct {
	Block    Block
	Prefix   string // of the names of its fields as tags
	Words    int    // its size in registers
	TypeWord uint16 // in register 0
	Layout   bool   // register 1 holds the version of the layout
	Base     uint16 // first register as the description proposes it
	Gateway  bool   // the gateway owns it
	Fields   []Field

	index map[string]int // name to place in Fields
}

// Form is how a field stands in its registers.
type Form uint8

// Forms of a field.
const (
	Word   Form = iota // one register
	Signed             // one register in two's complement
	Long               // two registers, the high word first
	Text               // TagLetters characters, two in a register
	Flags              // one register of bits that each have a meaning
)

// Group is the group of setpoints that a field belongs to, by its bit in the
// register of groups in force.
type Group int

// The groups.
const (
	GroupStand Group = iota
	GroupWrap
	GroupCrimp
	GroupGlue
	GroupHeader
	GroupWeigh
	GroupCentre
	GroupDrives

	Always Group = -1 // in force whatever the groups are
)

// Field is one field of a block.
type Field struct {
	Name     string
	Register int // first one, from 0 in its block
	Form     Form
	Count    int      // elements of an array; 1 for a single value
	Unit     string   // empty for a pure number
	Steps    float64  // how many steps of the register make one of the unit
	Group    Group    // of a setpoint
	Named    []string // what the numbers from 0 on stand for
	Bits     []Bit    // of Flags, by bit

	// Display is the name of the variable that shows it to people, empty for
	// none; Meaning says in words what it is.
	Display, Meaning string
}

// Bit is one bit of a field of flags.
type Bit struct{ Display, Meaning string }

// Registers is how many registers one element takes.
func (f *Field) Registers() int {
	switch f.Form {
	case Long:
		return 2
	case Text:
		return TagLetters / 2
	}
	return 1
}

// Number is the number that stands in the registers of element i, from 0. It is
// not for text.
func (f *Field) Number(words []uint16, i int) int64 {
	at := f.Register + i*f.Registers()
	switch f.Form {
	case Signed:
		return int64(int16(words[at]))
	case Long:
		return int64(words[at])<<16 | int64(words[at+1])
	}
	return int64(words[at])
}

// Range is the least and the greatest number that the field can hold.
func (f *Field) Range() (least, most int64) {
	switch f.Form {
	case Signed:
		return math.MinInt16, math.MaxInt16
	case Long:
		return 0, math.MaxUint32
	}
	return 0, math.MaxUint16
}

// PutNumber writes the number of element i, from 0.
func (f *Field) PutNumber(words []uint16, i int, n int64) {
	at := f.Register + i*f.Registers()
	if f.Form == Long {
		words[at], words[at+1] = uint16(n>>16), uint16(n)
		return
	}
	words[at] = uint16(n)
}

// Amount is the value of element i in the unit of the field.
func (f *Field) Amount(words []uint16, i int) float64 { return float64(f.Number(words, i)) / f.Steps }

// factor is how much of the unit of SI a unit is; temperatures stay in °C.
func factor(unit string) float64 {
	switch unit {
	case "mm", "g":
		return 1e-3
	case "%":
		return 1e-2
	case "kPa":
		return 1e3
	}
	return 1
}

// View is the words of one block, read and written by the names of its fields.
// A name that the block does not have is a mistake of the program and panics.
type View struct {
	shape *Shape
	words []uint16
}

// In looks at words as a block. They must have its size.
func In(b Block, words []uint16) View {
	s := b.Shape()
	if len(words) != s.Words {
		panic(fmt.Sprintf("sim/registers: %d words are no block %s of %d", len(words), b, s.Words))
	}
	return View{s, words}
}

// Shape is what is fixed of a block.
func (b Block) Shape() *Shape {
	for i := range shapes {
		if shapes[i].Block == b {
			return &shapes[i]
		}
	}
	panic("sim/registers: there is no block " + string(b))
}

// Field is the field of that name.
func (s *Shape) Field(name string) *Field {
	i, ok := s.index[name]
	if !ok {
		panic(fmt.Sprintf("sim/registers: block %s has no field %q", s.Block, name))
	}
	return &s.Fields[i]
}

// Has reports whether the block has a field of that name.
func (s *Shape) Has(name string) bool { _, ok := s.index[name]; return ok }

// Get is the number in a field that is no text.
func (v View) Get(name string) uint32 { return uint32(v.shape.Field(name).Number(v.words, 0)) }

// Put writes the number of a field that is no text.
func (v View) Put(name string, n uint32) { v.shape.Field(name).PutNumber(v.words, 0, int64(n)) }

// Number is the number in a field that is no text, with its sign.
func (v View) Number(name string) int64 { return v.shape.Field(name).Number(v.words, 0) }

// PutAll writes the elements of an array.
func (v View) PutAll(name string, all []uint16) {
	f := v.shape.Field(name)
	for i, n := range all {
		f.PutNumber(v.words, i, int64(n))
	}
}

// SI is the value of a field in SI, temperatures in °C.
func (v View) SI(name string) float64 {
	f := v.shape.Field(name)
	// One division, so that a decimal number comes out as it was written.
	return float64(f.Number(v.words, 0)) / (f.Steps / factor(f.Unit))
}

// Letters are the characters of a field of text, zero padded.
func (v View) Letters(name string) (t [TagLetters]byte) {
	f := v.shape.Field(name)
	for i := 0; i < len(t); i += 2 {
		w := v.words[f.Register+i/2]
		t[i], t[i+1] = byte(w>>8), byte(w)
	}
	return t
}

// PutLetters writes the characters of a field of text.
func (v View) PutLetters(name string, t [TagLetters]byte) {
	f := v.shape.Field(name)
	for i := 0; i < len(t); i += 2 {
		v.words[f.Register+i/2] = uint16(t[i])<<8 | uint16(t[i+1])
	}
}

// Begun reports whether anything stands in the block at all.
func (v View) Begun() bool { return v.words[0] != 0 }

// Begin writes the type word, and the version of the layout where the block
// has one.
func (v View) Begin() {
	v.words[0] = v.shape.TypeWord
	if v.shape.Layout {
		v.words[1] = LayoutVersion
	}
}

// Whole reports whether the block has its type and ends with its own checksum.
func (v View) Whole() bool {
	return v.words[0] == v.shape.TypeWord && Checksum(v.words[:len(v.words)-2]) == v.Sum()
}

// LayoutKnown reports whether the block is of the layout of this table.
func (v View) LayoutKnown() bool { return !v.shape.Layout || v.words[1] == LayoutVersion }

// Sum is the checksum that stands in the last two words.
func (v View) Sum() uint32 {
	n := len(v.words)
	return uint32(v.words[n-2])<<16 | uint32(v.words[n-1])
}

// Seal writes the checksum into the last two words.
func (v View) Seal() {
	n := len(v.words)
	sum := Checksum(v.words[:n-2])
	v.words[n-2], v.words[n-1] = uint16(sum>>16), uint16(sum)
}

// Checksum is the CRC-32 over words as big-endian bytes.
func Checksum(words []uint16) uint32 {
	b := make([]byte, 0, 2*RequestWords)
	for _, w := range words {
		b = append(b, byte(w>>8), byte(w))
	}
	return crc32.ChecksumIEEE(b)
}
