package main

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"iter"
	"reflect"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway/config"
	"lapgate/recipe"
)

// A reading command builds one value and hands it to the printer, which writes
// it as text for people, as CSV or as JSON. The value is a struct, or a list: a
// slice of structs or a *outputTable. The name of a field in JSON ends in its SI unit
// (feed_length_m), from which its dimension follows; see the table of endings.
// Two tags say the rest:
//
//	label:"feed length"  the name for people; without it, the name in JSON
//	                     less its unit. An empty one prints the value alone,
//	                     on a line of its own. "-" leaves it out of text and CSV.
//	print:"below"        in a row: text under the row and not a column
//	print:"drop=2"       in a row: goes first when the table is too wide for
//	                     the terminal, the highest number before the others
//	print:"csv"          of a struct with several lists: the one that CSV prints
//
// Text and CSV have the units of the configuration, in the head of a table as
// name (unit). JSON is SI, with times in UTC: a struct is one object, a list
// one object a line. A table is written while its rows are made, so that a long
// list is not held.

// outputFlags choose the form of what a command prints.
type outputFlags struct{ json, csv bool }

// add gives a command, whose arguments are set, the flags of its output.
func (f *outputFlags) add(cmd *cobra.Command) {
	cmd.Flags().BoolVar(&f.json, "json", false, usageJSON)
	cmd.Flags().BoolVar(&f.csv, "csv", false, usageCSV)
	args := cmd.Args
	cmd.Args = func(cmd *cobra.Command, given []string) error {
		if f.json && f.csv {
			return usageError("--json and --csv exclude each other")
		}
		if args == nil {
			return nil
		}
		return args(cmd, given)
	}
}

// printer writes values in one form.
type printer struct {
	out   *bufio.Writer
	flags outputFlags
	line  *recipe.Line // whose units people read; never nil
	zone  *time.Location
	width int // columns of the terminal
}

// printer makes the printer of a command. Without a line it prints in the units
// that a configuration has where it names none.
func (p *program) printer(f outputFlags, line *recipe.Line) *printer {
	if line == nil {
		line = &recipe.Line{Units: config.DefaultUnits()}
	}
	return &printer{out: bufio.NewWriter(p.stdout), flags: f, line: line, zone: p.zone(), width: p.width()}
}

// zone is the time zone of people here.
func (p *program) zone() *time.Location {
	if name := p.getenv("TZ"); name != "" {
		if z, err := time.LoadLocation(name); err == nil {
			return z
		}
	}
	return time.Local
}

// Widths of text in columns: where neither $COLUMNS nor a terminal tells of
// one, and the least that text is laid out for.
const (
	defaultWidth = 100
	leastWidth   = 20
)

func (p *program) width() int {
	if n, err := strconv.Atoi(p.getenv("COLUMNS")); err == nil && n > 0 {
		return max(n, leastWidth)
	}
	if n := terminalWidth(p.stdout); n > 0 {
		return max(n, leastWidth)
	}
	return defaultWidth
}

// print writes a value: a struct, a slice of structs or a *outputTable.
func (w *printer) print(value any) error {
	err := w.write(reflect.ValueOf(value))
	if flushed := w.out.Flush(); err == nil {
		err = flushed
	}
	return err
}

func (w *printer) write(v reflect.Value) error {
	if t, ok := listOf(v); ok {
		switch {
		case w.flags.json:
			return w.jsonLines(t)
		case w.flags.csv:
			return w.csvTable(t)
		}
		return w.textTable(t, "")
	}
	v = reflect.Indirect(v)
	switch {
	case w.flags.json:
		return w.jsonObject(v)
	case w.flags.csv:
		return w.csvTable(csvPart(v))
	}
	return w.textObject(v, "")
}

// outputTable is a list of rows, made while they are printed.
type outputTable struct {
	columns []outputColumn
	rows    iter.Seq2[outputRow, error]
	apart   bool // text shows each row by itself, as a struct
}

// outputRow is one row of a table.
type outputRow struct {
	cells []any    // by column; nil where there is nothing
	below []string // what people read under the row
	json  any      // what JSON prints in place of the cells; nil for the cells
}

// tableOf makes a table of structs: its columns follow from their fields.
func tableOf[T any](rows iter.Seq2[T, error]) *outputTable {
	fields := fieldsOf(reflect.TypeFor[T]())
	return &outputTable{columns: columnsOf(fields), rows: func(yield func(outputRow, error) bool) {
		for r, err := range rows {
			if err != nil {
				yield(outputRow{}, err)
				return
			}
			if !yield(rowOf(reflect.ValueOf(r), fields), nil) {
				return
			}
		}
	}}
}

// listOf returns a value as a table when it is a list.
func listOf(v reflect.Value) (*outputTable, bool) {
	if t, ok := v.Interface().(*outputTable); ok {
		return t, t != nil
	}
	if v.Kind() != reflect.Slice || isEntries(v.Type()) || indirect(v.Type().Elem()).Kind() != reflect.Struct || isCell(v.Type().Elem()) {
		return nil, false
	}
	fields := fieldsOf(v.Type().Elem())
	return &outputTable{columns: columnsOf(fields), rows: func(yield func(outputRow, error) bool) {
		for i := range v.Len() {
			if !yield(rowOf(v.Index(i), fields), nil) {
				return
			}
		}
	}}, true
}

// columnsOf lists the fields that are columns.
func columnsOf(fields []field) []outputColumn {
	var out []outputColumn
	for i := range fields {
		if fields[i].isColumn() {
			out = append(out, fields[i].outputColumn)
		}
	}
	return out
}

func rowOf(v reflect.Value, fields []field) outputRow {
	r := outputRow{json: v.Interface()}
	v = reflect.Indirect(v)
	for i := range fields {
		f := &fields[i]
		if f.below {
			r.below = append(r.below, linesOf(f.of(v))...)
		} else if f.isColumn() {
			r.cells = append(r.cells, f.value(v))
		}
	}
	return r
}

func linesOf(v reflect.Value) []string {
	if v.Kind() == reflect.Slice {
		var out []string
		for i := range v.Len() {
			out = append(out, fmt.Sprint(v.Index(i).Interface()))
		}
		return out
	}
	if v.IsZero() {
		return nil
	}
	return []string{fmt.Sprint(v.Interface())}
}

// MarshalJSON writes the rows as an array.
func (t *outputTable) MarshalJSON() ([]byte, error) {
	var b bytes.Buffer
	err := t.jsonRows(&b, "[", ",", "]")
	return b.Bytes(), err
}

// jsonRows writes the rows as compact objects.
func (t *outputTable) jsonRows(w io.Writer, before, between, after string) error {
	sep := before
	for r, err := range t.rows {
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

func (t *outputTable) object(r outputRow) any {
	if r.json != nil {
		return r.json
	}
	return entriesOf(t.columns, r.cells)
}

func (w *printer) jsonLines(t *outputTable) error {
	for r, err := range t.rows {
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
	return bytes.TrimRight(b.Bytes(), "\n"), nil
}

// jsonObject writes a struct; its tables one row a line, while they are made.
func (w *printer) jsonObject(v reflect.Value) error {
	sep := "{\n  "
	for _, f := range fieldsOf(v.Type()) {
		member := f.of(v)
		if f.name == "-" || f.omitEmpty && isEmpty(member) {
			continue
		}
		fmt.Fprintf(w.out, "%s%q: ", sep, f.name)
		sep = ",\n  "
		if t, ok := member.Interface().(*outputTable); ok && t != nil {
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
func csvPart(v reflect.Value) *outputTable {
	one := outputRow{}
	out := &outputTable{rows: func(yield func(outputRow, error) bool) { yield(one, nil) }}
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
				out.columns = append(out.columns, e.outputColumn)
				one.cells = append(one.cells, e.value)
			}
			continue
		}
		if f.isColumn() || f.alone && f.label != "-" {
			f.outputColumn.label = f.labelOrName()
			out.columns = append(out.columns, f.outputColumn)
			one.cells = append(one.cells, f.value(v))
		}
	}
	return out
}

func (w *printer) csvTable(t *outputTable) error {
	out := csv.NewWriter(w.out)
	cells := make([]string, len(t.columns))
	for i, c := range t.columns {
		cells[i] = w.head(c)
	}
	// An error stays in the writer until its end.
	_ = out.Write(cells)
	for r, err := range t.rows {
		if err != nil {
			out.Flush()
			return err
		}
		for i, c := range t.columns {
			cells[i] = w.csvCell(c, r.cells[i])
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
func (w *printer) textObject(v reflect.Value, indent string) error {
	var pairs [][2]string
	pair := func(label, text string) { pairs = append(pairs, [2]string{label, text}) }
	begun := false
	flush := func() {
		w.pairs(pairs, indent)
		begun, pairs = begun || len(pairs) > 0, nil
	}
	for _, f := range fieldsOf(v.Type()) {
		member := f.of(v)
		if f.label == "-" || isNothing(member) || f.omitEmpty && isEmpty(member) {
			continue
		}
		if t, ok := listOf(member); ok {
			flush()
			if err := w.titled(t, f.labelOrName(), indent); err != nil {
				return err
			}
			continue
		}
		list, named := asEntries(member)
		switch inner := within(member); {
		case named:
			for _, e := range list {
				if e.value != nil {
					pair(e.outputColumn.labelOrName(), w.full(e.outputColumn, e.value))
				}
			}
		case f.alone:
			flush()
			for _, text := range linesOf(inner) {
				w.wrapped(text, indent, indent)
			}
		case inner.Kind() == reflect.Struct && !isCell(inner.Type()):
			flush()
			if begun {
				fmt.Fprintln(w.out)
			}
			begun = true
			fmt.Fprintf(w.out, "%s%s\n", indent, f.labelOrName())
			if err := w.textObject(inner, indent+gap); err != nil {
				return err
			}
		default:
			pair(f.labelOrName(), w.full(f.outputColumn, f.value(v)))
		}
	}
	flush()
	return nil
}

// titled prints a table below its name, and nothing of an empty one.
func (w *printer) titled(t *outputTable, title, indent string) error {
	first := true
	rows := t.rows
	withTitle := &outputTable{columns: t.columns, apart: t.apart, rows: func(yield func(outputRow, error) bool) {
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

func (w *printer) pairs(pairs [][2]string, indent string) {
	wide := 0
	for _, p := range pairs {
		wide = max(wide, columnsWide(p[0]))
	}
	for _, p := range pairs {
		others := indent + strings.Repeat(" ", wide+len(gap))
		first := indent + p[0] + strings.Repeat(" ", wide-columnsWide(p[0])+len(gap))
		if room := w.width - columnsWide(others); room < leastText && columnsWide(p[1]) > room {
			w.wrapped(p[0], indent, indent)
			others = indent + gap
			first = others
		}
		w.wrapped(p[1], first, others)
	}
}
