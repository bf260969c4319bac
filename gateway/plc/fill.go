package plc

import (
	"fmt"
	"hash/crc32"
	"strings"

	"lapgate/gateway/block"
)

// fixedFills are the marks that no configuration changes.
func fixedFills() []fill {
	last := func(n int) string { return fmt.Sprint(n - 1) }
	out := []fill{
		{"last RING", last(block.OutEntries * block.OutWords)},
		{"count RING", fmt.Sprint(block.OutEntries)},
		{"count OUT", fmt.Sprint(block.OutWords)},
		{"last BANK", last(bankWords)},
		{"last BANKS", last(2 * bankWords)},
		{"last TAG", last(block.TagLen / 2)},
	}
	for _, id := range block.IDs() {
		out = append(out, fill{"last " + id.String(), last(block.Words(id))})
		for _, f := range block.Fields(id) {
			if f.Kind == block.FormArray {
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
		fill{"low limits", limitList(func(l limit) int64 { return l.low })},
		fill{"high limits", limitList(func(l limit) int64 { return l.high })},
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
func setpoints() []block.FieldInfo {
	var out []block.FieldInfo
	for _, f := range block.Fields(block.PAYLOAD) {
		if f.Register >= block.FirstSetpoint && f.Name != "crc" {
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
		typ := map[block.Form]string{block.FormU16: "UINT", block.FormU32: "UDINT", block.FormI16: "INT"}[f.Kind]
		if f.Name == "groups" || f.Name == "vacuum_zones" {
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
		case f.Name == "groups" || f.Name == "vacuum_zones":
		case f.Kind == block.FormU32:
			from = "LG_Get32(" + from + ", accepted[" + at + " + 1])"
		case f.Kind == block.FormI16:
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
func wireUnit(f block.FieldInfo) string {
	unit := strings.ReplaceAll(f.Unit, "°C", "degrees C")
	switch {
	case f.Name == "groups":
		return "bits of the groups in force"
	case f.Name == "vacuum_zones":
		return "bits of the zones that are on"
	case f.Scale == 1 && unit == "":
		return "number"
	case f.Scale == 1:
		return unit
	case unit == "":
		return fmt.Sprintf("x %g", 1/f.Scale)
	}
	return fmt.Sprintf("%g %s", f.Scale, unit)
}
