// Package widths chooses the wrapper widths to hang on the stand for a
// schedule of rolls: the set that serves the schedule at least cost, within
// the overhang window, from the widths in stock, with as few changes of what
// hangs now as the money asks for.
//
// # What is minimised
//
// A roll of width x takes, from the wrappers that hang, the one of width y
// that serves it at least cost. With overhang o = (y − x)/2 on each side, the
// cost of one roll is
//
//	OverhangCost·|o − optimum| + price·feed·y
//
// and each slot that is changed adds Changeover. First in rank is the number
// of rolls that could be served from stock but are not; a set that misses
// one roll less is better at any cost. Ties are broken in this order:
//
//  1. the fewest rolls missed,
//  2. the lowest cost,
//  3. the fewest slots changed,
//  4. the fewest wrappers used,
//  5. papers that share no specification, in the order of their numbers: the
//     earlier takes the fewer slots,
//  6. narrower widths first: of two sets in ascending order the one that is
//     narrower at the first difference; of one width a paper that serves no
//     fewer specifications at no higher price, then the lower number.
//
// Costs are held as whole multiples of a quantum (Result.Quantum, a billionth
// of the unit of cost unless the sum asks for more), so that "equal" means
// equal and the order of additions does not matter.
//
// # How
//
// Rolls of one width and specification that the same candidates may serve are
// one class, and a class takes one wrapper. Where paper is priced their feeds
// must agree as well, since a roll that takes much paper may do
// better with a narrower sheet than one of the same width that takes little.
// (The line itself picks by overhang alone, so where OverhangCost is low
// against the paper it may take the wider of two wrappers that both fit.)
// Papers that no specification joins are separate problems, put
// together by a knapsack over the slots. Each is solved by dynamic programming
// where its costs allow it (see chain.go for the condition, which is tested
// on the numbers and not assumed, and the proof), otherwise by branch and
// bound (branch.go), which says so when it stops at its limit of effort.
//
// With r rolls, n classes, m candidates, w candidates within the window of a
// class and k free slots the work grows as r·log m + n·w² + k·m².
package widths

import (
	"errors"
	"fmt"
	"math"
)

// Unlimited is the stock of a candidate that never runs out.
const Unlimited = -1

// The sizes that a problem may have. More slots than MaxSlots would not fit
// the ranking of ties; more candidates of joined papers than MaxCandidates
// would take hundreds of megabytes.
const (
	MaxSlots      = 15
	MaxCandidates = 2000
)

// grace widens every limit of the overhang by a nanometre, so that a limit
// met exactly in inches counts as met in binary fractions of a metre.
const grace = 1e-9

// Wrapper is one wrapper roll as the stand sees it.
type Wrapper struct {
	Width float64 // m
	Paper int     // index of its material
}

// Candidate is a wrapper that could be hung.
type Candidate struct {
	Wrapper
	// Stock is the number of such rolls at hand, or Unlimited. A wrapper that
	// hangs twice serves no roll better than one that hangs once, so the
	// limit decides only whether it may be hung at all; SlotPlan tells how
	// many rolls the schedule will use up.
	Stock int
	// Length of wrapper on one such roll, m; 0 when it is not known.
	Length float64
}

// Hung is what one slot of the stand holds now.
type Hung struct {
	Wrapper
	Empty bool
	Fixed bool // stays whatever the schedule wants
}

// Spec is what a wrap specification asks of the wrapper.
type Spec struct {
	Papers []int // materials allowed
	// Longer is, for each of Papers, how much more of it a roll takes than
	// Roll.Feed says, m: a thicker paper goes around further out. It may be
	// shorter than Papers; what lacks is 0.
	Longer  []float64
	Optimum float64 // overhang wanted on each side, m
	Min     float64 // least overhang on the poor side, m; below zero a roll may stand out
	Max     float64 // greatest overhang on the rich side, m
}

// Roll is one row of the schedule: Count equal rolls.
type Roll struct {
	Width float64 // m
	Spec  int     // index into Problem.Specs
	Count int     // 1 to a thousand million
	Feed  float64 // wrapper fed for each roll, m; 0 where paper is not priced
	// Low and High are the roll's own limits of the overhang on each side, m,
	// such as the lap under its head and the distance to its core. They hold
	// as they stand, without the centring tolerance. Zero sets no limit.
	Low, High float64
}

// Problem is a schedule to be served.
type Problem struct {
	Specs      []Spec
	Prices     []float64 // price of one square metre, by paper; may be shorter than the papers
	Candidates []Candidate
	Stand      []Hung  // the slots, slot 1 first; the set has no more wrappers than slots
	Centring   float64 // tolerance e of centring, m: o − e ≥ Min, o + e ≤ Max

	OverhangCost float64 // per metre of |o − optimum| on one side of one roll
	Changeover   float64 // per slot changed

	// Effort bounds the branch and bound, for each number of slots that it has
	// to look at, in steps of one class at one candidate; it is a count and no
	// time, so that the answer stays the same on any machine. Zero stands for
	// 10⁹ steps, a few seconds.
	Effort int

	Rolls []Roll
}

// Method is how an answer was found.
type Method uint8

// Methods.
const (
	Chain  Method = iota // dynamic programming throughout
	Branch               // branch and bound for at least one group of papers
)

// Totals is what a set does to the whole schedule.
type Totals struct {
	Cost         float64 // all of the below
	OverhangCost float64
	PaperCost    float64
	ChangeCost   float64
	Changes      int
	Served       int64   // rolls served
	Missed       int64   // rolls that stock could serve and the set does not
	Unservable   int64   // rolls that nothing in stock can serve
	Area         float64 // wrapper used by the rolls served, m²
	Deviation    float64 // Σ|o − optimum| over the rolls served, m
}

// Class is a set of rolls that the same candidates may serve at like cost.
type Class struct {
	Width      float64
	Spec       int
	Count      int64
	Feed       float64 // Σ feed, m
	Chosen     int     // index into Result.Chosen; -1 when no wrapper of the set serves it
	Overhang   float64 // with the chosen wrapper, m; NaN without one
	Unservable bool    // nothing in stock serves it
	// Low and High are the least and the greatest wrapper width that would do
	// for the narrowest of the limits in the class, m.
	Low, High float64
}

// SlotPlan is what becomes of one slot.
type SlotPlan struct {
	Now     Hung
	Next    Wrapper // what hangs there for the schedule; zero when it stays empty
	Changed bool
	Used    bool    // a roll of the schedule takes it
	Rolls   int64   // rolls of the schedule that take it
	Feed    float64 // wrapper they take, m
	Area    float64 // m²
	// Needs is the number of wrapper rolls that the schedule uses up here, 0
	// when their length is not known; Short is set when stock has fewer.
	Needs int
	Short bool
}

// Result is the answer to a problem.
type Result struct {
	Exact     bool // no set is better by rank 1 to 4
	TieBroken bool // ranks 5 and 6 were settled as well
	Feasible  bool // no roll is missed that stock could serve
	Method    Method
	Quantum   float64 // of cost within which Exact holds
	Merged    bool    // rolls of unlike feeds are in one class, so that the cost is a bound
	Bound     float64 // no set that misses as few rolls costs less; NaN when that is not known

	Chosen  []Wrapper // the wrappers that serve rolls, by width
	Slots   []SlotPlan
	Classes []Class // by width, specification, limits and feed
	ClassOf []int32 // class of each row of the schedule
	Best    Totals
	Present Totals // the stand as it hangs now
	// Saved is the wrapper area that the set uses less than the present
	// stand on the rolls that both serve, m².
	Saved float64
}

// InputError is one thing wrong with a problem.
type InputError struct {
	Field string
	Index int // of the entry; -1 where the field is not a list
	Got   float64
	Want  string
}

func (e *InputError) Error() string {
	if e.Index < 0 {
		return fmt.Sprintf("widths: %s is %g, wanted %s", e.Field, e.Got, e.Want)
	}
	return fmt.Sprintf("widths: %s of entry %d is %g, wanted %s", e.Field, e.Index+1, e.Got, e.Want)
}

// maxCount keeps sums of rolls within an integer.
const maxCount = 1_000_000_000

// maxErrors keeps a broken schedule of a million rows from a million lines.
const maxErrors = 50

type faults struct {
	list []error
	more int
}

func (f *faults) add(bad bool, field string, index int, got float64, want string) {
	if !bad {
		return
	}
	if len(f.list) == maxErrors {
		f.more++
		return
	}
	f.list = append(f.list, &InputError{field, index, got, want})
}

// largest bounds every quantity, far beyond any of the trade, so that no sum
// of costs can overflow.
const largest = 1e9

func positive(v float64) bool    { return v > 0 && v <= largest }
func notNegative(v float64) bool { return v >= 0 && v <= largest }

const (
	wantPositive    = "a number above zero, at most 1e9"
	wantNotNegative = "a number from zero to 1e9"
)

// Check reports everything that is wrong with a problem, joined: each error
// is an *InputError. Beyond fifty the rest is only counted.
func (p *Problem) Check() error {
	var f faults
	paper := func(field string, i, v int) { f.add(v < 0, field, i, float64(v), "an index from 0") }
	for i := range p.Specs {
		s := &p.Specs[i]
		for _, v := range s.Papers {
			paper("specs.papers", i, v)
		}
		for _, v := range s.Longer {
			f.add(!(math.Abs(v) <= largest), "specs.longer", i, v, "a number of at most 1e9 either way")
		}
		f.add(!notNegative(s.Optimum), "specs.optimum", i, s.Optimum, wantNotNegative)
		f.add(!(math.Abs(s.Min) <= largest), "specs.min", i, s.Min, "a number of at most 1e9 either way")
		f.add(!(s.Max >= s.Min && s.Max <= largest), "specs.max", i, s.Max, "a number from the least overhang to 1e9")
	}
	for i, v := range p.Prices {
		f.add(!notNegative(v), "prices", i, v, wantNotNegative)
	}
	for i := range p.Candidates {
		c := &p.Candidates[i]
		f.add(!positive(c.Width), "candidates.width", i, c.Width, wantPositive)
		paper("candidates.paper", i, c.Paper)
		f.add(c.Stock < Unlimited, "candidates.stock", i, float64(c.Stock), "a count, or -1 for no limit")
		f.add(!notNegative(c.Length), "candidates.length", i, c.Length, wantNotNegative)
	}
	f.add(len(p.Stand) < 1 || len(p.Stand) > MaxSlots, "stand", -1, float64(len(p.Stand)), "1 to 15 slots")
	for i := range p.Stand {
		h := &p.Stand[i]
		if h.Empty {
			f.add(h.Fixed, "stand.fixed", i, 1, "something that hangs in a fixed slot")
			continue
		}
		f.add(!positive(h.Width), "stand.width", i, h.Width, wantPositive)
		paper("stand.paper", i, h.Paper)
	}
	f.add(!notNegative(p.Centring), "centring", -1, p.Centring, wantNotNegative)
	f.add(!notNegative(p.OverhangCost), "overhang_cost", -1, p.OverhangCost, wantNotNegative)
	f.add(!notNegative(p.Changeover), "changeover", -1, p.Changeover, wantNotNegative)
	f.add(p.Effort < 0, "effort", -1, float64(p.Effort), "a count, or 0 for the default")
	for i := range p.Rolls {
		r := &p.Rolls[i]
		f.add(!positive(r.Width), "rolls.width", i, r.Width, wantPositive)
		f.add(r.Spec < 0 || r.Spec >= len(p.Specs), "rolls.spec", i, float64(r.Spec), "the index of a specification")
		f.add(r.Count < 1 || r.Count > maxCount, "rolls.count", i, float64(r.Count), "1 to a thousand million")
		f.add(!notNegative(r.Feed), "rolls.feed", i, r.Feed, wantNotNegative)
		f.add(!notNegative(r.Low), "rolls.low", i, r.Low, wantNotNegative)
		f.add(!notNegative(r.High), "rolls.high", i, r.High, wantNotNegative)
	}
	if f.more > 0 {
		f.list = append(f.list, fmt.Errorf("widths: and %d more of the same kind", f.more))
	}
	return errors.Join(f.list...)
}

func (p *Problem) price(paper int) float64 {
	if paper < len(p.Prices) {
		return p.Prices[paper]
	}
	return 0
}

// Solve returns the best set. The error is that of Check, or says that a
// group of joined papers has more than MaxCandidates widths. A problem that
// no set serves whole is no error: Feasible is false and the set is the
// one that misses the fewest rolls.
func Solve(p *Problem) (*Result, error) {
	if err := p.Check(); err != nil {
		return nil, err
	}
	a := aggregate(p)
	parts := a.split()
	res := &Result{Exact: true, TieBroken: true, Quantum: a.quantum}
	free := 0
	for _, h := range p.Stand {
		if !h.Fixed {
			free++
		}
	}
	answers := make([][]answer, len(parts))
	for i, pt := range parts {
		if len(pt.nodes) > MaxCandidates {
			return nil, fmt.Errorf("widths: %d candidate widths for one group of papers, wanted at most %d; leave out widths that are not in stock or round them", len(pt.nodes), MaxCandidates)
		}
		if pt.unimodal() {
			answers[i] = pt.solveChain(free)
			continue
		}
		res.Method = Branch
		from := 0
		if len(parts) == 1 {
			from = free // no knapsack, so the smaller numbers of slots are not asked for
		}
		answers[i] = pt.solveBranch(from, free, p.Effort)
	}
	share := combine(answers, free)
	var chosen []int
	bound := value{}
	for i, t := range share {
		an := &answers[i][t]
		for _, j := range an.chosen {
			chosen = append(chosen, parts[i].nodes[j])
		}
		res.Exact = res.Exact && an.exact
		res.TieBroken = res.TieBroken && an.tied
		res.Quantum = math.Max(res.Quantum, an.quantum)
		bound = bound.plus(an.bound)
	}
	if !res.Exact {
		res.TieBroken = false
		bound = combinedBound(answers, free)
	}
	a.report(res, chosen, bound)
	if a.slack > 0 {
		res.Exact, res.TieBroken, res.Merged = false, false, true
		res.Bound -= a.slack
	}
	return res, nil
}

// combine splits the free slots among the parts so that the sum is least; of
// equal splits the one that gives the earlier parts the fewer.
func combine(answers [][]answer, free int) []int {
	n := len(answers)
	best := make([][]value, n+1)
	best[n] = make([]value, free+1)
	for i := n - 1; i >= 0; i-- {
		best[i] = make([]value, free+1)
		for t := range best[i] {
			best[i][t] = worst
			for s := 0; s <= t; s++ {
				if v := answers[i][s].value.plus(best[i+1][t-s]); v.less(best[i][t]) {
					best[i][t] = v
				}
			}
		}
	}
	share := make([]int, n)
	t := free
	for i := range share {
		for s := 0; s <= t; s++ {
			if answers[i][s].value.plus(best[i+1][t-s]) == best[i][t] {
				share[i] = s
				t -= s
				break
			}
		}
	}
	return share
}

// combinedBound is the least sum of lower bounds over all splits.
func combinedBound(answers [][]answer, free int) value {
	cur := make([]value, free+1)
	for _, an := range answers {
		next := make([]value, free+1)
		for t := range next {
			next[t] = worst
			for s := 0; s <= t; s++ {
				if v := an[s].bound.plus(cur[t-s]); v.less(next[t]) {
					next[t] = v
				}
			}
		}
		cur = next
	}
	return cur[free]
}
