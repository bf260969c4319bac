package plc

import (
	"fmt"
	"hash/crc32"
	"strings"

	"lapgate/gateway/handshake"
)

// fixedFills are the marks that no configuration changes.
func fixedFills(f Form) []fill {
	last := func(n int) string { return fmt.Sprint(n - 1) }
	out := []fill{
		{"last RING", last(handshake.OutEntries * handshake.OutWords)},
		{"count RING", fmt.Sprint(handshake.OutEntries)},
		{"count OUT", fmt.Sprint(handshake.OutWords)},
		{"count BANK", fmt.Sprint(bankWords)},
		{"last BANK", last(bankWords)},
		{"last BANKS", last(2 * bankWords)},
		{"last GATEWAY", last(gatewayWords())},
		{"last TAG", last(handshake.TagLen / 2)},
		{"first setpoint", fmt.Sprint(handshake.FirstSetpoint)},
		{"last setpoint", fmt.Sprint(lastSetpoint())},
		{"retained bytes", fmt.Sprint(retainedBytes)},
	}
	for _, id := range handshake.IDs() {
		out = append(out, fill{"last " + id.String(), last(handshake.Words(id))})
		for _, f := range handshake.Fields(id) {
			if f.Kind == handshake.FormArray {
				out = append(out, fill{"last " + f.Name, last(f.Words)})
			}
		}
	}
	const half = (' ' + '~' + 1) / 2
	return append(append(out,
		fill{"checksum table", crcTable()},
		fill{"alphabet low", alphabet(' ', half)},
		fill{"alphabet high", alphabet(half, '~'+1)},
		fill{"before low", fmt.Sprint(' ' - 1)},
		fill{"before high", fmt.Sprint(half - 1)},
		fill{"recipe list", recipeList()},
		fill{"limit count", fmt.Sprint(len(limits()))},
		fill{"low limits", limitList(1)},
		fill{"high limits", limitList(0)},
	), machineFills(f)...)
}

// crcTable is the table that the gateway's own checksum uses.
func crcTable() string {
	texts := make([]string, len(crc32.IEEETable))
	for i, v := range crc32.IEEETable {
		texts[i] = fmt.Sprintf("16#%08X", v)
	}
	return wrapped(texts)
}

// tableConstants are the same table by bytes, lowest first, and the exclusive
// or of two half bytes, for controllers that have no exclusive or of numbers.
func tableConstants() []constant {
	var out []constant
	table := func(name string, of func(i int) int) {
		texts := make([]string, 256)
		for i := range texts {
			texts[i] = fmt.Sprint(of(i))
		}
		out = append(out, array(name, "INT", 0, texts))
	}
	for b, name := range []string{"CRC_FIRST", "CRC_SECOND", "CRC_THIRD", "CRC_FOURTH"} {
		table(name, func(i int) int { return int(crc32.IEEETable[i] >> (8 * b) & 0xFF) })
	}
	table("XOR_HALVES", func(i int) int { return i>>4 ^ i&15 })
	return out
}

// wrapped joins texts by commas in lines of moderate length.
func wrapped(texts []string) string {
	const room = 76
	var out strings.Builder
	used := 0
	for i, t := range texts {
		if i < len(texts)-1 {
			t += ","
		}
		switch {
		case i == 0:
			out.WriteString("      ")
		case used+1+len(t) > room:
			out.WriteString("\n      ")
			used = 0
		default:
			out.WriteString(" ")
			used++
		}
		out.WriteString(t)
		used += len(t)
	}
	return out.String()
}

// alphabet is printable ASCII from one code to before another, as a literal.
func alphabet(from, to byte) string {
	var out strings.Builder
	for c := from; c < to; c++ {
		if c == '$' || c == '\'' {
			out.WriteByte('$')
		}
		out.WriteByte(c)
	}
	return out.String()
}

// fieldName is the name of a field as variables of the program are written:
// feedLength for feed_length.
func fieldName(name string) string { return name[:1] + capitals(name)[1:] }

// recipeList tells which setpoint stands at which register.
func recipeList() string {
	var lines []string
	for _, l := range limits() {
		lines = append(lines, fmt.Sprintf("       %d %s, %s", l.Register, fieldName(l.Name), wireUnit(l.FieldInfo)))
	}
	return strings.Join(lines, "\n")
}

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
