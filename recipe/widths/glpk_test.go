package widths

import (
	"bufio"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// programme writes a problem as an integer programme in CPLEX LP format: y is
// one for a wrapper in a free slot, x the share of a row of the schedule that
// a wrapper serves, z the share missed. With allow false no row may be missed
// and the cost is minimised; otherwise the rolls missed are.
type programme struct {
	p     *Problem
	allow bool
}

func (g programme) write(path string) error {
	p := g.p
	var all, fixed, hung []Wrapper
	free := 0
	for _, c := range p.Candidates {
		if c.Stock != 0 && !slices.Contains(all, c.Wrapper) {
			all = append(all, c.Wrapper)
		}
	}
	for _, h := range p.Stand {
		if !h.Fixed {
			free++
		}
		if h.Empty {
			continue
		}
		if h.Fixed {
			fixed = append(fixed, h.Wrapper)
		} else {
			hung = append(hung, h.Wrapper)
		}
		if !slices.Contains(all, h.Wrapper) {
			all = append(all, h.Wrapper)
		}
	}
	var obj, rows, bounds, binary, slots strings.Builder
	term := func(c float64, name string) {
		fmt.Fprintf(&obj, " + %s %s\n", strconv.FormatFloat(c, 'f', 15, 64), name)
	}
	for j, w := range all {
		if slices.Contains(fixed, w) {
			fmt.Fprintf(&bounds, " y%d = 1\n", j)
			continue
		}
		fmt.Fprintf(&binary, " y%d\n", j)
		fmt.Fprintf(&slots, " + y%d", j)
		if !g.allow && !slices.Contains(hung, w) {
			term(p.Changeover, fmt.Sprintf("y%d", j))
		}
	}
	for i := range p.Rolls {
		r := &p.Rolls[i]
		var sum strings.Builder
		for j, w := range all {
			cost, ok := serves(p, r, w)
			if !ok {
				continue
			}
			fmt.Fprintf(&sum, " + x%d_%d", i, j)
			fmt.Fprintf(&rows, " x%d_%d - y%d <= 0\n", i, j, j)
			if !g.allow {
				term(cost, fmt.Sprintf("x%d_%d", i, j))
			}
		}
		if sum.Len() == 0 {
			continue // nothing in stock serves it
		}
		if g.allow {
			fmt.Fprintf(&sum, " + z%d", i)
			term(float64(r.Count), fmt.Sprintf("z%d", i))
		}
		fmt.Fprintf(&rows, "%s = 1\n", sum.String())
	}
	if slots.Len() > 0 {
		fmt.Fprintf(&rows, "%s <= %d\n", slots.String(), free)
	}
	text := fmt.Sprintf("Minimize\n obj: 0 nought\n%sSubject To\n nought = 0\n%sBounds\n%sBinary\n%sEnd\n",
		obj.String(), rows.String(), bounds.String(), binary.String())
	return os.WriteFile(path, []byte(text), 0o600)
}

// glpsol solves a programme and reports its optimum, or that it has none.
func (g programme) glpsol(t *testing.T, path string) (optimum float64, feasible bool) {
	t.Helper()
	lp, out := filepath.Join(t.TempDir(), "p.lp"), filepath.Join(t.TempDir(), "p.out")
	if err := g.write(lp); err != nil {
		t.Fatal(err)
	}
	log, err := exec.Command(path, "--lp", lp, "--write", out).CombinedOutput()
	if err != nil {
		t.Fatalf("glpsol: %v\n%s", err, log)
	}
	f, err := os.Open(out)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	for sc := bufio.NewScanner(f); sc.Scan(); {
		// "s mip rows columns status objective"; n is "no solution exists".
		word := strings.Fields(sc.Text())
		if len(word) < 6 || word[0] != "s" {
			continue
		}
		optimum, err = strconv.ParseFloat(word[5], 64)
		if err != nil || word[4] != "o" && word[4] != "n" {
			t.Fatalf("glpsol gave neither an optimum nor its absence: %s\n%s", sc.Text(), log)
		}
		return optimum, word[4] == "o"
	}
	t.Fatalf("glpsol wrote no solution line\n%s", log)
	return 0, false
}

// An independent integer solver must find the same optimum, or find with us
// that there is none and how few rolls can be missed.
func TestAgainstGLPK(t *testing.T) {
	path, err := exec.LookPath("glpsol")
	if err != nil {
		t.Skip("glpsol is not on PATH; install glpk-utils to compare with an independent integer solver")
	}
	var solved, infeasible, branches int
	compare := func(name string, p *Problem) {
		r := solve(t, p)
		if !r.Exact {
			t.Fatalf("%s: not exact", name)
		}
		if r.Method == Branch {
			branches++
		}
		cost, feasible := programme{p: p}.glpsol(t, path)
		if feasible != r.Feasible {
			t.Fatalf("%s: feasible %v, glpsol %v", name, r.Feasible, feasible)
		}
		if !feasible {
			infeasible++
			missed, _ := programme{p: p, allow: true}.glpsol(t, path)
			if math.Abs(missed-float64(r.Best.Missed)) > 1e-6 {
				t.Fatalf("%s: %d rolls missed, glpsol %v", name, r.Best.Missed, missed)
			}
			return
		}
		solved++
		if math.Abs(cost-r.Best.Cost) > 1e-6*math.Max(1, cost) {
			t.Fatalf("%s: cost %v, glpsol %v", name, r.Best.Cost, cost)
		}
	}
	for seed := range uint64(30) {
		rng := rand.New(rand.NewPCG(seed, 17))
		p := shift(15, 12, 20+rng.IntN(15), 2+rng.IntN(4))
		if seed%3 > 0 {
			p.Specs[0].Max = float64(seed%3) * 20 * inch
		}
		if seed%2 == 0 {
			p.Stand[1] = Hung{Wrapper: Wrapper{Width: (30 + 50*rng.Float64()) * inch}, Fixed: seed%4 == 0}
		}
		compare(fmt.Sprintf("one paper, seed %d", seed), p)
	}
	for seed := range uint64(30) {
		p := tangle(seed, 14, 18, 2+int(seed%4))
		if seed%3 > 0 {
			for i := range p.Specs {
				p.Specs[i].Max += 1.5 * float64(seed%3)
			}
		}
		compare(fmt.Sprintf("three papers, seed %d", seed), p)
	}
	t.Logf("%d optima agree, %d infeasible; %d by branch and bound", solved, infeasible, branches)
	if solved < 20 || infeasible < 5 || branches < 15 {
		t.Error("too few cases of one kind; the test shows too little")
	}
}
