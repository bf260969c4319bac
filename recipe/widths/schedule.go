package widths

import (
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"lapgate/recipe/quantity"
	"lapgate/recipe/table"
)

// row is one row of the schedule.
type row struct {
	tag, date string
	count     int32
	line      int32 // of the table
	lot       int32
	grade     int32 // its code, 0 for none
}

// name is the roll's, or where it stands when it has none.
func (r *row) name() string {
	if r.tag != "" {
		return r.tag
	}
	return "line " + strconv.Itoa(int(r.line))
}

// The columns of a schedule.
const (
	rowRoll = iota
	rowDate
	rowWidth
	rowDiameter
	rowCount
	rowSpec
	rowGrade
	rowCore
)

func scheduleColumns() []table.Column {
	return []table.Column{
		rowRoll:     {Name: "roll"},
		rowDate:     {Name: "date"},
		rowWidth:    {Name: "width", Dimension: quantity.Length, Required: true},
		rowDiameter: {Name: "diameter", Dimension: quantity.Length, Required: true},
		rowCount:    {Name: "count"},
		rowSpec:     {Name: "spec"},
		rowGrade:    {Name: "grade"},
		rowCore:     {Name: "core"},
	}
}

// ReadSchedule reads the schedule, whole or not at all: a table by the rules of
// recipe/table, which messages call by name. progress hears now and then how
// many rows were read; it may be nil.
func (p *Plan) ReadSchedule(name string, in io.Reader, progress func(rows int)) error {
	t := table.NewReader(name, in, scheduleColumns())
	known := map[[3]string]materials{}
	date := ""
	for t.Next() {
		if progress != nil && t.Rows()%4096 == 0 {
			progress(t.Rows())
		}
		of := p.materialsOf(t, known)
		key := lotKey{spec: of.spec, core: of.core}
		key.width, _ = t.Positive(rowWidth)
		key.diameter, _ = t.Positive(rowDiameter)
		n, ok := t.Whole(rowCount, 1, maxCount)
		if !ok {
			n = 1
		}
		if t.Bad() {
			continue
		}
		if d := t.Text(rowDate); d != date {
			date = strings.Clone(d) // rows of one day stand together
		}
		p.add(key, row{tag: strings.Clone(t.Text(rowRoll)), date: date, count: int32(n), line: int32(t.Line()), grade: of.grade})
	}
	t.NeedRows("rolls")
	if err := t.Err(); err != nil {
		return err
	}
	for i := range p.lots {
		l := &p.lots[i]
		if l.count > maxCount {
			return fmt.Errorf("%s: rolls of %s by %s come to %d, want at most a thousand million", name, p.length(l.diameter), p.length(l.width), l.count)
		}
		p.Problem.Rolls[i].Count = int(l.count)
	}
	return nil
}

// maxKnown is how many different rows materialsOf remembers.
const maxKnown = 1 << 14

// materials are specification, core and grade of a row.
type materials struct{ spec, core, grade int32 }

// materialsOf finds the materials of a row. Most rows repeat earlier
// ones, so what was found is remembered.
func (p *Plan) materialsOf(t *table.Reader, known map[[3]string]materials) materials {
	cells := [3]string{t.Text(rowSpec), t.Text(rowGrade), t.Text(rowCore)}
	if key, ok := known[cells]; ok {
		return key
	}
	var of materials
	of.spec, of.grade = p.specOf(t)
	of.core = p.coreOf(t)
	if !t.Bad() && len(known) < maxKnown {
		known[[3]string{strings.Clone(cells[0]), strings.Clone(cells[1]), strings.Clone(cells[2])}] = of
	}
	return of
}

// specOf is the specification that a row names, else that of its grade, else
// the one of the options. grade is the code of the grade, 0 for none.
func (p *Plan) specOf(t *table.Reader) (spec, grade int32) {
	m := &p.line.Materials
	name := t.Text(rowSpec)
	code, err := m.GradeCode(t.Text(rowGrade))
	if err != nil {
		t.Fail(rowGrade, table.Problem{Text: err.Error()})
		return 0, 0
	}
	if name == "" && code != 0 {
		g := m.Grade(code)
		if g == nil {
			t.Fail(rowGrade, table.Problem{Text: fmt.Sprintf("code %d is not in the configuration", code)})
			return 0, 0
		}
		name = g.Spec
	}
	if name == "" {
		name = p.options.Spec
	}
	at := slices.Index(specNames(m), name)
	switch {
	case name == "":
		t.Fail(rowSpec, table.Problem{Text: "neither specification nor grade", Remedy: "fill in spec or grade, or give a specification for all"})
	case at < 0:
		t.Fail(rowSpec, unknown(name, specNames(m)))
	}
	return int32(max(0, at)), int32(code)
}

func (p *Plan) coreOf(t *table.Reader) int32 {
	m := &p.line.Materials
	code, err := m.CoreCode(t.Text(rowCore))
	switch {
	case err != nil:
		t.Fail(rowCore, table.Problem{Text: err.Error()})
	case code != 0 && m.Core(code) == nil:
		t.Fail(rowCore, table.Problem{Text: fmt.Sprintf("code %d is not in the configuration", code)})
	}
	return int32(code)
}

// unknown is a name that the configuration does not have.
func unknown(name string, names []string) table.Problem {
	p := table.Problem{Text: "it is not known", Got: strconv.Quote(name), Want: "one of " + strings.Join(names, ", ")}
	if near := quantity.Nearest(name, names); near != "" {
		p.Remedy = "did you mean " + near + "?"
	}
	return p
}
