// Package tags serves a controller whose program cannot take the blocks of the
// handshake: each of their fields is a tag of the controller's own, of any
// type, order, scale and unit. The package knows what the fields are, turns
// values of tags into fields and back, checks a list of tags, and says which
// guarantees of the handshake the list gives up.
//
// Its port offers the blocks to the gateway and keeps them in tags: reading a
// block reads its tags and puts the words together, writing one writes its
// tags. So the same state machine serves such a controller, and nothing of the
// handshake is written twice. What a list of tags lacks of a block is made here.
// That is always type, layout and checksum. A field without a tag gets a
// stand-in, where the configuration has waived the guarantees that rest on it.
//
// A number whose change starts something is written last, in a request of its
// own: the commit's offer after the rest of the commit, the count after the rest
// of the heartbeat.
package tags

import (
	"slices"
)

// Type is how a tag stands in the controller.
type Type string

// The types. Bool is one bit of a register, or a Boolean node. Text is ASCII,
// two characters per register, or a String node.
const (
	Bool    Type = "bool"
	Int16   Type = "int16"
	Uint16  Type = "uint16"
	Int32   Type = "int32"
	Uint32  Type = "uint32"
	Int64   Type = "int64"
	Uint64  Type = "uint64"
	Float32 Type = "float32"
	Float64 Type = "float64"
	Text    Type = "text"
)

// Types lists the types.
func Types() []Type {
	return []Type{Bool, Int16, Uint16, Int32, Uint32, Int64, Uint64, Float32, Float64, Text}
}

// Bits is the width of the type, 1 for a bool and 0 for a text.
func (t Type) Bits() int {
	switch t {
	case Bool:
		return 1
	case Int16, Uint16:
		return 16
	case Int32, Uint32, Float32:
		return 32
	case Int64, Uint64, Float64:
		return 64
	}
	return 0
}

// Float reports whether the type is a floating-point one.
func (t Type) Float() bool { return t == Float32 || t == Float64 }

// Signed reports whether the type is an integer with a sign.
func (t Type) Signed() bool { return t == Int16 || t == Int32 || t == Int64 }

// Order is how the bytes of a value of 32 bits stand in two registers, A being
// the most significant; a value of 64 bits stands in four likewise. The name
// is given for each device and never guessed. A value of 16 bits always has its
// high byte first, as Modbus defines it.
type Order string

// The orders: plain, words swapped, bytes of each word swapped, both. For 64
// bits they are ABCDEFGH, GHEFCDAB, BADCFEHG and HGFEDCBA.
const (
	ABCD Order = "ABCD"
	CDAB Order = "CDAB"
	BADC Order = "BADC"
	DCBA Order = "DCBA"
)

// TextOrder is which byte of a register holds the first of two characters.
type TextOrder string

// The orders of text: AB puts the first character into the high byte.
const (
	AB TextOrder = "AB"
	BA TextOrder = "BA"
)

// Tag is one tag of a controller and the field that it stands for.
type Tag struct {
	// Field is the name of the field, as in request.roll_no.
	Field string
	Type  Type
	// Scale is how much of Unit one step of the number is: number in Unit =
	// number in the controller × Scale. 1 where it is 0.
	Scale float64
	// Unit is the unit of the number in the controller; empty for plain
	// numbers, bits and text.
	Unit string
	// Length is how many characters a text has room for.
	Length int
	// Address is the zero-based address of the first holding register; -1 for
	// none.
	Address int
	// Bit is the bit of the register that holds a bool, 0 the least
	// significant; -1 for none.
	Bit int
	// Node is the identifier of a node of OPC UA as it was pasted; empty for
	// none.
	Node string
}

// Registers is how many registers the tag takes.
func (t *Tag) Registers() int {
	switch t.Type {
	case Bool:
		return 1
	case Text:
		return (t.Length + 1) / 2
	}
	return t.Type.Bits() / 16
}

// Value is what stands in a tag: the bits of a number as they are in the
// controller, two's complement or IEEE 754, in the low bits; or a text.
type Value struct {
	Bits uint64
	Text string
}

// Mapping is a whole list of tags.
type Mapping struct {
	Order     Order
	TextOrder TextOrder
	Tags      []Tag
	// Waived names the guarantees that are given up on purpose.
	Waived []string
}

// Of returns the indices of the tags of one field, nil for none. Every field
// has one tag at most in a mapping that passed its check.
func (m *Mapping) Of(field string) (index int, ok bool) {
	i := slices.IndexFunc(m.Tags, func(t Tag) bool { return t.Field == field })
	return i, i >= 0
}
