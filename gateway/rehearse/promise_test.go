package rehearse_test

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"lapgate/configs"
	"lapgate/gateway/config"
	"lapgate/gateway/rehearse"
	"lapgate/recipe"
	"lapgate/sim"
)

// How long the Monte Carlo of a go is: a moment in the normal run.
var (
	promiseRolls = flag.Int("promise-rolls", 600, "random rolls of a sound line whose go is tried")
	promiseEdge  = flag.Int("promise-edge", 12, "draws at the edge of each limit, for each of 28 rolls")
)

// promised are the kinds of a bad wrap that a go rules out.
func promised() []sim.DefectKind {
	return []sim.DefectKind{sim.SheetShort, sim.FoldOnCore, sim.OverhangOff, sim.LapShort, sim.HeadProud, sim.BondNotReached, sim.PaperScorched}
}

// soundLine is the demonstration's line and the bench that simulates it.
func soundLine(t *testing.T) (*recipe.Line, *sim.Bench) {
	t.Helper()
	snapshot, err := config.Load(config.Source{Path: "demo.yaml", Bytes: configs.Demo()})
	if err != nil {
		t.Fatal(err)
	}
	c, err := rehearse.Line(&snapshot.Lines[0])
	if err != nil {
		t.Fatal(err)
	}
	c.Habit.Dwell = 1 // no wrap here is by hand, and it need not be found out
	return snapshot.Lines[0].Recipe, sim.NewBench(c)
}

// anyRoll is a roll with a fused head, of any size and shape that a line wraps.
func anyRoll(rng *rand.Rand, i int) sim.Roll {
	return sim.Roll{
		Tag: fmt.Sprintf("Q-%d", i), Diameter: 0.5 + rng.Float64(), Width: 0.5 + 1.5*rng.Float64(),
		Ovality: 0.008 * rng.Float64(), Taper: 0.003 * (2*rng.Float64() - 1), Telescoping: 0.008 * rng.Float64(),
		Grade: 1 + rng.IntN(3), Core: 1 + rng.IntN(3),
	}
}

// TestGoIsKeptOverShifts wraps random rolls of a sound line whose true values
// lie within the stated uncertainties, and counts by kind the wraps that the
// physics of the simulator judges bad although they were a go: at most one in a
// thousand.
func TestGoIsKeptOverShifts(t *testing.T) {
	line, bench := soundLine(t)
	rng := rand.New(rand.NewPCG(11, 7))
	gone, bad := 0, map[sim.DefectKind]int{}
	for i := 1; gone < *promiseRolls && i < 20**promiseRolls; i++ {
		words := offerFor(t, bench, line, i, anyRoll(rng, i))
		if words == nil {
			continue
		}
		gone++
		j, err := bench.Wrap(words)
		if err != nil {
			t.Fatal(err)
		}
		for _, kind := range kindsOf(&j) {
			bad[kind]++
		}
	}
	if gone < *promiseRolls {
		t.Errorf("only %d of the rolls were a go", gone)
	}
	for _, kind := range promised() {
		// Three standard errors over one in a thousand.
		n := float64(gone) / 1000
		if most := n + 3*math.Sqrt(n) + 1; float64(bad[kind]) > most {
			t.Errorf("%s: %d of %d wraps that were a go, want at most %.0f", kind, bad[kind], gone, most)
		}
	}
	t.Logf("%d wraps that were a go; bad: %v", gone, bad)
}

func kindsOf(j *sim.Judgement) []sim.DefectKind {
	seen := map[sim.DefectKind]bool{}
	var kinds []sim.DefectKind
	for _, d := range j.Defects {
		if !seen[d.Kind] {
			kinds = append(kinds, d.Kind)
		}
		seen[d.Kind] = true
	}
	return kinds
}

// TestGoIsKeptAtTheEdge brings rolls to the very edge between go and hold, in
// each measure that can take them there, and wraps them on its good side: at
// most two in a hundred may be judged bad.
func TestGoIsKeptAtTheEdge(t *testing.T) {
	line, bench := soundLine(t)
	for _, edge := range []struct {
		name string
		move func(r *sim.Roll, x float64) // x from 0 to 1
	}{
		{"wider", func(r *sim.Roll, x float64) { r.Width += 0.25 * x }},
		{"narrower", func(r *sim.Roll, x float64) { r.Width -= 0.25 * x }},
		{"smaller", func(r *sim.Roll, x float64) { r.Diameter -= (r.Diameter - 0.2) * x }},
		{"oval", func(r *sim.Roll, x float64) { r.Ovality += 0.03 * x }},
		{"tapered", func(r *sim.Roll, x float64) { r.Taper += 0.02 * x }},
		{"telescoped", func(r *sim.Roll, x float64) { r.Telescoping += 0.06 * x }},
	} {
		t.Run(edge.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(5, 9))
			edges, bad := 0, map[sim.DefectKind]int{}
			const rolls = 28
			for i := range rolls * *promiseEdge {
				ordinal := i + 1
				roll := anyRoll(rng, ordinal)
				if offerFor(t, bench, line, ordinal, roll) == nil {
					continue
				}
				words := toTheEdge(t, bench, line, ordinal, roll, edge.move)
				if words == nil {
					continue // no edge in reach
				}
				edges++
				j, err := bench.Wrap(words)
				if err != nil {
					t.Fatal(err)
				}
				for _, kind := range kindsOf(&j) {
					bad[kind]++
				}
			}
			if edges < rolls {
				t.Errorf("only %d rolls came to an edge", edges)
			}
			for _, kind := range promised() {
				n := 0.02 * float64(edges)
				if most := n + 3*math.Sqrt(n); float64(bad[kind]) > most {
					t.Errorf("%s: %d of %d wraps at the edge, want at most %.0f", kind, bad[kind], edges, most)
				}
			}
			t.Logf("%d edges; bad: %v", edges, bad)
		})
	}
}

// toTheEdge moves a roll that is a go towards the nearest hold, and returns its
// payload from where it is just still a go. The roll stays scanned there. Nil
// when there is no hold in reach.
func toTheEdge(t *testing.T, bench *sim.Bench, line *recipe.Line, ordinal int, roll sim.Roll, move func(*sim.Roll, float64)) []uint16 {
	t.Helper()
	at := func(x float64) []uint16 {
		r := roll
		move(&r, x)
		return offerFor(t, bench, line, ordinal, r)
	}
	lo, hi := 0.0, 0.0
	for x := 1.0 / 32; x <= 1; x += 1.0 / 32 {
		if at(x) == nil {
			hi = x
			break
		}
		lo = x
	}
	if hi == 0 {
		return nil
	}
	for range 14 {
		if mid := (lo + hi) / 2; at(mid) == nil {
			hi = mid
		} else {
			lo = mid
		}
	}
	return at(lo)
}
