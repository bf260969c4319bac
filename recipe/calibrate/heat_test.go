package calibrate_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"lapgate/recipe/calibrate"
	"lapgate/recipe/thermal"
)

// body is a head on a backing in finite volumes, stepped implicitly. It shares
// nothing with the transform of recipe/thermal.
type body struct {
	capacity, link []float64 // J/m²K of each cell, W/m²K to the next
	contact        float64   // W/m²K from the platen to the first cell
	bond           int       // last cell of the head
	toBond         float64   // share of the way from it to the next cell's centre
	t              []float64
}

func newBody(l, k, rhoC, h, effusivity, start float64) *body {
	const cells, behind = 24, 120
	b := &body{bond: cells - 1}
	d := l / cells
	half := []float64{}
	add := func(d, k, rhoC float64) {
		b.capacity = append(b.capacity, rhoC*d)
		half = append(half, d/2/k)
		b.t = append(b.t, start)
	}
	for range cells {
		add(d, k, rhoC)
	}
	// A backing of the diffusivity 1e-7 m²/s, in cells that grow with depth.
	k2 := effusivity * math.Sqrt(1e-7)
	size := d / 2
	for range behind {
		add(size, k2, k2/1e-7)
		size *= 1.045
	}
	for i := range len(half) - 1 {
		b.link = append(b.link, 1/(half[i]+half[i+1]))
	}
	b.contact = 1 / (1/h + half[0])
	b.toBond = half[b.bond] / (half[b.bond] + half[b.bond+1])
	return b
}

// step by backward differences; the far end is insulated, and deep enough.
func (b *body) step(platen, dt float64) {
	n := len(b.t)
	upper, rest := make([]float64, n), make([]float64, n)
	for i := range n {
		c := b.capacity[i] / dt
		left, right := 0.0, 0.0
		rhs := c * b.t[i]
		if i > 0 {
			left = b.link[i-1]
		} else {
			rhs += b.contact * platen
		}
		if i < n-1 {
			right = b.link[i]
		}
		diagonal := c + left + right
		if i == 0 {
			diagonal += b.contact
		} else {
			diagonal -= left * upper[i-1]
			rhs += left * rest[i-1]
		}
		upper[i], rest[i] = right/diagonal, rhs/diagonal
	}
	for i := n - 1; i >= 0; i-- {
		if b.t[i] = rest[i]; i < n-1 {
			b.t[i] += upper[i] * b.t[i+1]
		}
	}
}

func (b *body) atBond() float64 { return b.t[b.bond] + b.toBond*(b.t[b.bond+1]-b.t[b.bond]) }

// curve is what a thermocouple at the bond line reads, every 0.1 s for 40 s,
// after a press that closes late by delay.
func curve(b *body, platen, delay, noise float64, rng *rand.Rand) []calibrate.Point {
	var out []calibrate.Point
	const dt = 0.005
	for i := range 400 {
		at := float64(i) * 0.1
		out = append(out, calibrate.Point{Seconds: at, Bond: b.atBond() + noise*rng.NormFloat64()})
		for s := range 20 {
			if at+float64(s)*dt >= delay {
				b.step(platen, dt)
			}
		}
	}
	return out
}

// within counts seeds of which the truth lies within two stated standard
// uncertainties.
type within struct {
	hits, n int
	worst   float64
	u       float64
}

func (w *within) take(e calibrate.Estimate, truth float64) {
	z := math.Abs(e.Value-truth) / e.U
	w.n++
	w.u += e.U
	w.worst = math.Max(w.worst, z)
	if z <= 2 {
		w.hits++
	}
}

func (w *within) check(t *testing.T, what string) {
	t.Helper()
	t.Logf("%s: %d of %d within 2 u, farthest %.2f u, mean u %.4g", what, w.hits, w.n, w.worst, w.u/float64(w.n))
	if w.hits < w.n*9/10 || w.n == 0 {
		t.Errorf("%s: %d of %d seeds within twice the stated uncertainty, want at least 9 in 10", what, w.hits, w.n)
	}
}

// known is a head of board as its data say.
var known = thermal.Head{Thickness: 0.3e-3, Conductivity: 0.12, Density: 750, HeatCapacity: 1400}

// Conductance and backing come back from a curve of a body whose head, start,
// platen and closing differ from what is known by their uncertainties.
func TestHeatRecovers(t *testing.T) {
	var h, e within
	for seed := range uint64(100) {
		rng := rand.New(rand.NewPCG(seed, 2))
		truth, effusivity := 150*math.Exp(1.2*rng.Float64()), 350+350*rng.Float64()
		press := calibrate.Known(known, 20, 176.7)
		l := known.Thickness * (1 + press.HeadU*rng.NormFloat64())
		k := known.Conductivity * (1 + press.ConductU*rng.NormFloat64())
		start, platen := 20+press.StartU*rng.NormFloat64(), 176.7+press.PlatenU*rng.NormFloat64()
		b := newBody(l, k, known.Density*known.HeatCapacity, truth, effusivity, start)
		got, err := calibrate.FitHeat(curve(b, platen, math.Abs(press.ClockU*rng.NormFloat64()), 0.5, rng), press)
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		h.take(got.Conductance, truth)
		e.take(got.Backing, effusivity)
		if math.Abs(got.Scatter-0.5) > 0.15 || !(math.Abs(got.Correlation) <= 1) {
			t.Errorf("seed %d: %+v", seed, got)
		}
	}
	h.check(t, "conductance")
	e.check(t, "effusivity of the backing")
}
