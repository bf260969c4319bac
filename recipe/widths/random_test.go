package widths

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// shift is a schedule of rolls in widths distinct sixteenths of an inch, with
// candidates every so often over the range.
func shift(rolls, widths, candidates, slots int) *Problem {
	rng := rand.New(rand.NewPCG(7, uint64(rolls)))
	p := &Problem{
		Specs:        []Spec{{Papers: []int{0}, Optimum: 5 * inch, Min: 3 * inch, Max: 7 * inch}},
		Prices:       []float64{0.4},
		Centring:     0.01,
		OverhangCost: 30,
		Changeover:   20,
		Stand:        empty(slots),
		Rolls:        make([]Roll, rolls),
	}
	p.Stand[0] = Hung{Wrapper: Wrapper{Width: 50 * inch}}
	list := make([]float64, widths)
	for i := range list {
		list[i] = (20 + 60*float64(i)/float64(widths)) * inch
	}
	for i := range p.Rolls {
		d := (0.6 + 0.9*rng.Float64())
		p.Rolls[i] = Roll{Width: list[rng.IntN(widths)], Count: 1, Feed: 3*math.Pi*d + 0.15, High: d/2 - 0.0635}
	}
	for i := range candidates {
		p.Candidates = append(p.Candidates, Candidate{Wrapper: Wrapper{Width: (28 + 64*float64(i)/float64(candidates)) * inch}, Stock: Unlimited})
	}
	return p
}

// tangle is a problem whose specifications share papers of different prices,
// so that the dynamic programme mostly cannot take it.
func tangle(seed uint64, classes, candidates, slots int) *Problem {
	rng := rand.New(rand.NewPCG(seed, 11))
	p := &Problem{
		Specs: []Spec{
			{Papers: []int{0, 1}, Optimum: 0.5, Min: 0, Max: 1.25},
			{Papers: []int{1, 2}, Optimum: 0.25, Min: 0, Max: 1.5},
			{Papers: []int{0, 2}, Optimum: 0.375, Min: 0.125, Max: 1},
		},
		Prices:       []float64{0.25, 0.75, 0.5},
		OverhangCost: float64(rng.IntN(40)),
		Changeover:   float64(rng.IntN(3)),
		Stand:        empty(slots),
	}
	for range candidates {
		p.Candidates = append(p.Candidates, Candidate{Wrapper: Wrapper{Width: float64(8+rng.IntN(60)) / 8, Paper: rng.IntN(3)}, Stock: 1})
	}
	for range classes {
		p.Rolls = append(p.Rolls, Roll{Width: float64(8+rng.IntN(48)) / 8, Spec: rng.IntN(3), Count: 1 + rng.IntN(9), Feed: float64(rng.IntN(20))})
	}
	return p
}

// small is a problem that brute force can take. Its numbers are eighths, so
// that sums of floats and of quanta are exact and ties are real.
func small(rng *rand.Rand, papers int) *Problem {
	p := &Problem{
		OverhangCost: float64(rng.IntN(5)),
		Changeover:   float64(rng.IntN(4)) / 2,
		Centring:     float64(rng.IntN(2)) / 8,
		Prices:       make([]float64, papers),
	}
	for i := range p.Prices {
		p.Prices[i] = float64(rng.IntN(4)) / 4
	}
	for range 1 + rng.IntN(papers) {
		s := Spec{Optimum: float64(rng.IntN(5)) / 8, Min: float64(rng.IntN(4)-1) / 8}
		s.Max = s.Min + float64(rng.IntN(12))/8
		for v := range papers {
			if rng.IntN(papers) == 0 {
				s.Papers = append(s.Papers, v)
			}
		}
		if len(s.Papers) == 0 {
			s.Papers = []int{rng.IntN(papers)}
		}
		for range s.Papers {
			s.Longer = append(s.Longer, float64(rng.IntN(3))/8)
		}
		p.Specs = append(p.Specs, s)
	}
	wrapper := func() Wrapper { return Wrapper{Width: float64(8+rng.IntN(24)) / 8, Paper: rng.IntN(papers)} }
	for range 1 + rng.IntN(8) {
		p.Candidates = append(p.Candidates, Candidate{Wrapper: wrapper(), Stock: rng.IntN(4) - 1})
	}
	for range 1 + rng.IntN(4) {
		h := Hung{Wrapper: wrapper(), Fixed: rng.IntN(5) == 0}
		if rng.IntN(2) == 0 {
			h = Hung{Empty: true}
		}
		p.Stand = append(p.Stand, h)
	}
	for range 1 + rng.IntN(9) {
		r := Roll{Width: float64(8+rng.IntN(20)) / 8, Spec: rng.IntN(len(p.Specs)), Count: 1 + rng.IntN(5), Feed: float64(32+rng.IntN(24)) / 32}
		if rng.IntN(4) == 0 {
			r.Low = float64(1+rng.IntN(3)) / 8
		}
		if rng.IntN(4) == 0 {
			r.High = float64(4+rng.IntN(8)) / 8
		}
		p.Rolls = append(p.Rolls, r)
	}
	return p
}

// naive is a set as brute force ranks it.
type naive struct {
	missed         int64
	cost           float64
	changes, taken int
	set            []Wrapper // in free slots, ascending
}

// serves says whether a wrapper may serve a roll, and at what cost. Written
// from the statement of the problem, without the package's own code.
func serves(p *Problem, r *Roll, w Wrapper) (float64, bool) {
	s := &p.Specs[r.Spec]
	o := (w.Width - r.Width) / 2
	const eps = 1e-9
	ok := slices.Contains(s.Papers, w.Paper) && o-p.Centring >= s.Min-eps && o+p.Centring <= s.Max+eps
	ok = ok && (r.Low == 0 || o >= r.Low-eps) && (r.High == 0 || o <= r.High+eps)
	n := float64(r.Count)
	feed := r.Feed
	if i := slices.Index(s.Papers, w.Paper); i >= 0 && i < len(s.Longer) {
		feed += s.Longer[i]
	}
	return n*p.OverhangCost*math.Abs(o-s.Optimum) + n*feed*w.Width*p.Prices[w.Paper], ok
}

func brute(p *Problem) (naive, []Wrapper) {
	var fixed, hung, all []Wrapper
	free := 0
	for _, c := range p.Candidates {
		if c.Stock != 0 && !slices.Contains(all, c.Wrapper) {
			all = append(all, c.Wrapper)
		}
	}
	for _, h := range p.Stand {
		switch {
		case h.Empty:
			free++
			continue
		case h.Fixed:
			fixed = append(fixed, h.Wrapper)
		default:
			free++
			hung = append(hung, h.Wrapper)
		}
		if !slices.Contains(all, h.Wrapper) {
			all = append(all, h.Wrapper)
		}
	}
	slices.SortFunc(all, func(a, b Wrapper) int {
		if a.Width != b.Width {
			if a.Width < b.Width {
				return -1
			}
			return 1
		}
		return a.Paper - b.Paper
	})
	best := naive{missed: math.MaxInt64}
	judge := func(set []Wrapper) {
		x := naive{taken: len(set)}
		for _, w := range set {
			if !slices.Contains(hung, w) {
				x.changes++
			}
		}
		for i := range p.Rolls {
			r := &p.Rolls[i]
			low, possible := math.Inf(1), false
			for _, w := range all {
				c, ok := serves(p, r, w)
				possible = possible || ok
				if ok && (slices.Contains(set, w) || slices.Contains(fixed, w)) {
					low = min(low, c)
				}
			}
			switch {
			case !possible:
			case math.IsInf(low, 1):
				x.missed += int64(r.Count)
			default:
				x.cost += low
			}
		}
		x.cost += float64(x.changes) * p.Changeover
		better := x.missed < best.missed
		if x.missed == best.missed {
			better = x.cost < best.cost
			if x.cost == best.cost {
				better = x.changes < best.changes || x.changes == best.changes && x.taken < best.taken
				// Sets come in ascending order, so that the first stays.
			}
		}
		if better {
			x.set = slices.Clone(set)
			best = x
		}
	}
	var grow func(set []Wrapper, from int)
	grow = func(set []Wrapper, from int) {
		judge(set)
		if len(set) == free {
			return
		}
		for i := from; i < len(all); i++ {
			if !slices.Contains(fixed, all[i]) {
				grow(append(set, all[i]), i+1)
			}
		}
	}
	grow(nil, 0)
	return best, all
}

func TestAgainstBruteForce(t *testing.T) {
	var chains, branches, missed, ties int
	for seed := range uint64(6000) {
		rng := rand.New(rand.NewPCG(seed, 3))
		papers := 1
		if seed%2 == 1 {
			papers = 2 + rng.IntN(2)
		}
		p := small(rng, papers)
		want, all := brute(p)
		r := solve(t, p)
		if r.Method == Chain {
			chains++
		} else {
			branches++
		}
		if want.missed > 0 {
			missed++
		}
		if !r.Exact || !r.TieBroken || r.Feasible != (want.missed == 0) {
			t.Fatalf("seed %d: exact %v, tie broken %v, feasible %v with %d missed", seed, r.Exact, r.TieBroken, r.Feasible, want.missed)
		}
		if r.Best.Missed != want.missed || math.Abs(r.Best.Cost-want.cost) > 1e-9 || r.Best.Changes != want.changes {
			t.Fatalf("seed %d: missed %d, cost %v, changes %d; brute force %+v", seed, r.Best.Missed, r.Best.Cost, r.Best.Changes, want)
		}
		// Where one paper is in play, or no width comes twice, the ties of
		// rank 6 can be told from the set itself.
		twice := false
		for i := 1; i < len(all); i++ {
			twice = twice || all[i].Width == all[i-1].Width
		}
		if (papers == 1 || !twice) && len(aggregate(p).split()) <= 1 {
			ties++
			var got []Wrapper
			for _, w := range r.Chosen {
				fixed := slices.ContainsFunc(p.Stand, func(h Hung) bool { return h.Fixed && h.Wrapper == w })
				if !fixed {
					got = append(got, w)
				}
			}
			if !slices.Equal(got, want.set) {
				t.Fatalf("seed %d: set %v, brute force %v", seed, got, want.set)
			}
		}
		coherent(t, p, r)
	}
	t.Logf("%d by dynamic programming, %d by branch and bound, %d with rolls missed, %d sets compared", chains, branches, missed, ties)
	if chains < 5000 || branches < 60 || missed < 300 || ties < 3000 {
		t.Error("too few cases of one kind; the test shows too little")
	}
}

// coherent checks the parts of a result against each other.
func coherent(t *testing.T, p *Problem, r *Result) {
	t.Helper()
	var rolls, served int64
	cost := 0.0
	for i := range p.Rolls {
		roll := &p.Rolls[i]
		c := &r.Classes[r.ClassOf[i]]
		rolls += int64(roll.Count)
		if c.Width != roll.Width || c.Spec != roll.Spec {
			t.Fatalf("row %d is in the class of width %v", i, c.Width)
		}
		if c.Chosen < 0 {
			continue
		}
		v, ok := serves(p, roll, r.Chosen[c.Chosen])
		if !ok {
			t.Fatalf("row %d is served by a wrapper that does not fit", i)
		}
		served += int64(roll.Count)
		cost += v
	}
	if served != r.Best.Served || rolls != r.Best.Served+r.Best.Missed+r.Best.Unservable {
		t.Fatalf("%d rolls, %d served: %+v", rolls, served, r.Best)
	}
	if want := r.Best.Cost - r.Best.ChangeCost; math.Abs(cost-want) > 1e-9 {
		t.Fatalf("rolls cost %v, totals say %v", cost, want)
	}
	var bySlot int64
	for i, s := range r.Slots {
		bySlot += s.Rolls
		if h := p.Stand[i]; !s.Changed && s.Next != h.Wrapper || s.Changed && h.Fixed {
			t.Fatalf("slot %d: %+v", i+1, s)
		}
	}
	if bySlot != served {
		t.Fatalf("slots serve %d rolls of %d", bySlot, served)
	}
}

// The two methods must agree wherever both apply.
func TestChainAgainstBranch(t *testing.T) {
	for seed := range uint64(20) {
		rng := rand.New(rand.NewPCG(seed, 5))
		p := shift(30+rng.IntN(50), 10+rng.IntN(20), 20+rng.IntN(40), 2+rng.IntN(3))
		r := solve(t, p)
		an, a := byBranch(p)
		if r.Method != Chain || !an.exact {
			t.Fatalf("seed %d: method %v, branch and bound exact %v", seed, r.Method, an.exact)
		}
		pt := a.split()[0]
		var set []Wrapper
		for _, j := range an.chosen {
			set = append(set, a.nodes[pt.nodes[j]].Wrapper)
		}
		chain := pt.solveChain(len(p.Stand))[len(p.Stand)].value
		if chain.missed != an.value.missed || an.value.missed == 0 && (chain != an.value || !slices.Equal(set, r.Chosen)) {
			t.Fatalf("seed %d: %+v %v, branch and bound %+v %v", seed, chain, r.Chosen, an.value, set)
		}
	}
}

// Numbers of any size, in any field, give an answer or an error.
func TestNoPanic(t *testing.T) {
	odd := []float64{0, 1, -1, 0.05, 0.1, 1e-300, 1e-9, 1e6, 1e9, 1e300, math.MaxFloat64, math.NaN(), math.Inf(1), math.Inf(-1)}
	answers := 0
	for seed := range uint64(1000) {
		rng := rand.New(rand.NewPCG(seed, 23))
		p := small(rng, 1+rng.IntN(3))
		v := odd[rng.IntN(len(odd))]
		for range 1 + rng.IntN(2) {
			switch roll := &p.Rolls[rng.IntN(len(p.Rolls))]; rng.IntN(13) {
			case 0:
				roll.Width = v
			case 1:
				roll.Feed = v
			case 2:
				roll.Low = v
			case 3:
				roll.High = v
			case 4:
				p.Prices[0] = v
			case 5:
				p.OverhangCost = v
			case 6:
				p.Changeover = v
			case 7:
				p.Centring = v
			case 8:
				p.Specs[0].Optimum = v
			case 9:
				p.Specs[0].Min = v
			case 10:
				p.Specs[0].Max = v
			case 11:
				p.Candidates[0].Width = v
			case 12:
				p.Candidates[0].Length = v
			}
		}
		r, err := Solve(p)
		if err != nil {
			continue
		}
		answers++
		if math.IsNaN(r.Best.Cost) || math.IsNaN(r.Best.Area) || math.IsNaN(r.Best.Deviation) {
			t.Fatalf("seed %d: %+v", seed, r.Best)
		}
		if n := r.Best.Served + r.Best.Missed + r.Best.Unservable; n <= 0 {
			t.Fatalf("seed %d: %d rolls", seed, n)
		}
	}
	if answers < 300 {
		t.Errorf("only %d problems were answered", answers)
	}
}

// The search must not lean on its first set.
func TestBranchFromNothing(t *testing.T) {
	searched := 0
	for seed := range uint64(60) {
		p := tangle(seed, 10, 12, 3)
		want, _ := brute(p)
		for _, pt := range aggregate(p).split() {
			if len(pt.classes) < len(aggregate(p).classes) {
				continue
			}
			searched++
			an := pt.branchFrom(nil, 3, defaultEffort)
			got := float64(an.value.money/tieSpan) * pt.a.quantum
			if !an.exact || an.value.missed != want.missed || math.Abs(got-want.cost) > 1e-6 {
				t.Fatalf("seed %d: %+v, brute force %+v", seed, an, want)
			}
		}
	}
	if searched < 20 {
		t.Errorf("only %d searches", searched)
	}
}
