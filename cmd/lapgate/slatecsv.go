package main

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"lapgate/recipe"
	"lapgate/recipe/quantity"
	"lapgate/recipe/widths"
)

// scheduleRow is one row of the schedule.
type scheduleRow struct {
	tag, date string
	count     int32
	line      int32 // of the file
	lot       int32
}

// name is the roll's, or where it stands when it has none.
func (r *scheduleRow) name() string {
	if r.tag != "" {
		return r.tag
	}
	return "line " + strconv.Itoa(int(r.line))
}

// maxProblems is how many bad rows are named; the rest is only counted.
const maxProblems = 50

// badRows gathers what is wrong with a file.
type badRows struct {
	file string
	list []error
	more int
}

func (b *badRows) add(line, col int, format string, args ...any) {
	if len(b.list) == maxProblems {
		b.more++
		return
	}
	b.list = append(b.list, fmt.Errorf("%s:%d:%d: %w", b.file, line, col, fmt.Errorf(format, args...)))
}

func (b *badRows) err() error {
	if b.more > 0 {
		return errors.Join(append(b.list, fmt.Errorf("%s: and %d more", b.file, b.more))...)
	}
	return errors.Join(b.list...)
}

var errNotText = errors.New("is not text in UTF-8; want comma-separated values, saved as CSV UTF-8")

// textReader lets text alone through: no bytes of a binary file, no broken
// UTF-8. It keeps the last byte, by which a file that was cut shows.
type textReader struct {
	r     io.Reader
	check []byte // what was read last, with an unfinished character before it
	held  int    // its unfinished character at the end
	last  byte
}

func (t *textReader) Read(p []byte) (int, error) {
	n, err := t.r.Read(p)
	if n > 0 {
		t.last = p[n-1]
	}
	carried := copy(t.check, t.check[len(t.check)-t.held:])
	t.check = append(t.check[:carried], p[:n]...)
	t.held = 0
	if bytes.IndexByte(p[:n], 0) >= 0 {
		return 0, errNotText
	}
	if utf8.Valid(t.check) {
		return n, err
	}
	cut := len(t.check) - 1
	for cut > 0 && len(t.check)-cut < utf8.UTFMax && !utf8.RuneStart(t.check[cut]) {
		cut--
	}
	if err != nil || utf8.FullRune(t.check[cut:]) || !utf8.Valid(t.check[:cut]) {
		return 0, errNotText
	}
	t.held = len(t.check) - cut
	return n, nil
}

// scheduleColumns are the columns of a schedule.
func scheduleColumns() []csvName {
	return []csvName{
		{name: "roll"}, {name: "date"}, {name: "width", dim: quantity.Length, required: true},
		{name: "diameter", dim: quantity.Length, required: true}, {name: "count"},
		{name: "spec"}, {name: "grade"}, {name: "core"},
	}
}

func stockColumns() []csvName {
	return []csvName{
		{name: "width", dim: quantity.Length, required: true}, {name: "paper"}, {name: "rolls"},
		{name: "length", dim: quantity.Length},
	}
}

// csvName is a column that a file may have.
type csvName struct {
	name     string
	dim      quantity.Dimension // None for text
	required bool
	at       int    // its place in the file, −1 none
	unit     string // of the header
	seen     map[string]float64
}

// maxSeen bounds the cells remembered for one column.
const maxSeen = 1 << 16

// value reads a quantity. Cells come again and again in a schedule, so those
// read before are remembered.
func (c *csvName) value(cell string) (float64, error) {
	if v, ok := c.seen[cell]; ok {
		return v, nil
	}
	text := cell
	if c.unit != "" {
		text += " " + c.unit
	}
	v, err := quantity.Parse(text, c.dim)
	if err != nil {
		return 0, err
	}
	if v <= 0 {
		return 0, fmt.Errorf("got %q, want more than zero", cell)
	}
	if len(c.seen) < maxSeen {
		c.seen[strings.Clone(cell)] = v
	}
	return v, nil
}

// table reads a file with a header, row by row.
type table struct {
	bad     badRows
	csv     *csv.Reader
	text    *textReader
	columns []csvName
	width   int
}

func openTable(name string, r io.Reader, columns []csvName) (*table, error) {
	t := &table{bad: badRows{file: name}, text: &textReader{r: r}, columns: columns}
	in := bufio.NewReaderSize(t.text, 1<<16)
	if mark, err := in.Peek(3); err == nil && string(mark) == "\xef\xbb\xbf" {
		if _, err := in.Discard(3); err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
	}
	t.csv = csv.NewReader(in)
	t.csv.Comment = '#'
	t.csv.FieldsPerRecord = -1
	t.csv.TrimLeadingSpace = true
	t.csv.ReuseRecord = true
	header, err := t.csv.Read()
	switch {
	case errors.Is(err, io.EOF):
		return nil, fmt.Errorf("%s: is empty; want a header that names the columns %s, and a line for each roll", name, t.names())
	case errors.Is(err, errNotText):
		return nil, fmt.Errorf("%s: %w", name, errNotText)
	case err != nil:
		return nil, csvProblem(name, err)
	}
	t.width = len(header)
	if len(header) == 1 && strings.ContainsAny(header[0], ";\t") {
		return nil, fmt.Errorf("%s:1:1: header: fields are separated by something else than a comma; want commas", name)
	}
	for k := range t.columns {
		t.columns[k].at = -1
		t.columns[k].seen = map[string]float64{}
	}
	for i, h := range header {
		line, col := t.csv.FieldPos(i)
		title, unit := splitHeader(h)
		k := slices.IndexFunc(t.columns, func(c csvName) bool { return c.name == title })
		if k < 0 {
			t.bad.add(line, col, "header: column %q is not known (want any of %s)", h, t.names())
			continue
		}
		c := &t.columns[k]
		if c.at >= 0 {
			t.bad.add(line, col, "header: column %q stands there twice", title)
		}
		c.at, c.unit = i, unit
		if unit == "" {
			continue
		}
		if c.dim == quantity.None {
			t.bad.add(line, col, "header: column %q has no unit, got %q", title, unit)
		} else if _, err := quantity.Parse("1 "+unit, c.dim); err != nil {
			t.bad.add(line, col, "header: column %q: %w", title, err)
		}
	}
	for _, c := range t.columns {
		if c.required && c.at < 0 {
			t.bad.add(1, 1, "header: column %q is missing", c.name)
		}
	}
	return t, t.bad.err()
}

func (t *table) names() string {
	names := make([]string, len(t.columns))
	for i := range t.columns {
		names[i] = t.columns[i].name
	}
	return strings.Join(names, ", ")
}

// next returns the next row with the right number of cells; nil at the end.
func (t *table) next() ([]string, error) {
	for {
		row, err := t.csv.Read()
		switch {
		case errors.Is(err, io.EOF):
			return nil, nil
		case errors.Is(err, errNotText):
			return nil, fmt.Errorf("%s: %w", t.bad.file, errNotText)
		case err != nil:
			var p *csv.ParseError
			if !errors.As(err, &p) {
				return nil, fmt.Errorf("%s: %w", t.bad.file, err)
			}
			t.bad.add(p.Line, p.Column, "%w; is a quote missing or the file cut short?", p.Err)
			return nil, nil // what follows a broken quote cannot be told apart
		}
		if len(row) == t.width {
			return row, nil
		}
		hint := ""
		if len(row) < t.width {
			hint = "; is the file cut short?"
		}
		line, _ := t.csv.FieldPos(0)
		t.bad.add(line, 1, "row has %d fields, want the %d of the header%s", len(row), t.width, hint)
	}
}

// cell is the text of a column, "" where the file has none.
func (t *table) cell(row []string, k int) string {
	if at := t.columns[k].at; at >= 0 {
		return strings.TrimSpace(row[at])
	}
	return ""
}

// fail notes a bad cell.
func (t *table) fail(k int, err error) {
	line, col := t.csv.FieldPos(max(0, t.columns[k].at))
	t.bad.add(line, col, "%s: %w", t.columns[k].name, err)
}

// length reads a cell, 0 where it is empty and may be.
func (t *table) length(row []string, k int) float64 {
	c := &t.columns[k]
	cell := t.cell(row, k)
	if cell == "" {
		if c.required {
			t.fail(k, errors.New("is empty, want a value"))
		}
		return 0
	}
	v, err := c.value(cell)
	if err != nil {
		t.fail(k, err)
	}
	return v
}

// count reads a whole number; an empty cell is what is given for it.
func (t *table) count(row []string, k, empty, least int) int {
	cell := t.cell(row, k)
	if cell == "" {
		return empty
	}
	const most = 1_000_000_000
	n, err := strconv.Atoi(cell)
	if err != nil || n < least || n > most {
		t.fail(k, fmt.Errorf("got %q, want a whole number from %d to %d", cell, least, most))
		return empty
	}
	return n
}

// readSchedule reads the schedule row by row into the plan, whole or not at
// all.
func (p *program) readSchedule(path string, plan *slatePlan) (err error) {
	name, in := path, p.stdin
	if path == "-" {
		name = "standard input"
	} else {
		file, err := os.Open(path)
		if err != nil {
			return err
		}
		defer func() { _ = file.Close() }() // only read
		in = file
		if info, err := file.Stat(); err == nil && info.Mode().IsRegular() {
			// A row is hardly shorter; what is too much is never touched.
			plan.rows = make([]scheduleRow, 0, min(info.Size()/32, 1<<21))
		}
	}
	t, err := openTable(name, in, scheduleColumns())
	if err != nil {
		return err
	}
	bar := newProgress(p.stderr, "rows read", 0)
	defer bar.clear()
	names := scheduleNames{m: &plan.line.Materials, standard: plan.standard, known: map[[3]string]lotKey{}}
	for n := 1; ; n++ {
		row, err := t.next()
		if err != nil {
			return err
		}
		if row == nil {
			break
		}
		if n%4096 == 0 {
			bar.at(n)
		}
		const roll, date, width, diameter, count, spec, grade, core = 0, 1, 2, 3, 4, 5, 6, 7
		before := len(t.bad.list) + t.bad.more
		key := names.find(t, row, spec, grade, core)
		key.width, key.diameter = t.length(row, width), t.length(row, diameter)
		c := t.count(row, count, 1, 1)
		if len(t.bad.list)+t.bad.more > before {
			continue
		}
		line, _ := t.csv.FieldPos(0)
		plan.add(key, scheduleRow{tag: t.cell(row, roll), date: t.cell(row, date), count: int32(c), line: int32(line)})
	}
	if err := t.bad.err(); err != nil {
		return err
	}
	if len(plan.rows) == 0 {
		return fmt.Errorf("%s: has a header but no rolls; is the file cut short?", name)
	}
	for i := range plan.lots {
		if plan.lots[i].count > 1_000_000_000 {
			return fmt.Errorf("%s: rolls of %s by %s come to %d, want at most a thousand million", name,
				plan.length(plan.lots[i].diameter), plan.length(plan.lots[i].width), plan.lots[i].count)
		}
		plan.problem.Rolls[i].Count = int(plan.lots[i].count)
	}
	if t.text.last != '\n' {
		fmt.Fprintf(p.stderr, "warning: %s: the last line has no end; if the file was cut short, its last value is wrong\n", name)
	}
	return nil
}

// scheduleNames finds specification and core of a row.
type scheduleNames struct {
	m        *recipe.Materials
	standard string
	known    map[[3]string]lotKey
}

func (s *scheduleNames) find(t *table, row []string, spec, grade, core int) lotKey {
	cells := [3]string{t.cell(row, spec), t.cell(row, grade), t.cell(row, core)}
	if key, ok := s.known[cells]; ok {
		return key
	}
	var key lotKey
	before := len(t.bad.list) + t.bad.more
	code, err := codeOf("grade", cells[1], len(s.m.Grades), func(i int) (string, int) { return s.m.Grades[i].Name, s.m.Grades[i].Code })
	if err != nil {
		t.fail(grade, err)
	}
	name := cells[0]
	if name == "" && err == nil && code != 0 {
		g := s.m.Grade(code)
		if g == nil {
			t.fail(grade, fmt.Errorf("code %d is not in the configuration", code))
		} else {
			name = g.Spec
		}
	}
	if name == "" {
		name = s.standard
	}
	at := slices.IndexFunc(s.m.Specs, func(x recipe.Spec) bool { return x.Name == name })
	switch {
	case at >= 0:
		key.spec = int32(at)
	case name != "":
		t.fail(spec, fmt.Errorf("%q is not known; want one of %s", name, strings.Join(specNames(s.m), ", ")))
	case cells[1] == "":
		t.fail(spec, errors.New("neither specification nor grade; fill in spec or grade, or give --spec"))
	}
	code, err = codeOf("core", cells[2], len(s.m.Cores), func(i int) (string, int) { return s.m.Cores[i].Name, s.m.Cores[i].Code })
	switch {
	case err != nil:
		t.fail(core, err)
	case code != 0 && s.m.Core(code) == nil:
		t.fail(core, fmt.Errorf("code %d is not in the configuration", code))
	}
	key.core = int32(code)
	if len(t.bad.list)+t.bad.more == before && len(s.known) < maxSeen {
		s.known[[3]string{strings.Clone(cells[0]), strings.Clone(cells[1]), strings.Clone(cells[2])}] = key
	}
	return key
}

// wrappers are what can be hung: what the flag names, or a grid over what the
// schedule wants. choice tells which, in words.
func (p *program) wrappers(plan *slatePlan, text string, step float64) (list []widths.Candidate, choice string, err error) {
	papers := plan.papersInUse()
	switch {
	case text == "":
		list, choice = plan.grid(papers, step)
		return list, choice, nil
	case strings.HasSuffix(strings.ToLower(text), ".csv"):
		list, err = readStock(text, plan.line, papers)
		return list, "stock of " + text, err
	}
	m := &plan.line.Materials
	var problems []error
	for _, item := range strings.Split(text, ",") {
		item = strings.TrimSpace(item)
		use := papers
		v, err := quantity.Parse(item, quantity.Length)
		if i := strings.LastIndexByte(item, ' '); err != nil && i > 0 {
			if k := paperIndex(m, item[i+1:]); k >= 0 {
				use = []int{k}
				v, err = quantity.Parse(item[:i], quantity.Length)
			}
		}
		if err == nil && v <= 0 {
			err = fmt.Errorf("got %q, want more than zero", item)
		}
		if err != nil {
			problems = append(problems, fmt.Errorf("--candidates: %w", err))
			continue
		}
		for _, k := range use {
			list = append(list, widths.Candidate{Wrapper: widths.Wrapper{Width: v, Paper: k}, Stock: widths.Unlimited})
		}
	}
	if len(problems) > 0 {
		return nil, "", usageError("%w", errors.Join(problems...))
	}
	return list, fmt.Sprintf("%d given", len(list)), nil
}

// papersInUse are the papers that a specification of the schedule allows.
func (s *slatePlan) papersInUse() []int {
	used := make([]bool, len(s.problem.Specs))
	for i := range s.lots {
		used[s.lots[i].spec] = true
	}
	var out []int
	for k := range s.line.Materials.Papers {
		for i := range used {
			if used[i] && slices.Contains(s.problem.Specs[i].Papers, k) {
				out = append(out, k)
				break
			}
		}
	}
	return out
}

// maxGrid keeps a grid within what the exact method takes.
const maxGrid = widths.MaxCandidates / 2

// grid is every multiple of the step that some roll of the schedule would
// take, in each paper.
func (s *slatePlan) grid(papers []int, step float64) ([]widths.Candidate, string) {
	if step == 0 {
		step = 0.025
		if imperial(s.line.Unit(quantity.Length)) {
			step = 0.0254
		}
	}
	low, high := math.Inf(1), 0.0
	for i := range s.lots {
		if s.lots[i].never == "" {
			l, h := s.window(i)
			low, high = math.Min(low, l), math.Max(high, h)
		}
	}
	var list []widths.Candidate
	for high >= low && (high-low)/step > float64(maxGrid/max(1, len(papers))) {
		step *= 2
	}
	for k := math.Ceil(low/step - 1e-6); k*step <= high+1e-9; k++ {
		for _, paper := range papers {
			list = append(list, widths.Candidate{Wrapper: widths.Wrapper{Width: round12(k * step), Paper: paper}, Stock: widths.Unlimited})
		}
	}
	return list, fmt.Sprintf("every multiple of %s", s.length(step))
}

// round12 takes the rounding of a product away, so that 50 × 0.0254 m is the
// same width as 50 in.
func round12(v float64) float64 {
	w, err := strconv.ParseFloat(strconv.FormatFloat(v, 'f', 12, 64), 64)
	if err != nil {
		return v
	}
	return w
}

func imperial(unit string) bool { return unit == "in" || unit == "ft" || unit == "yd" }

// readStock reads the wrappers in stock.
func readStock(path string, line *recipe.Line, papers []int) ([]widths.Candidate, error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer func() { _ = file.Close() }() // only read
	t, err := openTable(path, file, stockColumns())
	if err != nil {
		return nil, err
	}
	const width, paper, rolls, length = 0, 1, 2, 3
	var list []widths.Candidate
	for {
		row, err := t.next()
		if err != nil {
			return nil, err
		}
		if row == nil {
			break
		}
		use := papers
		if name := t.cell(row, paper); name != "" {
			k := paperIndex(&line.Materials, name)
			if k < 0 {
				t.fail(paper, fmt.Errorf("%q is not known; want one of %s", name, strings.Join(paperNames(&line.Materials), ", ")))
				continue
			}
			use = []int{k}
		}
		c := widths.Candidate{Stock: t.count(row, rolls, widths.Unlimited, 0), Length: t.length(row, length)}
		c.Width = t.length(row, width)
		for _, k := range use {
			c.Paper = k
			list = append(list, c)
		}
	}
	if err := t.bad.err(); err != nil {
		return nil, err
	}
	if len(list) == 0 {
		return nil, fmt.Errorf("%s: has a header but no wrappers; is the file cut short?", path)
	}
	return list, nil
}
