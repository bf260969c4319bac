// Package present prints: one value as text for people, as CSV or as JSON. The
// value is a struct, or a list: a slice of structs or a *Table. The name of a
// field in JSON ends in its SI unit (feed_length_m), from which its dimension
// follows. Two tags say the rest:
//
//	label:"feed length"  the name for people; without it, the name in JSON
//	                     less its unit. An empty one prints the value alone,
//	                     on a line of its own. "-" leaves it out of text and CSV.
//	print:"below"        in a row: text under the row and not a column
//	print:"drop=2"       in a row: goes first when the table is too wide for
//	                     the terminal, the highest number before the others
//	print:"words=outcome" words of that family of the table of sentences, which text
//	                     shows in the language of people; a wording.Phrase needs none
//	print:"head=end"     the key of the head in that table, where the name for people
//	                     means something else elsewhere
//	print:"apart"        of a list: text shows each of its rows as a struct
//	print:"csv"          of a struct with several lists: the one that CSV prints
//
// Text and CSV have the units of a line, in the head of a table as name (unit),
// and local time. JSON is SI, with times in UTC: a struct is one object, a list
// one object a line. A table is written while its rows are made, so that a long
// list is not held.
package present

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"iter"
	"reflect"
	"strings"
	"time"

	"lapgate/recipe"
	"lapgate/recipe/wording"
)

// Form is what a value is written as; text for the zero value.
type Form struct{ JSON, CSV bool }

// Printer writes values in one form.
type Printer struct {
	Form  Form
	Line  *recipe.Line   // whose units people read; not nil
	Zone  *time.Location // of people
	Width int            // columns of the terminal
	// Words are the language of text; nil for English. CSV and JSON keep their names.
	Words *wording.Words
	out   *bufio.Writer
}

// New makes a printer that writes text to w in the units of a line. Form, Zone
// and Width may be changed before the first value.
func New(w io.Writer, line *recipe.Line) *Printer {
	return &Printer{out: bufio.NewWriter(w), Line: line, Zone: time.UTC, Width: 100}
}

// Print writes a value: a struct, a slice of structs or a *Table. The errors are
// those of the writer and of the rows.
func (w *Printer) Print(value any) error {
	err := w.write(reflect.ValueOf(value))
	if flushed := w.out.Flush(); err == nil {
		err = flushed
	}
	return err
}

func (w *Printer) write(v reflect.Value) error {
	if t, ok := listOf(v); ok {
		switch {
		case w.Form.JSON:
			return w.jsonLines(t)
		case w.Form.CSV:
			return w.csvTable(t)
		}
		return w.textTable(t, "")
	}
	v = reflect.Indirect(v)
	switch {
	case w.Form.JSON:
		return w.jsonObject(v)
	case w.Form.CSV:
		return w.csvTable(csvPart(v))
	}
	return w.textObject(v, "")
}

// Table is a list of rows, made while they are printed.
type Table struct {
	Columns []Column
	Rows    iter.Seq2[Row, error]
	Apart   bool // text shows each row by itself, as a struct
}

// Row is one row of a table.
type Row struct {
	Cells []any // by column; nil where there is nothing
	Below []any // what people read under the row, each on lines of its own
	JSON  any   // what JSON prints in place of the cells; nil for the cells
}

// TableOf makes a table of structs: its columns follow from their fields.
func TableOf[T any](rows iter.Seq2[T, error]) *Table {
	fields := fieldsOf(reflect.TypeFor[T]())
	return &Table{Columns: columnsOf(fields), Rows: func(yield func(Row, error) bool) {
		for r, err := range rows {
			if err != nil {
				yield(Row{}, err)
				return
			}
			if !yield(rowOf(reflect.ValueOf(r), fields), nil) {
				return
			}
		}
	}}
}

// listOf returns a value as a table when it is a list.
func listOf(v reflect.Value) (*Table, bool) {
	if t, ok := v.Interface().(*Table); ok {
		return t, t != nil
	}
	if v.Kind() != reflect.Slice || isEntries(v.Type()) || indirect(v.Type().Elem()).Kind() != reflect.Struct || isCell(v.Type().Elem()) {
		return nil, false
	}
	fields := fieldsOf(v.Type().Elem())
	return &Table{Columns: columnsOf(fields), Rows: func(yield func(Row, error) bool) {
		for i := range v.Len() {
			if !yield(rowOf(v.Index(i), fields), nil) {
				return
			}
		}
	}}, true
}

// Apart is a slice of structs whose rows text shows one by one, each as a struct.
func Apart(list any) *Table {
	t, _ := listOf(reflect.ValueOf(list))
	t.Apart = true
	return t
}

// Titled are the columns, fields and parts that text names of a struct and of what lies
// in it.
func Titled(t reflect.Type) (out []Column) {
	for t.Kind() == reflect.Pointer || t.Kind() == reflect.Slice {
		t = t.Elem()
	}
	if t.Kind() != reflect.Struct || isCell(t) {
		return nil
	}
	for _, f := range fieldsOf(t) {
		if f.Label == "-" {
			continue
		}
		if !f.alone && !f.below {
			out = append(out, f.Column)
		}
		out = append(out, Titled(t.FieldByIndex(f.index).Type)...)
	}
	return out
}

// columnsOf lists the fields that are columns.
func columnsOf(fields []field) []Column {
	var out []Column
	for i := range fields {
		if fields[i].isColumn() {
			out = append(out, fields[i].Column)
		}
	}
	return out
}

func rowOf(v reflect.Value, fields []field) Row {
	r := Row{JSON: v.Interface()}
	v = reflect.Indirect(v)
	for i := range fields {
		f := &fields[i]
		if f.below {
			r.Below = append(r.Below, each(f.of(v))...)
		} else if f.isColumn() {
			r.Cells = append(r.Cells, f.value(v))
		}
	}
	return r
}

// each lists the values of a slice, or one that is not zero.
func each(v reflect.Value) (out []any) {
	if v.Kind() == reflect.Slice {
		for i := range v.Len() {
			out = append(out, v.Index(i).Interface())
		}
		return out
	}
	if v.IsZero() {
		return nil
	}
	return []any{v.Interface()}
}

// lines are values that stand on lines of their own.
func (w *Printer) lines(values []any) (out []string) {
	for _, v := range values {
		text := fmt.Sprint(v)
		if p, ok := v.(wording.Phrase); ok {
			text = w.Words.Text(p.Said)
		}
		out = append(out, CleanLines(text))
	}
	return out
}

// MarshalJSON writes the rows as an array.
func (t *Table) MarshalJSON() ([]byte, error) {
	var b bytes.Buffer
	err := t.jsonRows(&b, "[", ",", "]")
	return b.Bytes(), err
}

// jsonRows writes the rows as compact objects.
func (t *Table) jsonRows(w io.Writer, before, between, after string) error {
	sep := before
	for r, err := range t.Rows {
		if err != nil {
			return err
		}
		text, err := marshal(t.object(r))
		if err != nil {
			return err
		}
		if _, err := io.WriteString(w, sep+string(text)); err != nil {
			return err
		}
		sep = between
	}
	if sep == before {
		after = before + after
	}
	_, err := io.WriteString(w, after)
	return err
}

func (t *Table) object(r Row) any {
	if r.JSON != nil {
		return r.JSON
	}
	return EntriesOf(t.Columns, r.Cells)
}

func (w *Printer) jsonLines(t *Table) error {
	for r, err := range t.Rows {
		if err != nil {
			return err
		}
		text, err := marshal(t.object(r))
		if err != nil {
			return err
		}
		if _, err := w.out.Write(append(text, '\n')); err != nil {
			return err
		}
	}
	return nil
}

// marshal is JSON with its times in UTC.
func marshal(v any) ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(inUTC(reflect.ValueOf(v)).Interface()); err != nil {
		return nil, err
	}
	return CleanJSON(bytes.TrimRight(b.Bytes(), "\n")), nil
}

// jsonObject writes a struct; its tables one row a line, while they are made.
func (w *Printer) jsonObject(v reflect.Value) error {
	sep := "{\n  "
	for _, f := range fieldsOf(v.Type()) {
		member := f.of(v)
		if f.Name == "-" || f.omitEmpty && isEmpty(member) {
			continue
		}
		fmt.Fprintf(w.out, "%s%q: ", sep, f.Name)
		sep = ",\n  "
		if t, ok := member.Interface().(*Table); ok && t != nil {
			if err := t.jsonRows(w.out, "[\n    ", ",\n    ", "\n  ]"); err != nil {
				return err
			}
			continue
		}
		text, err := marshal(member.Interface())
		if err != nil {
			return err
		}
		var b bytes.Buffer
		if err := json.Indent(&b, text, "  ", "  "); err != nil {
			return err
		}
		_, _ = b.WriteTo(w.out) // an error stays in the writer until its end
	}
	if sep == "{\n  " {
		sep = "{"
	} else {
		sep = "\n"
	}
	_, err := fmt.Fprintf(w.out, "%s}\n", sep)
	return err
}

// csvPart is what CSV prints of a struct: the list marked so, else its fields
// as one row.
func csvPart(v reflect.Value) *Table {
	one := Row{}
	out := &Table{Rows: func(yield func(Row, error) bool) { yield(one, nil) }}
	for _, f := range fieldsOf(v.Type()) {
		member := f.of(v)
		if t, ok := listOf(member); ok {
			if f.csv {
				return t
			}
			continue
		}
		if list, ok := asEntries(member); ok {
			for _, e := range list {
				out.Columns = append(out.Columns, e.Column)
				one.Cells = append(one.Cells, e.Value)
			}
			continue
		}
		if f.isColumn() || f.alone && f.Label != "-" {
			f.Column.Label = f.Title()
			out.Columns = append(out.Columns, f.Column)
			one.Cells = append(one.Cells, f.value(v))
		}
	}
	return out
}

func (w *Printer) csvTable(t *Table) error {
	out := csv.NewWriter(w.out)
	cells := make([]string, len(t.Columns))
	for i, c := range t.Columns {
		cells[i] = w.head(c)
	}
	// An error stays in the writer until its end.
	_ = out.Write(cells)
	for r, err := range t.Rows {
		if err != nil {
			out.Flush()
			return err
		}
		for i, c := range t.Columns {
			cells[i] = w.csvCell(c, r.Cells[i])
		}
		if err := out.Write(cells); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}

// textObject prints a struct: its plain fields as pairs of name and value, its
// lists as tables below their names, its structs one step further in.
func (w *Printer) textObject(v reflect.Value, indent string) error {
	var pairs [][2]string
	pair := func(label, text string) { pairs = append(pairs, [2]string{label, text}) }
	begun := false
	flush := func() {
		w.pairs(pairs, indent)
		begun, pairs = begun || len(pairs) > 0, nil
	}
	for _, f := range fieldsOf(v.Type()) {
		member := f.of(v)
		if f.Label == "-" || isNothing(member) || f.omitEmpty && isEmpty(member) || member.Kind() == reflect.Slice && member.Len() == 0 {
			continue
		}
		if t, ok := listOf(member); ok {
			flush()
			t.Apart = t.Apart || f.apart
			if err := w.titled(t, w.title(f.Column), indent); err != nil {
				return err
			}
			continue
		}
		list, named := asEntries(member)
		switch inner := within(member); {
		case named:
			for _, e := range list {
				if e.Value != nil {
					pair(w.title(e.Column), w.full(e.Column, e.Value))
				}
			}
		case f.alone:
			flush()
			for _, text := range w.lines(each(inner)) {
				w.wrapped(text, indent, indent)
			}
		case inner.Kind() == reflect.Struct && !isCell(inner.Type()):
			flush()
			if begun {
				fmt.Fprintln(w.out)
			}
			begun = true
			fmt.Fprintf(w.out, "%s%s\n", indent, w.title(f.Column))
			if err := w.textObject(inner, indent+gap); err != nil {
				return err
			}
		default:
			pair(w.title(f.Column), w.full(f.Column, f.value(v)))
		}
	}
	flush()
	return nil
}

// titled prints a table below its name, and nothing of an empty one.
func (w *Printer) titled(t *Table, title, indent string) error {
	first := true
	rows := t.Rows
	withTitle := &Table{Columns: t.Columns, Apart: t.Apart, Rows: func(yield func(Row, error) bool) {
		for r, err := range rows {
			if first && err == nil {
				first = false
				fmt.Fprintf(w.out, "\n%s%s\n", indent, title)
			}
			if !yield(r, err) {
				return
			}
		}
	}}
	return w.textTable(withTitle, indent)
}

func (w *Printer) pairs(pairs [][2]string, indent string) {
	wide := 0
	for _, p := range pairs {
		wide = max(wide, columnsWide(p[0]))
	}
	for _, p := range pairs {
		others := indent + strings.Repeat(" ", wide+len(gap))
		first := indent + p[0] + strings.Repeat(" ", wide-columnsWide(p[0])+len(gap))
		if room := w.Width - columnsWide(others); room < leastText && columnsWide(p[1]) > room {
			w.wrapped(p[0], indent, indent)
			others = indent + gap
			first = others
		}
		w.wrapped(p[1], first, others)
	}
}
