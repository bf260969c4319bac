package thermal_test

import (
	"math"
	"testing"

	"lapgate/recipe/thermal"
)

// Bond is the inverse of Dwell, and its derivatives are those of differences.
func TestBond(t *testing.T) {
	for _, h := range []float64{97, 300, 1000} {
		for _, e := range []float64{0, 200, 550, 700} {
			for _, resistance := range []float64{0, 5e-4} {
				p := thermal.Pressing{Head: paper(h), Backing: thermal.Backing{Effusivity: e, Resistance: resistance}, Start: 20, Platen: 176.7}
				for _, want := range []float64{40, 80, 113, 140} {
					seconds, _, err := p.Dwell(thermal.Fuse(want))
					if err != nil {
						t.Fatal(err)
					}
					got, gradient, byTime, err := p.Bond(seconds)
					if err != nil || math.Abs(got-want) > 1e-3 {
						t.Errorf("h %g, e %g, R %g: %g °C after %g s, want %g; %v", h, e, resistance, got, seconds, want, err)
					}
					bond := func(q thermal.Pressing, s float64) float64 {
						v, _, _, err := q.Bond(s)
						if err != nil {
							t.Fatal(err)
						}
						return v
					}
					const step = 0.01
					for i, vary := range []func(q *thermal.Pressing, f float64){
						thermal.Conductance:       func(q *thermal.Pressing, f float64) { q.Head.Conductance *= f },
						thermal.BackingEffusivity: func(q *thermal.Pressing, f float64) { q.Backing.Effusivity *= f },
						thermal.Thickness:         func(q *thermal.Pressing, f float64) { q.Head.Thickness *= f },
						thermal.Conductivity:      func(q *thermal.Pressing, f float64) { q.Head.Conductivity *= f },
						thermal.StartTemperature:  func(q *thermal.Pressing, f float64) { q.Start = (q.Start+273.15)*f - 273.15 },
					} {
						up, down := p, p
						vary(&up, math.Exp(step))
						vary(&down, math.Exp(-step))
						if want := (bond(up, seconds) - bond(down, seconds)) / (2 * step); math.Abs(gradient[i]-want) > 0.03 {
							t.Errorf("h %g, e %g, R %g, %g °C: derivative by input %d is %g, want %g", h, e, resistance, want, i, gradient[i], want)
						}
					}
					if want := (bond(p, seconds*math.Exp(step)) - bond(p, seconds*math.Exp(-step))) / (2 * step); math.Abs(byTime-want) > 0.03 {
						t.Errorf("derivative by time is %g, want %g", byTime, want)
					}
				}
			}
		}
	}
	if v, _, _, err := (thermal.Pressing{Head: paper(300), Start: 20, Platen: 176}).Bond(0); err != nil || v != 20 {
		t.Errorf("at once: %g °C, %v", v, err)
	}
	for _, p := range []thermal.Pressing{{}, {Head: paper(0), Platen: 100}, {Head: paper(300), Start: math.NaN(), Platen: 100}} {
		if _, _, _, err := p.Bond(1); err == nil {
			t.Errorf("%+v: no error", p)
		}
	}
	if _, _, _, err := (thermal.Pressing{Head: paper(300), Start: 20, Platen: 176}).Bond(math.NaN()); err == nil {
		t.Error("time NaN: no error")
	}
}
