package rehearse_test

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"lapgate/configs"
	"lapgate/gateway/config"
	"lapgate/gateway/rehearse"
	"lapgate/gateway/report"
	"lapgate/recipe"
	"lapgate/sim"
)

// How long the Monte Carlo of a go is, a moment in the normal run, and where it
// draws stated chance against judged share.
var (
	promiseRolls = flag.Int("promise-rolls", 600, "random rolls of a sound line whose go is tried")
	promiseEdge  = flag.Int("promise-edge", 4, "draws at the edge of each limit, for each of 28 rolls or presses")
	promiseCurve = flag.String("promise-curve", "", "file for the drawing of stated chance against judged share, SVG")
)

// designChance is the chance of a short bond that the dwell of a press is
// designed for: 2 %, and 3 % where the conductance is uncertain by more than
// 20 %. No dwell of a go is longer, so that each stands at this edge, and no
// shift does better but for the allowance of the platens.
func designChance(line *recipe.Line) float64 {
	if h := &line.Header; h.ConductanceU > 0.2*h.Conductance*(1+1e-9) {
		return 0.03
	}
	return 0.02
}

// most is how many of n may be bad at a chance: three standard errors over it.
func most(n int, chance float64) float64 {
	m := chance * float64(n)
	return m + 3*math.Sqrt(m) + 1
}

// demo is the demonstration's configuration with values set over it.
func demo(t *testing.T, set map[string]string) *config.Snapshot {
	t.Helper()
	snapshot, err := config.Load(config.Source{Path: "demo.yaml", Bytes: configs.Demo(), Set: set})
	if err != nil {
		t.Fatal(err)
	}
	return snapshot
}

// sound is the demonstration's line and its simulation.
func sound(t *testing.T, edit func(*recipe.Line)) (*recipe.Line, sim.Config) {
	t.Helper()
	snapshot := demo(t, nil)
	edit(snapshot.Lines[0].Recipe)
	c, err := rehearse.Line(&snapshot.Lines[0])
	if err != nil {
		t.Fatal(err)
	}
	rehearse.SpreadPress(&c, snapshot.Lines[0].Recipe)
	c.Habit.Dwell = 1 // no wrap here is by hand, and it need not be found out
	return snapshot.Lines[0].Recipe, c
}

func asConfigured(*recipe.Line) {}

// tally counts wraps and what is bad of them, and holds it against what was
// stated.
type tally struct {
	wraps   int
	bad     [recipe.RiskKinds]int
	stated  [recipe.RiskKinds]float64 // sum
	dose    float64                   // s at 180 °C, the most of one
	judged  *report.Reliability       // nil for none
	unfound map[sim.DefectKind]int    // of kinds that nobody states a chance of
}

// wrap carries an offer out and counts.
func (c *tally) wrap(t *testing.T, bench *sim.Bench, words []uint16, risk *recipe.Risk) {
	t.Helper()
	j, err := bench.Wrap(words)
	if err != nil {
		t.Fatal(err)
	}
	seen := map[sim.DefectKind]bool{}
	for _, d := range j.Defects {
		seen[d.Kind] = true
	}
	c.wraps++
	c.dose = max(c.dose, j.Figures.ScorchDose)
	if c.judged != nil {
		rehearse.AddJudged(c.judged, risk, &j)
	}
	for k := range c.bad {
		kind := rehearse.DefectOf(recipe.RiskKind(k))
		if seen[kind] {
			c.bad[k]++
		}
		c.stated[k] += risk[k].P
		delete(seen, kind)
	}
	for kind := range seen {
		if c.unfound == nil {
			c.unfound = map[sim.DefectKind]int{}
		}
		c.unfound[kind]++
	}
}

// check holds each kind to a chance, the bond to one of its own.
func (c *tally) check(t *testing.T, chance, bond float64) {
	t.Helper()
	for k := range c.bad {
		want, kind := chance, rehearse.DefectOf(recipe.RiskKind(k))
		if recipe.RiskKind(k) == recipe.RiskBond {
			want = max(chance, bond)
		}
		if m := most(c.wraps, want); float64(c.bad[k]) > m {
			t.Errorf("%s: %d of %d wraps that were a go, want at most %.0f", kind, c.bad[k], c.wraps, m)
		}
		t.Logf("%-16s %d of %d bad, %.4f %%; stated %.4f %%", kind, c.bad[k], c.wraps, 100*float64(c.bad[k])/float64(c.wraps), 100*c.stated[k]/float64(c.wraps))
	}
	t.Logf("scorched at 180 °C for %.1f s at most", c.dose)
	if len(c.unfound) > 0 {
		t.Errorf("bad in ways that no chance is stated of: %v", c.unfound)
	}
}

// anyRoll is a roll with a fused head, of any size and shape that a line wraps.
func anyRoll(rng *rand.Rand, i int) sim.Roll {
	return sim.Roll{
		Tag: fmt.Sprintf("Q-%d", i), Diameter: 0.5 + rng.Float64(), Width: 0.5 + 1.5*rng.Float64(),
		Ovality: 0.008 * rng.Float64(), Taper: 0.003 * (2*rng.Float64() - 1), Telescoping: 0.008 * rng.Float64(),
		Grade: 1 + rng.IntN(3), Core: 1 + rng.IntN(3),
	}
}

// TestGoIsKept tries what a go promises by the physics of the simulator, over
// shifts and at the edge of each limit, and draws the chances that were stated
// against what came about.
func TestGoIsKept(t *testing.T) {
	reckons(t)
	var judged report.Reliability
	t.Run("shifts", func(t *testing.T) { goIsKeptOverShifts(t, &judged) })
	t.Run("edges", func(t *testing.T) { goIsKeptAtTheEdge(t, &judged) })
	for _, p := range judged.Curves() {
		t.Logf("%-9s stated %.3g %%: %d of %d bad, %.3g %%; agrees with %.3g to %.3g %%, off %t",
			p.Kind, 100*p.Stated, p.Bad, p.Rolls, 100*p.Share, 100*p.Least, 100*p.Most, p.Off)
	}
	if *promiseCurve == "" {
		return
	}
	if err := os.WriteFile(*promiseCurve, []byte(judged.Drawing("What a go states, and what was judged")), 0o600); err != nil {
		t.Error(err)
	}
}

// goIsKeptOverShifts wraps random rolls of a sound line whose true values lie
// within the stated uncertainties, and counts by kind the wraps that are judged
// bad although they were a go: at most one in a thousand, but for the bond.
func goIsKeptOverShifts(t *testing.T, judged *report.Reliability) {
	line, c := sound(t, asConfigured)
	bench, rng := sim.NewBench(c), rand.New(rand.NewPCG(11, 7))
	count := tally{judged: judged}
	for i := 1; count.wraps < *promiseRolls && i < 20**promiseRolls; i++ {
		if words, risk := offerFor(t, bench, line, i, anyRoll(rng, i)); words != nil {
			count.wrap(t, bench, words, &risk)
		}
	}
	if count.wraps < *promiseRolls {
		t.Errorf("only %d of the rolls were a go", count.wraps)
	}
	count.check(t, 0.001, designChance(line))
}

// scene is a roll and the platens that press it.
type scene struct {
	roll           sim.Roll
	colder, hotter float64 // K from its setpoint, of the one and of the other platen
}

// stage is a line that scenes are played on.
type stage struct {
	line *recipe.Line
	cfg  sim.Config
}

// offer lets a scene be scanned, and returns the bench that it waits on and its
// offer.
func (g *stage) offer(t *testing.T, ordinal int, s *scene) (*sim.Bench, []uint16, recipe.Risk) {
	t.Helper()
	c := g.cfg
	c.Header.Errors = [2]float64{-s.colder, s.hotter} // and they stay so
	bench := sim.NewBench(c)
	words, risk := offerFor(t, bench, g.line, ordinal, s.roll)
	return bench, words, risk
}

// goIsKeptAtTheEdge brings rolls and platens to the very edge between go and
// hold, in each measure that can take them there, and wraps them on its good
// side: at most two in a hundred may be judged bad.
func goIsKeptAtTheEdge(t *testing.T, judged *report.Reliability) {
	for n, edge := range []struct {
		name string
		move func(s *scene, x float64) // x from 0 to 1
		edit func(*recipe.Line)
	}{
		{"wider", func(s *scene, x float64) { s.roll.Width += 0.25 * x }, asConfigured},
		{"narrower", func(s *scene, x float64) { s.roll.Width -= 0.25 * x }, asConfigured},
		{"smaller", func(s *scene, x float64) { s.roll.Diameter -= (s.roll.Diameter - 0.2) * x }, asConfigured},
		{"oval", func(s *scene, x float64) { s.roll.Ovality += 0.03 * x }, asConfigured},
		{"tapered", func(s *scene, x float64) { s.roll.Taper += 0.02 * x }, asConfigured},
		{"telescoped", func(s *scene, x float64) { s.roll.Telescoping += 0.06 * x }, asConfigured},
		{"colder platen", func(s *scene, x float64) { s.colder = 50 * x }, asConfigured},
		{"hotter platen", func(s *scene, x float64) { s.hotter = 40 * x }, asConfigured},
		{"platens apart", func(s *scene, x float64) { s.colder, s.hotter = 30*x, 40*x }, asConfigured},
		// Below the ceiling of a platen the demonstration stays far from its limit
		// of scorching; one that is so low lies in reach.
		{"scorch", func(s *scene, x float64) { s.hotter = 28 * x }, func(l *recipe.Line) { l.Limits.Dose, l.Limits.Stuck = 3, 0.5 }},
	} {
		t.Run(edge.name, func(t *testing.T) {
			line, c := sound(t, edge.edit)
			c.Seed = uint64(n) + 1 // what is true is drawn anew
			g := &stage{line, c}
			rng, count := rand.New(rand.NewPCG(5, uint64(n))), tally{judged: judged}
			const rolls = 28
			for i := range rolls * *promiseEdge {
				ordinal := i + 1
				roll := anyRoll(rng, ordinal)
				if bench, words, risk := g.toTheEdge(t, ordinal, roll, edge.move); words != nil {
					count.wrap(t, bench, words, &risk)
				}
			}
			if count.wraps < rolls {
				t.Errorf("only %d rolls came to an edge", count.wraps)
			}
			count.check(t, 0.02, designChance(line))
		})
	}
}

// toTheEdge moves a roll that is a go towards the nearest hold, and returns its
// offer from where it is just still a go. The roll waits scanned there. Nil when
// it is none, and when there is no hold in reach.
func (g *stage) toTheEdge(t *testing.T, ordinal int, roll sim.Roll, move func(*scene, float64)) (*sim.Bench, []uint16, recipe.Risk) {
	t.Helper()
	at := func(x float64) (*sim.Bench, []uint16, recipe.Risk) {
		s := scene{roll: roll}
		move(&s, x)
		return g.offer(t, ordinal, &s)
	}
	holds := func(x float64) bool { _, words, _ := at(x); return words == nil }
	if holds(0) {
		return nil, nil, recipe.Risk{}
	}
	lo, hi := 0.0, 0.0
	for x := 1.0 / 32; x <= 1; x += 1.0 / 32 {
		if holds(x) {
			hi = x
			break
		}
		lo = x
	}
	if hi == 0 {
		return nil, nil, recipe.Risk{}
	}
	for range 14 {
		if mid := (lo + hi) / 2; holds(mid) {
			hi = mid
		} else {
			lo = mid
		}
	}
	return at(lo)
}
