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

var draws = flag.Int("draws", 3000, "draws of the inputs at each case of a design point")

func standard(conductance, effusivity float64) thermal.Uncertainty {
	return thermal.Uncertainty{
		Conductance: conductance, BackingEffusivity: effusivity,
		Thickness: 0.05, Conductivity: 0.08, StartTemperature: 2,
	}
}

func TestDesignReference(t *testing.T) {
	for _, row := range reference(t, "design_point.csv") {
		p := thermal.Pressing{
			Head:    paper(number(t, row, "conductance")),
			Backing: thermal.Backing{Effusivity: number(t, row, "effusivity")}, Start: 20, Platen: number(t, row, "platen"),
		}
		d, err := p.Design(thermal.Fuse(number(t, row, "bond")), standard(number(t, row, "u_conductance"), number(t, row, "u_effusivity")))
		if err != nil {
			t.Fatal(err)
		}
		if want, most := number(t, row, "nominal"), number(t, row, "nominal_tolerance"); math.Abs(d.Nominal-want) > most {
			t.Errorf("nominal %v s, want %v (%s, %s)", d.Nominal, want, row["label"], row["source"])
		}
		if want, most := number(t, row, "design"), number(t, row, "design_tolerance"); math.Abs(d.Seconds-want) > most {
			t.Errorf("design point %v s, want %v (%s, %s)", d.Seconds, want, row["label"], row["source"])
		}
	}
}

// TestDesignByDifferences reckons the design point again from the dwell alone:
// every derivative is a difference quotient by the shift itself.
func TestDesignByDifferences(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, target := drawPressing(t), drawTarget(t)
		share := func(most float64, name string) float64 { return rapid.Float64Range(0, most).Draw(t, name) }
		u := thermal.Uncertainty{
			Conductance: share(0.3, "u(h)"), BackingEffusivity: share(0.3, "u(e)"), Thickness: share(0.1, "u(L)"),
			Conductivity: share(0.2, "u(k)"), StartTemperature: share(5, "u(T0)"),
		}
		got, err := p.Design(target, u)
		if err != nil {
			t.Fatal(err)
		}
		by := [...]float64{u.Conductance, u.BackingEffusivity, u.Thickness, u.Conductivity, u.StartTemperature / (p.Start + 273.15)}
		// dwell with every input shifted by so many of its uncertainties:
		// straight downward, exponential upward.
		dwell := func(z [len(by)]float64) float64 {
			q := p
			for i, u := range by {
				f := math.Exp(z[i] * u)
				if z[i] < 0 {
					f = math.Max(1+z[i]*u, 0.05)
				}
				q = nudged(q, thermal.Input(i), f)
			}
			s, _, err := q.Dwell(target)
			if err != nil {
				t.Fatal(err)
			}
			return s
		}
		distance := 2.2
		if u.Conductance > 0.2 {
			distance = 2.3
		}
		var z [len(by)]float64
		for range 2 {
			var slope [len(by)]float64
			length := 0.0
			for i := range z {
				const step = 1e-3
				up, down := z, z
				up[i] += step
				down[i] -= step
				slope[i] = (math.Log(dwell(up)) - math.Log(dwell(down))) / (2 * step)
				length = math.Hypot(length, slope[i])
			}
			if length == 0 {
				break
			}
			for i := range z {
				z[i] = distance * slope[i] / length
			}
		}
		if want := dwell(z); math.Abs(got.Seconds/want-1) > 2e-3 {
			t.Errorf("design point %v s, by differences %v s", got.Seconds, want)
		}
		if got.Seconds < got.Nominal*(1-1e-6) {
			t.Errorf("design point %v s is shorter than the nominal %v s", got.Seconds, got.Nominal)
		}
		sum := 0.0
		for i, g := range got.Gradient {
			sum = math.Hypot(sum, g*by[i])
		}
		if want := got.Nominal * sum; math.Abs(got.U-want) > 1e-9*(want+1e-3) {
			t.Errorf("uncertainty %v s, want %v s", got.U, want)
		}
	})
}

// TestDesignLimits holds the three ranges of the uncertainty of the
// conductance, and that one reckoned to the edge from others still counts.
func TestDesignLimits(t *testing.T) {
	p := thermal.Pressing{Head: paper(300), Backing: thermal.Backing{Effusivity: 550}, Start: 20, Platen: hot}
	for _, c := range []struct {
		u, distance float64
		err         error
	}{
		{0, 2.2, nil},
		{0.20, 2.2, nil},
		{0.20 + 0.5e-9, 2.2, nil},
		{0.20 + 2e-9, 2.3, nil},
		{0.30 + 0.5e-9, 2.3, nil},
		{0.30 + 2e-9, 0, thermal.NotCalibrated},
		{math.NaN(), 0, thermal.BadUncertainty},
		{-0.1, 0, thermal.BadUncertainty},
		{math.Inf(1), 0, thermal.BadUncertainty},
	} {
		d, err := p.Design(thermal.Fuse(120), standard(c.u, 0.15))
		if d.Distance != c.distance || !errors.Is(err, c.err) || (err == nil) != (d.Seconds > 0) {
			t.Errorf("u(h) %v: %+v, %v", c.u, d, err)
		}
	}
	d, err := p.Design(thermal.Fuse(120), thermal.Uncertainty{})
	if err != nil || math.Abs(d.Seconds-d.Nominal) > 1e-8*d.Nominal || d.U != 0 {
		t.Errorf("nothing uncertain: %+v, %v", d, err)
	}
}

// TestKnowledgeShortens: to know an input better does not lengthen the dwell.
func TestKnowledgeShortens(t *testing.T) {
	p := thermal.Pressing{Head: paper(150), Backing: thermal.Backing{Effusivity: 550}, Start: 20, Platen: hot}
	before := math.Inf(1)
	for u := 0.30; u >= 0; u -= 0.01 {
		d, err := p.Design(thermal.Fuse(113), standard(u, 0.15))
		if err != nil {
			t.Fatal(err)
		}
		if d.Seconds > before {
			t.Errorf("u(h) %.2f: %v s, with one point more %v s", u, d.Seconds, before)
		}
		before = d.Seconds
	}
}

// cases are the pressings at which the promise of a design point is tried.
func cases() (list []thermal.Pressing, targets []thermal.Target) {
	for _, h := range []float64{100, 150, 300, 1000} {
		for _, c := range []struct {
			thickness, effusivity, resistance float64
			target                            thermal.Target
		}{
			{0.3e-3, 550, 0, thermal.Fuse(120)},
			{0.3e-3, 355, 0, thermal.Fuse(113)},
			{0.2e-3, 700, 0, thermal.Fuse(115)},
			{0.6e-3, 450, 0, thermal.Fuse(120)},
			{1.0e-3, 500, 1e-3, thermal.Fuse(105)},
			{0.3e-3, 550, 0, thermal.Dry(80, 0.02)},
			{0.6e-3, 400, 0, thermal.Dry(100, 0.03)},
		} {
			p := thermal.Pressing{Head: paper(h), Backing: thermal.Backing{Effusivity: c.effusivity, Resistance: c.resistance}, Start: 20, Platen: hot - 3}
			p.Head.Thickness = c.thickness
			list, targets = append(list, p), append(targets, c.target)
		}
	}
	return list, targets
}

// TestDesignPointHolds draws the uncertain inputs, evenly about their values
// and about their logarithms, and counts how often the dwell at the design
// point is too short.
func TestDesignPointHolds(t *testing.T) {
	list, targets := cases()
	if len(list) != 28 {
		t.Fatalf("%d cases", len(list))
	}
	for _, spread := range []struct {
		name   string
		factor func(v float64) float64
	}{
		{"normal", func(v float64) float64 { return math.Max(0.02, 1+v) }},
		{"lognormal", math.Exp},
	} {
		for _, level := range []struct{ u, most float64 }{{0.05, 0.02}, {0.20, 0.02}, {0.30, 0.03}} {
			worst := 0.0
			r := rand.New(rand.NewPCG(5, 6))
			for i, p := range list {
				chance := short(t, p, targets[i], standard(level.u, 0.15), func(u float64) float64 { return spread.factor(u * r.NormFloat64()) })
				worst = math.Max(worst, chance)
				if chance > level.most {
					t.Errorf("%s, u(h) %v, case %d, %+v: short in %.4f", spread.name, level.u, i, p, chance)
				}
			}
			t.Logf("%s, u(h) %v: short in at most %.4f", spread.name, level.u, worst)
		}
	}
}

// short is the share of draws in which a dwell at the design point does not
// reach the target.
func short(t *testing.T, p thermal.Pressing, target thermal.Target, u thermal.Uncertainty, factor func(u float64) float64) float64 {
	d, err := p.Design(target, u)
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for range *draws {
		q := p
		for input, v := range []float64{u.Conductance, u.BackingEffusivity, u.Thickness, u.Conductivity, u.StartTemperature / (p.Start + 273.15)} {
			q = nudged(q, thermal.Input(input), factor(v))
		}
		if s, _, err := q.Dwell(target); err != nil || s > d.Seconds {
			n++
		}
	}
	return float64(n) / float64(*draws)
}

func TestNothingIsAllocated(t *testing.T) {
	p := thermal.Pressing{Head: paper(300), Backing: thermal.Backing{Effusivity: 550, Resistance: 1e-4}, Start: 20, Platen: hot}
	if n := testing.AllocsPerRun(100, func() {
		_, _ = p.Design(thermal.Fuse(120), standard(0.2, 0.15))
		_, _ = p.Design(thermal.Dry(100, 0.03), standard(0.4, 0.15))
		_, _, _ = p.Dwell(thermal.Fuse(120))
		_ = p.Head.Reaches(p.Backing, 20)
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func BenchmarkDwell(b *testing.B) {
	p := thermal.Pressing{Head: paper(300), Backing: thermal.Backing{Effusivity: 550}, Start: 20, Platen: hot}
	b.ReportAllocs()
	for b.Loop() {
		_, _, _ = p.Dwell(thermal.Fuse(120))
	}
}

func BenchmarkDesign(b *testing.B) {
	p := thermal.Pressing{Head: paper(150), Backing: thermal.Backing{Effusivity: 550}, Start: 20, Platen: hot}
	b.ReportAllocs()
	for b.Loop() {
		_, _ = p.Design(thermal.Fuse(120), standard(0.2, 0.15))
	}
}

func BenchmarkDesignDrying(b *testing.B) {
	p := thermal.Pressing{Head: paper(150), Backing: thermal.Backing{Effusivity: 550}, Start: 20, Platen: hot}
	b.ReportAllocs()
	for b.Loop() {
		_, _ = p.Design(thermal.Dry(100, 0.03), standard(0.2, 0.15))
	}
}
