package tags

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"lapgate/recipe/table"
)

// Row is one tag of a table, with how its address was written.
type Row struct {
	Tag
	Line     int    // of the table
	Notation string // register, address or node; empty for none
}

// The columns of a table of tags.
const (
	columnField = iota
	columnType
	columnRegister
	columnAddress
	columnNode
	columnBit
	columnLength
	columnScale
	columnUnit
)

func columns() []table.Column {
	return []table.Column{
		columnField:    {Name: "field", Required: true},
		columnType:     {Name: "type", Required: true},
		columnRegister: {Name: "register"},
		columnAddress:  {Name: "address"},
		columnNode:     {Name: "node"},
		columnBit:      {Name: "bit"},
		columnLength:   {Name: "length"},
		columnScale:    {Name: "scale"},
		columnUnit:     {Name: "unit"},
	}
}

// ReadTable reads a table of tags by the rules of recipe/table; name is what
// messages call it. All problems are told at once, as a *table.Problems. What
// the tags mean is checked by Mapping.Check.
func ReadTable(name string, in io.Reader) ([]Row, error) {
	t := table.NewReader(name, in, columns())
	var rows []Row
	for t.Next() {
		if row := readRow(t); !t.Bad() {
			rows = append(rows, row)
		}
	}
	t.NeedRows("tags")
	if err := t.Err(); err != nil {
		return nil, err
	}
	return rows, nil
}

// readRow reads one row. Nothing is guessed: a number in the column register
// is a register number, one in the column address counts from zero.
func readRow(t *table.Reader) Row {
	row := Row{Line: t.Line(), Tag: Tag{
		Field: t.Text(columnField), Type: Type(strings.ToLower(t.Text(columnType))), Scale: 1,
		Address: -1, Bit: -1, Node: t.Text(columnNode), Unit: t.Text(columnUnit),
	}}
	if n, ok := t.Whole(columnBit, 0, 15); ok {
		row.Bit = n
	}
	row.Length, _ = t.Whole(columnLength, 0, mostLetters)
	if x, ok := t.Positive(columnScale); ok {
		row.Scale = x
	}
	var ways []int
	var names []string
	for _, way := range []int{columnRegister, columnAddress, columnNode} {
		if t.Text(way) != "" {
			ways, names = append(ways, way), append(names, columns()[way].Name)
		}
	}
	if len(ways) > 1 {
		t.Fail(ways[1], table.Problem{Text: "more than one address", Got: strings.Join(names, " and "), Remedy: "keep one of them"})
		return row
	}
	row.Notation = strings.Join(names, "")
	switch row.Notation {
	case "register":
		row.Address = readRegister(t)
	case "address":
		row.Address = readAddress(t)
	}
	return row
}

// readRegister reads the number of a register as the address that it means.
func readRegister(t *table.Reader) int {
	n, ok := t.Whole(columnRegister, 0, 1<<20)
	if !ok {
		return -1
	}
	address, err := ParseRegister(n)
	var wrong *RegisterError
	if errors.As(err, &wrong) {
		t.Fail(columnRegister, table.Problem{
			Text: "not the number of a holding register", Got: strconv.Itoa(n), Want: HoldingRegisters, Remedy: wrong.Remedy,
		})
	}
	return address
}

// readAddress reads an address, which may be hexadecimal as in 0x1F.
func readAddress(t *table.Reader) int {
	text := t.Text(columnAddress)
	hex, isHex := strings.CutPrefix(strings.ToLower(text), "0x")
	if !isHex {
		n, _ := t.Whole(columnAddress, 0, lastRegister)
		return n
	}
	n, err := strconv.ParseUint(hex, 16, 32)
	if err != nil || n > lastRegister {
		t.Fail(columnAddress, table.Problem{
			Text: "it is no number of this column", Got: strconv.Quote(text), Want: fmt.Sprintf("an address from 0x0 to 0x%X", lastRegister),
		})
	}
	return int(n)
}

// YAML is the tag as one element of the list in a configuration.
func (r *Row) YAML() string {
	var b strings.Builder
	fmt.Fprintf(&b, "{field: %s, type: %s", r.Field, r.Type)
	switch r.Notation {
	case "register":
		fmt.Fprintf(&b, ", register: %d", RegisterNumber(r.Address))
	case "address":
		fmt.Fprintf(&b, ", address: 0x%X", r.Address)
	case "node":
		fmt.Fprintf(&b, ", node: %q", r.Node)
	}
	if r.Bit >= 0 {
		fmt.Fprintf(&b, ", bit: %d", r.Bit)
	}
	if r.Length > 0 {
		fmt.Fprintf(&b, ", length: %d", r.Length)
	}
	if r.Scale != 1 && r.Scale != 0 {
		fmt.Fprintf(&b, ", scale: %s", strconv.FormatFloat(r.Scale, 'f', -1, 64))
	}
	if r.Unit != "" {
		fmt.Fprintf(&b, ", unit: %q", r.Unit)
	}
	return b.String() + "}"
}

// Fragment is the section of a configuration that holds the tags.
func Fragment(rows []Row) string {
	var b strings.Builder
	b.WriteString("tags:\n")
	for i := range rows {
		b.WriteString("  - " + rows[i].YAML() + "\n")
	}
	return b.String()
}

// Difference is one field on which two lists of tags differ. A side that lacks
// the field is nil.
type Difference struct {
	Field    string
	Old, New *Tag
}

// Differences compares two lists, in the order of the old one, then of what is
// new.
func Differences(old, next []Tag) []Difference {
	var out []Difference
	find := func(list []Tag, field string) *Tag {
		if i := slices.IndexFunc(list, func(t Tag) bool { return t.Field == field }); i >= 0 {
			return &list[i]
		}
		return nil
	}
	for i := range old {
		if n := find(next, old[i].Field); n == nil || *n != old[i] {
			out = append(out, Difference{old[i].Field, &old[i], n})
		}
	}
	for i := range next {
		if find(old, next[i].Field) == nil {
			out = append(out, Difference{next[i].Field, nil, &next[i]})
		}
	}
	return out
}

// String is the difference in one line, as a diff has it.
func (d *Difference) String() string {
	switch {
	case d.Old == nil:
		return "+ " + d.Field + ": " + d.New.words()
	case d.New == nil:
		return "- " + d.Field + ": " + d.Old.words()
	}
	return "~ " + d.Field + ": " + d.Old.words() + " -> " + d.New.words()
}

// words tells what a tag is, both notations of its address among it.
func (t *Tag) words() string {
	parts := []string{string(t.Type)}
	if t.Address >= 0 {
		parts = append(parts, fmt.Sprintf("register %d (address %d)", RegisterNumber(t.Address), t.Address))
	}
	if t.Node != "" {
		parts = append(parts, "node "+t.Node)
	}
	if t.Bit >= 0 {
		parts = append(parts, fmt.Sprintf("bit %d", t.Bit))
	}
	if t.Length > 0 {
		parts = append(parts, fmt.Sprintf("%d characters", t.Length))
	}
	if t.Scale != 1 && t.Scale != 0 {
		parts = append(parts, fmt.Sprintf("scale %v", t.Scale))
	}
	if t.Unit != "" {
		parts = append(parts, t.Unit)
	}
	return strings.Join(parts, ", ")
}
