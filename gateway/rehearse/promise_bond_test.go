package rehearse_test

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"lapgate/recipe"
	"lapgate/sim"
)

// presses are 28 presses that a mill may have measured.
func presses() []func(*recipe.Line) {
	var all []func(*recipe.Line)
	for _, contact := range [][2]float64{{200, 0.3}, {300, 0.08}, {300, 0.2}, {500, 0.15}, {1000, 0.1}, {1000, 0.2}, {1000, 0.3}} {
		for _, backing := range [][2]float64{{355, 0.08}, {450, 0.15}, {550, 0.15}, {700, 0.15}} {
			all = append(all, func(l *recipe.Line) {
				h := &l.Header
				h.Conductance, h.ConductanceU = contact[0], contact[0]*contact[1]
				h.Backing, h.BackingU = backing[0], backing[0]*backing[1]
				// However long the dwell is that they ask for.
				l.Limits.Dwell.Max, l.Limits.Dose, l.Limits.Stuck = 600, 3600, 1
			})
		}
	}
	return all
}

// TestBondAtTheDesignPoint tries the dwell of 28 presses, which stands at the
// edge of what is taken for sure: with platens as they are told, and with ones
// that are colder by nearly the allowance that the dwell is designed for, where
// the design point stands alone.
func TestBondAtTheDesignPoint(t *testing.T) {
	reckons(t)
	for _, told := range []float64{0, 2.9} {
		t.Run(fmt.Sprintf("told %g K hotter", told), func(t *testing.T) {
			all, worst, worstAt := tally{}, 0.0, ""
			for n, edit := range presses() {
				line, c := sound(t, edit)
				c.Header.Errors = [2]float64{-told, -told}
				c.Seed = uint64(n) + 1
				bench, rng, count := sim.NewBench(c), rand.New(rand.NewPCG(3, uint64(n))), tally{}
				for i := 1; count.wraps < *promiseEdge && i < 100**promiseEdge; i++ {
					if words, rec := offerUnder(t, bench, line, i, anyRoll(rng, i), told); words != nil {
						count.wrap(t, bench, words, &rec.Risk)
						all.wraps++
					}
				}
				bad := count.bad[recipe.RiskBond]
				all.bad[recipe.RiskBond] += bad
				all.stated[recipe.RiskBond] += count.stated[recipe.RiskBond]
				at := fmt.Sprintf("%.0f ± %.0f W/m²K on %.0f ± %.0f", line.Header.Conductance, line.Header.ConductanceU, line.Header.Backing, line.Header.BackingU)
				if m := most(count.wraps, designChance(line)); count.wraps == 0 || float64(bad) > m {
					t.Errorf("%s: %d of %d bonds are short, want at most %.0f", at, bad, count.wraps, m)
				}
				if share := float64(bad) / float64(max(count.wraps, 1)); share > worst {
					worst, worstAt = share, at
				}
			}
			t.Logf("%d of %d bonds are short, %.3f %%; stated %.3f %%; worst %.3f %% at %s", all.bad[recipe.RiskBond], all.wraps,
				100*float64(all.bad[recipe.RiskBond])/float64(all.wraps), 100*all.stated[recipe.RiskBond]/float64(all.wraps), 100*worst, worstAt)
		})
	}
}
