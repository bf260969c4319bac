package thermal_test

import (
	"math"
	"testing"

	"lapgate/recipe/thermal"
)

// TestScorchDose integrates the face of a solution by finite differences. The
// activation energy is that of the colour of cellulose, 118 to 125 kJ/mol at
// 90 to 180 °C (P, J. Wood Sci. 2011); 120 kJ/mol is the choice (J).
func TestScorchDose(t *testing.T) {
	const overGas = 120e3 / 8.314462618
	for _, c := range []struct{ thickness, conductance, effusivity, platen, seconds float64 }{
		{0.3e-3, 300, 550, hot, 22},
		{0.3e-3, 150, 550, hot, 105},
		{0.3e-3, 1000, 355, 205, 5},
		{0.2e-3, 2000, 200, 205, 60},
		{1.0e-3, 300, 500, 190, 60},
	} {
		p := thermal.Pressing{Head: paper(c.conductance), Backing: thermal.Backing{Effusivity: c.effusivity}, Start: 20, Platen: c.platen}
		p.Head.Thickness = c.thickness
		n := newNetwork(p.Head, p.Backing, 60, c.seconds)
		old := make([]float64, len(n.u))
		rate := func() float64 {
			return math.Exp(-overGas * (1/(20+(c.platen-20)*n.u[0]+273.15) - 1/453.15))
		}
		want, before := 0.0, rate()
		const steps = 2000
		for range steps {
			n.step(c.seconds/steps, old)
			after := rate()
			want += (before + after) / 2 * c.seconds / steps
			before = after
		}
		if got := p.ScorchDose(c.seconds); math.Abs(got/want-1) > 3e-3 {
			t.Errorf("%+v: dose %v s, by finite differences %v s", c, got, want)
		}
		if got := p.ScorchDose(c.seconds); got > thermal.StuckDose(c.platen, c.seconds) {
			t.Errorf("%+v: dose %v s is more than at the platen's temperature", c, got)
		}
	}
	if got := thermal.StuckDose(180, 30); math.Abs(got-30) > 1e-9 {
		t.Errorf("30 s at 180 °C count %v s", got)
	}
	// 120 kJ/mol by hand: 10 K less at 180 °C is worth a factor of 0.487.
	if got := thermal.StuckDose(170, 1); math.Abs(got-0.48740) > 1e-4 {
		t.Errorf("a second at 170 °C counts %v s", got)
	}
	p := thermal.Pressing{Head: paper(300), Backing: thermal.Backing{Effusivity: 550}, Start: 20, Platen: hot}
	if n := testing.AllocsPerRun(100, func() { _ = p.ScorchDose(20) }); n != 0 {
		t.Errorf("%v allocations", n)
	}
	p.Platen = math.NaN()
	if got := p.ScorchDose(20); got != 0 {
		t.Errorf("no platen: %v s", got)
	}
}

func BenchmarkScorchDose(b *testing.B) {
	p := thermal.Pressing{Head: paper(300), Backing: thermal.Backing{Effusivity: 550}, Start: 20, Platen: hot}
	b.ReportAllocs()
	for b.Loop() {
		_ = p.ScorchDose(20)
	}
}
