package rate

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strconv"

	"lapgate/recipe"
	"lapgate/recipe/check"
	"lapgate/recipe/offline"
	"lapgate/recipe/reel"
	"lapgate/recipe/wording"
)

// Roll is a number of equal rolls of an order mix, lengths in m. Grade and core are
// codes.
type Roll struct {
	Name              string
	Diameter, Width   float64
	DiameterU, WidthU float64 // standard uncertainties to be expected at the scan
	Grade, Core       int
	Spec              string
	Count             int
}

// Options are what a rate rests on besides the line.
type Options struct {
	Work  Work
	Outer float64 // m, outer diameter of a wrapper roll when it is hung
	// Prices are those of a square metre of each paper, in the order of the materials;
	// 0 or missing where none is known.
	Prices []float64
}

// A Reckoner adds up the times of an order mix: make it with New, Add each kind of
// roll, then ask. It is for one goroutine.
type Reckoner struct {
	line    *recipe.Line
	options Options
	stand   recipe.Stand
	powered recipe.Line // every station that there is takes setpoints
	byHand  recipe.Line // the same at the speeds of hands
	known   map[Roll]*kind
	modes   []working // of the line, by step

	rolls, wrapped    int64
	noGrade           int64        // wrapped, of a grade that nobody told
	having            [needs]int64 // wrapped rolls that need a step
	wrap, crimp       [2]float64   // s, sums over the wrapped rolls, powered and by hand
	dwell             float64      // s, sum
	shortest, longest float64      // s, cycle of one roll as the line is worked
	slots             []slotUse
	held              []Held
}

// kind is what a kind of roll came to.
type kind struct {
	held        int // index of why it gets no recipe, −1 for none
	slot        int // index
	length      float64
	beyond      float64 // m, of the sheet's width
	has         [needs]bool
	wrap, crimp [2]float64
	dwell       float64
}

const (
	powered = iota
	byHand
)

// slotUse is what one slot gives, sums in m, m² and wrapper rolls.
type slotUse struct {
	spec         *recipe.SlotSpec
	paper        *recipe.Paper
	price        float64
	usable, ends float64 // m, of one wrapper roll
	rolls        int64
	length       float64
	beyond       float64 // m²
	changes      float64
}

// Held are rolls that get no recipe as the line is.
type Held struct {
	Code   recipe.Code
	Reason wording.Phrase
	Rolls  int64
	Names  []string // of the first
}

// mostNames is how many rolls without a recipe are named.
const mostNames = 5

// New begins with a line as it hangs. The error tells of a slot whose material is not
// known, or of a wrapper roll on which nothing can be used.
func New(line *recipe.Line, o Options) (*Reckoner, error) {
	r := &Reckoner{line: line, options: o, stand: offline.Stand(line, o.Outer), known: map[Roll]*kind{}, modes: workingOf(&line.Equipment)}
	r.powered = *line
	e := &r.powered.Equipment
	for _, key := range recipe.StationKeys() {
		if m := e.Mode(key); m.Present() {
			*m = recipe.Auto
		}
	}
	r.byHand = r.powered
	r.byHand.Wrap.Speed = min(line.Wrap.Speed, o.Work.WrapSpeed)
	c := &r.byHand.Crimp
	c.Speed, c.Engage, c.Retract, c.Blades = min(c.Speed, o.Work.CrimpSpeed), 0, 0, 0
	var problems []error
	for i := range line.Stand.Slots {
		use, err := r.slotOf(&line.Stand.Slots[i])
		if err != nil {
			problems = append(problems, err)
		}
		r.slots = append(r.slots, use)
	}
	return r, errors.Join(problems...)
}

func (r *Reckoner) slotOf(spec *recipe.SlotSpec) (slotUse, error) {
	s := &r.line.Stand
	m := &r.line.Materials
	k := slices.IndexFunc(m.Papers, func(p recipe.Paper) bool { return p.Name == spec.Paper })
	if k < 0 {
		return slotUse{}, fmt.Errorf("slot %d: paper %q is not among the papers of the configuration", spec.Number, spec.Paper)
	}
	use := slotUse{spec: spec, paper: &m.Papers[k], ends: s.Reserve + s.TailReserve}
	if k < len(r.options.Prices) {
		use.price = r.options.Prices[k]
	}
	full, err := (&reel.Winding{Outer: r.options.Outer, Core: s.CoreDiameter, Caliper: use.paper.Caliper}).Left()
	if err != nil {
		return use, fmt.Errorf("slot %d: %w", spec.Number, err)
	}
	if use.usable = full.Length - use.ends; !(use.usable > 0) {
		return use, fmt.Errorf("slot %d: a wrapper roll of %s holds %s, no more than the reserves of %s", spec.Number, r.write(r.options.Outer), r.write(full.Length), r.write(use.ends))
	}
	return use, nil
}

// Add takes a number of equal rolls into the mix.
func (r *Reckoner) Add(roll Roll) {
	name, count := roll.Name, int64(roll.Count)
	roll.Name, roll.Count = "", 0
	k := r.known[roll]
	if k == nil {
		k = r.reckon(&roll)
		r.known[roll] = k
	}
	r.rolls += count
	if k.held >= 0 {
		h := &r.held[k.held]
		h.Rolls += count
		if len(h.Names) < mostNames {
			h.Names = append(h.Names, name)
		}
		return
	}
	r.wrapped += count
	if roll.Grade == 0 {
		r.noGrade += count
	}
	n := float64(count)
	for i, has := range k.has {
		if has {
			r.having[i] += count
		}
	}
	for i := range k.wrap {
		r.wrap[i] += n * k.wrap[i]
		r.crimp[i] += n * k.crimp[i]
	}
	r.dwell += n * k.dwell
	one := r.cycleOf(k)
	if r.shortest == 0 || one < r.shortest {
		r.shortest = one
	}
	r.longest = max(r.longest, one)
	s := &r.slots[k.slot]
	s.rolls += count
	s.length += n * k.length
	s.beyond += n * k.length * k.beyond
	s.changes += n * k.length / s.usable
}

// reckon computes the recipes of a kind of roll.
func (r *Reckoner) reckon(given *Roll) *kind {
	grade := given.Grade
	if grade == 0 {
		grade = r.lightest(given.Spec)
	}
	g := offline.Given{
		Diameter: given.Diameter, DiameterU: given.DiameterU, Width: given.Width, WidthU: given.WidthU, Spec: given.Spec, Quality: 1,
		Grade: codeOf(grade), Core: codeOf(given.Core),
	}
	roll, gradeErr, coreErr := g.Roll(&r.line.Materials)
	if err := cmp.Or(gradeErr, coreErr); err != nil {
		return &kind{held: r.heldFor("roll-unknown", wording.Plain(err.Error()))}
	}
	var fast, slow, real recipe.Recipe
	recipe.Compute(&r.powered, &roll, &r.stand, &fast)
	recipe.Compute(&r.byHand, &roll, &r.stand, &slow)
	stand := r.stand
	stand.Confirmed = fast.Setpoints.Slot // the operator confirms what the recipe would take
	recipe.Compute(r.line, &roll, &stand, &real)
	for _, f := range check.Run(r.line, &roll, &stand, &real, nil, nil) {
		if f.Severity == recipe.Hold {
			return &kind{held: r.heldFor(f.Code, f.Told())}
		}
	}
	return r.kindOf(&roll, &fast, &slow)
}

// lightest is the grade with the least density of those that are wrapped by a
// specification, of all where none is, 0 without grades. A light roll has the least
// grip on the turning rolls, so that a roll whose grade nobody told is not taken for a
// faster one than it is.
func (r *Reckoner) lightest(spec string) (code int) {
	grades := r.line.Materials.Grades
	least := func(of func(*recipe.Grade) bool) {
		density := 0.0
		for i := range grades {
			if g := &grades[i]; of(g) && (code == 0 || g.Density < density) {
				code, density = g.Code, g.Density
			}
		}
	}
	least(func(g *recipe.Grade) bool { return g.Spec == spec })
	if code == 0 {
		least(func(*recipe.Grade) bool { return true })
	}
	return code
}

func codeOf(code int) string {
	if code == 0 {
		return ""
	}
	return strconv.Itoa(code)
}

// heldFor is the index of a reason.
func (r *Reckoner) heldFor(code recipe.Code, why wording.Said) int {
	i := slices.IndexFunc(r.held, func(h Held) bool { return h.Code == code })
	if i < 0 {
		i = len(r.held)
		r.held = append(r.held, Held{Code: code, Reason: wording.Phrase{Said: why}})
	}
	return i
}

// kindOf reads times and wrapper of a roll that gets a recipe.
func (r *Reckoner) kindOf(roll *recipe.Roll, fast, slow *recipe.Recipe) *kind {
	sp := &fast.Setpoints
	e := &r.line.Equipment
	for _, x := range []struct {
		m     recipe.Mode
		group recipe.Station
	}{{e.Wrap, recipe.GroupWrap}, {e.Crimp, recipe.GroupCrimp}} {
		if x.m.Present() && !(sp.Groups.Has(x.group) && slow.Setpoints.Groups.Has(x.group)) {
			code := recipe.Code("times-unknown")
			if fast.N > 0 {
				code = fast.Problems[0].Code
			} else if slow.N > 0 {
				code = slow.Problems[0].Code
			}
			return &kind{held: r.heldFor(code, wording.Say("rate.no-motion"))}
		}
	}
	slot := slices.IndexFunc(r.slots, func(s slotUse) bool { return s.spec.Number == sp.Slot })
	if slot < 0 {
		return &kind{held: r.heldFor(recipe.NoSlot, wording.Say("rate.no-slot"))}
	}
	spec, _ := r.line.SpecOf(roll)
	k := &kind{
		held: -1, slot: slot,
		length: sp.FeedLength * (1 - r.line.Wrap.FeedSlip),
		beyond: max(0, sp.WrapperWidth-roll.Width-2*spec.Overhang.Optimum),
		has:    [needs]bool{always: true, withGlue: sp.GlueMass > 0, withInnerHead: sp.InnerHead > 0, withOuterHead: sp.OuterHead > 0},
		wrap:   [2]float64{sp.WrapTime, slow.Setpoints.WrapTime},
		crimp:  [2]float64{sp.CrimpTime, slow.Setpoints.CrimpTime},
		dwell:  sp.HeaderDwell,
	}
	return k
}

// machine is what the machine moves or heats at a station, powered or by hand, s.
func machine(station string, mode recipe.Mode, wrap, crimp *[2]float64, dwell float64) float64 {
	way := powered
	if mode == recipe.Manual {
		way = byHand
	}
	switch {
	case mode == recipe.Absent:
		return 0
	case station == "wrap":
		return wrap[way]
	case station == "crimp":
		return crimp[way]
	case station == "header":
		return dwell
	}
	return 0
}

// cycleOf is the cycle of one roll as the line is worked, s.
func (r *Reckoner) cycleOf(k *kind) (seconds float64) {
	for i := range steps {
		st := &steps[i]
		if at := r.modes[i]; k.has[st.need] && at.mode.Present() {
			seconds += st.hands(&r.options.Work)[at.mode] + machine(st.station, at.mode, &k.wrap, &k.crimp, k.dwell)
		}
	}
	return seconds
}

func (r *Reckoner) write(metres float64) string { return r.line.Write(metres, "length") }

// Part is the time of one station in the mean cycle of a roll.
type Part struct {
	Station string
	Mode    recipe.Mode
	Own     bool    // a step that every line has: the mode says nothing
	Hands   float64 // s of people and handling gear
	Machine float64 // s that the machine moves or heats
}

// Seconds is the whole time of the part.
func (p *Part) Seconds() float64 { return p.Hands + p.Machine }

// Cycle is the mean cycle of a wrapped roll on a line with some equipment.
type Cycle struct {
	Parts  []Part
	Change float64 // s, share of the changes of wrapper rolls
}

// Seconds is the whole cycle, with the share of the changes.
func (c *Cycle) Seconds() float64 {
	sum := c.Change
	for i := range c.Parts {
		sum += c.Parts[i].Seconds()
	}
	return sum
}

// PerHour is the rate in rolls an hour, 0 where there is no roll.
func (c *Cycle) PerHour() float64 {
	if s := c.Seconds(); s > 0 {
		return 3600 / s
	}
	return 0
}

// Cycle reckons the mean cycle on a line that has the equipment e, whose stations are
// those of the line in any mode but absent. It is empty while no roll was wrapped.
func (r *Reckoner) Cycle(e *recipe.Equipment) *Cycle {
	c := &Cycle{}
	if r.wrapped == 0 {
		return c
	}
	n := float64(r.wrapped)
	modes := workingOf(e)
	for i := range steps {
		st, m, own := &steps[i], modes[i].mode, modes[i].own
		if !m.Present() {
			continue
		}
		k := slices.IndexFunc(c.Parts, func(p Part) bool { return p.Station == st.station })
		if k < 0 {
			k = len(c.Parts)
			c.Parts = append(c.Parts, Part{Station: st.station, Mode: m, Own: own})
		}
		c.Parts[k].Hands += st.hands(&r.options.Work)[m] * float64(r.having[st.need]) / n
		c.Parts[k].Machine += machine(st.station, m, &r.wrap, &r.crimp, r.dwell) / n
	}
	for i := range r.slots {
		c.Change += r.slots[i].changes * r.options.Work.Change / n
	}
	return c
}

// Wrapped is how many rolls of the mix get a recipe.
func (r *Reckoner) Wrapped() int64 { return r.wrapped }

// Present is the mean cycle on the line as it is.
func (r *Reckoner) Present() *Cycle { return r.Cycle(&r.line.Equipment) }
