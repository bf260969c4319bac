package widths

import (
	"cmp"
	"math"
	"slices"

	"lapgate/recipe"
	"lapgate/recipe/wording"
)

// Solve finds the best set and what it leaves: the rolls that are not served,
// and those for which the line itself would choose another slot. The error is
// that of the package's Solve.
func (p *Plan) Solve() error {
	r, err := Solve(&p.Problem)
	if err != nil {
		return err
	}
	p.Result = r
	p.findUnserved()
	for i := range r.Classes {
		p.compareWithLine(i)
	}
	return nil
}

// AllServed reports whether every roll of the schedule has its wrapper.
func (p *Plan) AllServed() bool { return len(p.unserved) == 0 }

// unservedKey is what unserved rolls that are told of together have in common.
type unservedKey struct {
	width, low, high float64 // m; the wrapper widths that would do
	spec             int32
	never            obstacle // as of their lot
	unservable       bool     // nothing to choose from serves them
}

// unserved are rolls that no wrapper of the set serves, for one reason.
type unserved struct {
	unservedKey
	why               wording.Said
	smallest, largest float64 // diameter, m
	rolls             int64
	rows              int
	names             []string // of the first rows
}

// shownNames is how many rows are named of those left unserved for one reason.
const shownNames = 10

func (p *Plan) findUnserved() {
	group := map[unservedKey]int{}
	of := make([]int, len(p.lots)) // group of each lot, −1 served
	for i := range p.lots {
		of[i] = -1
		c := &p.Result.Classes[p.Result.ClassOf[i]]
		if c.Chosen >= 0 {
			continue
		}
		l := &p.lots[i]
		key := unservedKey{width: l.width, spec: l.spec, never: l.never, unservable: c.Unservable}
		if l.never == (obstacle{}) {
			key.low, key.high = p.window(i)
		}
		k, known := group[key]
		if !known {
			k = len(p.unserved)
			group[key] = k
			p.unserved = append(p.unserved, unserved{unservedKey: key, why: p.reason(&key), smallest: l.diameter, largest: l.diameter})
		}
		u := &p.unserved[k]
		u.smallest, u.largest = min(u.smallest, l.diameter), max(u.largest, l.diameter)
		u.rolls += l.count
		of[i] = k
	}
	for i := range p.rows {
		if k := of[p.rows[i].lot]; k >= 0 {
			u := &p.unserved[k]
			if u.rows++; u.rows <= shownNames {
				u.names = append(u.names, p.rows[i].name())
			}
		}
	}
	p.unservedOf = of
	p.order = make([]int, len(p.unserved))
	for i := range p.order {
		p.order[i] = i
	}
	slices.SortStableFunc(p.order, func(x, y int) int {
		a, b := &p.unserved[x], &p.unserved[y]
		return cmp.Or(cmp.Compare(a.width, b.width), cmp.Compare(a.spec, b.spec), cmp.Compare(a.smallest, b.smallest))
	})
}

// obstacle is why no wrapper at all would do for a roll, the zero value for none.
type obstacle struct {
	why          hindrance
	low, high    float64 // m, in the order of the rules where these contradict each other
	lower, upper recipe.Boundary
}

// hindrance is the kind of an obstacle.
type hindrance uint8

const (
	_ hindrance = iota
	coreUnknown
	widthOutside
	diameterOutside
	rulesContradict
)

func (p *Plan) reason(k *unservedKey) wording.Said {
	low, high := p.length(k.low), p.length(k.high)
	if o := &k.never; o.why != 0 {
		low, high = p.length(o.low), p.length(o.high)
	}
	switch {
	case k.never.why == coreUnknown:
		return wording.Say("plan.unserved.core")
	case k.never.why == widthOutside:
		return wording.Say("plan.unserved.width", "from", low, "to", high)
	case k.never.why == diameterOutside:
		return wording.Say("plan.unserved.diameter", "from", low, "to", high)
	case k.never.why == rulesContradict:
		return wording.Say("plan.unserved.rules", "lower", k.never.lower.Said(), "from", low, "upper", k.never.upper.Said(), "to", high)
	case k.unservable:
		return wording.Say("plan.unserved.stock", "from", low, "to", high)
	}
	return wording.Say("plan.unserved.slots", "from", low, "to", high)
}

// window is the wrapper widths that keep every rule of a lot.
func (p *Plan) window(i int) (low, high float64) {
	r := &p.Problem.Rolls[i]
	return r.Width + 2*r.Low, r.Width + 2*r.High
}

// lineChoice is a class for which the line's own rule, the least distance from
// the optimum among all that hang, takes another wrapper than the plan.
type lineChoice struct {
	class    int
	slot     int     // index of the slot that the line takes
	overhang float64 // there
	more     float64 // m² that the line uses more, of the whole class
}

// compareWithLine applies the rule of the line to a class that is served.
func (p *Plan) compareWithLine(i int) {
	const slack = 1e-9 // as the line has it
	c := &p.Result.Classes[i]
	if c.Chosen < 0 {
		return
	}
	spec := &p.Problem.Specs[c.Spec]
	best, bestOff, bestWidth := -1, 0.0, 0.0
	for k := range p.Result.Slots {
		w := p.Result.Slots[k].Next
		if w.Width == 0 || !slices.Contains(spec.Papers, w.Paper) || w.Width < c.Low || w.Width > c.High {
			continue
		}
		off := math.Abs((w.Width-c.Width)/2 - spec.Optimum)
		if best < 0 || off < bestOff-slack || off <= bestOff+slack && w.Width > bestWidth+slack {
			best, bestOff, bestWidth = k, off, w.Width
		}
	}
	ours := p.Result.Chosen[c.Chosen]
	if best < 0 || p.Result.Slots[best].Next == ours {
		return
	}
	p.differs = append(p.differs, lineChoice{
		class: i, slot: best, overhang: (bestWidth - c.Width) / 2,
		more: c.Feed*(bestWidth-ours.Width) + float64(c.Count)*bestWidth*(p.Problem.longer(c.Spec, p.Result.Slots[best].Next.Paper)-p.Problem.longer(c.Spec, ours.Paper)),
	})
}
