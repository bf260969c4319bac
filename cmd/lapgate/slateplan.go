package main

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"

	"lapgate/recipe"
	"lapgate/recipe/quantity"
	"lapgate/recipe/widths"
)

// slatePlan is a schedule with all that is made of it.
type slatePlan struct {
	line    *recipe.Line
	problem widths.Problem
	result  *widths.Result
	choice  string // where the candidates come from, in words
	numbers []int  // of the slots

	standard          string // specification of rows that name none
	diameterU, widthU float64

	rows  []scheduleRow
	lots  []lot            // one for each roll of problem.Rolls
	found map[uint64]int32 // lots by shape and width, each by its number
	shape map[shapeKey]*shape
	width map[float64]uint32 // numbers of the widths

	unserved   []unserved
	order      []int // of unserved, by width
	unservedOf []int // by lot, −1 served
	differs    []ruleCase
}

// lotKey is what makes rolls equal.
type lotKey struct {
	width, diameter float64
	spec, core      int32
}

// lot is a set of equal rolls.
type lot struct {
	lotKey
	count int64
	never string // why no wrapper would do, "" when one might
}

// shapeKey is what window and feed hang on besides the width.
type shapeKey struct {
	diameter   float64
	spec, core int32
}

type shape struct {
	number    uint32
	low, high float64 // of the overhang
	feed      float64 // that ends on the roll, m
	never     string
}

func newSlatePlan(line *recipe.Line, f *slateFlags, w *slateWants) (*slatePlan, error) {
	plan := &slatePlan{
		line: line, standard: f.spec, diameterU: w.diameterU, widthU: w.widthU,
		found: map[uint64]int32{}, shape: map[shapeKey]*shape{}, width: map[float64]uint32{},
	}
	q := &plan.problem
	m := &line.Materials
	q.Centring, q.OverhangCost, q.Changeover, q.Effort = line.Centring.Tolerance, w.weight, f.changeover, f.effort
	for i := range m.Specs {
		s := &m.Specs[i]
		out := widths.Spec{Optimum: s.Overhang.Optimum, Min: s.Overhang.Min, Max: s.Overhang.Max}
		for _, name := range s.Papers {
			if k := paperIndex(m, name); k >= 0 {
				out.Papers = append(out.Papers, k)
			}
		}
		q.Specs = append(q.Specs, out)
	}
	var problems []error
	if f.spec != "" && m.Spec(f.spec) == nil {
		problems = append(problems, fmt.Errorf("--spec: %q is not known; want one of %s", f.spec, strings.Join(specNames(m), ", ")))
	}
	q.Prices = make([]float64, len(m.Papers))
	for _, price := range w.prices {
		if price.paper == "" {
			for i := range q.Prices {
				q.Prices[i] = price.price
			}
		}
	}
	for _, price := range w.prices {
		if price.paper == "" {
			continue
		}
		k := paperIndex(m, price.paper)
		if k < 0 {
			problems = append(problems, fmt.Errorf("--paper-price: %q is not known; want one of %s", price.paper, strings.Join(paperNames(m), ", ")))
			continue
		}
		q.Prices[k] = price.price
	}
	slots := slices.Clone(line.Stand.Slots)
	slices.SortFunc(slots, func(a, b recipe.SlotSpec) int { return a.Number - b.Number })
	most := f.slots
	if most == 0 {
		most = len(slots)
	}
	if most == 0 {
		problems = append(problems, errors.New("the line has no slots; give their number with --slots"))
	}
	for i := range most {
		h := widths.Hung{Empty: true}
		number := i + 1
		if i < len(slots) {
			number = slots[i].Number
			h = widths.Hung{Wrapper: widths.Wrapper{Width: slots[i].Width, Paper: paperIndex(m, slots[i].Paper)}}
		} else {
			for slices.Contains(plan.numbers, number) {
				number++
			}
		}
		h.Fixed = !h.Empty && (w.keepAll || slices.Contains(w.keep, number))
		q.Stand = append(q.Stand, h)
		plan.numbers = append(plan.numbers, number)
	}
	for _, n := range w.keep {
		if i := slices.Index(plan.numbers, n); i < 0 || q.Stand[i].Empty {
			problems = append(problems, fmt.Errorf("--keep: nothing hangs in slot %d of the slots at hand, so nothing can stay there", n))
		}
	}
	if len(problems) > 0 {
		return nil, usageError("%w", errors.Join(problems...))
	}
	return plan, nil
}

func paperIndex(m *recipe.Materials, name string) int {
	return slices.IndexFunc(m.Papers, func(p recipe.Paper) bool { return p.Name == name })
}

func paperNames(m *recipe.Materials) []string {
	out := make([]string, len(m.Papers))
	for i := range m.Papers {
		out[i] = m.Papers[i].Name
	}
	return out
}

func specNames(m *recipe.Materials) []string {
	out := make([]string, len(m.Specs))
	for i := range m.Specs {
		out[i] = m.Specs[i].Name
	}
	return out
}

// add takes a row of the schedule. Shapes and widths are few, so their maps
// stay close at hand while the one of the lots grows large.
func (s *slatePlan) add(key lotKey, row scheduleRow) {
	k := shapeKey{key.diameter, key.spec, key.core}
	g := s.shape[k]
	if g == nil {
		g = s.shapeOf(key)
		g.number = uint32(len(s.shape))
		s.shape[k] = g
	}
	width, known := s.width[key.width]
	if !known {
		width = uint32(len(s.width))
		s.width[key.width] = width
	}
	id := uint64(g.number)<<32 | uint64(width)
	i, known := s.found[id]
	if !known {
		i = int32(len(s.lots))
		s.found[id] = i
		s.lots = append(s.lots, s.newLot(key, g))
	}
	s.lots[i].count += int64(row.count)
	row.lot = i
	s.rows = append(s.rows, row)
}

// newLot makes a lot, and the roll of the problem that stands for it.
func (s *slatePlan) newLot(key lotKey, g *shape) lot {
	out := lot{lotKey: key, never: g.never}
	if l := s.line.Limits.Width; out.never == "" && !l.Contains(key.width) {
		out.never = "the line takes widths of " + s.length(l.Min) + " to " + s.length(l.Max)
	}
	r := widths.Roll{Width: key.width, Spec: int(key.spec), Feed: g.feed, Low: g.low, High: g.high}
	if out.never != "" {
		r.Low, r.High = 1, 1e-9 // no width keeps both
	}
	s.problem.Rolls = append(s.problem.Rolls, r)
	return out
}

// shapeOf asks the recipe for window and feed, which is what the line will
// hold the roll to. The width moves neither.
func (s *slatePlan) shapeOf(key lotKey) *shape {
	spec := &s.line.Materials.Specs[key.spec]
	roll := recipe.Roll{
		Diameter: key.diameter, DiameterU: s.diameterU, Width: key.width, WidthU: s.widthU,
		Core: int(key.core), Spec: spec.Name,
	}
	g := &shape{}
	w, ok := recipe.WrapperWindow(s.line, &roll)
	l := s.line.Limits.Diameter
	switch {
	case !ok:
		g.never = "its core is not in the configuration"
	case !l.Contains(key.diameter):
		g.never = "the line takes diameters of " + s.length(l.Min) + " to " + s.length(l.Max)
	case w.Empty() || !(w.Overhang.Max > 0):
		g.never = fmt.Sprintf("no width keeps both the %s (%s) and the %s (%s)",
			w.Lower, s.length(w.Overhang.Min), w.Upper, s.length(w.Overhang.Max))
	}
	if g.never != "" {
		return g
	}
	g.low, g.high = max(0, w.Overhang.Min), w.Overhang.Max
	// The feed is that of the first paper: calipers of papers for one
	// specification hardly differ, and the layers times their difference less.
	one := *s.line
	one.Stand.Slots = []recipe.SlotSpec{{Number: 1, Width: key.width, Paper: spec.Papers[0]}}
	var stand recipe.Stand
	if c, ok := recipe.CandidateOf(&one, &roll, &stand, 1); ok {
		g.feed = c.Feed * (1 - s.line.Wrap.FeedSlip)
	}
	return g
}

// length writes a length as the people of the line read it.
func (s *slatePlan) length(v float64) string { return s.line.Write(v, quantity.Length) }

// unservedKey is what unserved rolls that are told of together have in common.
type unservedKey struct {
	width, low, high float64 // m; the wrapper widths that would do
	spec             int32
	never            string // as of their lot
	unservable       bool   // nothing to choose from serves them
}

// unserved are rolls that the slate does not serve, for one reason.
type unserved struct {
	unservedKey
	why               string
	smallest, largest float64 // diameter, m
	rolls             int64
	rows              []int32
}

// ruleCase is a class for which the line's own rule, the least distance from
// the optimum among all that hang, takes another wrapper than the slate.
type ruleCase struct {
	class    int
	slot     int     // index of the slot that the line takes
	overhang float64 // there
	more     float64 // m² that the line uses more, of the whole class
}

// judge finds the rolls that are not served and where the line would choose
// otherwise.
func (s *slatePlan) judge() {
	group := map[unservedKey]int{}
	of := make([]int, len(s.lots)) // group of each lot, −1 served
	for i := range s.lots {
		of[i] = -1
		c := &s.result.Classes[s.result.ClassOf[i]]
		if c.Chosen >= 0 {
			continue
		}
		l := &s.lots[i]
		key := unservedKey{width: l.width, spec: l.spec, never: l.never, unservable: c.Unservable}
		if l.never == "" {
			key.low, key.high = s.window(i)
		}
		k, known := group[key]
		if !known {
			k = len(s.unserved)
			group[key] = k
			s.unserved = append(s.unserved, unserved{unservedKey: key, why: s.reason(&key), smallest: l.diameter, largest: l.diameter})
		}
		u := &s.unserved[k]
		u.smallest, u.largest = min(u.smallest, l.diameter), max(u.largest, l.diameter)
		u.rolls += l.count
		of[i] = k
	}
	if len(group) > 0 {
		for i := range s.rows {
			if k := of[s.rows[i].lot]; k >= 0 {
				s.unserved[k].rows = append(s.unserved[k].rows, int32(i))
			}
		}
	}
	s.unservedOf = of
	s.order = make([]int, len(s.unserved))
	for i := range s.order {
		s.order[i] = i
	}
	slices.SortStableFunc(s.order, func(x, y int) int {
		a, b := &s.unserved[x], &s.unserved[y]
		return cmp.Or(cmp.Compare(a.width, b.width), cmp.Compare(a.spec, b.spec), cmp.Compare(a.smallest, b.smallest))
	})
	for i := range s.result.Classes {
		s.judgeClass(i)
	}
}

func (s *slatePlan) reason(k *unservedKey) string {
	switch {
	case k.never != "":
		return k.never
	case k.unservable:
		return "no wrapper to choose from has " + s.length(k.low) + " to " + s.length(k.high)
	}
	return "the slots do not suffice; it wants " + s.length(k.low) + " to " + s.length(k.high)
}

// window is the wrapper widths that keep every rule of a lot.
func (s *slatePlan) window(i int) (low, high float64) {
	r := &s.problem.Rolls[i]
	return r.Width + 2*r.Low, r.Width + 2*r.High
}

// judgeClass applies the rule of the line to a class that is served.
func (s *slatePlan) judgeClass(i int) {
	const slack = 1e-9 // as the line has it
	c := &s.result.Classes[i]
	if c.Chosen < 0 {
		return
	}
	spec := &s.problem.Specs[c.Spec]
	best, bestOff, bestWidth := -1, 0.0, 0.0
	for k := range s.result.Slots {
		w := s.result.Slots[k].Next
		if w.Width == 0 || !slices.Contains(spec.Papers, w.Paper) || w.Width < c.Low || w.Width > c.High {
			continue
		}
		off := (w.Width-c.Width)/2 - spec.Optimum
		if off < 0 {
			off = -off
		}
		if best < 0 || off < bestOff-slack || off <= bestOff+slack && w.Width > bestWidth+slack {
			best, bestOff, bestWidth = k, off, w.Width
		}
	}
	ours := s.result.Chosen[c.Chosen]
	if best < 0 || s.result.Slots[best].Next == ours {
		return
	}
	s.differs = append(s.differs, ruleCase{
		class: i, slot: best, overhang: (bestWidth - c.Width) / 2,
		more: c.Feed * (bestWidth - ours.Width),
	})
}
