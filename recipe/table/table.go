// Package table reads tables that people and other programs save as CSV: lists
// of rolls, orders, schedules, stock and tags. There is one set of rules for
// all of them:
//
//   - The text is UTF-8, with or without a byte-order mark. Lines end with a
//     line feed, or with carriage return and line feed; so does the last one,
//     because a last line without an end may have been cut. A line has at most
//     64 KiB, a table at most two million lines.
//   - A line that begins with # before the header is a comment. Below the
//     header it is a row like any other, for the name of a roll may begin with
//     #. Lines without text, and rows whose cells are all empty, count for
//     nothing.
//   - The first line that is left is the header. It names the columns, in any
//     order. Capitals do not matter, and a space or a hyphen stands for _. Each
//     column stands once; a column that the table does not know is an error,
//     so that a misspelt name is not taken for a column left out.
//   - Cells are separated by commas, semicolons or tabs: tabs if the header has
//     one, else semicolons if it has one, else commas. Each row has as many
//     cells as the header.
//   - Space around a cell does not matter. A cell that holds the separator or a
//     quote stands in quotes, and a quote in it is doubled. It ends on its line.
//   - The unit of a quantity stands in the header, as in "diameter (mm)", and
//     the cells are numbers; or the header has none and each cell has its own,
//     as in "1016 mm". Never both, and never neither.
//   - Numbers have a decimal point whatever separates the cells. A decimal
//     comma or a separator of thousands is an error: 1,016 may mean either.
//   - An empty cell is a missing value, never a zero.
//
// A table is read row by row; what is held does not grow with its length but
// for the names of columns that must not come twice. What is wrong is gathered
// until the end, so that a person mends it in one go.
package table

import (
	"bufio"
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"lapgate/recipe/quantity"
)

const (
	maxLine       = 64 << 10  // bytes of a line, with its end
	maxLines      = 2_000_000 // of a table
	maxRemembered = 1 << 14   // quantities remembered for each column
)

// Column is a column that a table may have.
type Column struct {
	// Name is in small letters, with _ between words.
	Name string
	// Dimension is that of a quantity, for which the header may have a unit;
	// None for text, codes and pure numbers, which have no unit.
	Dimension quantity.Dimension
	// Required columns must be there, and so must each of their cells.
	Required bool
	// Unique columns have no value twice.
	Unique bool
}

// field is a column as it stands in one table.
type field struct {
	Column
	at    int    // index of its cell in a row, −1 when the table lacks it
	unit  string // from the header, "" when each cell has its own
	known map[string]float64
	seen  map[uint64]int32 // digest of each value to its line
}

// Reader reads one table. It is for one goroutine.
type Reader struct {
	name     string
	in       *bufio.Reader
	fields   []field
	cells    []cell
	width    int // cells of the header
	comma    byte
	line     int    // number of the line read last, from 1
	text     string // that line
	rows     int
	problems Problems
	before   int // problems before the present row
	over     bool
	broken   error // of the input
}

// NewReader returns a reader of the table in, which messages call by name. It
// reads the header. Columns are called by their index in the list. Whatever is
// wrong, with the header too, is told by Err.
func NewReader(name string, in io.Reader, columns []Column) *Reader {
	t := &Reader{name: name, in: bufio.NewReaderSize(in, maxLine)}
	t.problems.Name = name
	for _, c := range columns {
		f := field{Column: c, at: -1}
		if c.Unique {
			f.seen = map[uint64]int32{}
		}
		t.fields = append(t.fields, f)
	}
	for first := true; t.readLine(); first = false {
		if first {
			t.text = strings.TrimPrefix(t.text, "\ufeff")
		}
		if strings.TrimSpace(t.text) != "" && t.text[0] != '#' {
			t.header()
			break
		}
	}
	if t.width == 0 && t.broken == nil && t.problems.Len() == 0 {
		t.problems.add(Problem{Text: "the table is empty", Want: "a header that names the columns " + t.names(), Remedy: "begin with a line such as " + quote(t.example())})
	}
	return t
}

// example is a header that the table would take.
func (t *Reader) example() string {
	var names []string
	for i := range t.fields {
		c := &t.fields[i]
		if !c.Required && len(names) > 0 {
			continue
		}
		name := c.Name
		if c.Dimension != quantity.None {
			name += " (" + quantity.Units(c.Dimension)[0] + ")"
		}
		names = append(names, name)
	}
	return strings.Join(names, ",")
}

// quote echoes what was written, if it is long only how it begins: enough to find it,
// and little of a file that was none of a table.
func quote(s string) string {
	const most = 40
	if r := []rune(s); len(r) > most {
		s = string(r[:most]) + "…"
	}
	return strconv.Quote(s)
}

func (t *Reader) names() string {
	names := make([]string, len(t.fields))
	for i := range t.fields {
		names[i] = t.fields[i].Name
	}
	return strings.Join(names, ", ")
}

// readLine reads the next line into t.text, without its end. It returns false
// at the end of the table, or where reading on makes no sense.
func (t *Reader) readLine() bool {
	if t.over {
		return false
	}
	b, err := t.in.ReadSlice('\n')
	if len(b) == 0 && errors.Is(err, io.EOF) {
		t.over = true
		return false
	}
	t.line++
	stop := func(p Problem) bool {
		p.Line, p.Column, t.over = t.line, 1, true
		t.problems.add(p)
		return false
	}
	switch {
	case errors.Is(err, bufio.ErrBufferFull):
		return stop(Problem{Text: "the line is too long", Want: fmt.Sprintf("at most %d bytes", maxLine), Remedy: "give each row a line of its own; is this a table?"})
	case err != nil && !errors.Is(err, io.EOF):
		t.over, t.broken = true, fmt.Errorf("%s: %w", t.name, err)
		return false
	case bytes.IndexByte(b, 0) >= 0 || !utf8.Valid(b):
		return stop(Problem{Text: "the line is not text in UTF-8", Remedy: "save the table as CSV in UTF-8"})
	case err != nil:
		return stop(Problem{Text: "the last line has no end, so the table may have been cut short", Remedy: "check the line and end it with a line break"})
	case t.line > maxLines:
		return stop(Problem{Text: "the table is too long", Want: fmt.Sprintf("at most %d lines", maxLines), Remedy: "split it"})
	}
	t.text = string(bytes.TrimSuffix(b[:len(b)-1], []byte{'\r'}))
	if i := strings.IndexByte(t.text, '\r'); i >= 0 {
		return stop(Problem{Text: "a carriage return stands in the line", Remedy: "end lines with a line feed"})
	}
	return true
}

// Next goes to the next row and reports whether there is one. A row that
// cannot be taken apart is told of by Err and left out.
func (t *Reader) Next() bool {
	for t.width > 0 && t.readLine() {
		if strings.TrimSpace(t.text) == "" {
			continue
		}
		t.before = t.problems.Len()
		var wrong *Problem
		if t.cells, wrong = split(t.text, t.comma, t.cells[:0]); wrong != nil {
			wrong.Line = t.line
			t.add(*wrong)
			continue
		}
		if !slices.ContainsFunc(t.cells, func(c cell) bool { return c.text != "" }) {
			continue
		}
		if len(t.cells) != t.width {
			t.add(t.miscounted())
			continue
		}
		t.rows++
		t.checkCells()
		return true
	}
	return false
}

// miscounted is a row with another number of cells than the header.
func (t *Reader) miscounted() Problem {
	p := Problem{
		Line: t.line, Column: 1, Text: "the row does not fit the header",
		Got: count(len(t.cells), "cell"), Want: strconv.Itoa(t.width) + " as in the header",
	}
	switch {
	case t.text[0] == '#':
		p.Remedy = "a comment, a line that begins with #, stands before the header"
	case len(t.cells) > t.width:
		p.Remedy = "write numbers with a decimal point, and put a cell that holds the separator in quotes"
	default:
		p.Remedy = "leave a cell empty but keep its separator; is the table cut short?"
	}
	return p
}

func count(n int, what string) string {
	if n != 1 {
		what += "s"
	}
	return strconv.Itoa(n) + " " + what
}

// checkCells applies what the columns ask of their cells, whatever they hold.
func (t *Reader) checkCells() {
	for i := range t.fields {
		f := &t.fields[i]
		text := t.Text(i)
		if text == "" {
			if f.Required {
				t.Fail(i, Problem{Text: "the cell is empty", Want: "a value"})
			}
			continue
		}
		if !f.Unique {
			continue
		}
		// 64 bits tell the values of a million rows apart but in one table of
		// some ten million, and take a fraction of the memory of the text.
		sum := sha256.Sum256([]byte(text))
		digest := binary.BigEndian.Uint64(sum[:])
		if line, twice := f.seen[digest]; twice {
			t.Fail(i, Problem{Text: fmt.Sprintf("it stands on line %d too", line), Got: quote(text), Want: "each once", Remedy: "leave one of them out"})
			continue
		}
		f.seen[digest] = int32(t.line)
	}
}

// Line is the number of the present line, from 1.
func (t *Reader) Line() int { return t.line }

// Rows is how many rows Next has given.
func (t *Reader) Rows() int { return t.rows }

// Bad reports whether something is wrong with the present row.
func (t *Reader) Bad() bool { return t.problems.Len() > t.before }

// Text is the cell of a column in the present row, without space around it;
// empty where the table has no such column.
func (t *Reader) Text(column int) string {
	if at := t.fields[column].at; at >= 0 {
		return t.cells[at].text
	}
	return ""
}

// Quantity is the cell of a column as a quantity in the unit in which its
// dimension is held, or as a pure number. It is not ok, and 0, for an empty
// cell and for one that is wrong, which Err then tells of.
func (t *Reader) Quantity(column int) (v float64, ok bool) {
	text := t.Text(column)
	if text == "" {
		return 0, false
	}
	f := &t.fields[column]
	if v, ok := f.known[text]; ok {
		return v, true
	}
	v, err := quantity.Parse(strings.TrimSpace(text+" "+f.unit), f.Dimension)
	if err != nil {
		t.Fail(column, f.wrongQuantity(text, err))
		return 0, false
	}
	// The same few values come again and again in a long table.
	if len(f.known) < maxRemembered {
		if f.known == nil {
			f.known = map[string]float64{}
		}
		f.known[strings.Clone(text)] = v
	}
	return v, true
}

// wrongQuantity says what is wrong with a cell as it was written: without the
// unit that the header lent it.
func (f *field) wrongQuantity(text string, err error) Problem {
	var e *quantity.Error
	if !errors.As(err, &e) {
		return Problem{Text: err.Error()}
	}
	p := Problem{Text: e.Kind.String(), Got: quote(text), Want: e.Want, Remedy: e.Remedy}
	if f.unit == "" {
		p.Got = quote(e.Got)
		return p
	}
	p.Want = "a number, for the header has the unit " + f.unit
	if e.Kind == quantity.NoNumber {
		p.Remedy = "write the number alone"
	}
	if _, err := quantity.Parse(text, f.Dimension); err == nil {
		p.Text, p.Remedy = "the unit stands in the header and in the cell", "keep one of them"
	}
	return p
}

// Positive is Quantity for what must be above zero.
func (t *Reader) Positive(column int) (v float64, ok bool) {
	v, ok = t.Quantity(column)
	if ok && v <= 0 {
		t.Fail(column, Problem{Text: "it is not above zero", Got: quote(t.Text(column)), Remedy: "leave the cell empty if there is no value"})
		return 0, false
	}
	return v, ok
}

// Within is Quantity for what a measurement can be: from least to most, in the unit in
// which its dimension is held.
func (t *Reader) Within(column int, least, most float64) (v float64, ok bool) {
	v, ok = t.Quantity(column)
	if !ok || v >= least && v <= most {
		return v, ok
	}
	f := &t.fields[column]
	write := func(v float64) string {
		unit := f.unit
		if unit == "" {
			unit = quantity.UnitOf(t.Text(column), f.Dimension)
		}
		return quantity.Round(v, f.Dimension, unit, 3)
	}
	p := Problem{Text: "no measurement gives this", Got: quote(t.Text(column)), Want: "at least " + write(least), Remedy: "correct it, or leave the cell empty if it is not known"}
	if !math.IsInf(most, 1) {
		p.Want = write(least) + " to " + write(most)
	}
	t.Fail(column, p)
	return 0, false
}

// Whole is the cell of a column as a whole number from least to most. It is
// not ok for an empty cell and for one that is wrong.
func (t *Reader) Whole(column, least, most int) (n int, ok bool) {
	text := t.Text(column)
	if text == "" {
		return 0, false
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < least || n > most {
		t.Fail(column, Problem{Text: "it is no number of this column", Got: quote(text), Want: fmt.Sprintf("a whole number from %d to %d", least, most)})
		return 0, false
	}
	return n, true
}

// Fail notes what is wrong with the cell of a column in the present row. The
// reader fills in where it stands.
func (t *Reader) Fail(column int, p Problem) {
	f := &t.fields[column]
	p.Line, p.Column, p.Field = t.line, 1, f.Name
	if f.at >= 0 {
		p.Column = column1(t.text, t.cells[f.at].at)
	}
	t.add(p)
}

// add notes a problem of the line read last, and quotes it.
func (t *Reader) add(p Problem) {
	p.point(t.text)
	t.problems.add(p)
}

// NeedRows notes it when the table has come to its end without a row; what is
// the word for a row.
func (t *Reader) NeedRows(what string) {
	if t.rows == 0 && t.problems.Len() == 0 && t.broken == nil {
		t.problems.add(Problem{Text: "the table has a header but no " + what, Remedy: "is it cut short?"})
	}
}

// Err returns what was wrong so far: nil, a *Problems, or the error of the
// input, joined with the problems found before it.
func (t *Reader) Err() error {
	if t.problems.Len() == 0 {
		return t.broken
	}
	p := t.problems
	p.List = slices.Clone(p.List)
	slices.SortStableFunc(p.List, func(a, b Problem) int { return cmp.Or(a.Line-b.Line, a.Column-b.Column) })
	if t.broken != nil {
		return errors.Join(&p, t.broken)
	}
	return &p
}
