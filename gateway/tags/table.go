package tags

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
)

// Row is one tag of a table, with how its address was written.
type Row struct {
	Tag
	Line     int    // of the table
	Notation string // register, address or node; empty for none
}

// Columns are the columns that a table of tags can have, in any order. field
// and type are needed.
func Columns() []string {
	return []string{"field", "type", "register", "address", "node", "bit", "length", "scale", "unit"}
}

// LineError is something that is wrong with one line of a table.
type LineError struct {
	Line              int
	Column            string
	Text, Got, Remedy string
}

func (e *LineError) Error() string {
	where := "line " + strconv.Itoa(e.Line)
	if e.Column != "" {
		where += ", column " + e.Column
	}
	return fmt.Sprintf("%s: %s (got %s); %s", where, e.Text, e.Got, e.Remedy)
}

// ReadTable reads a table of tags as CSV with a line of headings. Lines that
// begin with # are remarks. It returns every problem at once, joined, each a
// *LineError; what the tags mean is checked by Mapping.Check.
func ReadTable(r io.Reader) ([]Row, error) {
	c := csv.NewReader(r)
	c.Comment, c.TrimLeadingSpace, c.FieldsPerRecord = '#', true, -1
	head, err := c.Read()
	if err != nil {
		return nil, tableError(err, "an empty table", "begin with a line of headings: "+strings.Join(Columns(), ","))
	}
	var bad []error
	columns := map[string]int{}
	for i, h := range head {
		h = strings.ToLower(strings.TrimSpace(strings.TrimPrefix(h, "\ufeff")))
		if _, twice := columns[h]; twice {
			bad = append(bad, &LineError{1, h, "heading given twice", strconv.Quote(h), "remove one of the columns"})
		}
		if !slices.Contains(Columns(), h) {
			bad = append(bad, &LineError{1, h, "unknown heading", strconv.Quote(h), "use " + strings.Join(Columns(), ", ")})
		}
		columns[h] = i
	}
	for _, need := range []string{"field", "type"} {
		if _, ok := columns[need]; !ok {
			bad = append(bad, &LineError{1, need, "heading missing", strings.Join(head, ","), "add the column " + need})
		}
	}
	if len(bad) > 0 {
		return nil, errors.Join(bad...)
	}
	var rows []Row
	for {
		record, err := c.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			bad = append(bad, tableError(err, "malformed line", "write one tag in each line"))
			break
		}
		line, _ := c.FieldPos(0)
		if len(record) != len(head) {
			bad = append(bad, &LineError{line, "", "another number of columns than the headings", strconv.Itoa(len(record)), "write " + strconv.Itoa(len(head)) + " columns, with nothing between two commas for none"})
			continue
		}
		row, errs := parseRow(line, func(name string) string {
			if i, ok := columns[name]; ok {
				return strings.TrimSpace(record[i])
			}
			return ""
		})
		bad = append(bad, errs...)
		rows = append(rows, row)
	}
	if len(bad) > 0 {
		return nil, errors.Join(bad...)
	}
	return rows, nil
}

func tableError(err error, text, remedy string) error {
	line := 1
	var p *csv.ParseError
	if errors.As(err, &p) {
		line, err = p.Line, p.Err
	}
	return &LineError{line, "", text, err.Error(), remedy}
}

// parseRow reads one line. Nothing is guessed: a number in the column register
// is a register number, one in the column address counts from zero.
func parseRow(line int, cell func(string) string) (Row, []error) {
	row := Row{Line: line, Tag: Tag{Field: cell("field"), Type: Type(strings.ToLower(cell("type"))), Scale: 1, Address: -1, Bit: -1, Node: cell("node"), Unit: cell("unit")}}
	var bad []error
	number := func(column string, most uint64) (int, bool) {
		text := cell(column)
		if text == "" {
			return 0, false
		}
		n, err := strconv.ParseUint(text, 0, 32)
		if err != nil || n > most || len(text) > 1 && text[0] == '0' && text[1] != 'x' {
			bad = append(bad, &LineError{line, column, "not a number of this column", strconv.Quote(text), fmt.Sprintf("write a whole number, 0 to %d", most)})
			return 0, false
		}
		return int(n), true
	}
	if n, ok := number("bit", 15); ok {
		row.Bit = n
	}
	if n, ok := number("length", mostLetters); ok {
		row.Length = n
	}
	if text := cell("scale"); text != "" {
		x, err := strconv.ParseFloat(text, 64)
		if err != nil || !(x > 0) {
			bad = append(bad, &LineError{line, "scale", "not a positive number", strconv.Quote(text), "write a number with a decimal point"})
		}
		row.Scale = x
	}
	var ways []string
	for _, way := range []string{"register", "address", "node"} {
		if cell(way) != "" {
			ways = append(ways, way)
		}
	}
	if len(ways) > 1 {
		bad = append(bad, &LineError{line, ways[1], "more than one address", strings.Join(ways, " and "), "keep one of them"})
		return row, bad
	}
	row.Notation = strings.Join(ways, "")
	switch row.Notation {
	case "register":
		if n, ok := number("register", 1<<20); ok {
			address, err := ParseRegister(n)
			if err != nil {
				bad = append(bad, &LineError{line, "register", "not the number of a holding register, want " + HoldingRegisters, strconv.Itoa(n), remedyOf(err)})
			}
			row.Address = address
		}
	case "address":
		if n, ok := number("address", lastRegister); ok {
			row.Address = n
		}
	}
	return row, bad
}

func remedyOf(err error) string {
	var e *RegisterError
	if errors.As(err, &e) {
		return e.Remedy
	}
	return err.Error()
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
