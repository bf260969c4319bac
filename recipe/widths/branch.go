package widths

import (
	"cmp"
	"math"
	"slices"
)

// Branch and bound, for parts whose costs the dynamic programme cannot take.
//
// Every bound comes from relaxing, with a multiplier λᵢ ≥ 0 for each class,
// the demand that a class be served exactly once. With c(i, j) the cost of
// class i at node j, b(i) its cost as it stands (fixed nodes, nodes already
// taken, or missed) and λᵢ ≤ b(i),
//
//	Σᵢ λᵢ + min over at most t nodes of Σⱼ ( open(j) + Σᵢ min(0, c(i, j) − λᵢ) )
//
// is never above the cost of any set, whatever λ is: it is the sum of the
// t lowest of the bracketed rhos that are below zero. λ is improved by
// subgradient steps and rounded to whole quanta, so the bounds are exact in
// integers and nothing is pruned by a rounding error. Nodes are taken in
// ascending order of rho; the first whose bound reaches the best set known
// ends its level. The work is exponential in the slots in the worst case and
// is bounded by Problem.Effort; stopping there is reported and never hidden.

const (
	defaultEffort = 1_000_000_000
	rootSteps     = 300
	innerSteps    = 12
)

// search is one run for one number of free slots.
type search struct {
	n, m    int
	cost    []int64 // by node and class: cost[j*n+i]
	open    []int64
	lamMax  int64
	steps   int
	limit   int
	best    int64
	bestSet []int
	unseen  int64 // least bound of what the limit left unseen
	stopped bool
	free    []scratch // by depth
}

type scratch struct {
	base, lam, try []int64
	rho            []int64 // by position in cand
	cand, next     []int
	picks          []int // positions in cand
	picked         []int // their nodes
}

func (pt *part) solveBranch(from, free, limit int) []answer {
	if limit == 0 {
		limit = defaultEffort
	}
	out := make([]answer, free+1)
	for t := range out {
		if t < from {
			out[t] = answer{value: worst, bound: worst}
			continue
		}
		out[t] = pt.branch(t, limit)
	}
	return out
}

func (pt *part) branch(t, limit int) answer { return pt.branchFrom(pt.greedy(t), t, limit) }

// branchFrom searches from a first set. A good one saves work and changes no
// answer.
func (pt *part) branchFrom(start []int, t, limit int) answer {
	upper := pt.eval(start)
	an := answer{value: upper, bound: upper, chosen: start, quantum: pt.a.quantum}
	sc := pt.scaleFor(upper, t)
	s, base, cand := pt.newSearch(&sc, t, limit)
	s.bestSet = slices.Clone(start)
	s.best = s.trial(base, start, 0)
	lam := s.firstPrices(base, cand)
	s.visit(0, nil, base, cand, 0, t, lam, rootSteps)
	an.chosen = slices.Clone(s.bestSet)
	slices.Sort(an.chosen)
	an.exact = !s.stopped
	if an.exact && sc.shift == 0 {
		an.tied = s.settle(base, cand, t, lam)
		an.chosen = slices.Clone(s.bestSet)
		slices.Sort(an.chosen)
	}
	an.value = pt.eval(an.chosen)
	an.bound = an.value
	if !an.exact {
		low := min(s.unseen, s.best)
		an.bound = value{money: low}
		if sc.weight > 0 {
			an.bound = value{missed: low / sc.weight}
		}
	}
	if sc.shift > 0 {
		an.quantum = math.Max(an.quantum, an.quantum*float64(s.n+t)*math.Ldexp(1, int(sc.shift))/tieSpan)
	}
	return an
}

// scale brings rolls missed and money into the single integer that a search
// works in.
type scale struct {
	missed []int64 // what a missed class counts
	shift  uint    // bits of the money that are given up
	weight int64   // of one roll missed; 0 where no set has to miss any
	lamMax int64
}

// scaleFor makes the scale for a search that begins with the value upper. When
// a set that misses none is known, a missed class counts more than its cost.
// Otherwise one roll must outweigh all money, and the money may have to give up
// its last bits to make room.
func (pt *part) scaleFor(upper value, t int) scale {
	sc := scale{missed: make([]int64, len(pt.classes)), lamMax: 1 << 61}
	if upper.missed == 0 {
		for i := range sc.missed {
			sc.missed[i] = upper.money + 1
		}
		sc.lamMax /= int64(len(pt.classes) + 1)
		return sc
	}
	rolls, money := int64(0), int64(0)
	for i := range pt.classes {
		c := &pt.classes[i]
		rolls += c.count
		most := int64(0)
		for _, v := range c.cost {
			if v != none {
				most = max(most, v)
			}
		}
		money += most
	}
	dearest := int64(0)
	for j := range pt.nodes {
		v, _ := pt.open(j)
		dearest = max(dearest, v)
	}
	money += int64(t) * dearest
	for float64(money>>sc.shift+2)*float64(rolls+1) > 1<<60 {
		sc.shift++
	}
	sc.weight = money>>sc.shift + 1
	for i := range sc.missed {
		sc.missed[i] = sc.weight * pt.classes[i].count
	}
	return sc
}

// newSearch lays the costs of the part out for a search. base is the cost of
// each class with what is fixed, cand the nodes that take a free slot.
func (pt *part) newSearch(sc *scale, t, limit int) (s *search, base []int64, cand []int) {
	n, m := len(pt.classes), len(pt.nodes)
	// Half of the range leaves room for one more cost above it.
	s = &search{n: n, m: m, limit: limit, best: math.MaxInt64 / 2, unseen: math.MaxInt64, lamMax: sc.lamMax}
	s.cost = make([]int64, n*m)
	s.open = make([]int64, m)
	for j := range pt.nodes {
		money, takes := pt.open(j)
		s.open[j] = money >> sc.shift
		if takes {
			cand = append(cand, j)
		}
	}
	base = make([]int64, n)
	for i := range pt.classes {
		c := &pt.classes[i]
		base[i] = sc.missed[i]
		for j := range pt.nodes {
			v := sc.missed[i]
			if w := c.at(j); w != none {
				v = min(v, w>>sc.shift)
			}
			s.cost[j*n+i] = v
			if _, takes := pt.open(j); !takes {
				base[i] = min(base[i], v)
			}
		}
	}
	s.free = make([]scratch, t+2)
	for d := range s.free {
		s.free[d] = scratch{
			base: make([]int64, n), lam: make([]int64, n), try: make([]int64, n),
			rho: make([]int64, m), cand: make([]int, 0, m), next: make([]int, 0, m),
		}
	}
	return s, base, cand
}

// firstPrices are the multipliers to begin with: a class's second-best cost is
// a fair first price for it.
func (s *search) firstPrices(base []int64, cand []int) []int64 {
	lam := make([]int64, s.n)
	for i := range lam {
		lo, second := base[i], base[i]
		for _, j := range cand {
			if v := s.cost[j*s.n+i]; v < lo {
				lo, second = v, lo
			} else if v < second {
				second = v
			}
		}
		lam[i] = min(second, s.lamMax)
	}
	return lam
}

// sum adds costs, and stops above the best known: what is more does not matter
// and could overflow.
func (s *search) sum(total int64, list []int64) int64 {
	for _, v := range list {
		total += v
		if total > s.best {
			return s.best + 1
		}
	}
	return total
}

// relax fills rho for cand under lam and returns Σλ.
func (s *search) relax(lam []int64, cand []int, rho []int64) int64 {
	s.steps += s.n * (len(cand) + 1)
	total := int64(0)
	for _, v := range lam {
		total += v
	}
	for k, j := range cand {
		r := s.open[j]
		col := s.cost[j*s.n : (j+1)*s.n]
		for i, v := range col {
			if d := v - lam[i]; d < 0 {
				r += d
			}
		}
		rho[k] = r
	}
	return total
}

// lowest returns the positions of the r lowest rhos below zero and their sum.
func lowest(rho []int64, r int, picks []int) ([]int, int64) {
	picks = picks[:0]
	for k, v := range rho {
		if v >= 0 {
			continue
		}
		at := len(picks)
		for at > 0 && rho[picks[at-1]] > v {
			at--
		}
		if at == r {
			continue
		}
		if len(picks) < r {
			picks = append(picks, 0)
		}
		copy(picks[at+1:], picks[at:])
		picks[at] = k
	}
	sum := int64(0)
	for _, k := range picks {
		sum += rho[k]
	}
	return picks, sum
}

// ascend improves lam by subgradient steps, never above base, and leaves the
// best multipliers in lam with their rhos. It returns their bound without
// paid, and stops early when paid and the bound reach the best set.
func (s *search) ascend(sc *scratch, base, lam []int64, cand []int, paid int64, set []int, r, steps int) int64 {
	try := sc.try
	for i := range lam {
		lam[i] = min(lam[i], base[i])
	}
	copy(try, lam)
	bound := int64(math.MinInt64)
	rho := sc.rho[:len(cand)]
	pace, idle := 1.5, 0
	for step := 0; ; step++ {
		total := s.relax(try, cand, rho)
		var gain int64
		sc.picks, gain = lowest(rho, r, sc.picks)
		if l := total + gain; l > bound {
			bound = l
			copy(lam, try)
			idle = 0
		} else if idle++; idle == 8 {
			pace /= 2
			idle = 0
			copy(try, lam)
			total = s.relax(try, cand, rho)
			sc.picks, gain = lowest(rho, r, sc.picks)
		}
		if paid+bound >= s.best || step >= steps {
			break
		}
		// The nodes picked are a set that could be the answer.
		sc.picked = sc.picked[:0]
		for _, k := range sc.picks {
			sc.picked = append(sc.picked, cand[k])
		}
		if v := s.trial(base, sc.picked, paid); v < s.best {
			s.best = v
			s.bestSet = append(append(s.bestSet[:0], set...), sc.picked...)
		}
		norm := 0.0
		for i := range try {
			g := s.slope(i, try[i], cand, sc.picks)
			norm += float64(g * g)
		}
		if norm == 0 {
			break
		}
		s.step(try, base, cand, sc.picks, max(1, pace*float64(s.best-paid-(total+gain))/norm))
	}
	s.relax(lam, cand, rho)
	return bound
}

// slope is how the bound changes with the multiplier of a class: one less the
// picked nodes that would serve it below its price.
func (s *search) slope(class int, price int64, cand, picks []int) int {
	g := 1
	for _, k := range picks {
		if s.cost[cand[k]*s.n+class] < price {
			g--
		}
	}
	return g
}

// step moves each multiplier along its slope, within 0 and its base.
func (s *search) step(try, base []int64, cand, picks []int, length float64) {
	for i := range try {
		g := s.slope(i, try[i], cand, picks)
		if g == 0 {
			continue
		}
		v := float64(try[i]) + length*float64(g)
		top := min(base[i], s.lamMax)
		switch {
		case v <= 0:
			try[i] = 0
		case v >= float64(top):
			try[i] = top
		default:
			try[i] = min(int64(v), top)
		}
	}
}

// trial is the cost of what is paid with a set of nodes added, or one more than
// the best known where it is above that.
func (s *search) trial(base []int64, set []int, paid int64) int64 {
	for _, j := range set {
		paid += s.open[j]
	}
	for i, v := range base {
		for _, j := range set {
			v = min(v, s.cost[j*s.n+i])
		}
		paid += v
		if paid > s.best {
			return s.best + 1
		}
	}
	return paid
}

// visit looks at all sets that hold set and up to r more of cand.
func (s *search) visit(depth int, set []int, base []int64, cand []int, paid int64, r int, lam []int64, steps int) {
	if v := s.sum(paid, base); v < s.best {
		s.best = v
		s.bestSet = append(s.bestSet[:0], set...)
	}
	if r == 0 || len(cand) == 0 {
		return
	}
	sc := &s.free[depth]
	copy(sc.lam, lam)
	bound := paid + s.ascend(sc, base, sc.lam, cand, paid, set, r, steps)
	if depth == 0 {
		copy(lam, sc.lam) // the root's prices serve the tie-breaking too
	}
	if bound >= s.best {
		return
	}
	rho := sc.rho[:len(cand)]
	order := byRho(rho, cand)
	plain := paid
	for _, v := range sc.lam {
		plain += v
	}
	child := &s.free[depth+1]
	for q, k := range order {
		j := cand[k]
		rest, restLess := following(rho, order[q+1:], r)
		low := plain + rho[k] + rest
		if low >= s.best {
			return
		}
		if s.steps >= s.limit {
			s.stopped = true
			s.unseen = min(s.unseen, low)
			return
		}
		for i, v := range base {
			child.base[i] = min(v, s.cost[j*s.n+i])
		}
		next := sc.next[:0]
		if r > 1 {
			for _, x := range order[q+1:] {
				if plain+rho[k]+rho[x]+restLess < s.best {
					next = append(next, cand[x])
				}
			}
		}
		sc.next = next
		s.visit(depth+1, append(slices.Clip(set), j), child.base, next, paid+s.open[j], r-1, sc.lam, innerSteps)
	}
}

// byRho orders candidates by rho, the node's number settling equal ones.
func byRho(rho []int64, cand []int) []int {
	order := make([]int, len(cand))
	for k := range order {
		order[k] = k
	}
	slices.SortFunc(order, func(x, y int) int { return cmp.Or(cmp.Compare(rho[x], rho[y]), cand[x]-cand[y]) })
	return order
}

// following is the most that r−1 of the candidates behind one can gain, and
// r−2 of them.
func following(rho []int64, behind []int, r int) (rest, restLess int64) {
	for x := 1; x < r && x <= len(behind); x++ {
		v := min(0, rho[behind[x-1]])
		if x < r-1 {
			restLess += v
		}
		rest += v
	}
	return rest, restLess
}

// settle finds, of all sets that cost as little as the best, the first in
// ascending order of nodes. It reports whether it came to the end within the
// limit.
func (s *search) settle(base []int64, cand []int, t int, lam []int64) bool {
	s.steps = 0
	s.stopped = false
	found := s.first(0, nil, base, cand, 0, t, lam)
	return found && !s.stopped
}

func (s *search) first(depth int, set []int, base []int64, cand []int, paid int64, r int, lam []int64) bool {
	if s.sum(paid, base) == s.best {
		s.bestSet = append(s.bestSet[:0], set...)
		return true
	}
	if r == 0 || len(cand) == 0 {
		return false
	}
	sc := &s.free[depth]
	for i := range sc.lam {
		sc.lam[i] = min(lam[i], base[i])
	}
	rho := sc.rho[:len(cand)]
	plain := paid + s.relax(sc.lam, cand, rho)
	// rest[k] is the sum of the r−1 lowest rhos below zero after position k.
	rest := make([]int64, len(cand))
	low := make([]int64, 0, r)
	sum := int64(0)
	for k := len(cand) - 1; k >= 0; k-- {
		rest[k] = sum
		if v := rho[k]; v < 0 && r > 1 {
			at, _ := slices.BinarySearch(low, v)
			low = slices.Insert(low, at, v)
			sum += v
			if len(low) == r {
				sum -= low[r-1]
				low = low[:r-1]
			}
		}
	}
	child := &s.free[depth+1]
	for k, j := range cand {
		if plain+rho[k]+rest[k] > s.best {
			continue
		}
		if s.steps >= s.limit {
			s.stopped = true
			return false
		}
		for i, v := range base {
			child.base[i] = min(v, s.cost[j*s.n+i])
		}
		if s.first(depth+1, append(slices.Clip(set), j), child.base, cand[k+1:], paid+s.open[j], r-1, sc.lam) {
			return true
		}
		if s.stopped {
			return false
		}
	}
	return false
}
