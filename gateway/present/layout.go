package present

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"
)

// blockRows is how many rows of a text table are laid out together and held.
const blockRows = 256

// block is a run of rows of a text table.
type block struct {
	cells [][]cell // by row and column
	below [][]string
}

// layout is how a text table is written: it stays from block to block, and
// grows where a wider cell comes.
type layout struct {
	heads  []string
	right  []bool // columns that hold figures and no words
	words  []bool
	cells  []int // how wide the cells are, and at least the longest word of the head
	wide   []int // how wide the columns are written
	shown  []int // the columns, in their order
	stacks bool  // too narrow for a table: each row is written as pairs
}

// textTable writes a table in blocks. Columns that do not fit leave in the
// order of their drop, which is said at the end; what still does not fit is
// written row by row as names and values.
func (w *Printer) textTable(t *Table, indent string) error {
	if t.Apart {
		return w.textApart(t, indent)
	}
	n := len(t.Columns)
	l := &layout{heads: make([]string, n), right: make([]bool, n), words: make([]bool, n), cells: make([]int, n), wide: make([]int, n)}
	for i, c := range t.Columns {
		l.heads[i] = w.withUnit(c, w.title(c))
		for _, word := range sizesOf(l.heads[i]) {
			l.cells[i] = max(l.cells[i], columnsWide(word))
		}
	}
	b, first := &block{}, true
	for r, err := range t.Rows {
		if err != nil {
			return err
		}
		cells := make([]cell, len(t.Columns))
		for i, c := range t.Columns {
			cells[i] = w.textCell(c, r.Cells[i])
			l.words[i] = l.words[i] || !cells[i].right && cells[i].text != nothing
			l.right[i] = (l.right[i] || cells[i].right) && !l.words[i]
			l.cells[i] = max(l.cells[i], columnsWide(cells[i].text))
		}
		b.cells, b.below = append(b.cells, cells), append(b.below, w.lines(r.Below))
		if len(b.cells) == blockRows {
			w.block(l, t.Columns, b, indent, first)
			b, first = &block{}, false
		}
	}
	if len(b.cells) > 0 {
		w.block(l, t.Columns, b, indent, first)
	}
	w.leftOut(l, t.Columns, indent)
	return nil
}

// textApart writes each row by itself.
func (w *Printer) textApart(t *Table, indent string) error {
	first := true
	for r, err := range t.Rows {
		if err != nil {
			return err
		}
		if !first {
			fmt.Fprintln(w.out)
		}
		first = false
		if err := w.textObject(within(reflect.ValueOf(r.JSON)), indent); err != nil {
			return err
		}
	}
	return nil
}

// leftOut says which columns were not written.
func (w *Printer) leftOut(l *layout, columns []Column, indent string) {
	if l.shown == nil || len(l.shown) == len(columns) {
		return
	}
	var names []string
	for i := range columns {
		if !slices.Contains(l.shown, i) {
			names = append(names, w.title(columns[i]))
		}
	}
	w.wrapped(w.Words.Of("head.left-out", "what", strings.Join(names, ", ")), indent, indent)
}

// fit chooses the columns that stand side by side, and how wide they are.
func (w *Printer) fit(l *layout, columns []Column, indent string) {
	l.shown, l.stacks = l.shown[:0], false
	for i := range columns {
		l.shown = append(l.shown, i)
		l.wide[i] = max(l.cells[i], columnsWide(l.heads[i]))
	}
	if l.total() > w.Width-len(indent) {
		copy(l.wide, l.cells) // the heads take several lines
	}
	for l.total() > w.Width-len(indent) {
		goes := -1
		for k, i := range l.shown {
			if columns[i].Drop > 0 && (goes < 0 || columns[i].Drop >= columns[l.shown[goes]].Drop) {
				goes = k
			}
		}
		if goes < 0 {
			l.stacks = !l.narrowed(w.Width - len(indent))
			return
		}
		l.shown = append(l.shown[:goes], l.shown[goes+1:]...)
	}
	for _, i := range l.shown { // heads on one line where there is room
		if more := columnsWide(l.heads[i]) - l.wide[i]; more > 0 && l.total()+more <= w.Width-len(indent) {
			l.wide[i] += more
		}
	}
}

const gap = "  "

func (l *layout) total() int {
	n := len(gap) * (len(l.shown) - 1)
	for _, i := range l.shown {
		n += l.wide[i]
	}
	return n
}

// leastText is how narrow a column of words may become.
const leastText = 12

// narrowed makes the widest columns of words narrower, whose cells then take
// several lines. It reports whether all columns fit.
func (l *layout) narrowed(width int) bool {
	for l.total() > width {
		widest := -1
		for _, i := range l.shown {
			if !l.right[i] && l.wide[i] > leastText && (widest < 0 || l.wide[i] > l.wide[widest]) {
				widest = i
			}
		}
		if widest < 0 {
			return false
		}
		l.wide[widest]--
	}
	return true
}

func (w *Printer) block(l *layout, columns []Column, b *block, indent string, first bool) {
	w.fit(l, columns, indent)
	if !first {
		fmt.Fprintln(w.out)
	}
	if l.stacks {
		for k, cells := range b.cells {
			var pairs [][2]string
			for _, i := range l.shown {
				pairs = append(pairs, [2]string{l.heads[i], cells[i].text})
			}
			if k > 0 {
				fmt.Fprintln(w.out)
			}
			w.pairs(pairs, indent)
			w.under(b.below[k], indent)
		}
		return
	}
	w.tableRow(l, l.shownTexts(func(i int) string { return l.heads[i] }), indent, true)
	for k, cells := range b.cells {
		w.tableRow(l, l.shownTexts(func(i int) string { return cells[i].text }), indent, false)
		w.under(b.below[k], indent)
	}
}

func (w *Printer) under(lines []string, indent string) {
	for _, text := range lines {
		w.wrapped(text, indent+"    ", indent+"      ")
	}
}

func (l *layout) shownTexts(text func(int) string) []string {
	out := make([]string, len(l.shown))
	for k, i := range l.shown {
		out[k] = text(i)
	}
	return out
}

// tableRow writes the cells of a row, over several lines where one does not
// fit; those of a head end on the same line.
func (w *Printer) tableRow(l *layout, texts []string, indent string, head bool) {
	lines, height := make([][]string, len(texts)), 1
	for k, text := range texts {
		lines[k] = Wrap(text, l.wide[l.shown[k]])
		height = max(height, len(lines[k]))
	}
	for y := range height {
		var b strings.Builder
		b.WriteString(indent)
		for k, i := range l.shown {
			if k > 0 {
				b.WriteString(gap)
			}
			at := y
			if head {
				at -= height - len(lines[k])
			}
			text := ""
			if at >= 0 && at < len(lines[k]) {
				text = lines[k][at]
			}
			space := strings.Repeat(" ", max(0, l.wide[i]-columnsWide(text)))
			if l.right[i] {
				b.WriteString(space + text)
			} else {
				b.WriteString(text + space)
			}
		}
		fmt.Fprintln(w.out, strings.TrimRight(b.String(), " "))
	}
}

// wrapped writes text over as many lines as it needs, the first behind one
// indent and the others behind another.
func (w *Printer) wrapped(text, first, others string) {
	indent := first
	for _, line := range Wrap(text, max(w.Width-columnsWide(first), leastText)) {
		fmt.Fprintln(w.out, strings.TrimRight(indent+line, " "))
		indent = others
	}
}

// Wrap breaks text into lines of a width in characters at its spaces, but not inside a
// size: 12.5 in stays together. A longer word has a line of its own.
func Wrap(text string, width int) []string {
	if columnsWide(text) <= width {
		return []string{text}
	}
	var out []string
	line := ""
	for _, word := range sizesOf(text) {
		switch {
		case line == "":
			line = word
		case columnsWide(line)+1+columnsWide(word) <= width:
			line += " " + word
		default:
			out = append(out, line)
			line = word
		}
	}
	return append(out, line)
}

// sizesOf splits text at its spaces, except behind a figure.
func sizesOf(text string) []string {
	var out []string
	joins := false
	for _, word := range strings.Fields(text) {
		if joins {
			out[len(out)-1] += " " + word
		} else {
			out = append(out, word)
		}
		joins = isFigure(word)
	}
	return out
}

func isFigure(word string) bool {
	digits := false
	for _, r := range strings.TrimLeft(word, "(+-−±×") {
		if !unicode.IsDigit(r) && !strings.ContainsRune("./", r) {
			return false
		}
		digits = digits || unicode.IsDigit(r)
	}
	return digits && !strings.HasSuffix(word, ".")
}

// columnsWide is how many columns of a terminal a text takes.
func columnsWide(s string) int { return utf8.RuneCountInString(s) }
