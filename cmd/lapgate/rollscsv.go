package main

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"

	"lapgate/recipe/quantity"
)

// maxRollsFile bounds a list of rolls; a longer one is not a list of rolls.
const maxRollsFile = 64 << 20

// csvRoll is one row of a list of rolls, SI. Grade and core are as written, a
// code or a name.
type csvRoll struct {
	At              string // file:line, for later messages
	Tag             string
	Diameter, Width float64
	Grade, Core     string
	Spec            string
	Quality         float64 // 0 to 1
	Age             float64 // s
	Ovality         float64
	WidthSpread     float64
	Weight          float64 // 0 unknown

	DiameterU, WidthU float64 // standard uncertainties, from flags alone
}

// csvColumn is one column that a list of rolls may have.
type csvColumn struct {
	name     string
	dim      quantity.Dimension // None for text and pure numbers
	required bool
	set      func(r *csvRoll, text string, value float64)
	text     bool
}

// csvColumns are all columns, in the order in which messages name them.
func csvColumns() []csvColumn {
	return []csvColumn{
		{name: "roll", required: true, text: true, set: func(r *csvRoll, s string, _ float64) { r.Tag = s }},
		{name: "diameter", dim: quantity.Length, required: true, set: func(r *csvRoll, _ string, v float64) { r.Diameter = v }},
		{name: "width", dim: quantity.Length, required: true, set: func(r *csvRoll, _ string, v float64) { r.Width = v }},
		{name: "grade", text: true, set: func(r *csvRoll, s string, _ float64) { r.Grade = s }},
		{name: "core", text: true, set: func(r *csvRoll, s string, _ float64) { r.Core = s }},
		{name: "spec", text: true, set: func(r *csvRoll, s string, _ float64) { r.Spec = s }},
		{name: "quality", dim: quantity.None, set: func(r *csvRoll, _ string, v float64) { r.Quality = v }},
		{name: "age", dim: quantity.Time, set: func(r *csvRoll, _ string, v float64) { r.Age = v }},
		{name: "ovality", dim: quantity.None, set: func(r *csvRoll, _ string, v float64) { r.Ovality = v }},
		{name: "width_spread", dim: quantity.Length, set: func(r *csvRoll, _ string, v float64) { r.WidthSpread = v }},
		{name: "weight", dim: quantity.Mass, set: func(r *csvRoll, _ string, v float64) { r.Weight = v }},
	}
}

// csvField is a column as it stands in one file: with the unit of its header.
type csvField struct {
	csvColumn
	unit string // "" when the cells carry it
}

// readRolls reads a list of rolls, whole or not at all. A quantity has its
// unit in the header, as in "diameter (mm)", or in each cell. All problems are
// returned at once, each as file:line:column.
func readRolls(name string, r io.Reader) ([]csvRoll, error) {
	data, err := io.ReadAll(io.LimitReader(r, maxRollsFile+1))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	switch {
	case len(data) > maxRollsFile:
		return nil, fmt.Errorf("%s: is over %d MiB; a list of rolls has a line for each roll, split it", name, maxRollsFile>>20)
	case len(bytes.TrimSpace(data)) == 0:
		return nil, fmt.Errorf("%s: is empty; want a header such as \"roll,diameter (mm),width (mm)\" and a line for each roll", name)
	case bytes.IndexByte(data, 0) >= 0 || !utf8.Valid(data):
		return nil, fmt.Errorf("%s: is not text in UTF-8; want comma-separated values, saved as CSV UTF-8", name)
	}
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	c := csv.NewReader(bytes.NewReader(data))
	c.Comment = '#'
	c.FieldsPerRecord = -1
	c.TrimLeadingSpace = true
	header, err := c.Read()
	if err != nil {
		return nil, csvProblem(name, err)
	}
	fields, err := csvHeader(name, header, c.FieldPos)
	if err != nil {
		return nil, err
	}
	var rolls []csvRoll
	var problems []error
	seen := map[string]int{}
	for {
		row, err := c.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			problems = append(problems, csvProblem(name, err))
			break // what follows a broken quote cannot be told apart
		}
		line, _ := c.FieldPos(0)
		if len(row) != len(fields) {
			hint := ""
			if len(row) < len(fields) {
				hint = "; is the file cut short?"
			}
			problems = append(problems, fmt.Errorf("%s:%d:1: row has %d fields, want the %d of the header%s", name, line, len(row), len(fields), hint))
			continue
		}
		roll := csvRoll{At: fmt.Sprintf("%s:%d", name, line), Quality: 1}
		bad := len(problems)
		for i, cell := range row {
			if err := fields[i].read(&roll, strings.TrimSpace(cell)); err != nil {
				l, col := c.FieldPos(i)
				problems = append(problems, fmt.Errorf("%s:%d:%d: %s: %w", name, l, col, fields[i].name, err))
			}
		}
		if before, ok := seen[roll.Tag]; ok && roll.Tag != "" {
			problems = append(problems, fmt.Errorf("%s:%d:1: roll: %q is on line %d too; each roll needs a name of its own", name, line, roll.Tag, before))
		}
		seen[roll.Tag] = line
		if len(problems) == bad {
			rolls = append(rolls, roll)
		}
	}
	if len(problems) > 0 {
		return nil, errors.Join(problems...)
	}
	if len(rolls) == 0 {
		return nil, fmt.Errorf("%s: has a header but no rolls; is the file cut short?", name)
	}
	return rolls, nil
}

func csvProblem(name string, err error) error {
	var p *csv.ParseError
	if errors.As(err, &p) {
		return fmt.Errorf("%s:%d:%d: %w; is a quote missing or the file cut short?", name, p.Line, p.Column, p.Err)
	}
	return fmt.Errorf("%s: %w", name, err)
}

func csvHeader(name string, header []string, pos func(int) (int, int)) ([]csvField, error) {
	known := csvColumns()
	names := make([]string, len(known))
	for i := range known {
		names[i] = known[i].name
	}
	var problems []error
	fail := func(i int, format string, args ...any) {
		line, col := pos(i)
		problems = append(problems, fmt.Errorf("%s:%d:%d: header: "+format, append([]any{name, line, col}, args...)...))
	}
	if len(header) == 1 && strings.ContainsAny(header[0], ";\t") {
		fail(0, "fields are separated by something else than a comma; want commas")
		return nil, errors.Join(problems...)
	}
	fields := make([]csvField, len(header))
	seen := map[string]bool{}
	for i, h := range header {
		title, unit := splitHeader(h)
		k := slices.Index(names, title)
		if k < 0 {
			fail(i, "column %q is not known (want any of %s)", h, strings.Join(names, ", "))
			continue
		}
		if seen[title] {
			fail(i, "column %q stands there twice", title)
		}
		seen[title] = true
		fields[i] = csvField{known[k], unit}
		switch {
		case unit == "":
		case known[k].text || known[k].dim == quantity.None:
			fail(i, "column %q has no unit, got %q", title, unit)
		default:
			if _, err := quantity.Parse("1 "+unit, known[k].dim); err != nil {
				fail(i, "column %q: %w", title, err)
			}
		}
	}
	for _, k := range known {
		if k.required && !seen[k.name] {
			fail(0, "column %q is missing", k.name)
		}
	}
	return fields, errors.Join(problems...)
}

// splitHeader takes "Diameter (mm)" or "diameter [mm]" apart.
func splitHeader(h string) (title, unit string) {
	h = strings.TrimSpace(h)
	if n := len(h); n > 0 && (h[n-1] == ')' || h[n-1] == ']') {
		open := strings.LastIndexAny(h, "([")
		if open >= 0 {
			unit = strings.TrimSpace(h[open+1 : n-1])
			h = h[:open]
		}
	}
	title = strings.ToLower(strings.TrimSpace(h))
	return strings.NewReplacer(" ", "_", "-", "_").Replace(title), unit
}

// read puts one cell into the roll. An empty cell of a column that is not
// required leaves what was there: a missing reading is never a zero.
func (f *csvField) read(r *csvRoll, cell string) error {
	if cell == "" {
		if f.required {
			return errors.New("is empty, want a value")
		}
		return nil
	}
	if f.text {
		f.set(r, cell, 0)
		return nil
	}
	if f.unit != "" {
		cell += " " + f.unit
	}
	v, err := quantity.Parse(cell, f.dim)
	if err != nil {
		return err
	}
	f.set(r, "", v)
	return nil
}
