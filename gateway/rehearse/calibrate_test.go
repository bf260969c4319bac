package rehearse_test

import (
	"flag"
	"math"
	"math/rand/v2"
	"testing"

	"lapgate/gateway/process"
	"lapgate/recipe/calibrate"
	"lapgate/recipe/thermal"
	"lapgate/sim"
	"lapgate/sim/physics"
)

// calibrateSeeds is on how many simulated lines a calibration is tried.
var calibrateSeeds = flag.Int("calibrate-seeds", 3, "simulated lines whose parameters a calibration has to find again")

// recovered counts the lines of which the truth lies within twice the stated
// standard uncertainty of an estimate.
type recovered struct{ hits, n int }

func (c *recovered) take(t *testing.T, what string, seed uint64, e calibrate.Estimate, err error, truth float64) {
	t.Helper()
	c.n++
	switch {
	case err != nil:
		t.Errorf("%s, seed %d: %v", what, seed, err)
	case math.Abs(e.Value-truth) <= 2*e.U:
		c.hits++
	default:
		t.Logf("%s, seed %d: %g ± %g, truly %g", what, seed, e.Value, e.U, truth)
	}
}

func (c *recovered) check(t *testing.T, what string) {
	t.Helper()
	t.Logf("%-12s %d of %d within twice the stated uncertainty", what, c.hits, c.n)
	// One in twenty is outside; of a few lines one may be.
	if c.hits < min(c.n*9/10, c.n-1) {
		t.Errorf("%s: %d of %d lines within twice the stated uncertainty, want nine in ten", what, c.hits, c.n)
	}
}

// TestCalibrationFindsTheSimulator wraps shifts on lines whose slip, caliper,
// densities and zero of the scale nobody knows, and looks whether what was
// recorded tells them.
func TestCalibrationFindsTheSimulator(t *testing.T) {
	reckons(t)
	var slip, caliper, density, zero recovered
	for seed := range uint64(*calibrateSeeds) {
		rng := rand.New(rand.NewPCG(seed, 77))
		line, c := sound(t, asConfigured)
		c.Seed = 5000 + seed
		c.Wrap.Slip = 0.004 * rng.Float64()
		thicker := 1 + 0.05*(2*rng.Float64()-1)
		for i := range c.Stand.Slots {
			c.Stand.Slots[i].Caliper *= thicker
		}
		denser := map[int]float64{}
		for i := range c.Grades {
			c.Grades[i].Density *= 1 + 0.02*(2*rng.Float64()-1)
			denser[c.Grades[i].Code] = c.Grades[i].Density
		}
		c.Scale.Zero = 6 * (2*rng.Float64() - 1)
		w := &watched{line: line, bench: sim.NewBench(c), watch: process.Line{Recipe: line}}
		const rolls = 250
		for n := 1; n <= rolls; n++ {
			w.pass(t, n, anyRoll(rng, n))
		}
		e, err := calibrate.Feed(w.actuals.Fed)
		slip.take(t, "slip", seed, e, err, c.Wrap.Slip)
		for _, u := range w.actuals.Papers {
			e, err := calibrate.Caliper(u.Readings, line.Stand.OuterU, line.Wrap.FeedSlipU)
			caliper.take(t, "caliper", seed, e, err, c.Stand.Slots[0].Caliper)
		}
		d, err := calibrate.Weigh(w.actuals.Weighed)
		for _, g := range d.Grades {
			density.take(t, "density", seed, g.Estimate, err, denser[g.Code])
		}
		zero.take(t, "zero", seed, d.Offset, err, c.Scale.Zero)
	}
	slip.check(t, "slip")
	caliper.check(t, "caliper")
	density.check(t, "density")
	zero.check(t, "zero")
}

// TestCalibrationFindsThePress reads the bond line of the simulated press with a
// thermocouple, under a platen, a head and a start that differ from what is known
// by their uncertainties.
func TestCalibrationFindsThePress(t *testing.T) {
	reckons(t)
	var conductance, backing recovered
	known := thermal.Head{Thickness: 0.3e-3, Conductivity: 0.12, Density: 750, HeatCapacity: 1400}
	for seed := range uint64(*calibrateSeeds) {
		rng := rand.New(rand.NewPCG(seed, 78))
		h, e2 := 150*math.Exp(1.2*rng.Float64()), 350+350*rng.Float64()
		is := calibrate.Known(known, 20, 176.7)
		platen := 176.7 + is.PlatenU*rng.NormFloat64()
		p := physics.NewPress(h, physics.Pack{
			Head:      physics.Solid{Conductivity: known.Conductivity * (1 + is.ConductU*rng.NormFloat64()), Density: known.Density, HeatCapacity: known.HeatCapacity},
			Thickness: known.Thickness * (1 + is.HeadU*rng.NormFloat64()), Effusivity: e2, Start: 20 + is.StartU*rng.NormFloat64(),
		})
		late := math.Abs(is.ClockU * rng.NormFloat64())
		var curve []calibrate.Point
		const step = 0.01
		for i := range 4000 {
			at := step * float64(i)
			if i%10 == 0 {
				curve = append(curve, calibrate.Point{Seconds: at, Bond: p.Bond() + 0.5*rng.NormFloat64()})
			}
			if at >= late {
				p.Step(step, platen)
			}
		}
		got, err := calibrate.FitHeat(curve, is)
		conductance.take(t, "conductance", seed, got.Conductance, err, h)
		backing.take(t, "backing", seed, got.Backing, err, e2)
	}
	conductance.check(t, "conductance")
	backing.check(t, "backing")
}
