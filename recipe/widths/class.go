package widths

import (
	"cmp"
	"math"
	"slices"
	"sort"
)

// value is a cost with what ranks before it and what breaks its ties: rolls
// missed first, then money, which is the cost in quanta times tieSpan plus
// changes times 16 plus wrappers used.
type value struct{ missed, money int64 }

const (
	changeUnit = 16
	tieSpan    = changeUnit * 16
)

// worst is greater than any value and can be added to without overflow.
var worst = value{math.MaxInt64 / 4, 0}

func (v value) less(w value) bool {
	return v.missed < w.missed || v.missed == w.missed && v.money < w.money
}

func (v value) plus(w value) value { return value{v.missed + w.missed, v.money + w.money} }

func (v value) times(k int64) value { return value{v.missed * k, v.money * k} }

// node is a wrapper that hangs or could be hung.
type node struct {
	Wrapper
	stock  int
	length float64
	hung   bool
	fixed  bool
}

// Where paper is priced only rolls of one feed are one class, unless that makes
// more than exactClasses: then those whose feeds agree to lotFeed, m, are, and
// the answer is a bound.
const (
	exactClasses = 20_000
	lotFeed      = 0.1
)

// class is a Class in the making: the rolls of one width and specification
// that the nodes lo to hi, both included, may serve if their paper is allowed.
type class struct {
	width  float64
	spec   int
	lo, hi int
	lot    uint64 // of feed, see lotFeed
	count  int64
	feed   float64 // Σ feed
	// The least and the greatest feed of a roll.
	least, most float64
}

type assembly struct {
	p        *Problem
	nodes    []node
	classes  []class
	of       []int32
	allowed  [][]bool // by specification and paper
	servable []bool
	quantum  float64
	change   int64   // cost of a changeover in quanta
	slack    float64 // by which rolls of unlike feeds in one class may do better apart
}

// Window is the range of wrapper widths that a roll takes.
func (p *Problem) Window(r *Roll) (low, high float64) {
	s := &p.Specs[r.Spec]
	o := s.Min + p.Centring
	if r.Low > 0 {
		o = math.Max(o, r.Low)
	}
	top := s.Max - p.Centring
	if r.High > 0 {
		top = math.Min(top, r.High)
	}
	return r.Width + 2*(o-grace), r.Width + 2*(top+grace)
}

func aggregate(p *Problem) *assembly {
	a := &assembly{p: p}
	a.gatherNodes()
	if !a.gatherClasses(0, exactClasses) {
		a.gatherClasses(lotFeed, math.MaxInt)
	}
	papers := 0
	for _, n := range a.nodes {
		papers = max(papers, n.Paper+1)
	}
	a.allowed = make([][]bool, len(p.Specs))
	for i, s := range p.Specs {
		a.allowed[i] = make([]bool, papers)
		for _, v := range s.Papers {
			if v < papers {
				a.allowed[i][v] = true
			}
		}
	}
	a.servable = make([]bool, len(a.classes))
	total := p.Changeover * float64(len(p.Stand))
	for i := range a.classes {
		c := &a.classes[i]
		most := 0.0
		cheap, dear := math.Inf(1), 0.0 // by the metre fed
		for j := c.lo; j <= c.hi; j++ {
			if a.allowed[c.spec][a.nodes[j].Paper] {
				a.servable[i] = true
				w := &a.nodes[j].Wrapper
				most = math.Max(most, a.cost(c, w))
				metre := a.p.price(w.Paper) * w.Width
				cheap, dear = math.Min(cheap, metre), math.Max(dear, metre)
			}
		}
		total += most
		if dear > cheap {
			a.slack += (c.most - c.least) * float64(c.count) * (dear - cheap)
		}
	}
	// 1e15 quanta times tieSpan stay below 2^58.
	a.quantum = 1e-9
	for total/a.quantum > 1e15 {
		a.quantum *= 10
	}
	a.change = a.quanta(p.Changeover)
	return a
}

func (a *assembly) quanta(cost float64) int64 { return int64(math.Round(cost / a.quantum)) }

// cost of serving a class with a wrapper. Over the widths of one paper it is
// convex: a distance from the optimum plus a line.
func (a *assembly) cost(c *class, w *Wrapper) float64 {
	dev := math.Abs((w.Width-c.width)/2 - a.p.Specs[c.spec].Optimum)
	return a.p.OverhangCost*float64(c.count)*dev + a.p.price(w.Paper)*a.area(c, w)
}

// area is how much of a wrapper a class takes, m².
func (a *assembly) area(c *class, w *Wrapper) float64 {
	return a.p.feedOf(c.spec, c.count, c.feed, w.Paper) * w.Width
}

// feedOf is what count rolls of a specification take of a paper, m. feed is the
// sum of their feeds.
func (p *Problem) feedOf(spec int, count int64, feed float64, paper int) float64 {
	return math.Max(0, feed+float64(count)*p.longer(spec, paper))
}

// longer is how much more of a paper a roll takes than its feed says, m.
func (p *Problem) longer(spec, paper int) float64 {
	s := &p.Specs[spec]
	for i, v := range s.Papers {
		if v == paper && i < len(s.Longer) {
			return s.Longer[i]
		}
	}
	return 0
}

// gatherNodes merges candidates and what hangs, and sorts them by width.
func (a *assembly) gatherNodes() {
	for _, c := range a.p.Candidates {
		if c.Stock != 0 {
			a.nodes = append(a.nodes, node{Wrapper: c.Wrapper, stock: c.Stock, length: c.Length})
		}
	}
	for _, h := range a.p.Stand {
		if !h.Empty {
			a.nodes = append(a.nodes, node{Wrapper: h.Wrapper, hung: true, fixed: h.Fixed})
		}
	}
	slices.SortStableFunc(a.nodes, func(x, y node) int {
		return cmp.Or(cmp.Compare(x.Width, y.Width), cmp.Compare(x.Paper, y.Paper))
	})
	out := a.nodes[:0]
	for _, n := range a.nodes {
		// Equal widths of one paper stand side by side; those that differ by
		// less than the grace stay apart, which costs nothing.
		if k := len(out) - 1; k >= 0 && out[k].Wrapper == n.Wrapper {
			o := &out[k]
			if o.stock == Unlimited || n.stock == Unlimited {
				o.stock = Unlimited
			} else {
				o.stock += n.stock
			}
			o.length = math.Max(o.length, n.length)
			o.hung = o.hung || n.hung
			o.fixed = o.fixed || n.fixed
			continue
		}
		out = append(out, n)
	}
	a.nodes = out
}

// gatherClasses makes classes of the rolls. Widths are compared exactly. Feeds
// are compared where paper is priced, by steps, m, or exactly for a step of 0. It
// gives up and returns false when there would be more than most classes.
func (a *assembly) gatherClasses(step float64, most int) bool {
	type key struct {
		width, lot   uint64
		spec, lo, hi int32
	}
	a.classes = nil
	priced := make([]bool, len(a.p.Specs))
	for i, s := range a.p.Specs {
		for _, v := range s.Papers {
			priced[i] = priced[i] || a.p.price(v) > 0
		}
	}
	a.of = make([]int32, len(a.p.Rolls))
	index := make(map[key]int32)
	var last key
	lastClass := int32(-1)
	for i := range a.p.Rolls {
		r := &a.p.Rolls[i]
		low, high := a.p.Window(r)
		lo := sort.Search(len(a.nodes), func(j int) bool { return a.nodes[j].Width >= low })
		hi := sort.Search(len(a.nodes), func(j int) bool { return a.nodes[j].Width > high }) - 1
		if hi < lo {
			lo, hi = 0, -1
		}
		lot := uint64(0)
		switch {
		case !priced[r.Spec]:
		case step > 0:
			lot = uint64(math.Min(math.Round(r.Feed/step), math.MaxInt32))
		default:
			lot = math.Float64bits(r.Feed)
		}
		k := key{math.Float64bits(r.Width), lot, int32(r.Spec), int32(lo), int32(hi)}
		id := lastClass
		if id < 0 || k != last {
			var known bool
			if id, known = index[k]; !known {
				if len(a.classes) == most {
					return false
				}
				id = int32(len(a.classes))
				index[k] = id
				a.classes = append(a.classes, class{width: r.Width, spec: r.Spec, lo: lo, hi: hi, lot: lot, least: r.Feed, most: r.Feed})
			}
			last, lastClass = k, id
		}
		c := &a.classes[id]
		c.count += int64(r.Count)
		c.feed += float64(r.Count) * r.Feed
		c.least, c.most = math.Min(c.least, r.Feed), math.Max(c.most, r.Feed)
		a.of[i] = id
	}
	a.sortClasses()
	return true
}

// sortClasses orders the classes by width, specification, limits and feed.
func (a *assembly) sortClasses() {
	order := make([]int32, len(a.classes))
	for i := range order {
		order[i] = int32(i)
	}
	slices.SortFunc(order, func(x, y int32) int {
		c, d := &a.classes[x], &a.classes[y]
		return cmp.Or(cmp.Compare(c.width, d.width), cmp.Compare(c.spec, d.spec), cmp.Compare(c.lo, d.lo), cmp.Compare(c.hi, d.hi), cmp.Compare(c.lot, d.lot))
	})
	rank := make([]int32, len(order))
	sorted := make([]class, len(order))
	for i, o := range order {
		rank[o] = int32(i)
		sorted[i] = a.classes[o]
	}
	a.classes = sorted
	for i, c := range a.of {
		a.of[i] = rank[c]
	}
}

// none stands in a part's costs for a node that may not serve the class.
const none = math.MaxInt64

// part is a group of papers that specifications join, with the nodes and the
// classes of those papers. A part counts its nodes by their place in its list.
type part struct {
	a       *assembly
	nodes   []int
	classes []partClass
}

// partClass is a class seen from its part: cost[j-lo] is that of node j in
// quanta times tieSpan, or none.
type partClass struct {
	lo, hi int
	count  int64
	cost   []int64
}

func (c *partClass) at(j int) int64 {
	if j < c.lo || j > c.hi {
		return none
	}
	return c.cost[j-c.lo]
}

// joined are the papers that specifications in use join to groups.
type joined struct {
	root  []int  // of each paper: another of its group, up to the lowest
	inUse []bool // papers
	specs []bool // in use
	first []int  // lowest paper of each specification in use, else −1
}

// lowest is the lowest paper of the group of a paper.
func (g *joined) lowest(paper int) int {
	for g.root[paper] != paper {
		paper = g.root[paper]
	}
	return paper
}

func (a *assembly) join() *joined {
	papers := 0
	if len(a.allowed) > 0 {
		papers = len(a.allowed[0])
	}
	g := &joined{root: make([]int, papers), inUse: make([]bool, papers), specs: make([]bool, len(a.p.Specs)), first: make([]int, len(a.p.Specs))}
	for i := range g.root {
		g.root[i] = i
	}
	for i, c := range a.classes {
		if a.servable[i] {
			g.specs[c.spec] = true
		}
	}
	for s, used := range g.specs {
		g.first[s] = -1
		if !used {
			continue
		}
		for v, ok := range a.allowed[s] {
			if !ok {
				continue
			}
			g.inUse[v] = true
			if g.first[s] < 0 {
				g.first[s] = v
				continue
			}
			x, y := g.lowest(g.first[s]), g.lowest(v)
			g.root[max(x, y)] = min(x, y)
		}
	}
	return g
}

// split makes the parts, in the order of their lowest paper.
func (a *assembly) split() []*part {
	g := a.join()
	partOf := make([]int, len(g.root)) // by lowest paper
	var parts []*part
	for v := range g.root {
		partOf[v] = -1
		if g.inUse[v] && g.lowest(v) == v {
			partOf[v] = len(parts)
			parts = append(parts, &part{a: a})
		}
	}
	before := make([][]int, len(parts)) // before[i][j] counts the part's nodes below node j
	for i := range before {
		before[i] = make([]int, len(a.nodes)+1)
	}
	for j := range a.nodes {
		home := -1
		if v := a.nodes[j].Paper; g.inUse[v] && !a.dominated(j, g.specs) {
			home = partOf[g.lowest(v)]
		}
		for i := range before {
			before[i][j+1] = before[i][j]
		}
		if home >= 0 {
			parts[home].nodes = append(parts[home].nodes, j)
			before[home][j+1]++
		}
	}
	for i := range a.classes {
		if c := &a.classes[i]; a.servable[i] {
			home := partOf[g.lowest(g.first[c.spec])]
			parts[home].add(c, before[home])
		}
	}
	return parts
}

// add adds a class to its part; before counts the part's nodes below each node
// of the whole.
func (pt *part) add(c *class, before []int) {
	a := pt.a
	pc := partClass{lo: before[c.lo], hi: before[c.hi+1] - 1, count: c.count}
	pc.cost = make([]int64, pc.hi-pc.lo+1)
	for j := pc.lo; j <= pc.hi; j++ {
		n := &a.nodes[pt.nodes[j]]
		pc.cost[j-pc.lo] = none
		if a.allowed[c.spec][n.Paper] {
			pc.cost[j-pc.lo] = a.quanta(a.cost(c, &n.Wrapper)) * tieSpan
		}
	}
	pt.classes = append(pt.classes, pc)
}

// dominated reports whether another paper of the same width does all that
// node j does, at no higher cost, so that j can be left out without loss.
func (a *assembly) dominated(j int, specInUse []bool) bool {
	n := &a.nodes[j]
	if n.fixed {
		return false
	}
	from := j
	for from > 0 && a.nodes[from-1].Width == n.Width {
		from--
	}
	for i := from; i < len(a.nodes) && a.nodes[i].Width == n.Width; i++ {
		o := &a.nodes[i]
		if i == j || n.hung && !o.hung && !o.fixed || a.p.price(o.Paper) > a.p.price(n.Paper) {
			continue
		}
		covers := true
		for s, used := range specInUse {
			if used && a.allowed[s][n.Paper] && (!a.allowed[s][o.Paper] ||
				a.p.price(o.Paper) > 0 && a.p.longer(s, o.Paper) > a.p.longer(s, n.Paper)) {
				covers = false
			}
		}
		if covers && (i < j || !a.equal(i, j, specInUse)) {
			return true
		}
	}
	return false
}

// equal reports whether nodes i and j cannot be told apart by cost, so that
// only the later of them may give way to the other.
func (a *assembly) equal(i, j int, specInUse []bool) bool {
	n, o := &a.nodes[j], &a.nodes[i]
	if n.hung != o.hung || n.fixed != o.fixed || a.p.price(o.Paper) != a.p.price(n.Paper) {
		return false
	}
	for s, used := range specInUse {
		if used && (a.allowed[s][n.Paper] != a.allowed[s][o.Paper] ||
			a.p.price(o.Paper) > 0 && a.p.longer(s, o.Paper) != a.p.longer(s, n.Paper)) {
			return false
		}
	}
	return true
}

// open is what it costs to have node j in the set, and whether it takes a
// free slot.
func (pt *part) open(j int) (money int64, takes bool) {
	switch n := &pt.a.nodes[pt.nodes[j]]; {
	case n.fixed:
		return 0, false
	case n.hung:
		return 1, true
	}
	return pt.a.change*tieSpan + changeUnit + 1, true
}

// eval is the value of a set of nodes, with the fixed ones of the part.
func (pt *part) eval(set []int) value { return pt.lay(set, make([]value, len(pt.classes))) }

// lay fills cost with what each class costs with a set of nodes and the fixed
// ones, and returns the value of the set.
func (pt *part) lay(set []int, cost []value) value {
	var v value
	for _, j := range set {
		money, _ := pt.open(j)
		v.money += money
	}
	for i := range pt.classes {
		c := &pt.classes[i]
		cost[i] = value{missed: c.count}
		serve := func(j int) {
			if w := c.at(j); w != none && (value{money: w}).less(cost[i]) {
				cost[i] = value{money: w}
			}
		}
		for j := c.lo; j <= c.hi; j++ {
			if pt.a.nodes[pt.nodes[j]].fixed {
				serve(j)
			}
		}
		for _, j := range set {
			serve(j)
		}
		v = v.plus(cost[i])
	}
	return v
}

// answer is the best set of a part for one number of free slots.
type answer struct {
	value   value
	bound   value // lower bound of value
	chosen  []int // nodes that take a free slot, ascending
	exact   bool
	tied    bool
	quantum float64
}
