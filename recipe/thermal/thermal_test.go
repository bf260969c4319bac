package thermal

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

func paper(conductance float64) Head { return Head{0.3e-3, 0.12, 750, 1400, conductance} }

// inside is the time, s, until the bond line has a share of the rise when it
// lies inside a semi-infinite body.
func inside(h Head, share float64) (seconds float64, ok bool) {
	x, ok := solveSemi(share, h.Biot())
	return h.timeScale() / (4 * x * x), ok
}

// implicit is a Crank–Nicolson solution on n cells of equal thickness with a
// contact on the first face and insulation behind the last, in units of
// length and diffusivity 1. It returns θ at the far face of cell at.
func implicit(biot, length, seconds float64, cells, at, steps int) float64 {
	dx := length / float64(cells)
	dt := seconds / float64(steps)
	// Conductance between the platen and the middle of the first cell.
	first := 1 / (1/biot + dx/2)
	left := func(i int) float64 {
		if i == 0 {
			return first
		}
		return 1 / dx
	}
	right := func(i int) float64 {
		if i == cells-1 {
			return 0
		}
		return 1 / dx
	}
	u := make([]float64, cells)
	upper := make([]float64, cells)
	value := make([]float64, cells)
	// Two implicit half steps at the start damp the jump at time 0.
	march := func(dt, weight float64) {
		r := dt / dx
		for i := range cells {
			l, g := left(i), right(i)
			before := 1.0
			if i > 0 {
				before = u[i-1]
			}
			flow := l * (before - u[i])
			if i < cells-1 {
				flow += g * (u[i+1] - u[i])
			}
			a, b, c := -weight*r*l, 1+weight*r*(l+g), -weight*r*g
			rhs := u[i] + (1-weight)*r*flow
			if i == 0 {
				rhs += weight * r * l // platen at 1
				a = 0
			}
			m := b
			if i > 0 {
				m -= a * upper[i-1]
				rhs -= a * value[i-1]
			}
			upper[i], value[i] = c/m, rhs/m
		}
		for i := cells - 1; i >= 0; i-- {
			u[i] = value[i]
			if i < cells-1 {
				u[i] -= upper[i] * u[i+1]
			}
		}
	}
	for range 4 {
		march(dt/2, 1)
	}
	for range steps - 2 {
		march(dt, 0.5)
	}
	if at == cells-1 {
		return u[at] // insulated: flat to second order
	}
	return (u[at] + u[at+1]) / 2
}

func TestAgainstFiniteDifferences(t *testing.T) {
	platen := (350.0 - 32) / 1.8
	share := (120.0 - 20) / (platen - 20)
	for _, conductance := range []float64{100, 150, 300, 450, 1000, 5000} {
		h := paper(conductance)
		scale := h.timeScale()
		fast, ok := h.Fast(share)
		if !ok {
			t.Fatal("no fast bound")
		}
		if got := implicit(h.Biot(), 1, fast/scale, 200, 199, 800); math.Abs(got-share) > 1.3e-4 {
			t.Errorf("h = %v: slab at the fast bound reaches %v, want %v", conductance, got, share)
		}
		slow, _, err := Pressing{Head: h, Backing: Backing{Effusivity: h.Effusivity()}, Platen: 1}.Dwell(Fuse(share))
		if err != nil {
			t.Fatal(err)
		}
		// Deep enough that the far face stays cold.
		const perHead = 25
		deep := math.Ceil(8 * math.Sqrt(slow/scale))
		if got := implicit(h.Biot(), deep, slow/scale, int(deep)*perHead, perHead-1, 800); math.Abs(got-share) > 1.3e-4 {
			t.Errorf("h = %v: backing like the head reaches %v, want %v", conductance, got, share)
		}
	}
}

func drawHead(t *rapid.T) Head {
	return Head{
		Thickness:    math.Pow(10, rapid.Float64Range(-5, -2).Draw(t, "log thickness")),
		Conductivity: rapid.Float64Range(0.02, 2).Draw(t, "conductivity"),
		Density:      rapid.Float64Range(100, 3000).Draw(t, "density"),
		HeatCapacity: rapid.Float64Range(500, 5000).Draw(t, "heat capacity"),
		Conductance:  math.Pow(10, rapid.Float64Range(0, 6).Draw(t, "log conductance")),
	}
}

func drawShare(t *rapid.T) float64 {
	return rapid.OneOf(
		rapid.Float64Range(1e-9, 1-1e-9),
		rapid.SampledFrom([]float64{1e-12, 1e-6, 1e-5, 1.6e-5, 1e-4, 0.999999, 1 - 1e-12}),
	).Draw(t, "share")
}

func TestDwellSolvesForward(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h, share := drawHead(t), drawShare(t)
		slow, ok := inside(h, share)
		if !ok {
			t.Fatalf("no time inside for %+v at %v", h, share)
		}
		near := func(what string, got float64) {
			// Near 1 what is left to 1 counts, near 0 the share itself.
			if !(math.Abs(got-share) <= 1e-9*share+1e-14) {
				t.Errorf("%s: forward gives %v, want %v", what, got, share)
			}
		}
		root := math.Sqrt(slow / h.timeScale())
		near("inside", SemiInfinite(0.5/root, h.Biot()*root))
		fast, ok := h.Fast(share)
		if !ok {
			t.Fatalf("no fast bound for %+v at %v", h, share)
		}
		near("fast", Slab(h.Biot(), fast/h.timeScale(), 0))
		if !(fast <= slow*(1+1e-9)) {
			t.Errorf("insulated it takes %v s, longer than %v s inside a body", fast, slow)
		}
	})
}

func TestDwellGrowsWithTarget(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := drawHead(t)
		a := rapid.Float64Range(0.001, 0.99).Draw(t, "a")
		b := a + rapid.Float64Range(1e-6, 0.009).Draw(t, "more")
		slowA, _ := inside(h, a)
		slowB, _ := inside(h, b)
		fastA, _ := h.Fast(a)
		fastB, _ := h.Fast(b)
		if !(slowB > slowA && fastB > fastA) {
			t.Errorf("a warmer target takes no longer: %v → %v, %v → %v", slowA, slowB, fastA, fastB)
		}
	})
}

func TestEigenvalues(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		biot := math.Pow(10, rapid.Float64Range(-8, 12).Draw(t, "log Biot"))
		n := rapid.IntRange(1, maxTerms).Draw(t, "n")
		z := Eigenvalue(biot, n)
		if low := float64(n-1) * math.Pi; !(z > low && z < low+math.Pi/2) {
			t.Fatalf("ζ%d = %v is outside its branch", n, z)
		}
		sin, cos := math.Sincos(z)
		// ζ sin ζ = Bi cos ζ; the slope by ζ is about ζ + Bi + 1.
		if r := (z*sin - biot*cos) / (z + biot + 1); math.Abs(r) > 1e-13*(1+z) {
			t.Errorf("ζ%d = %v of Bi = %v misses by %v", n, z, biot, r)
		}
		want := 4 * sin / (2*z + math.Sin(2*z))
		if got := Coefficient(biot, z, n); math.Abs(got-want) > 1e-10*math.Abs(want)+1e-14 {
			t.Errorf("C%d = %v, want %v", n, got, want)
		}
	})
}

// TestSlabJoins checks that short-time form and series agree where one hands
// over to the other.
func TestSlabJoins(t *testing.T) {
	for _, biot := range []float64{1e-3, 0.1, 1, 2.5, 10, 1e4, math.Inf(1)} {
		for _, place := range []float64{0, 0.3, 0.9, 1} {
			before := Slab(biot, shortTime, place)
			after := Slab(biot, math.Nextafter(shortTime, 1), place)
			if math.Abs(before-after) > 1e-13 {
				t.Errorf("Bi = %v, place %v: %v before, %v after", biot, place, before, after)
			}
		}
	}
}

func TestNoAnswer(t *testing.T) {
	good := paper(1000)
	for _, bad := range []float64{0, -1, math.NaN(), math.Inf(1), math.Inf(-1)} {
		for i := range 5 {
			h := good
			*[]*float64{&h.Thickness, &h.Conductivity, &h.Density, &h.HeatCapacity, &h.Conductance}[i] = bad
			perfect := i == 4 && math.IsInf(bad, 1)
			if s, ok := h.Fast(0.6); ok != perfect || math.IsNaN(s) {
				t.Errorf("Fast of %+v = %v, %v", h, s, ok)
			}
		}
	}
	for _, share := range []float64{1, 1.5, math.NaN(), math.Inf(1)} {
		if s, ok := good.Fast(share); ok {
			t.Errorf("Fast(%v) = %v, want none", share, s)
		}
	}
	for _, share := range []float64{0, -0.2} {
		if s, ok := good.Fast(share); !ok || s != 0 {
			t.Errorf("Fast(%v) = %v, %v, want 0", share, s, ok)
		}
	}
}

// TestExtremes goes far beyond any material: an answer is finite or refused.
func TestExtremes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		wide := rapid.Custom(func(t *rapid.T) float64 {
			return math.Pow(10, rapid.Float64Range(-300, 300).Draw(t, "log"))
		})
		h := Head{wide.Draw(t, "L"), wide.Draw(t, "k"), wide.Draw(t, "rho"), wide.Draw(t, "c"), wide.Draw(t, "h")}
		share := drawShare(t)
		if s, ok := h.Fast(share); ok && !(finite(s) && s >= 0) {
			t.Errorf("Fast = %v", s)
		}
		if r := SemiInfinite(wide.Draw(t, "X"), wide.Draw(t, "H")); !(r >= -1e-12 && r <= 1+1e-12) {
			t.Errorf("inside a body %v", r)
		}
	})
}

func BenchmarkErfcx(b *testing.B) {
	b.ReportAllocs()
	sum := 0.0
	for i := range b.N {
		sum += Erfcx(float64(i&15) * 0.5)
	}
	sink = sum
}

func BenchmarkFast(b *testing.B) {
	h := paper(1000)
	b.ReportAllocs()
	for range b.N {
		s, _ := h.Fast(0.6382978723)
		sink = s
	}
}

var sink float64
