// Package mapped is the simulated controller as one that offers tags in place
// of the blocks of the handshake: each field is a variable of its own, of a
// type, order and unit that such a controller might have. Its program is that
// of the simulator; this package puts the blocks together from what was
// written to the variables, as such a controller's own program does, and takes
// them apart for reading. Its codec is its own, so that a mistake of the
// gateway's is not made here too.
package mapped

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"lapgate/sim/registers"
)

// Tag is one variable of the controller.
type Tag struct {
	Name     string  // block and field that it stands for
	Type     string  // bool, int16 … uint64, float32, float64, text
	Address  int     // zero-based register
	Bit      int     // of a bool
	Length   int     // of a text
	Scale    float64 // number in Unit = number × Scale
	Unit     string
	Writable bool   // by the gateway
	Node     string // of OPC UA

	block   registers.Block
	field   *registers.Field
	element int // of an array, from 0
}

// Registers of the two areas.
const (
	firstOwn   = 200  // of the controller
	firstGiven = 3000 // of the gateway
)

const namespace = "ns=2;s="

// Tags lists the variables of a controller that lacks those named.
func Tags(without ...string) []Tag {
	var out []Tag
	own, given, flags := firstOwn, firstGiven, -1
	for _, t := range all() {
		if slices.Contains(without, t.Name) {
			continue
		}
		at := &own
		if t.Writable {
			at = &given
		}
		if t.Type == "bool" {
			if flags < 0 {
				flags = *at
				*at++
			}
			t.Address = flags
		} else {
			t.Address = *at
			*at += t.registers()
		}
		out = append(out, t)
	}
	return out
}

// all makes a variable of each field, of each element of an array and of each
// flag.
func all() []Tag {
	var out []Tag
	for _, b := range registers.Blocks() {
		if b == registers.Limits {
			continue // a controller with tags tells no limits
		}
		s := b.Shape()
		for i := range s.Fields {
			f := &s.Fields[i]
			t := Tag{Name: s.Prefix + "." + f.Name, Unit: f.Unit, Bit: -1, Writable: s.Gateway, block: b, field: f}
			if f.Form == registers.Text {
				t.Length = registers.TagLetters
			}
			t.Type, t.Scale = typeOf(&t)
			switch {
			case f.Form == registers.Flags:
				for bit := range f.Bits {
					out = append(out, t.part(".bit", bit))
					out[len(out)-1].Bit = bit
				}
			case f.Count > 1:
				for n := range f.Count {
					out = append(out, t.part(".", n+1))
					out[len(out)-1].element = n
				}
			default:
				out = append(out, t.part("", -1))
			}
		}
	}
	return out
}

// part is one element or bit of the variable; a negative number is all of it.
func (t *Tag) part(sign string, n int) Tag {
	p := *t
	if n >= 0 {
		p.Name += sign + strconv.Itoa(n)
	}
	p.Node = namespace + p.Name
	return p
}

// typeOf gives each kind of quantity a type of its own, so that every type is
// on the wire.
func typeOf(t *Tag) (string, float64) {
	f := t.field
	switch {
	case f.Form == registers.Text:
		return "text", 1
	case f.Form == registers.Flags:
		return "bool", 1
	case strings.HasSuffix(t.Name, "tick") || strings.Contains(t.Name, ".tick_"):
		return "uint32", 0.01
	case t.Unit == "s":
		return "float64", 1
	case t.Unit == "°C":
		return "int16", 0.1
	case t.Unit == "kg" || t.Unit == "mm" && f.Steps > 1 || t.Unit == "Hz":
		return "float32", 1
	case t.Unit == "kPa":
		return "int32", 1 / f.Steps
	case f.Steps > 1:
		return "float32", 1
	case strings.HasSuffix(t.Name, "roll_no"):
		return "uint64", 1
	case strings.HasSuffix(t.Name, "req_id"):
		return "int64", 1
	case f.Form == registers.Long:
		return "uint32", 1
	}
	return "uint16", 1
}

// width is the bits of a numeric type.
func (t *Tag) width() int {
	n := 16
	for _, w := range []int{32, 64} {
		if strings.HasSuffix(t.Type, strconv.Itoa(w)) {
			n = w
		}
	}
	return n
}

func (t *Tag) registers() int {
	if t.Type == "text" {
		return t.Length / 2
	}
	return t.width() / 16
}

// Table is the table of the tags as CSV, with their addresses from zero.
func Table() []byte {
	var b strings.Builder
	b.WriteString("field,type,address,bit,length,scale,unit\n")
	for _, t := range Tags() {
		optional := func(n, none int) string {
			if n == none {
				return ""
			}
			return strconv.Itoa(n)
		}
		fmt.Fprintf(&b, "%s,%s,%d,%s,%s,%g,%s\n", t.Name, t.Type, t.Address, optional(t.Bit, -1), optional(t.Length, 0), t.Scale, t.Unit)
	}
	return []byte(b.String())
}
