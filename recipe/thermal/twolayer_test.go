package thermal_test

import (
	"errors"
	"flag"
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"lapgate/recipe/thermal"
)

var bodies = flag.Int("bodies", 25, "random bodies to compare with finite differences")

const hot = (350.0 - 32) / 1.8 // °C, platen of the reference dwells

// between draws from a range, evenly in the logarithm.
func between(r *rand.Rand, least, most float64) float64 {
	return least * math.Pow(most/least, r.Float64())
}

// TestTwoLayersAgainstFiniteDifferences holds the inversion against a solution
// by finite differences, extrapolated from two grids, in the ranges for which
// an error of 4.2e-7 was found.
func TestTwoLayersAgainstFiniteDifferences(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	worst := 0.0
	for i := range *bodies {
		h := thermal.Head{
			Thickness: between(r, 0.2e-3, 3e-3), Conductivity: between(r, 0.05, 0.4), Density: between(r, 600, 1100),
			HeatCapacity: 1400, Conductance: between(r, 80, 2000),
		}
		b := thermal.Backing{Effusivity: between(r, 100, 1500)}
		if i%2 == 1 {
			b.Resistance = between(r, 1e-5, 1e-2)
		}
		seconds := between(r, 3, 120)
		coarse := newNetwork(h, b, 80, seconds).series(seconds, 300)
		fine := newNetwork(h, b, 160, seconds).series(seconds, 600)
		for k := range fine {
			at := seconds * math.Pow(float64(k+1)/5, 2)
			if at < 0.5 {
				continue // the grid is too coarse for it
			}
			got := h.Reaches(b, at)
			for _, pair := range [][3]float64{
				{got.Face, coarse[k].Face, fine[k].Face},
				{got.Bond, coarse[k].Bond, fine[k].Bond},
				{got.Backing, coarse[k].Backing, fine[k].Backing},
			} {
				d := math.Abs(pair[0] - (4*pair[2]-pair[1])/3)
				worst = math.Max(worst, d)
				if !(d <= 6e-7) { // the grid's own share is about 2e-7
					t.Errorf("%+v on %+v after %v s: %v, finite differences %v", h, b, at, pair[0], (4*pair[2]-pair[1])/3)
				}
			}
		}
	}
	t.Logf("greatest difference of θ %.2g", worst)
}

func TestTwoLayerReference(t *testing.T) {
	share := (120.0 - 20) / (hot - 20)
	for _, row := range reference(t, "two_layers.csv") {
		h := paper(number(t, row, "conductance"))
		b := thermal.Backing{Effusivity: h.Effusivity()}
		if row["effusivity"] != "head" {
			b.Effusivity = number(t, row, "effusivity")
		}
		got, _, err := thermal.Pressing{Head: h, Backing: b, Start: 20, Platen: hot}.Dwell(thermal.Fuse(120))
		if want, most := number(t, row, "dwell"), number(t, row, "tolerance"); err != nil || !(math.Abs(got-want) <= most) {
			t.Errorf("h %v on %s: %v s, %v; want %v (%s, %s)", h.Conductance, row["effusivity"], got, err, want, row["label"], row["source"])
		}
		if second := newNetwork(h, b, 60, 100).warm(share, 1e-3); math.Abs(got/second-1) > 1e-3 {
			t.Errorf("h %v on %s: %v s, finite differences %v s", h.Conductance, row["effusivity"], got, second)
		}
	}
	// Both closed forms are ends of the same solution.
	for _, row := range reference(t, "dwell.csv") {
		h := paper(number(t, row, "conductance"))
		for _, end := range []struct {
			column     string
			effusivity float64
		}{{"slow", h.Effusivity()}, {"fast", 0}} {
			got, _, err := thermal.Pressing{Head: h, Backing: thermal.Backing{Effusivity: end.effusivity}, Start: 20, Platen: hot}.Dwell(thermal.Fuse(120))
			if want, most := number(t, row, end.column), number(t, row, end.column+"_tolerance"); err != nil || !(math.Abs(got-want) <= most) {
				t.Errorf("h %v, %s: %v s, %v; want %v (%s, %s)", h.Conductance, end.column, got, err, want, row["label"], row["source"])
			}
		}
	}
}

// TestTwoLayersMeetClosedForms checks a backing like the head against the
// semi-infinite body, and one without effusivity against the slab.
func TestTwoLayersMeetClosedForms(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := paper(math.Pow(10, rapid.Float64Range(1, 5).Draw(t, "log conductance")))
		root := math.Pow(10, rapid.Float64Range(-1, 1).Draw(t, "log root of Fourier number"))
		seconds := root * root * h.Thickness * h.Thickness * h.Density * h.HeatCapacity / h.Conductivity
		like := h.Reaches(thermal.Backing{Effusivity: h.Effusivity()}, seconds)
		alone := h.Reaches(thermal.Backing{}, seconds)
		for _, c := range []struct {
			name      string
			got, want float64
		}{
			{"semi-infinite, face", like.Face, thermal.SemiInfinite(0, h.Biot()*root)},
			{"semi-infinite, bond", like.Bond, thermal.SemiInfinite(0.5/root, h.Biot()*root)},
			{"slab, face", alone.Face, thermal.Slab(h.Biot(), root*root, 1)},
			{"slab, bond", alone.Bond, thermal.Slab(h.Biot(), root*root, 0)},
		} {
			if !(math.Abs(c.got-c.want) <= 1e-6) {
				t.Errorf("%s: %v, closed form %v", c.name, c.got, c.want)
			}
		}
	})
}

func drawPressing(t *rapid.T) thermal.Pressing {
	log := func(least, most float64, name string) float64 {
		return math.Exp(rapid.Float64Range(math.Log(least), math.Log(most)).Draw(t, name))
	}
	p := thermal.Pressing{
		Head: thermal.Head{
			Thickness: log(0.1e-3, 3e-3, "thickness"), Conductivity: log(0.05, 0.4, "conductivity"),
			Density: log(500, 1200, "density"), HeatCapacity: log(1000, 2000, "heat capacity"), Conductance: log(80, 5000, "conductance"),
		},
		Backing: thermal.Backing{Effusivity: log(50, 2000, "effusivity")},
		Start:   rapid.Float64Range(0, 40).Draw(t, "start"),
		Platen:  rapid.Float64Range(130, 205).Draw(t, "platen"),
	}
	if rapid.Bool().Draw(t, "with a resistance") {
		p.Backing.Resistance = log(1e-5, 1e-2, "resistance")
	}
	return p
}

func drawTarget(t *rapid.T) thermal.Target {
	bond := rapid.Float64Range(60, 120).Draw(t, "bond")
	if rapid.Bool().Draw(t, "glued") {
		return thermal.Dry(bond, rapid.Float64Range(0.001, 0.05).Draw(t, "water"))
	}
	return thermal.Fuse(bond)
}

// TestDwellReaches: what was solved for comes out of the forward solution, on
// the colder side.
func TestDwellReaches(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := drawPressing(t)
		bond := rapid.Float64Range(p.Start+1, p.Platen-1).Draw(t, "bond")
		seconds, _, err := p.Dwell(thermal.Fuse(bond))
		if err != nil {
			t.Fatal(err)
		}
		s := p.Head.Reaches(p.Backing, seconds)
		if got := p.Start + (p.Platen-p.Start)*s.Backing; math.Abs(got-bond) > 1e-5 {
			t.Errorf("after %v s %v °C, want %v °C", seconds, got, bond)
		}
		if s.Bond < s.Backing-1e-6 || s.Face < s.Bond-1e-6 {
			t.Errorf("%+v is not falling from the platen on", s)
		}
	})
}

// nudged is a pressing with one input changed by a factor; the start
// temperature in K.
func nudged(p thermal.Pressing, input thermal.Input, factor float64) thermal.Pressing {
	switch input {
	case thermal.Conductance:
		p.Head.Conductance *= factor
	case thermal.BackingEffusivity:
		p.Backing.Effusivity *= factor
	case thermal.Thickness:
		p.Head.Thickness *= factor
	case thermal.Conductivity:
		p.Head.Conductivity *= factor
	case thermal.StartTemperature:
		p.Start = (p.Start+273.15)*factor - 273.15
	}
	return p
}

func TestGradient(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, target := drawPressing(t), drawTarget(t)
		_, gradient, err := p.Dwell(target)
		if err != nil {
			t.Fatal(err)
		}
		const step = 3e-4
		for input, got := range gradient {
			up, _, err1 := nudged(p, thermal.Input(input), 1+step).Dwell(target)
			down, _, err2 := nudged(p, thermal.Input(input), 1-step).Dwell(target)
			if err := errors.Join(err1, err2); err != nil {
				t.Fatal(err)
			}
			want := math.Log(up/down) / math.Log((1+step)/(1-step))
			if math.Abs(got-want) > 5e-3*(1+math.Abs(want)) {
				t.Errorf("gradient by input %d is %v, difference quotient %v", input, got, want)
			}
		}
	})
}

func TestDwellFaults(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	good := thermal.Pressing{Head: paper(300), Backing: thermal.Backing{Effusivity: 500}, Start: 20, Platen: hot}
	change := func(f func(p *thermal.Pressing)) thermal.Pressing { p := good; f(&p); return p }
	for i, tc := range []struct {
		p    thermal.Pressing
		t    thermal.Target
		want thermal.Fault
	}{
		{change(func(p *thermal.Pressing) { p.Head.Density = nan }), thermal.Fuse(120), thermal.BadBody},
		{change(func(p *thermal.Pressing) { p.Backing.Effusivity = -1 }), thermal.Fuse(120), thermal.BadBody},
		{change(func(p *thermal.Pressing) { p.Backing.Resistance = inf }), thermal.Fuse(120), thermal.BadBody},
		{change(func(p *thermal.Pressing) { p.Start = nan }), thermal.Fuse(120), thermal.BadTemperature},
		{change(func(p *thermal.Pressing) { p.Platen = inf }), thermal.Fuse(120), thermal.BadTemperature},
		{good, thermal.Dry(nan, 0), thermal.BadTemperature},
		{good, thermal.Dry(100, nan), thermal.BadWater},
		{good, thermal.Dry(100, -1), thermal.BadWater},
		{good, thermal.Fuse(hot), thermal.PlatenTooCold},
		{good, thermal.Fuse(20), thermal.AlreadyWarm},
		{good, thermal.Fuse(hot - 1e-3), thermal.NoTime},
	} {
		if s, _, err := tc.p.Dwell(tc.t); !errors.Is(err, tc.want) || s != 0 {
			t.Errorf("case %d: %v, %v, want %v", i, s, err, tc.want)
		}
		if d, err := tc.p.Design(tc.t, thermal.Uncertainty{}); !errors.Is(err, tc.want) || d.Seconds != 0 {
			t.Errorf("case %d: design %+v, %v, want %v", i, d, err, tc.want)
		}
	}
	seen := map[string]bool{}
	for f := thermal.BadBody; f <= thermal.NoTime; f++ {
		if s := f.Error(); seen[s] || s == thermal.Fault(0).Error() {
			t.Errorf("fault %d reads %q", f, s)
		} else {
			seen[s] = true
		}
	}
}

// TestTwoLayerExtremes goes far beyond any material: an answer is finite or
// refused.
func TestTwoLayerExtremes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		wide := func(name string) float64 { return math.Pow(10, rapid.Float64Range(-200, 200).Draw(t, name)) }
		p := thermal.Pressing{
			Head:    thermal.Head{Thickness: wide("L"), Conductivity: wide("k"), Density: wide("rho"), HeatCapacity: wide("c"), Conductance: wide("h")},
			Backing: thermal.Backing{Effusivity: wide("e"), Resistance: wide("R")}, Start: 20, Platen: 180,
		}
		bond := rapid.Float64Range(20.001, 179.9).Draw(t, "bond")
		s, g, err := p.Dwell(thermal.Fuse(bond))
		for _, v := range append(g[:], s) {
			if math.IsNaN(v) || math.IsInf(v, 0) || err != nil && v != 0 {
				t.Fatalf("%v, %v, %v", s, g, err)
			}
		}
		r := p.Head.Reaches(p.Backing, wide("seconds"))
		for _, v := range []float64{r.Face, r.Bond, r.Backing} {
			if !(v >= -1e-5 && v <= 1+1e-5) {
				t.Fatalf("%+v", r)
			}
		}
	})
}
