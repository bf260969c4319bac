// Package nodeset is the address space of a line's controller over OPC UA, in
// one table: the blocks of the handshake as arrays of UInt16, and beside them
// typed variables in engineering units for people who browse. It writes the
// space as a NodeSet2 file, which a server loads.
package nodeset

import (
	"fmt"
	"strings"

	"lapgate/sim/registers"
)

// URI is the namespace of all nodes here.
const URI = "urn:lapgate:line"

// RootID is the numeric identifier of the folder under Objects. All other
// nodes have strings that begin with the name of the line.
const RootID = 1

// Names of the folders, as browse names and as parts of identifiers.
const (
	RootName      = "Lapgate"
	HandshakeName = "Handshake"
	DisplayName   = "Display"
)

// Block is one variable that holds a block of the handshake, or one entry of
// the outcome ring.
type Block struct {
	Name     registers.Block
	Entry    int    // of the ring, 0 for other blocks
	ID       string // behind the name of the line and a dot
	Browse   string
	Words    int
	Writable bool // the gateway owns it
	Text     string
}

// Blocks lists the variables of the handshake in the order of the space.
func Blocks() []Block {
	var all []Block
	for _, name := range registers.Blocks() {
		s := name.Shape()
		b := Block{Name: name, Words: s.Words, Writable: s.Gateway}
		b.ID = strings.ToUpper(s.Prefix[:1]) + s.Prefix[1:]
		b.Browse = b.ID
		if name != registers.Outcome {
			b.Text = fmt.Sprintf("Block %s: %s", name, blockText(name))
			all = append(all, b)
			continue
		}
		ring := b
		for n := range registers.RingEntries {
			ring.Entry, ring.ID, ring.Browse = n, fmt.Sprintf("%s.%02d", b.ID, n), fmt.Sprintf("%s%02d", b.Browse, n)
			ring.Text = fmt.Sprintf("Block %s: the outcome whose number leaves %d when divided by %d.", name, n, registers.RingEntries)
			all = append(all, ring)
		}
	}
	return all
}

// blockText says what a block is for.
func blockText(b registers.Block) string {
	switch b {
	case registers.Request:
		return "all that the gateway decides on. Published by the controller."
	case registers.Heartbeat:
		return "the gateway is alive. Written by the gateway."
	case registers.Hello:
		return "the gateway opens a session. Written by the gateway."
	case registers.Payload:
		return "an offer, in force only by a commit. Written by the gateway."
	case registers.Commit:
		return "asks to judge the offer. Written by the gateway."
	case registers.Limits:
		return "the controller's own limits. Published by the controller where the request says so."
	}
	return "outcomes that are recorded. Written by the gateway."
}

// NodeID is the string identifier of the block's variable.
func (b *Block) NodeID(line string) string { return line + "." + b.ID }

// View is what a display variable mirrors.
type View string

// The views, by the block that each mirrors.
const (
	OfRequest View = "Request"
	OfRecipe  View = "Recipe"
	OfOutcome View = "Outcome"
)

// views lists the views in the order of the space.
func views() []View { return []View{OfRequest, OfRecipe, OfOutcome} }

func (v View) text() string {
	switch v {
	case OfRequest:
		return "The roll at the station and the state of the station. For people only."
	case OfRecipe:
		return "The recipe accepted last. For people only."
	}
	return "The outcome of the roll that left last. For people only."
}

// Display is one display variable. No decision is taken from any.
type Display struct {
	View View
	Name string
	Text string
	Unit string

	field *registers.Field
	bit   int // of flags
}

// NodeID is the string identifier of the variable.
func (d *Display) NodeID(line string) string {
	return line + "." + DisplayName + "." + string(d.View) + "." + d.Name
}

// Value reads the variable from the words of the block that it mirrors, in
// the Go type of its data type.
func (d *Display) Value(w []uint16) any {
	f := d.field
	switch d.dataType() {
	case typeBoolean:
		return f.Number(w, 0)>>d.bit&1 == 1
	case typeUInt16:
		return uint16(f.Number(w, 0))
	case typeUInt32:
		return uint32(f.Number(w, 0))
	case typeDouble:
		return f.Amount(w, 0)
	}
	if f.Form == registers.Text {
		return strings.TrimRight(letters(w[f.Register:f.Register+f.Registers()]), "\x00")
	}
	if n := int(f.Number(w, 0)); n < len(f.Named) {
		return f.Named[n]
	}
	return "unknown"
}

func letters(words []uint16) string {
	var b strings.Builder
	for _, x := range words {
		b.WriteByte(byte(x >> 8))
		b.WriteByte(byte(x))
	}
	return b.String()
}

// Aliases of the data types.
const (
	typeBoolean = "Boolean"
	typeUInt16  = "UInt16"
	typeUInt32  = "UInt32"
	typeDouble  = "Double"
	typeString  = "String"
)

// dataType is the alias of the variable's data type: numbers that only count
// or name something are whole, quantities are Double.
func (d *Display) dataType() string {
	f := d.field
	switch {
	case f.Form == registers.Flags:
		return typeBoolean
	case f.Form == registers.Text || f.Named != nil:
		return typeString
	case f.Unit != "" || f.Steps > 1:
		return typeDouble
	case f.Form == registers.Long:
		return typeUInt32
	}
	return typeUInt16
}

// block is what a view mirrors.
func (v View) block() registers.Block {
	switch v {
	case OfRequest:
		return registers.Request
	case OfRecipe:
		return registers.Payload
	}
	return registers.Outcome
}

// Displays lists the display variables in the order of the space.
func Displays() []Display {
	var all []Display
	for _, v := range views() {
		s := v.block().Shape()
		for i := range s.Fields {
			f := &s.Fields[i]
			if f.Display != "" {
				all = append(all, Display{View: v, Name: f.Display, Text: f.Meaning, Unit: f.Unit, field: f})
			}
			for n, b := range f.Bits {
				if b.Display != "" {
					all = append(all, Display{View: v, Name: b.Display, Text: b.Meaning, field: f, bit: n})
				}
			}
		}
	}
	return all
}

// unitCode is the code and name of a unit by UN/ECE recommendation 20.
func unitCode(unit string) (code, name string) {
	switch unit {
	case "mm":
		return "MMT", "millimetre"
	case "kg":
		return "KGM", "kilogram"
	case "g":
		return "GRM", "gram"
	case "s":
		return "SEC", "second"
	case "Hz":
		return "HTZ", "hertz"
	case "kPa":
		return "KPA", "kilopascal"
	case "%":
		return "P1", "percent"
	case "°C":
		return "CEL", "degree Celsius"
	case "m/s":
		return "MTS", "metre per second"
	}
	return "", ""
}

// unitID is the number that OPC UA gives a unit: the characters of its code
// as bytes, the last one lowest (OPC UA part 8, 5.6.3).
func unitID(code string) int32 {
	var id int32
	for _, c := range []byte(code) {
		id = id<<8 | int32(c)
	}
	return id
}
