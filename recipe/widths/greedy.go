package widths

import "slices"

// greedySearch builds a first set: the best node added at each step, then
// single exchanges as long as one helps.
type greedySearch struct {
	pt   *part
	free []int // nodes that take a free slot
	t    int   // how many of them there may be
	set  []int
	best value
	cur  []value // what each class costs with the set laid in last
}

func (pt *part) greedy(t int) []int {
	g := &greedySearch{pt: pt, t: t, cur: make([]value, len(pt.classes))}
	for j := range pt.nodes {
		if _, takes := pt.open(j); takes {
			g.free = append(g.free, j)
		}
	}
	g.best = pt.lay(nil, g.cur)
	g.fill()
	const rounds = 50
	for range rounds {
		exchanged := g.exchange()
		if added := g.fill(); !exchanged && !added {
			break
		}
	}
	slices.Sort(g.set)
	return g.set
}

// with is the value when j joins the set laid in, of the value total.
func (g *greedySearch) with(total value, j int) value {
	money, _ := g.pt.open(j)
	total.money += money
	for i := range g.pt.classes {
		if w := g.pt.classes[i].at(j); w != none {
			if v := (value{money: w}); v.less(g.cur[i]) {
				total = total.plus(v).plus(g.cur[i].times(-1))
			}
		}
	}
	return total
}

// pick is the node whose joining gives a set the least value below the best
// known, which it then is; −1 when none does.
func (g *greedySearch) pick(set []int) int {
	total := g.pt.lay(set, g.cur)
	pick := -1
	for _, j := range g.free {
		if slices.Contains(set, j) {
			continue
		}
		if v := g.with(total, j); v.less(g.best) {
			g.best, pick = v, j
		}
	}
	return pick
}

// fill adds nodes while there is room and one helps.
func (g *greedySearch) fill() (added bool) {
	for len(g.set) < g.t {
		j := g.pick(g.set)
		if j < 0 {
			break
		}
		g.set, added = append(g.set, j), true
	}
	return added
}

// exchange changes single nodes of the set for better ones.
func (g *greedySearch) exchange() (exchanged bool) {
	for k := range g.set {
		rest := slices.Delete(slices.Clone(g.set), k, k+1)
		if j := g.pick(rest); j >= 0 {
			rest = append(rest, j)
			g.set, exchanged = rest, true
		}
	}
	return exchanged
}
