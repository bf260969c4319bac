package plc

import (
	"fmt"
	"hash/crc32"
	"strings"

	"lapgate/gateway/handshake"
)

// fixedFills are the marks that no configuration changes.
func fixedFills() []fill {
	last := func(n int) string { return fmt.Sprint(n - 1) }
	out := []fill{
		{"last RING", last(handshake.OutEntries * handshake.OutWords)},
		{"count RING", fmt.Sprint(handshake.OutEntries)},
		{"count OUT", fmt.Sprint(handshake.OutWords)},
		{"last BANK", last(bankWords)},
		{"last BANKS", last(2 * bankWords)},
		{"last TAG", last(handshake.TagLen / 2)},
	}
	for _, id := range handshake.IDs() {
		out = append(out, fill{"last " + id.String(), last(handshake.Words(id))})
		for _, f := range handshake.Fields(id) {
			if f.Kind == handshake.FormArray {
				out = append(out, fill{"last " + f.Name, last(f.Words)})
			}
		}
	}
	return append(out,
		fill{"crc table", crcTable()},
		fill{"alphabet", alphabet()},
		fill{"recipe type", recipeType()},
		fill{"recipe unpack", recipeUnpack()},
		fill{"limit count", fmt.Sprint(len(limits()))},
		fill{"low limits", limitList(func(l limit) int64 { return l.Low })},
		fill{"high limits", limitList(func(l limit) int64 { return l.High })},
	)
}

// crcTable is the table that the gateway's own checksum uses.
func crcTable() string {
	const perLine = 6
	var out strings.Builder
	for i, v := range crc32.IEEETable {
		switch {
		case i == 0:
			out.WriteString("      ")
		case i%perLine == 0:
			out.WriteString(",\n      ")
		default:
			out.WriteString(", ")
		}
		fmt.Fprintf(&out, "16#%08X", v)
	}
	return out.String()
}

// alphabet is printable ASCII in the order of its codes, as a literal.
func alphabet() string {
	var out strings.Builder
	for c := byte(' '); c <= '~'; c++ {
		if c == '$' || c == '\'' {
			out.WriteByte('$')
		}
		out.WriteByte(c)
	}
	return out.String()
}

// setpoints are the fields of the payload that the line's equipment takes.
func setpoints() []handshake.FieldInfo {
	var out []handshake.FieldInfo
	for _, f := range handshake.Fields(handshake.PAYLOAD) {
		if f.Register >= handshake.FirstSetpoint && f.Name != "crc" {
			out = append(out, f)
		}
	}
	return out
}

func fieldName(name string) string {
	head, rest, _ := strings.Cut(name, "_")
	var out strings.Builder
	out.WriteString(head)
	for part := range strings.SplitSeq(rest, "_") {
		if part != "" {
			out.WriteString(strings.ToUpper(part[:1]) + part[1:])
		}
	}
	return out.String()
}

func recipeType() string {
	var lines []string
	for _, f := range setpoints() {
		typ := map[handshake.Form]string{handshake.FormU16: "UINT", handshake.FormU32: "UDINT", handshake.FormI16: "INT"}[f.Kind]
		if f.Bits {
			typ = "WORD"
		}
		lines = append(lines, fmt.Sprintf("    %-31s(* %s *)", fieldName(f.Name)+" : "+typ+";", wireUnit(f)))
	}
	return strings.Join(lines, "\n")
}

func recipeUnpack() string {
	var lines []string
	for _, f := range setpoints() {
		at := "PAYLOAD_" + upperName(f.Name)
		from := "accepted[" + at + "]"
		switch {
		case f.Bits:
		case f.Kind == handshake.FormU32:
			from = "LG_Get32(" + from + ", accepted[" + at + " + 1])"
		case f.Kind == handshake.FormI16:
			from = "WORD_TO_INT(" + from + ")"
		default:
			from = "WORD_TO_UINT(" + from + ")"
		}
		name := "recipe." + fieldName(f.Name)
		line := "  " + name + " := " + from + ";"
		if len(line) > lineLength {
			line = "  " + name + " :=\n    " + from + ";"
		}
		lines = append(lines, line)
	}
	return strings.Join(lines, "\n")
}

// lineLength is the longest line of the program.
const lineLength = 110

// wireUnit is the unit of the number on the wire, in ASCII.
func wireUnit(f handshake.FieldInfo) string {
	unit := strings.ReplaceAll(f.Unit, "°C", "degrees C")
	switch {
	case f.Bits:
		return "bits"
	case f.Scale == 1 && unit == "":
		return "number"
	case f.Scale == 1:
		return unit
	case unit == "":
		return fmt.Sprintf("x %g", 1/f.Scale)
	}
	return fmt.Sprintf("%g %s", f.Scale, unit)
}
