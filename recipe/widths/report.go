package widths

import (
	"math"
	"slices"
)

// pick returns the wrapper of list that serves a class at least cost; of
// equal ones the wider, as on the line. -1 when none does.
func (a *assembly) pick(c *class, list []int) int {
	best, at := int64(0), -1
	for k, j := range list {
		if j < c.lo || j > c.hi || !a.allowed[c.spec][a.nodes[j].Paper] {
			continue
		}
		v := a.quanta(a.cost(c, &a.nodes[j].Wrapper))
		if at < 0 || v < best || v == best && a.nodes[j].Width > a.nodes[list[at]].Width {
			best, at = v, k
		}
	}
	return at
}

// totals sums up what a list of nodes does; choice is the pick by class.
func (a *assembly) totals(list []int) (t Totals, choice []int) {
	choice = make([]int, len(a.classes))
	for i := range a.classes {
		c := &a.classes[i]
		choice[i] = a.pick(c, list)
		switch {
		case !a.servable[i]:
			t.Unservable += c.count
		case choice[i] < 0:
			t.Missed += c.count
		default:
			w := &a.nodes[list[choice[i]]].Wrapper
			dev := float64(c.count) * math.Abs((w.Width-c.width)/2-a.p.Specs[c.spec].Optimum)
			t.Served += c.count
			t.Deviation += dev
			t.OverhangCost += a.p.OverhangCost * dev
			t.PaperCost += a.p.price(w.Paper) * a.area(c, w)
			t.Area += a.area(c, w)
		}
	}
	t.Cost = t.OverhangCost + t.PaperCost
	return t, choice
}

// report lays the chosen nodes, which take free slots, into the slots and
// fills the result.
func (a *assembly) report(res *Result, chosen []int, bound value) {
	p := a.p
	slices.Sort(chosen)
	hung := a.hang(res, chosen)
	// Only wrappers that were chosen or are fixed serve rolls. Others may stay
	// hanging unused.
	list := slices.Clone(chosen)
	var present []int
	for i, h := range p.Stand {
		if h.Fixed && !slices.Contains(list, hung[i]) {
			list = append(list, hung[i])
		}
		if !h.Empty {
			if j := a.indexOf(h.Wrapper); !slices.Contains(present, j) {
				present = append(present, j)
			}
		}
	}
	slices.Sort(list)
	slices.Sort(present)
	best, choice := a.totals(list)
	for _, s := range res.Slots {
		if s.Changed {
			best.Changes++
		}
	}
	best.ChangeCost = p.Changeover * float64(best.Changes)
	best.Cost += best.ChangeCost
	res.Best = best
	res.Feasible = best.Missed == 0
	var before []int
	res.Present, before = a.totals(present)
	for _, j := range list {
		res.Chosen = append(res.Chosen, a.nodes[j].Wrapper)
	}
	a.fillClasses(res, list, hung, choice)
	for i, k := range choice {
		if b := before[i]; k >= 0 && b >= 0 {
			res.Saved += a.area(&a.classes[i], &a.nodes[present[b]].Wrapper) - a.area(&a.classes[i], &a.nodes[list[k]].Wrapper)
		}
	}
	a.fillWindows(res)
	a.fillSlots(res, hung)
	res.Bound = math.NaN()
	if bound.missed == best.Missed {
		res.Bound = float64(bound.money/tieSpan) * a.quantum
	}
}

func (a *assembly) indexOf(w Wrapper) int {
	return slices.IndexFunc(a.nodes, func(n node) bool { return n.Wrapper == w })
}

// hang decides what hangs in each slot: the index of its node, −1 for nothing.
// What hangs already stays; the rest goes into empty slots first, for which
// nothing need come down.
func (a *assembly) hang(res *Result, chosen []int) []int {
	p := a.p
	res.Slots = make([]SlotPlan, len(p.Stand))
	hung := make([]int, len(p.Stand))
	stays := make([]bool, len(p.Stand))
	todo := slices.Clone(chosen)
	for i, h := range p.Stand {
		res.Slots[i].Now = h
		hung[i] = -1
		if h.Empty {
			continue
		}
		hung[i] = a.indexOf(h.Wrapper)
		if h.Fixed {
			stays[i] = true
		} else if k := slices.Index(todo, hung[i]); k >= 0 {
			todo = slices.Delete(todo, k, k+1)
			stays[i] = true
		}
	}
	for _, empty := range []bool{true, false} {
		for i := range hung {
			if len(todo) > 0 && !stays[i] && p.Stand[i].Empty == empty {
				hung[i], todo = todo[0], todo[1:]
				stays[i] = true
				res.Slots[i].Changed = true
			}
		}
	}
	return hung
}

// fillClasses sets for each class what serves it, and for each slot what it
// serves.
func (a *assembly) fillClasses(res *Result, list, hung, choice []int) {
	res.ClassOf = a.of
	res.Classes = make([]Class, len(a.classes))
	slotOf := make([]int, len(list))
	for k, j := range list {
		slotOf[k] = slices.Index(hung, j)
	}
	for i := range a.classes {
		c := &a.classes[i]
		out := Class{Width: c.width, Spec: c.spec, Count: c.count, Feed: c.feed, Chosen: choice[i], Overhang: math.NaN(), Unservable: !a.servable[i]}
		if k := choice[i]; k >= 0 {
			w := a.nodes[list[k]].Width
			out.Overhang = (w - c.width) / 2
			s := &res.Slots[slotOf[k]]
			s.Used = true
			s.Rolls += c.count
			feed := a.p.feedOf(c.spec, c.count, c.feed, a.nodes[list[k]].Paper)
			out.Feed = feed
			s.Feed += feed
			s.Area += feed * w
		}
		res.Classes[i] = out
	}
}

// fillWindows sets for each class which widths would do for all of its rolls.
func (a *assembly) fillWindows(res *Result) {
	for i := range a.p.Rolls {
		low, high := a.p.Window(&a.p.Rolls[i])
		c := &res.Classes[a.of[i]]
		if c.High == 0 {
			c.Low, c.High = low, high
		} else {
			c.Low, c.High = math.Max(c.Low, low), math.Min(c.High, high)
		}
	}
}

// fillSlots sets for each slot what hangs there next, and how much of the stock
// it uses up.
func (a *assembly) fillSlots(res *Result, hung []int) {
	for i := range res.Slots {
		s := &res.Slots[i]
		if hung[i] < 0 {
			continue
		}
		n := &a.nodes[hung[i]]
		s.Next = n.Wrapper
		if n.length > 0 {
			s.Needs = int(math.Ceil(s.Feed / n.length))
			have := n.stock
			if have != Unlimited && !s.Changed {
				have++ // the one that hangs
			}
			s.Short = have != Unlimited && s.Needs > have
		}
	}
}
