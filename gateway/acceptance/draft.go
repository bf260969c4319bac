package acceptance

import (
	"fmt"
	"math"
	"slices"

	"lapgate/recipe"
)

// FaultStep is a fault that a draft has a step for, with what is to be expected.
type FaultStep struct {
	Fault    FaultName
	Rolls    int
	Expected Expected
	Note     string
}

// Draft makes a plan of a configuration: normal rolls for each slot, grade and core,
// a roll just inside and one just outside of each limit that a roll can reach, each
// further hold that can be brought about, the rolls of a list, and faults. permissives
// are how many there are names for.
func Draft(line *recipe.Line, list []Roll, faults []FaultStep) []Step {
	d := &draft{model: newModel(line), seen: map[string]bool{}, tries: map[string]int{}}
	d.maps()
	d.normal()
	if len(d.steps) == 0 {
		return nil
	}
	d.edges()
	d.otherHolds()
	d.limits()
	d.persons()
	for i := range list {
		d.listed(list[i])
	}
	for _, f := range faults {
		d.fault(f)
	}
	return d.steps
}

// The grid on which rolls are tried.
const (
	gridDiameters = 18
	gridWidths    = 130
	mostTries     = 20 // at one kind of edge, before it counts as one that no roll reaches alone
)

// draft makes one plan.
type draft struct {
	*model
	diameters, widths []float64
	fields            []field
	steps             []Step
	seen              map[string]bool // keys of the edges, and codes
	tries             map[string]int  // at edges, by their keys
	usual             Roll            // a roll that surely goes
}

// field is the grid of one specification and core, with the first grade of it.
type field struct {
	grade, core int
	spec        string
	said        [gridDiameters][gridWidths]said
}

func (f *field) roll(d *draft, i, j int) Roll {
	return Roll{Diameter: d.diameters[i], Width: d.widths[j], Grade: f.grade, Core: f.core, Count: 1}
}

// maps tries the rolls of the grid, over what the limits allow and somewhat beyond.
func (d *draft) maps() {
	beyond := func(r recipe.Range, n int) (values []float64) {
		least, most := max(0.06, 0.85*r.Min), min(1.1*r.Max, largestSize-0.1)
		for i := range n {
			values = append(values, math.Round(1e4*(least+(most-least)*float64(i)/float64(n-1)))/1e4)
		}
		return values
	}
	d.diameters, d.widths = beyond(d.line.Limits.Diameter, gridDiameters), beyond(d.line.Limits.Width, gridWidths)
	for _, g := range d.line.Materials.Grades {
		if slices.ContainsFunc(d.fields, func(f field) bool { return f.spec == g.Spec }) {
			continue // grades of one specification differ by their mass alone
		}
		for k, c := range d.line.Materials.Cores {
			if k > 0 && len(d.fields) >= len(d.line.Materials.Cores) {
				break // the cores are tried with the first specification
			}
			f := field{grade: g.Code, core: c.Code, spec: g.Spec}
			for i := range d.diameters {
				for j := range d.widths {
					r := f.roll(d, i, j)
					f.said[i][j] = d.of(&r)
				}
			}
			d.fields = append(d.fields, f)
		}
	}
}

// fromMiddle are the numbers below n, those in the middle first.
func fromMiddle(n int) []int {
	all := make([]int, n)
	for i := range all {
		all[i] = i
	}
	slices.SortStableFunc(all, func(a, b int) int { return abs(2*a-n+1) - abs(2*b-n+1) })
	return all
}

func abs(n int) int { return max(n, -n) }

// normal has a roll for each slot, each grade and each core.
func (d *draft) normal() {
	grades, cores := d.line.Materials.Grades, d.line.Materials.Cores
	var slots []int
	for _, s := range d.line.Stand.Slots {
		slots = append(slots, s.Number)
	}
	if len(slots) == 0 {
		slots = []int{0}
	}
	for k := range max(len(slots), len(grades)) {
		d.usualRoll(grades[k%len(grades)], cores[k%len(cores)], slots[k%len(slots)])
	}
	for k, c := range cores {
		if !slices.ContainsFunc(d.steps, func(s Step) bool { return s.Roll.Core == c.Code }) {
			d.usualRoll(grades[0], c, slots[k%len(slots)])
		}
	}
}

// usualRoll has a roll of a grade that surely goes: of that core where it was tried with
// the grade's specification, and from that slot where one of the grade does.
func (d *draft) usualRoll(grade recipe.Grade, core recipe.Core, slot int) {
	of := func(core int) int {
		return slices.IndexFunc(d.fields, func(f field) bool { return f.spec == grade.Spec && (core == 0 || f.core == core) })
	}
	at := of(core.Code)
	if at < 0 {
		at = of(0)
	}
	f := d.fields[at]
	f.grade = grade.Code
	r, s, ok := d.goes(&f, slot)
	if !ok {
		if r, s, ok = d.goes(&f, 0); !ok {
			return
		}
	}
	if d.usual.Diameter == 0 {
		d.usual = r
	}
	note := fmt.Sprintf("grade %s", grade.Name)
	for _, c := range d.line.Materials.Cores {
		if c.Code == f.core {
			note += ", core " + c.Name
		}
	}
	if s.slot > 0 {
		note += fmt.Sprintf(", slot %d", s.slot)
	}
	d.add(fmt.Sprintf("normal-%d", len(d.steps)+1), r, Expected{Verdict: Go}, note)
}

// goes finds a roll of a field, in the middle of those that go, from one slot or, for
// 0, from any.
func (d *draft) goes(f *field, slot int) (Roll, said, bool) {
	for _, i := range fromMiddle(gridDiameters) {
		var inside []int
		for j := range d.widths {
			if s := f.said[i][j]; s.goes() && (slot == 0 || s.slot == slot) {
				inside = append(inside, j)
			}
		}
		for _, k := range fromMiddle(len(inside)) {
			if r := f.roll(d, i, inside[k]); d.stands(r, f.said[i][inside[k]]) {
				return r, f.said[i][inside[k]], true
			}
		}
	}
	return Roll{}, said{}, false
}

// add adds a step for a roll.
func (d *draft) add(name string, r Roll, e Expected, note string) *Step {
	if r.Tag == "" {
		r.Tag = fmt.Sprintf("A-%03d", len(d.steps)+1)
	}
	d.steps = append(d.steps, Step{Name: name, Act: Wrap, Roll: r, Expected: e, Note: note})
	for _, c := range e.Codes {
		d.seen[c] = true
	}
	return &d.steps[len(d.steps)-1]
}

// How far from a limit a roll is that lies just inside or outside of it, m: more than
// a scan may be off by.
const (
	marginWidth    = 0.003
	marginDiameter = 0.005
)

// edges has a roll on each side of each limit between a go and a hold that a larger
// or smaller roll reaches.
func (d *draft) edges() {
	for k := range d.fields {
		f := &d.fields[k]
		for _, i := range fromMiddle(gridDiameters) {
			for j := range gridWidths - 1 {
				d.edge(f, [2]int{i, j}, [2]int{i, j + 1}, "width")
			}
		}
		for _, j := range fromMiddle(gridWidths) {
			for i := range gridDiameters - 1 {
				d.edge(f, [2]int{i, j}, [2]int{i + 1, j}, "diameter")
			}
		}
	}
}

// edge adds the two rolls of an edge between two places of a grid, unless there is
// none, or it is in the plan.
func (d *draft) edge(f *field, a, b [2]int, axis string) {
	sa, sb := f.said[a[0]][a[1]], f.said[b[0]][b[1]]
	if sa.goes() == sb.goes() {
		return
	}
	inside, outside, way, in := f.roll(d, a[0], a[1]), f.roll(d, b[0], b[1]), "most", sa
	code := sb.code
	if sb.goes() {
		inside, outside, way, in, code = outside, inside, "least", sb, sa.code
	}
	key := fmt.Sprintf("%s %s %s %s", code, axis, way, f.spec)
	if f.spec == d.fields[0].spec {
		key = fmt.Sprintf("%s %s %s %d", code, axis, way, in.slot)
	}
	if axis == "diameter" || code != recipe.NoSlot {
		key = fmt.Sprintf("%s %s %s", code, axis, way)
	}
	if d.tries[key]++; d.seen[key] || d.tries[key] > mostTries {
		return
	}
	if inside, outside, in, ok := d.bisect(inside, outside, axis, code); ok {
		d.seen[key] = true
		name := fmt.Sprintf("%s-%s-%s", code, way, axis)
		if code == recipe.NoSlot && axis == "width" {
			name += fmt.Sprintf("-slot-%d", in.slot)
			if f.spec != d.fields[0].spec {
				name += "-" + f.spec
			}
		}
		d.add(name+"-inside", inside, Expected{Verdict: Go}, fmt.Sprintf("just inside of what %s allows", code))
		d.add(name+"-outside", outside, Expected{Verdict: Hold, Codes: []string{string(code)}}, "just outside of it")
	}
}

// bisect finds the rolls next to the limit between one that goes and one that is
// held with a code. It is not ok where they are not clear of another limit.
func (d *draft) bisect(inside, outside Roll, axis string, code recipe.Code) (in, out Roll, answer said, ok bool) {
	size, margin := func(r *Roll) *float64 { return &r.Diameter }, marginDiameter
	if axis == "width" {
		size, margin = func(r *Roll) *float64 { return &r.Width }, marginWidth
	}
	good, bad := *size(&inside), *size(&outside)
	way := 1.0
	if bad < good {
		way = -1
	}
	for math.Abs(bad-good) > 1e-5 {
		mid := inside
		*size(&mid) = (good + bad) / 2
		switch s := d.of(&mid); {
		case s.goes():
			good = *size(&mid)
		case s.code == code:
			bad = *size(&mid)
		default:
			return in, out, answer, false
		}
	}
	in, out = inside, outside
	*size(&in), *size(&out) = round(good-way*margin), round(bad+way*margin)
	answer = d.of(&in)
	ok = answer.goes() && d.stands(in, said{}) && d.stands(out, said{code: code})
	return in, out, answer, ok
}

// round is a size to a tenth of a millimetre.
func round(v float64) float64 { return math.Round(v*1e4) / 1e4 }

// otherHolds has a roll for each code of a hold that the grid has and no edge.
func (d *draft) otherHolds() {
	for k := range d.fields {
		f := &d.fields[k]
		for i := range d.diameters {
			for j := range d.widths {
				s := f.said[i][j]
				if s.goes() || d.seen[string(s.code)] {
					continue
				}
				if d.tries[string(s.code)]++; d.tries[string(s.code)] > mostTries {
					continue
				}
				if r := f.roll(d, i, j); d.stands(r, s) {
					d.add(string(s.code), r, Expected{Verdict: Hold, Codes: []string{string(s.code)}}, "")
				}
			}
		}
	}
}

// listed has a roll of a list, with what the configuration says of it.
func (d *draft) listed(r Roll) {
	s := d.of(&r)
	e, note := Expected{Verdict: Go}, "of the list"
	if !s.goes() {
		e = Expected{Verdict: Hold, Codes: []string{string(s.code)}}
	}
	if !d.stands(r, said{code: s.code}) {
		note += "; so near a limit that a scan may decide otherwise"
	}
	d.add("list-"+r.Tag, r, e, note)
}

// fault has rolls that usually go, and a fault with them.
func (d *draft) fault(f FaultStep) {
	r := d.usual
	r.Count = f.Rolls
	name := "fault-" + f.Fault.Name
	if f.Fault.Point != "" {
		name += "-at-" + f.Fault.Point
	}
	d.add(name, r, f.Expected, f.Note).Fault = f.Fault
}
