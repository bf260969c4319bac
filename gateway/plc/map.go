package plc

import (
	"fmt"
	"io"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"lapgate/gateway/handshake"
)

// Places tell where the blocks of a line stand. A nil function leaves its
// columns empty.
type Places struct {
	Address func(id handshake.ID, entry int) int    // zero-based holding register
	Node    func(id handshake.ID, entry int) string // identifier of the array
	Entries int                                     // of the outcome ring to list, 1 to 64
}

// Row is one field as it stands in the controller.
type Row struct {
	Block     string `json:"block"`
	Entry     string `json:"entry"` // of the outcome ring, empty for other blocks
	Field     string `json:"field"`
	Register  string `json:"register"`               // 400001 and up, as most tools for controllers count
	Address   string `json:"address" print:"drop=3"` // the same register, counted from zero as on the wire
	Node      string `json:"node"`
	Element   string `json:"element"` // first element within the node's array, from zero
	Words     string `json:"words" print:"drop=5"`
	Type      string `json:"type" print:"drop=4"`
	Order     string `json:"order" print:"drop=9"`
	Scale     string `json:"scale"` // number in Unit = number on the wire × Scale
	Unit      string `json:"unit"`
	Low       string `json:"lowest" print:"drop=6"` // of what can be written in it, in Unit
	High      string `json:"highest" print:"drop=6"`
	Direction string `json:"direction" print:"drop=8"`
	Setpoint  string `json:"setpoint" print:"drop=2"` // its name in a recipe, where the field carries one
	Meaning   string `json:"meaning" print:"drop=7"`
}

// firstRegister is the number of the holding register with address zero.
const firstRegister = 400001

// Map lists every field of every block in the order of the registers.
func Map(p Places) []Row {
	var rows []Row
	for _, id := range handshake.IDs() {
		entries := 1
		if id == handshake.OUT {
			entries = max(p.Entries, 1)
		}
		for e := range entries {
			for _, f := range handshake.Fields(id) {
				rows = append(rows, p.row(id, e, f))
			}
		}
	}
	return rows
}

func (p *Places) row(id handshake.ID, entry int, f handshake.FieldInfo) Row {
	r := Row{
		Block: id.String(), Field: f.Name, Setpoint: f.Setpoint, Words: strconv.Itoa(f.Words), Type: typeOf(f), Order: orderOf(f.Kind),
		Unit: f.Unit, Direction: string(f.Direction), Meaning: f.Doc,
	}
	if id == handshake.OUT {
		r.Entry = strconv.Itoa(entry)
	}
	if p.Address != nil {
		at := p.Address(id, entry) + f.Register
		r.Register, r.Address = strconv.Itoa(firstRegister+at), strconv.Itoa(at)
	}
	if p.Node != nil {
		r.Node, r.Element = p.Node(id, entry), strconv.Itoa(f.Register)
	}
	if f.Kind != handshake.FormText {
		r.Scale = strconv.FormatFloat(f.Scale, 'g', -1, 64)
		low, high := f.Range()
		r.Low, r.High = scaled(float64(low), f.Scale), scaled(float64(high), f.Scale)
	}
	return r
}

// scaled writes number × scale with the decimals of the scale.
func scaled(number, scale float64) string {
	_, decimals, _ := strings.Cut(strconv.FormatFloat(scale, 'f', -1, 64), ".")
	return strconv.FormatFloat(number*scale, 'f', len(decimals), 64)
}

func typeOf(f handshake.FieldInfo) string {
	switch f.Kind {
	case handshake.FormU32:
		return "unsigned 32 bit"
	case handshake.FormI16:
		return "signed 16 bit"
	case handshake.FormText:
		return fmt.Sprintf("ASCII text of %d", 2*f.Words)
	case handshake.FormArray:
		return fmt.Sprintf("%d × unsigned 16 bit", f.Words)
	}
	return "unsigned 16 bit"
}

func orderOf(k handshake.Form) string {
	switch k {
	case handshake.FormU32:
		return "high word first"
	case handshake.FormText:
		return "first character in the high byte, zero padded"
	case handshake.FormArray:
		return "element by element"
	}
	return ""
}

// column is one column of a map: a field of its rows, all of which are texts.
type column struct {
	name  string // as in JSON and CSV
	field int
}

func (c column) of(row any) string { return reflect.ValueOf(row).Field(c.field).String() }

// columnsOf lists the fields of a row by the names that they have in JSON.
func columnsOf(row reflect.Type) []column {
	var cols []column
	for i := range row.NumField() {
		cols = append(cols, column{row.Field(i).Tag.Get("json"), i})
	}
	return cols
}

// Markdown writes a map with one table for each block or entry, without the
// columns that are empty throughout.
func Markdown(w io.Writer, line string, rows []Row) error {
	used := usedColumns(rows, "block", "entry", "direction")
	var out strings.Builder
	fmt.Fprintf(&out, "# Map of line %s\n\n", line)
	out.WriteString("A register is counted from 400001, its address from zero, as it goes over the wire.\n" +
		"Text is ASCII; a 32-bit number stands high word first. A number in its unit is the\n" +
		"number on the wire times the scale.\n\n" +
		"This map is no part of a safety function. Guards, emergency stops and temperature\n" +
		"cut-outs never depend on these values.\n")
	for i := range rows {
		r := &rows[i]
		if i == 0 || r.Block != rows[i-1].Block || r.Entry != rows[i-1].Entry {
			title := r.Block
			if r.Entry != "" {
				title += ", entry " + r.Entry
			}
			fmt.Fprintf(&out, "\n## %s, %s\n\n", title, r.Direction)
			if r.Block == handshake.OUT.String() && r.Entry == "0" {
				fmt.Fprintf(&out, "One of %d entries, each %d words after the one before; outcome n is in entry n modulo %d.\n\n",
					handshake.OutEntries, handshake.OutWords, handshake.OutEntries)
			}
			writeHead(&out, used)
		}
		writeRow(&out, used, *r)
	}
	_, err := io.WriteString(w, out.String())
	return err
}

// usedColumns are the columns that are not empty throughout, without those left
// out.
func usedColumns[R any](rows []R, without ...string) []column {
	var used []column
	for _, c := range columnsOf(reflect.TypeFor[R]()) {
		if !slices.Contains(without, c.name) && slices.ContainsFunc(rows, func(r R) bool { return c.of(r) != "" }) {
			used = append(used, c)
		}
	}
	return used
}

func writeHead(out *strings.Builder, cols []column) {
	for _, c := range cols {
		out.WriteString("| " + c.name + " ")
	}
	out.WriteString("|\n" + strings.Repeat("|---", len(cols)) + "|\n")
}

func writeRow(out *strings.Builder, cols []column, row any) {
	for _, c := range cols {
		out.WriteString("| " + strings.ReplaceAll(c.of(row), "|", `\|`) + " ")
	}
	out.WriteString("|\n")
}
