package sim

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"
)

// The simulator reads lists by the same rules as the gateway reads every table,
// with code of its own: UTF-8; comments begin with # and stand before the
// header; the header names the columns, in any order and with the unit of a
// quantity in brackets, or each cell has its unit; cells are separated by tabs,
// semicolons or commas; a quote ends on its line; numbers have a decimal point;
// the last line has an end.

const (
	longestLine  = 64 << 10
	mostLines    = 2_000_000
	mostProblems = 50
)

// Units that a cell may have, in SI.
var (
	lengths = []listUnit{{"mm", 1e-3}, {"cm", 1e-2}, {"m", 1}, {"in", inch}, {"ft", 12 * inch}}
	times   = []listUnit{{"ms", 1e-3}, {"s", 1}, {"min", 60}, {"h", 3600}}
)

type listUnit struct {
	name string
	si   float64
}

// listColumn is a column that a list may have.
type listColumn struct {
	name     string
	units    []listUnit // empty for text and pure numbers
	required bool

	at   int     // of its cell in a row, −1 where the list lacks it
	unit float64 // from the header, 0 where each cell has its own
}

// rollList reads one list.
type rollList struct {
	name     string
	in       *bufio.Reader
	columns  []listColumn
	comma    byte
	line     int
	cells    []string
	starts   []int // column of each cell, from 1
	problems []string
	broken   error // of the input
	over     bool
}

func newRollList(name string, in io.Reader, columns []listColumn) *rollList {
	l := &rollList{name: name, in: bufio.NewReaderSize(in, longestLine), columns: columns}
	for i := range l.columns {
		l.columns[i].at = -1
	}
	for {
		text, ok := l.read()
		if !ok {
			break
		}
		if l.line == 1 {
			text = strings.TrimPrefix(text, "\ufeff")
		}
		if strings.TrimSpace(text) != "" && text[0] != '#' {
			l.header(text)
			return l
		}
	}
	if len(l.problems) == 0 && l.broken == nil {
		l.problems = append(l.problems, fmt.Sprintf("%s: the list is empty; begin with a header such as roll,diameter (mm),width (mm),grade", name))
	}
	return l
}

// problem adds a problem at a place of the present line.
func (l *rollList) problem(column int, text string) {
	if len(l.problems) < mostProblems {
		l.problems = append(l.problems, fmt.Sprintf("%s:%d:%d: %s", l.name, l.line, column, text))
	}
}

// fail adds a problem of a cell of the present row.
func (l *rollList) fail(column int, text string) {
	c := &l.columns[column]
	at := 1
	if c.at >= 0 {
		at = l.starts[c.at]
	}
	l.problem(at, c.name+": "+text)
}

func (l *rollList) err() error {
	all := []error{l.broken}
	for _, p := range l.problems {
		all = append(all, errors.New(p))
	}
	return errors.Join(all...)
}

// read gives the next line without its end.
func (l *rollList) read() (string, bool) {
	if l.over {
		return "", false
	}
	b, err := l.in.ReadSlice('\n')
	if len(b) == 0 && errors.Is(err, io.EOF) {
		l.over = true
		return "", false
	}
	l.line++
	wrong := ""
	switch {
	case errors.Is(err, bufio.ErrBufferFull):
		wrong = "the line is too long; is this a list of rolls?"
	case err != nil && !errors.Is(err, io.EOF):
		l.over, l.broken = true, fmt.Errorf("%s: %w", l.name, err)
		return "", false
	case !utf8.Valid(b) || slices.Contains(b, 0):
		wrong = "the line is not text in UTF-8; save the list as CSV in UTF-8"
	case err != nil:
		wrong = "the last line has no end, so the list may have been cut short; check the line and end it with a line break"
	case l.line > mostLines:
		wrong = "the list is too long; split it"
	}
	text := strings.TrimSuffix(strings.TrimSuffix(string(b), "\n"), "\r")
	if wrong == "" && strings.Contains(text, "\r") {
		wrong = "a carriage return stands in the line; end lines with a line feed"
	}
	if wrong != "" {
		l.problem(1, wrong)
		l.over = true
		return "", false
	}
	return text, true
}

// header takes the line that names the columns.
func (l *rollList) header(text string) {
	l.comma = separatorOf(text)
	if !l.cut(text) {
		l.over = true
		return
	}
	for i, title := range l.cells {
		l.title(i, title)
	}
	for i := range l.columns {
		if c := &l.columns[i]; c.required && c.at < 0 {
			l.problem(1, "header: column "+c.name+" is missing; add it")
		}
	}
	// Rows below a header that is not understood give only more of the same.
	l.over = l.over || len(l.problems) > 0
}

// title takes one name of the header.
func (l *rollList) title(at int, text string) {
	name, unit := text, ""
	if open := strings.IndexByte(text, '('); open >= 0 && strings.HasSuffix(text, ")") {
		name, unit = text[:open], strings.TrimSpace(text[open+1:len(text)-1])
	}
	name = strings.NewReplacer(" ", "_", "-", "_").Replace(strings.ToLower(strings.TrimSpace(name)))
	i := slices.IndexFunc(l.columns, func(c listColumn) bool { return c.name == name })
	if i < 0 {
		var names []string
		for _, c := range l.columns {
			names = append(names, c.name)
		}
		l.problem(l.starts[at], fmt.Sprintf("header: the column is not known (got %q, want any of %s)", text, strings.Join(names, ", ")))
		return
	}
	c := &l.columns[i]
	if c.at >= 0 {
		l.problem(l.starts[at], "header: column "+name+" stands twice; leave one of them out")
		return
	}
	c.at = at
	if unit == "" {
		return
	}
	if u, ok := c.unitNamed(unit); ok {
		c.unit = u.si
	} else {
		l.problem(l.starts[at], fmt.Sprintf("header: column %s has no such unit (got %q, want %s)", name, unit, c.unitNames()))
	}
}

func (c *listColumn) unitNamed(name string) (listUnit, bool) {
	i := slices.IndexFunc(c.units, func(u listUnit) bool { return u.name == name })
	if i < 0 {
		return listUnit{}, false
	}
	return c.units[i], true
}

func (c *listColumn) unitNames() string {
	if len(c.units) == 0 {
		return "none"
	}
	var names []string
	for _, u := range c.units {
		names = append(names, u.name)
	}
	return "one of " + strings.Join(names, ", ")
}

// separatorOf is what separates cells: a tab if the header has one outside of
// quotes, else a semicolon if it has one, else the comma.
func separatorOf(header string) byte {
	inside, found := false, byte(',')
	for i := range len(header) {
		switch {
		case header[i] == '"':
			inside = !inside
		case inside:
		case header[i] == '\t':
			return '\t'
		case header[i] == ';':
			found = ';'
		}
	}
	return found
}

// cut takes a line apart into its cells, or tells why it cannot.
func (l *rollList) cut(text string) bool {
	l.cells, l.starts = l.cells[:0], l.starts[:0]
	rest, at := text, 1
	skip := func(n int) { at += utf8.RuneCountInString(rest[:n]); rest = rest[n:] }
	for {
		for rest != "" && rest[0] != l.comma && (rest[0] == ' ' || rest[0] == '\t') {
			skip(1)
		}
		l.starts = append(l.starts, at)
		cell, n, wrong := oneCell(rest, l.comma)
		if wrong != "" {
			l.problem(at, wrong)
			return false
		}
		l.cells = append(l.cells, strings.TrimSpace(cell))
		skip(n)
		if rest == "" {
			return true
		}
		skip(1)
	}
}

// oneCell takes the first cell off a line, up to its separator or the end; n is
// how many bytes it has.
func oneCell(text string, comma byte) (cell string, n int, wrong string) {
	if text == "" || text[0] != '"' {
		n = strings.IndexByte(text, comma)
		if n < 0 {
			n = len(text)
		}
		if strings.Contains(text[:n], `"`) {
			return "", 0, "a quote stands within a cell; put the whole cell in quotes and double the quote in it"
		}
		return text[:n], n, ""
	}
	var b strings.Builder
	for n = 1; n < len(text); n++ {
		if text[n] != '"' {
			b.WriteByte(text[n])
			continue
		}
		if n+1 < len(text) && text[n+1] == '"' {
			b.WriteByte('"')
			n++
			continue
		}
		for n++; n < len(text) && text[n] != comma; n++ {
			if text[n] != ' ' && text[n] != '\t' {
				return "", 0, "text stands behind the closing quote; put the whole cell in quotes"
			}
		}
		return b.String(), n, ""
	}
	return "", 0, "the quote is not closed on its line; close it"
}

// next goes to the next row that can be taken apart.
func (l *rollList) next() bool {
	for l.comma != 0 {
		text, ok := l.read()
		if !ok {
			return false
		}
		width := l.width()
		if strings.TrimSpace(text) == "" || !l.cut(text) || !slices.ContainsFunc(l.cells, func(c string) bool { return c != "" }) {
			continue
		}
		if len(l.cells) != width {
			l.problem(1, fmt.Sprintf("the row has %d cells, the header has %d", len(l.cells), width))
			continue
		}
		for i := range l.columns {
			if l.columns[i].required && l.text(i) == "" {
				l.fail(i, "the cell is empty (want a value)")
			}
		}
		return true
	}
	return false
}

// width is how many columns the header names.
func (l *rollList) width() (n int) {
	for i := range l.columns {
		if l.columns[i].at >= 0 {
			n++
		}
	}
	return n
}

// text is the cell of a column, empty where the list has no such column.
func (l *rollList) text(column int) string {
	if at := l.columns[column].at; at >= 0 {
		return l.cells[at]
	}
	return ""
}

// number is the cell of a column in SI. It is not ok where it is empty or
// wrong.
func (l *rollList) number(column int, least, most float64) float64 {
	c, text := &l.columns[column], l.text(column)
	if text == "" {
		return 0
	}
	digits, unit := text, c.unit
	if len(c.units) == 0 {
		unit = 1
	} else if cut := strings.LastIndexAny(text, "0123456789.") + 1; unit == 0 {
		u, ok := c.unitNamed(strings.TrimSpace(text[cut:]))
		if !ok {
			l.fail(column, fmt.Sprintf("the unit is missing or not known (got %q, want %s behind the number, or in the header)", text, c.unitNames()))
			return 0
		}
		digits, unit = strings.TrimSpace(text[:cut]), u.si
	}
	v, err := strconv.ParseFloat(digits, 64)
	if err != nil || strings.ContainsAny(digits, "xXpP_nN") {
		l.fail(column, fmt.Sprintf("it is no number (got %q, want a number with a decimal point)", text))
		return 0
	}
	if v *= unit; !(v >= least && v <= most) {
		l.fail(column, fmt.Sprintf("it is out of range (got %q, want %g to %g of the unit of SI)", text, least, most))
		return 0
	}
	return v
}
