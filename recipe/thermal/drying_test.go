package thermal_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"lapgate/recipe/thermal"
)

// evaporation is the heat of evaporation that goes with the reference rows,
// J/kg at 100 °C.
const evaporation = 2.26e6

// byEnthalpy heats the bond line and then keeps it at its temperature until
// the water, kg/m², is gone; both times in s.
func byEnthalpy(p thermal.Pressing, bond, water, dt float64) (heat, dry float64) {
	n := newNetwork(p.Head, p.Backing, 40, 300)
	rise := p.Platen - p.Start
	heat = n.warm((bond-p.Start)/rise, 1e-3)
	return heat, n.dry(water*evaporation/rise, dt)
}

func TestDryingReference(t *testing.T) {
	for _, row := range reference(t, "drying.csv") {
		p := thermal.Pressing{
			Head:    paper(number(t, row, "conductance")),
			Backing: thermal.Backing{Effusivity: number(t, row, "effusivity")}, Start: 20, Platen: number(t, row, "platen"),
		}
		p.Head.Thickness = number(t, row, "thickness") / 1000
		te, water := number(t, row, "evaporation"), number(t, row, "water")/1000
		heat, _, err1 := p.Dwell(thermal.Dry(te, 0))
		whole, _, err2 := p.Dwell(thermal.Dry(te, water))
		if err1 != nil || err2 != nil {
			t.Fatal(err1, err2)
		}
		byHeat, byDry := byEnthalpy(p, te, water, 0.01)
		for _, c := range []struct {
			name            string
			got, want, most float64
		}{
			// The last printed digit of the other solution is not certain.
			{"heating", heat, number(t, row, "heat"), 2 * number(t, row, "tolerance")},
			{"drying by the closed form", whole - heat, number(t, row, "formula"), 2 * number(t, row, "tolerance")},
			{"heating by finite differences", byHeat, number(t, row, "heat"), 0.003 * byHeat},
			{"drying by finite differences", byDry, number(t, row, "dry"), 0.003 * byDry},
		} {
			if !(math.Abs(c.got-c.want) <= c.most) {
				t.Errorf("%v mm, h %v: %s %.4g s, want %v (%s, %s)", p.Head.Thickness*1000, p.Head.Conductance, c.name, c.got, c.want, row["label"], row["source"])
			}
		}
	}
}

// TestDryingAgainstEnthalpy compares the whole time with a solution by enthalpy
// on random bodies. On a backing of at least the effusivity of the head it was
// found between 1.01 and 1.52 times as long, never short.
func TestDryingAgainstEnthalpy(t *testing.T) {
	for _, c := range []struct {
		name        string
		backing     [2]float64
		platen      [2]float64
		least, most float64
	}{
		{"drawing more than the head", [2]float64{380, 700}, [2]float64{140, 180}, 1, 1.52},
		{"drawing less than the head", [2]float64{150, 300}, [2]float64{160, 200}, 0.95, 1.52},
	} {
		r := rand.New(rand.NewPCG(3, 4))
		least, most := math.Inf(1), 0.0
		for range 30 {
			p := thermal.Pressing{
				Head: thermal.Head{
					Thickness: between(r, 0.25e-3, 1e-3), Conductivity: between(r, 0.09, 0.16), Density: between(r, 650, 900),
					HeatCapacity: 1400, Conductance: between(r, 150, 1000),
				},
				Backing: thermal.Backing{Effusivity: between(r, c.backing[0], c.backing[1])}, Start: 20, Platen: between(r, c.platen[0], c.platen[1]),
			}
			water := between(r, 0.002, 0.04)
			whole, _, err := p.Dwell(thermal.Dry(100, water))
			if err != nil {
				t.Fatal(err)
			}
			heat, dry := byEnthalpy(p, 100, water, whole/400)
			ratio := whole / (heat + dry)
			least, most = math.Min(least, ratio), math.Max(most, ratio)
			if !(ratio >= c.least && ratio <= c.most) {
				t.Errorf("%s: %+v, %v kg/m²: %v s, by enthalpy %v + %v s", c.name, p, water, whole, heat, dry)
			}
		}
		t.Logf("a backing %s: %.3f to %.3f times the solution by enthalpy", c.name, least, most)
	}
}

func TestGlueWater(t *testing.T) {
	for _, c := range []struct{ coverage, solids, basis, want float64 }{
		{0.060, 0.5, 0, 0.030},
		{0.060, 0.5, 0.225, 0.030 - 0.01125}, // a board of 225 g/m² takes 11 g/m²
		{0.020, 0.5, 0.225, 0},
	} {
		if got := thermal.GlueWater(c.coverage, c.solids, c.basis); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%+v: %v", c, got)
		}
	}
}

// TestDryingBelowBoiling: a bond line that need not boil dries at its own
// temperature, one above does not pass 100 °C, and no water takes no time.
func TestDryingBelowBoiling(t *testing.T) {
	p := thermal.Pressing{Head: paper(300), Backing: thermal.Backing{Effusivity: 500}, Start: 20, Platen: hot}
	dwell := func(target thermal.Target) float64 {
		s, _, err := p.Dwell(target)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	if a, b := dwell(thermal.Dry(120, 0.02)), dwell(thermal.Dry(100, 0.02)); a != b {
		t.Errorf("bond at 120 °C takes %v s, at 100 °C %v s", a, b)
	}
	if a, b := dwell(thermal.Dry(80, 0)), dwell(thermal.Fuse(80)); a != b {
		t.Errorf("without water %v s, want %v s", a, b)
	}
	if a, b := dwell(thermal.Dry(80, 0.02)), dwell(thermal.Dry(100, 0.02)); !(a < b) {
		t.Errorf("drying at 80 °C takes %v s, at 100 °C %v s", a, b)
	}
	// Evaporation at 60 °C takes 2.36 MJ/kg: with hardly a backing and no
	// head to heat, the time is the heat over the flow.
	p.Head.Thickness, p.Head.Conductance, p.Backing.Effusivity = 1e-5, 300, 1e-3
	if got, want := dwell(thermal.Dry(60, 0.03)), 0.03*2.36e6/((hot-60)/(1.0/300+1e-5/0.12)); math.Abs(got/want-1) > 0.01 {
		t.Errorf("drying at 60 °C takes %v s, want %v s", got, want)
	}
}
