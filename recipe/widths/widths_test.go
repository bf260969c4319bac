package widths

import (
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"os"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"
)

const inch = 0.0254

func empty(n int) []Hung {
	s := make([]Hung, n)
	for i := range s {
		s[i].Empty = true
	}
	return s
}

func solve(t testing.TB, p *Problem) *Result {
	t.Helper()
	r, err := Solve(p)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// reference reads testdata/reference/widths.csv: its rows name their source.
func reference(t *testing.T) [][]string {
	t.Helper()
	f, err := os.Open("../../testdata/reference/widths.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows[1:]
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func byBranch(p *Problem) (answer, *assembly) {
	a := aggregate(p)
	parts := a.split()
	free := 0
	for _, h := range p.Stand {
		if !h.Fixed {
			free++
		}
	}
	return parts[0].solveBranch(free, free, p.Effort)[free], a
}

// The mill-like instance, whose optima two integer solvers confirm (label D).
func TestReferenceMill(t *testing.T) {
	p := &Problem{Specs: []Spec{{Papers: []int{0}, Optimum: 5 * inch}}, OverhangCost: 1 / inch}
	for w := 30.0; w <= 84.5; w += 0.5 {
		p.Candidates = append(p.Candidates, Candidate{Wrapper: Wrapper{Width: w * inch}, Stock: Unlimited})
	}
	checks := 0
	for _, row := range reference(t) {
		if row[0] != "mill" {
			continue
		}
		if row[1] == "roll" {
			p.Rolls = append(p.Rolls, Roll{Width: number(t, row[2]) * inch, Count: int(number(t, row[3]))})
			continue
		}
		checks++
		t.Run(row[1]+row[2], func(t *testing.T) {
			p.Stand = empty(int(number(t, row[2])))
			p.Specs[0].Min, p.Specs[0].Max = -100*inch, 100*inch
			if row[1] == "window" {
				p.Specs[0].Min, p.Specs[0].Max = 3*inch, 7*inch
			}
			r := solve(t, p)
			an, a := byBranch(p)
			if !an.exact {
				t.Error("branch and bound stopped at its limit")
			}
			if row[3] == "infeasible" {
				if r.Feasible || r.Best.Missed == 0 || an.value.missed != r.Best.Missed {
					t.Errorf("feasible %v, missed %d and %d; %s (%s)", r.Feasible, r.Best.Missed, an.value.missed, row[5], row[4])
				}
				return
			}
			want := number(t, row[3])
			if !r.Exact || !r.Feasible || math.Abs(r.Best.Cost-want) > 1e-7 {
				t.Errorf("cost %v, exact %v, feasible %v, want %v; %s (%s)", r.Best.Cost, r.Exact, r.Feasible, want, row[5], row[4])
			}
			if got := float64(an.value.money/tieSpan) * a.quantum; math.Abs(got-want) > 1e-7 {
				t.Errorf("branch and bound: %v, want %v", got, want)
			}
		})
	}
	if checks != 10 {
		t.Errorf("%d checks ran, want 10", checks)
	}
}

// Two published instances of the 1-D k-median (label P). Points may be below
// zero there, so all are moved by ten metres; the centres are data points.
func TestReferenceMedians(t *testing.T) {
	points := map[string][]float64{}
	checks := 0
	for _, row := range reference(t) {
		if row[0] == "mill" {
			continue
		}
		if row[1] == "roll" {
			points[row[0]] = append(points[row[0]], number(t, row[2]))
			continue
		}
		p := &Problem{Specs: []Spec{{Papers: []int{0}, Min: -100, Max: 100}}, OverhangCost: 2, Stand: empty(int(number(t, row[2])))}
		for _, x := range points[row[0]] {
			p.Rolls = append(p.Rolls, Roll{Width: x + 10, Count: 1})
			p.Candidates = append(p.Candidates, Candidate{Wrapper: Wrapper{Width: x + 10}, Stock: 1})
		}
		r := solve(t, p)
		checks++
		if row[1] == "free" {
			if want := number(t, row[3]); math.Abs(r.Best.Cost-want) > 1e-8 {
				t.Errorf("%s: cost %v, want %v; %s (%s)", row[0], r.Best.Cost, want, row[5], row[4])
			}
			continue
		}
		want := strings.Fields(row[3])
		for i, w := range r.Chosen {
			if i >= len(want) || math.Abs(w.Width-10-number(t, want[i])) > 1e-9 {
				t.Errorf("%s: centres %v, want %v; %s (%s)", row[0], r.Chosen, want, row[5], row[4])
				break
			}
		}
	}
	if checks != 4 {
		t.Errorf("%d checks ran, want 4", checks)
	}
}

func TestSlots(t *testing.T) {
	// Rolls of 1 m and 2 m; 5 cm of overhang wanted.
	base := func() *Problem {
		return &Problem{
			Specs:        []Spec{{Papers: []int{0}, Optimum: 0.05, Min: 0.02, Max: 0.09}},
			Prices:       []float64{0.5},
			OverhangCost: 100,
			Candidates: []Candidate{
				{Wrapper: Wrapper{Width: 1.1}, Stock: 1, Length: 100},
				{Wrapper: Wrapper{Width: 1.12}, Stock: Unlimited},
				{Wrapper: Wrapper{Width: 2.1}, Stock: 0},
				{Wrapper: Wrapper{Width: 2.14}, Stock: 3, Length: 1000},
			},
			Stand: []Hung{{Empty: true}, {Wrapper: Wrapper{Width: 1.12}}, {Wrapper: Wrapper{Width: 3}, Fixed: true}},
			Rolls: []Roll{{Width: 1, Count: 10, Feed: 11}, {Width: 2, Count: 5, Feed: 11}, {Width: 9, Count: 2, Feed: 11}},
		}
	}
	for _, tc := range []struct {
		name string
		edit func(*Problem)
		next []float64
		used []bool
		want Totals // of what is not zero
	}{
		{"dear changeover", func(p *Problem) { p.Changeover = 1e3 }, []float64{2.14, 1.12, 3}, []bool{true, true, false},
			Totals{Served: 15, Unservable: 2, Changes: 1}},
		{"cheap changeover", func(p *Problem) { p.Changeover = 1 }, []float64{1.1, 2.14, 3}, []bool{true, true, false},
			Totals{Served: 15, Unservable: 2, Changes: 2}},
		{"fixed pair", func(p *Problem) { p.Stand[1].Fixed = true }, []float64{2.14, 1.12, 3}, []bool{true, true, false},
			Totals{Served: 15, Unservable: 2, Changes: 1}},
		{"no slot for the second", func(p *Problem) { p.Stand = p.Stand[1:] }, []float64{1.1, 3}, []bool{true, false},
			Totals{Served: 10, Missed: 5, Unservable: 2, Changes: 1}},
		{"own limit of the roll", func(p *Problem) { p.Rolls[0].Low = 0.06; p.Changeover = 1 }, []float64{2.14, 1.12, 3}, []bool{true, true, false},
			Totals{Served: 15, Unservable: 2, Changes: 1}},
		{"own upper limit", func(p *Problem) { p.Rolls[1].High = 0.065; p.Changeover = 1 }, []float64{1.1, 1.12, 3}, []bool{true, false, false},
			Totals{Served: 10, Unservable: 7, Changes: 1}},
		{"centring eats the window", func(p *Problem) { p.Centring = 0.03 }, []float64{1.1, 1.12, 3}, []bool{true, false, false},
			Totals{Served: 10, Unservable: 7, Changes: 1}},
		{"no paper allowed", func(p *Problem) { p.Specs[0].Papers = nil }, []float64{0, 1.12, 3}, []bool{false, false, false},
			Totals{Unservable: 17}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			p := base()
			tc.edit(p)
			r := solve(t, p)
			for i, s := range r.Slots {
				if s.Next.Width != tc.next[i] || s.Used != tc.used[i] {
					t.Errorf("slot %d: %+v, want width %v, used %v", i+1, s, tc.next[i], tc.used[i])
				}
			}
			got := Totals{Served: r.Best.Served, Missed: r.Best.Missed, Unservable: r.Best.Unservable, Changes: r.Best.Changes}
			if got != tc.want {
				t.Errorf("totals %+v, want %+v", got, tc.want)
			}
			if r.Feasible != (tc.want.Missed == 0) {
				t.Errorf("feasible %v", r.Feasible)
			}
		})
	}
	t.Run("stock", func(t *testing.T) {
		p := base()
		p.Changeover = 1
		r := solve(t, p)
		if s := r.Slots[0]; s.Needs != 2 || !s.Short {
			t.Errorf("110 m from one roll of 100 m: %+v", s)
		}
		if s := r.Slots[1]; s.Needs != 1 || s.Short {
			t.Errorf("55 m from three rolls of 1000 m: %+v", s)
		}
		// Both serve only the rolls of 1 m; 2 cm of 110 m are saved.
		if want := 110 * 0.02; math.Abs(r.Saved-want) > 1e-12 {
			t.Errorf("saved %v, want %v", r.Saved, want)
		}
		if want := 110*1.1 + 55*2.14; math.Abs(r.Best.Area-want) > 1e-9 {
			t.Errorf("area %v, want %v", r.Best.Area, want)
		}
		if r.Present.Served != 10 || r.Present.Missed != 5 {
			t.Errorf("present stand: %+v", r.Present)
		}
		if math.Abs(r.Bound-r.Best.Cost) > 1e-8 {
			t.Errorf("bound %v of an exact answer of %v", r.Bound, r.Best.Cost)
		}
	})
}

func TestInputErrors(t *testing.T) {
	nan := math.NaN()
	p := &Problem{
		Specs:        []Spec{{Papers: []int{-1}, Optimum: nan, Min: nan, Max: nan}},
		Prices:       []float64{-1},
		Candidates:   []Candidate{{Wrapper: Wrapper{Width: nan, Paper: -1}, Stock: -2, Length: nan}},
		Stand:        []Hung{{Wrapper: Wrapper{Width: math.Inf(1), Paper: -1}}, {Empty: true, Fixed: true}},
		Centring:     nan,
		OverhangCost: nan,
		Changeover:   math.Inf(1),
		Effort:       -1,
		Rolls:        []Roll{{Width: -1, Spec: 7, Count: 0, Feed: nan, Low: nan, High: nan}},
	}
	_, err := Solve(p)
	var fields []string
	for _, e := range err.(interface{ Unwrap() []error }).Unwrap() {
		var in *InputError
		if !errors.As(e, &in) {
			t.Fatalf("%T", e)
		}
		fields = append(fields, in.Field)
	}
	want := strings.Fields(`specs.papers specs.optimum specs.min specs.max prices
		candidates.width candidates.paper candidates.stock candidates.length
		stand.width stand.paper stand.fixed centring overhang_cost changeover effort
		rolls.width rolls.spec rolls.count rolls.feed rolls.low rolls.high`)
	if !slices.Equal(fields, want) {
		t.Errorf("got  %v\nwant %v", fields, want)
	}
	p = &Problem{Stand: empty(1), Rolls: make([]Roll, 1000)}
	_, err = Solve(p)
	if lines := strings.Count(err.Error(), "\n") + 1; lines != maxErrors+1 || !strings.Contains(err.Error(), "2950 more") {
		t.Errorf("%d lines:\n%v", lines, err)
	}
	if _, err = Solve(&Problem{Stand: empty(16)}); err == nil || !strings.Contains(err.Error(), "1 to 15 slots") {
		t.Errorf("16 slots: %v", err)
	}
	if r := solve(t, &Problem{Stand: empty(4)}); !r.Exact || !r.Feasible || r.Best != (Totals{}) {
		t.Errorf("empty schedule: %+v", r)
	}
	p = &Problem{Specs: []Spec{{Papers: []int{0}, Max: 9e8}}, Stand: empty(1), Rolls: []Roll{{Width: 1, Count: 1}}}
	for i := range MaxCandidates + 1 {
		p.Candidates = append(p.Candidates, Candidate{Wrapper: Wrapper{Width: 1 + float64(i)}, Stock: 1})
	}
	if _, err = Solve(p); err == nil || !strings.Contains(err.Error(), "2001 candidate widths") {
		t.Errorf("too many candidates: %v", err)
	}
}

func TestSameBytes(t *testing.T) {
	p := shift(2000, 60, 50, 5)
	a, b := fmt.Sprintf("%+v", solve(t, p)), fmt.Sprintf("%+v", solve(t, p))
	if a != b {
		t.Error("the same problem gave two answers")
	}
	// The order of rows is not to matter for the set.
	q := *p
	q.Rolls = slices.Clone(p.Rolls)
	slices.Reverse(q.Rolls)
	if x, y := solve(t, p).Chosen, solve(t, &q).Chosen; !reflect.DeepEqual(x, y) {
		t.Errorf("%v, reversed %v", x, y)
	}
}

// A search that may not look at any node still answers, and says that it did
// not prove it.
func TestLimitOfEffort(t *testing.T) {
	stopped := 0
	for seed := range uint64(40) {
		p := tangle(seed, 14, 30, 4)
		full := solve(t, p)
		p.Effort = 1
		r := solve(t, p)
		if full.Method != Branch || !full.Exact {
			continue
		}
		if r.Exact {
			if math.Abs(r.Best.Cost-full.Best.Cost) > 1e-6 {
				t.Errorf("seed %d: called exact at %v, optimum %v", seed, r.Best.Cost, full.Best.Cost)
			}
			continue
		}
		stopped++
		if r.TieBroken {
			t.Errorf("seed %d: ties called broken", seed)
		}
		if r.Best.Missed == full.Best.Missed && (r.Best.Cost < full.Best.Cost-1e-6 || r.Bound > full.Best.Cost+1e-6) {
			t.Errorf("seed %d: cost %v, bound %v, optimum %v", seed, r.Best.Cost, r.Bound, full.Best.Cost)
		}
	}
	if stopped == 0 {
		t.Error("the limit never stopped a search; the test shows nothing")
	}
}
