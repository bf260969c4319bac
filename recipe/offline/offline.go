// Package offline computes recipes away from any controller: for rolls that a
// person gives or lists in a table, on a stand on which all is well.
package offline

import (
	"fmt"
	"io"
	"iter"
	"math"
	"slices"
	"strconv"
	"strings"

	"lapgate/recipe"
	"lapgate/recipe/check"
	"lapgate/recipe/quantity"
	"lapgate/recipe/table"
	"lapgate/recipe/wording"
)

// Given is a roll as a person gives it, without a scan. Grade and core are
// given by code or by name; lengths in m.
type Given struct {
	Tag                   string
	Diameter, Width       float64
	DiameterU, WidthU     float64 // standard uncertainties
	Grade, Core, Spec     string
	Quality, Age, Ovality float64 // 0 to 1; s; (largest − smallest diameter)/mean
	WidthSpread           float64
	Weight                float64 // kg, 0 unknown
}

// Platens are both platens as a person gives them, °C; 0 for not given. One
// alone is the cooler and the hotter.
type Platens struct{ Cooler, Hotter float64 }

// On puts the platens into a stand.
func (p Platens) On(s *recipe.Stand) {
	s.Platen, s.PlatenHot = p.Cooler, p.Hotter
	if p.Cooler == 0 {
		s.Platen = p.Hotter
	}
}

// Roll makes a measured roll of a given one: a scan without any doubt but that
// given. gradeErr and coreErr tell of names that the materials do not have.
func (g *Given) Roll(m *recipe.Materials) (r recipe.Roll, gradeErr, coreErr error) {
	r = recipe.Roll{
		Tag:          g.Tag,
		Diameter:     g.Diameter,
		DiameterU:    g.DiameterU,
		Ovality:      g.Ovality,
		Width:        g.Width,
		WidthU:       g.WidthU,
		WidthMedian:  g.Width,
		WidthSpread:  g.WidthSpread,
		Quality:      g.Quality,
		Age:          g.Age,
		KnownWeight:  g.Weight,
		Spec:         g.Spec,
		MeasuredFrom: "given",
	}
	r.Grade, gradeErr = m.GradeCode(g.Grade)
	r.Core, coreErr = m.CoreCode(g.Core)
	return r, gradeErr, coreErr
}

// The columns of a list of rolls.
const (
	roll = iota
	diameter
	width
	grade
	core
	spec
	quality
	age
	ovality
	widthSpread
	weight
	diameterU
	widthU
	platen
	platenHot
	count
	taper
	telescoping
	permissiveOff
)

// columns are those of a list; unique tells that the name of a roll may not come
// twice, and truly that the list may have what no scanner knows.
func columns(unique, truly bool) []table.Column {
	all := []table.Column{
		roll:        {Name: "roll", Required: true, Unique: unique},
		diameter:    {Name: "diameter", Dimension: quantity.Length, Required: true},
		width:       {Name: "width", Dimension: quantity.Length, Required: true},
		grade:       {Name: "grade"},
		core:        {Name: "core"},
		spec:        {Name: "spec"},
		quality:     {Name: "quality"},
		age:         {Name: "age", Dimension: quantity.Time},
		ovality:     {Name: "ovality"},
		widthSpread: {Name: "width_spread", Dimension: quantity.Length},
		weight:      {Name: "weight", Dimension: quantity.Mass},
		diameterU:   {Name: "diameter_u", Dimension: quantity.Length},
		widthU:      {Name: "width_u", Dimension: quantity.Length},
		platen:      {Name: "platen", Dimension: quantity.Temperature},
		platenHot:   {Name: "platen_hot", Dimension: quantity.Temperature},
		count:       {Name: "count"},

		taper:         {Name: "taper"},
		telescoping:   {Name: "telescoping", Dimension: quantity.Length},
		permissiveOff: {Name: "permissive_off"},
	}
	if !truly {
		all = all[:taper]
	}
	return all
}

// Row is one roll of a table, as a roll of each of the materials asked for,
// in a slice that is good until the next row.
type Row struct {
	Rolls   []recipe.Roll
	Platens Platens
	Truth   Truth // of TrueRolls
}

// mostCount bounds the rolls of one row.
const mostCount = 10_000

// Rolls gives the rolls of a table, by the rules of recipe/table, while it is
// read. A row with a count stands for that many rolls, W-01 for W-01-01, W-01-02 and
// so on. From the first problem on it gives no more rolls but reads on,
// and its last value is the error that tells all of them.
func Rolls(name string, in io.Reader, materials ...*recipe.Materials) iter.Seq2[Row, error] {
	return rolls(table.NewReader(name, in, columns(true, false)), materials, nil)
}

// Truth is what is true of a roll and no scanner knows, and what is off when it
// asks.
type Truth struct {
	Taper       float64 // by how much the diameter grows from the left end to the right, for each m of width
	Telescoping float64 // m that the end stands out at the edge
	Permissive  int     // 1 + the bit that is off, 0 none
}

// TrueRolls gives the rolls of a table as Rolls does, which may have the columns
// taper, telescoping and permissive_off besides, the last of which names one of the
// permissives.
func TrueRolls(name string, in io.Reader, permissives []string, materials *recipe.Materials) iter.Seq2[Row, error] {
	return rolls(table.NewReader(name, in, columns(true, true)), []*recipe.Materials{materials}, permissives)
}

// RollsAgain gives the rolls of a table that Rolls read before without an
// error: the names of the rolls are not compared again, which needs no memory.
func RollsAgain(name string, in io.Reader, materials ...*recipe.Materials) iter.Seq2[Row, error] {
	return rolls(table.NewReader(name, in, columns(false, false)), materials, nil)
}

// rolls reads a table, with the columns of a Truth where there are permissives.
func rolls(t *table.Reader, materials []*recipe.Materials, permissives []string) iter.Seq2[Row, error] {
	return func(yield func(Row, error) bool) {
		out := make([]recipe.Roll, len(materials))
		for good := true; t.Next(); {
			g := givenIn(t)
			for i, m := range materials {
				var gradeErr, coreErr error
				out[i], gradeErr, coreErr = g.Roll(m)
				if gradeErr != nil {
					t.Fail(grade, table.Problem{Text: gradeErr.Error()})
				}
				if coreErr != nil {
					t.Fail(core, table.Problem{Text: coreErr.Error()})
				}
				if t.Bad() {
					break
				}
			}
			n, counted := t.Whole(count, 1, mostCount)
			if !counted {
				n = 1
			}
			row := Row{Rolls: out, Platens: platensIn(t)}
			if permissives != nil {
				row.Truth = truthIn(t, &g, n, permissives)
			}
			if good = good && t.Err() == nil; good && !each(&row, n, yield) {
				return
			}
		}
		t.NeedRows("rolls")
		if err := t.Err(); err != nil {
			yield(Row{}, err)
		}
	}
}

// each gives a row as so many rolls, as long as more are wanted.
func each(row *Row, n int, yield func(Row, error) bool) bool {
	tag := row.Rolls[0].Tag
	for k := 1; k <= n; k++ {
		for i := range row.Rolls {
			row.Rolls[i].Tag = numbered(tag, k, n)
		}
		if !yield(*row, nil) {
			return false
		}
	}
	return true
}

// numbered is the name of the k-th of n rolls of a row. All of them are as long.
func numbered(tag string, k, n int) string {
	if n == 1 {
		return tag
	}
	return fmt.Sprintf("%s-%0*d", tag, max(2, len(strconv.Itoa(n))), k)
}

// platensIn are the platens of the present row.
func platensIn(t *table.Reader) (p Platens) {
	p.Cooler, _ = t.Quantity(platen)
	p.Hotter, _ = t.Quantity(platenHot)
	return p
}

// truthIn is what the present row of n rolls tells that no scanner knows. Each roll must
// itself be one that a controller can ask for.
func truthIn(t *table.Reader, g *Given, n int, permissives []string) (x Truth) {
	const steepest, farthest, smallest, largest, longest = 0.2, 0.3, 0.02, 6.5, 16
	if tag := numbered(t.Text(roll), n, n); len(tag) > longest || strings.ContainsFunc(tag, func(r rune) bool { return r < ' ' || r > '~' }) {
		t.Fail(roll, table.Problem{Text: "a controller has no room for this name", Got: strconv.Quote(tag), Want: "at most " + strconv.Itoa(longest) + " printable ASCII characters"})
	}
	for _, x := range []struct {
		column int
		v      float64
	}{{diameter, g.Diameter}, {width, g.Width}} {
		if x.v != 0 && !(x.v >= smallest && x.v <= largest) {
			t.Fail(x.column, table.Problem{Text: "no controller can ask for such a roll", Got: strconv.Quote(t.Text(x.column)), Want: fmt.Sprintf("%g m to %g m", smallest, largest)})
		}
	}
	x.Taper, _ = t.Within(taper, -steepest, steepest)
	x.Telescoping, _ = t.Within(telescoping, 0, farthest)
	if off := t.Text(permissiveOff); off != "" {
		if x.Permissive = 1 + slices.Index(permissives, off); x.Permissive == 0 {
			t.Fail(permissiveOff, table.Problem{Text: "no permissive has this name", Got: off, Want: "one of " + strings.Join(permissives, ", ")})
		}
	}
	return x
}

// givenIn is the roll of the present row.
func givenIn(t *table.Reader) Given {
	g := Given{
		Tag: t.Text(roll), Grade: t.Text(grade), Core: t.Text(core), Spec: strings.Clone(t.Text(spec)), Quality: 1,
	}
	if v, ok := t.Within(quality, 0, 1); ok {
		g.Quality = v
	}
	// The spread of two diameters is at most twice their mean.
	g.Ovality, _ = t.Within(ovality, 0, 2)
	for _, x := range []struct {
		column int
		to     *float64
	}{{diameter, &g.Diameter}, {width, &g.Width}, {age, &g.Age}, {widthSpread, &g.WidthSpread}, {weight, &g.Weight}, {diameterU, &g.DiameterU}, {widthU, &g.WidthU}} {
		*x.to, _ = t.Within(x.column, 0, math.Inf(1))
	}
	return g
}

// Stand is a stand on which all is well: every slot of the line ready with a
// wrapper of that outer diameter, in metres, and every permissive on.
func Stand(line *recipe.Line, outer float64) recipe.Stand {
	const produce, execute = 1, 6 // ISA-TR88.00.02
	s := recipe.Stand{Offline: true, Permissives: math.MaxUint32, Mode: produce, State: execute}
	for _, slot := range line.Stand.Slots {
		if slot.Number >= 1 && slot.Number <= len(s.Ready) {
			s.Ready[slot.Number-1] = true
			s.Outer[slot.Number-1] = outer
		}
	}
	return s
}

// Compute computes and checks the recipe of a roll.
func Compute(line *recipe.Line, roll *recipe.Roll, stand *recipe.Stand) recipe.Result {
	var rec recipe.Recipe
	recipe.Compute(line, roll, stand, &rec)
	r := recipe.NewResult(roll, &rec, check.Run(line, roll, stand, &rec, nil, nil))
	if r.Verdict != "hold" {
		r.Instructions = wording.InEnglish(recipe.Instructions(line, roll, stand))
	}
	return r
}
