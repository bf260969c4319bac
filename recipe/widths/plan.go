package widths

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"lapgate/recipe"
	"lapgate/recipe/quantity"
	"lapgate/recipe/wording"
)

// Options say what a plan is free to do and what things cost.
type Options struct {
	Slots   int   // at hand; 0 for those of the line
	Keep    []int // numbers of the slots that stay as they hang
	KeepAll bool
	Spec    string // specification of rolls whose row names none; may be empty

	Prices       []PaperPrice
	OverhangCost float64 // per metre of distance from the optimum, of one roll
	Changeover   float64 // per slot changed
	Effort       int     // see Problem.Effort

	DiameterU, WidthU float64 // standard uncertainties to be expected at the scan, m
}

// PaperPrice is the price of a square metre of a paper, or of a kilogram, of every
// paper where none is named.
type PaperPrice struct {
	Paper  string
	Price  float64
	ByMass bool
}

// byArea is the price of a square metre of the paper.
func (x *PaperPrice) byArea(paper *recipe.Paper) float64 {
	if x.ByMass {
		return x.Price * paper.BasisWeight
	}
	return x.Price
}

// Plan is a schedule with all that is made of it: first NewPlan, then
// ReadSchedule, then one of ReadStock, Offer and OfferGrid, then Solve.
type Plan struct {
	Problem Problem
	Result  *Result // nil before Solve

	line    *recipe.Line
	options Options
	choice  wording.Said // where the candidates come from
	numbers []int        // of the slots

	rows   []row
	lots   []lot            // one for each roll of Problem.Rolls
	found  map[uint64]int32 // lots by shape and width, each by its number
	shapes map[shapeKey]*shape
	widths map[float64]uint32 // numbers of the widths

	unserved   []unserved
	order      []int // of unserved, by width
	unservedOf []int // by lot, −1 served
	differs    []lineChoice
}

// Numbers are the numbers of the slots, in the order of Problem.Stand.
func (p *Plan) Numbers() []int { return p.numbers }

// lotKey is what rolls of one lot have in common.
type lotKey struct {
	width, diameter float64
	spec, core      int32
}

// lot is a set of equal rolls.
type lot struct {
	lotKey
	count int64
	never obstacle // why no wrapper would do, the zero value when one might
}

// shapeKey is what window and feed depend on besides the width.
type shapeKey struct {
	diameter   float64
	spec, core int32
}

type shape struct {
	number    uint32
	low, high float64 // of the overhang
	feed      float64 // that ends on the roll, m
	never     obstacle
}

// NewPlan begins a plan for a line as it hangs. The error names each option
// that does not fit the line.
func NewPlan(line *recipe.Line, o Options) (*Plan, error) {
	p := &Plan{
		line: line, options: o,
		found: map[uint64]int32{}, shapes: map[shapeKey]*shape{}, widths: map[float64]uint32{},
	}
	q, m := &p.Problem, &line.Materials
	q.Centring, q.OverhangCost, q.Changeover, q.Effort = line.Centring.Tolerance, o.OverhangCost, o.Changeover, o.Effort
	for i := range m.Specs {
		s := &m.Specs[i]
		out := Spec{Optimum: s.Overhang.Optimum, Min: s.Overhang.Min, Max: s.Overhang.Max}
		for _, name := range s.Papers {
			if k := paperIndex(m, name); k >= 0 {
				out.Papers = append(out.Papers, k)
				// Each layer lies on those below it.
				thicker := m.Papers[k].Caliper - m.Papers[out.Papers[0]].Caliper
				out.Longer = append(out.Longer, math.Pi*s.Layers*s.Layers*thicker)
			}
		}
		q.Specs = append(q.Specs, out)
	}
	var problems []error
	if o.Spec != "" && m.Spec(o.Spec) == nil {
		problems = append(problems, fmt.Errorf("spec: %q is not known; want one of %s", o.Spec, strings.Join(specNames(m), ", ")))
	}
	problems = append(problems, p.setPrices()...)
	problems = append(problems, p.setStand()...)
	return p, errors.Join(problems...)
}

// setPrices takes the prices: first that of every paper, then those by name.
func (p *Plan) setPrices() (problems []error) {
	m := &p.line.Materials
	prices := make([]float64, len(m.Papers))
	for _, x := range p.options.Prices {
		if x.Paper == "" {
			for i := range prices {
				prices[i] = x.byArea(&m.Papers[i])
			}
		}
	}
	for _, x := range p.options.Prices {
		if x.Paper == "" {
			continue
		}
		k := paperIndex(m, x.Paper)
		if k < 0 {
			problems = append(problems, fmt.Errorf("paper-price: %q is not known; want one of %s", x.Paper, strings.Join(paperNames(m), ", ")))
			continue
		}
		prices[k] = x.byArea(&m.Papers[k])
	}
	p.Problem.Prices = prices
	return problems
}

// setStand takes over what hangs on the line. Slots that the options add to it
// are empty.
func (p *Plan) setStand() (problems []error) {
	o, q := &p.options, &p.Problem
	slots := slices.Clone(p.line.Stand.Slots)
	slices.SortFunc(slots, func(a, b recipe.SlotSpec) int { return a.Number - b.Number })
	most := o.Slots
	if most == 0 {
		most = len(slots)
	}
	if most == 0 {
		problems = append(problems, errors.New("slots: the line has none; give their number"))
	}
	for i := range most {
		h := Hung{Empty: true}
		number := i + 1
		if i < len(slots) {
			number = slots[i].Number
			h = Hung{Wrapper: Wrapper{Width: slots[i].Width, Paper: paperIndex(&p.line.Materials, slots[i].Paper)}}
		} else {
			for slices.Contains(p.numbers, number) {
				number++
			}
		}
		h.Fixed = !h.Empty && (o.KeepAll || slices.Contains(o.Keep, number))
		q.Stand = append(q.Stand, h)
		p.numbers = append(p.numbers, number)
	}
	for _, n := range o.Keep {
		if i := slices.Index(p.numbers, n); i < 0 || q.Stand[i].Empty {
			problems = append(problems, fmt.Errorf("keep-slots: nothing hangs in slot %d of the slots at hand, so nothing can stay there", n))
		}
	}
	return problems
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
// stay in the cache of the processor while that of the lots grows large.
func (p *Plan) add(key lotKey, r row) {
	k := shapeKey{key.diameter, key.spec, key.core}
	g := p.shapes[k]
	if g == nil {
		g = p.shapeOf(key)
		g.number = uint32(len(p.shapes))
		p.shapes[k] = g
	}
	width, known := p.widths[key.width]
	if !known {
		width = uint32(len(p.widths))
		p.widths[key.width] = width
	}
	id := uint64(g.number)<<32 | uint64(width)
	i, known := p.found[id]
	if !known {
		i = int32(len(p.lots))
		p.found[id] = i
		p.lots = append(p.lots, p.newLot(key, g))
	}
	p.lots[i].count += int64(r.count)
	r.lot = i
	p.rows = append(p.rows, r)
}

// newLot makes a lot, and the roll of the problem that stands for it.
func (p *Plan) newLot(key lotKey, g *shape) lot {
	out := lot{lotKey: key, never: g.never}
	if l := p.line.Limits.Width; out.never == (obstacle{}) && !l.Contains(key.width) {
		out.never = obstacle{why: widthOutside, low: l.Min, high: l.Max}
	}
	r := Roll{Width: key.width, Spec: int(key.spec), Feed: g.feed, Low: g.low, High: g.high}
	if out.never != (obstacle{}) {
		r.Low, r.High = 1, 1e-9 // no width keeps both
	}
	p.Problem.Rolls = append(p.Problem.Rolls, r)
	return out
}

// shapeOf asks the recipe for window and feed, which is what the line will
// hold the roll to. The width changes neither.
func (p *Plan) shapeOf(key lotKey) *shape {
	spec := &p.line.Materials.Specs[key.spec]
	roll := recipe.Roll{
		Diameter: key.diameter, DiameterU: p.options.DiameterU, Width: key.width, WidthU: p.options.WidthU,
		Core: int(key.core), Spec: spec.Name,
	}
	g := &shape{}
	w, ok := recipe.WrapperWindow(p.line, &roll, 0)
	l := p.line.Limits.Diameter
	switch {
	case !ok:
		g.never = obstacle{why: coreUnknown}
	case !l.Contains(key.diameter):
		g.never = obstacle{why: diameterOutside, low: l.Min, high: l.Max}
	case w.Empty() || !(w.Overhang.Max > 0):
		g.never = obstacle{rulesContradict, w.Overhang.Min, w.Overhang.Max, w.Lower, w.Upper}
	}
	if g.never != (obstacle{}) {
		return g
	}
	g.low, g.high = max(0, w.Overhang.Min), w.Overhang.Max
	// The feed is that of the first paper; Spec.Longer tells of the others.
	one := *p.line
	one.Stand.Slots = []recipe.SlotSpec{{Number: 1, Width: key.width, Paper: spec.Papers[0]}}
	var stand recipe.Stand
	if c, ok := recipe.CandidateOf(&one, &roll, &stand, 1); ok {
		g.feed = c.Feed * (1 - p.line.Wrap.FeedSlip)
	}
	return g
}

// length writes a length as the people of the line read it.
func (p *Plan) length(v float64) string { return p.line.Write(v, quantity.Length) }
