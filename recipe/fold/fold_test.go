package fold

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"
)

func TestFold(t *testing.T) {
	// 0.6 m radius, 0.12 m overhang, 3 layers, 30 mm pitch.
	p, err := Fold(0.6, 0.12, 3, 0.03)
	if err != nil {
		t.Fatal(err)
	}
	want := Pleats{
		PerTurn: 2 * math.Pi * 20, Gathered: 2 * math.Pi * 0.12, Each: 0.006, Depth: 0.003,
		Spacing: 0.024, Mean: 3 / 0.8, Most: 9,
	}
	for _, v := range [][2]float64{
		{p.PerTurn, want.PerTurn}, {p.Gathered, want.Gathered}, {p.Each, want.Each}, {p.Depth, want.Depth},
		{p.Spacing, want.Spacing}, {p.Mean, want.Mean}, {p.Most, want.Most},
	} {
		if math.Abs(v[0]-v[1]) > 1e-12 {
			t.Errorf("got %+v\nwant %+v", p, want)
			break
		}
	}
	// Pleats lie on one another where depth passes spacing, at o = 2R/3.
	for _, tc := range []struct{ overhang, most float64 }{{0, 3}, {0.39, 9}, {0.4, 9}, {0.41, 15}, {0.481, 21}} {
		if p, err := Fold(0.6, tc.overhang, 3, 0.03); err != nil || p.Most != tc.most {
			t.Errorf("overhang %v: %v thicknesses, %v; want %v", tc.overhang, p.Most, err, tc.most)
		}
	}
}

// The paper of a ring must be there after folding: the mean number of
// thicknesses times the circle at the folded edge is the paper's length.
func TestPaperIsKept(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rapid.Float64Range(0.1, 1).Draw(t, "radius")
		o := rapid.Float64Range(0, 0.95).Draw(t, "overhang over radius") * r
		pitch := rapid.Float64Range(0.005, 0.1).Draw(t, "pitch")
		p, err := Fold(r, o, 1, pitch)
		if err != nil {
			t.Fatal(err)
		}
		edge := 2 * math.Pi * (r - o)
		if math.Abs(p.Mean*edge-2*math.Pi*r) > 1e-9 || math.Abs(p.PerTurn*p.Each-p.Gathered) > 1e-9 ||
			math.Abs(p.PerTurn*p.Spacing-edge) > 1e-9 || math.Abs(edge+p.Gathered-2*math.Pi*r) > 1e-9 {
			t.Fatalf("%+v", p)
		}
		if p.Most < p.Mean-1e-9 {
			t.Fatalf("thickest %v below the mean %v", p.Most, p.Mean)
		}
	})
}

func TestCrimper(t *testing.T) {
	c := Crimper{Diameter: 0.3, Blades: 12}
	p, err := c.Pitch(1)
	if want := math.Pi * 0.3 / 12; err != nil || math.Abs(p-want) > 1e-15 {
		t.Errorf("pitch %v, %v", p, err)
	}
	if q, err := c.Ratio(p / 2); err != nil || math.Abs(q-2) > 1e-12 {
		t.Errorf("half the pitch at ratio %v, %v", q, err)
	}
}

func TestBounds(t *testing.T) {
	l, err := Bounds(0.6, 0.05, 0.025, 0.58, 0.025)
	if err != nil || math.Abs(l.Least-0.045) > 1e-12 || math.Abs(l.Most-0.525) > 1e-12 {
		t.Errorf("%+v, %v", l, err)
	}
	if !l.Contains(0.1) || l.Contains(0.04) || l.Contains(0.53) || l.Contains(math.NaN()) {
		t.Error("Contains")
	}
	if l, err = Bounds(0.6, 0.05, 0.025, 0, 0.025); err != nil || l.Least != 0 {
		t.Errorf("no head: %+v, %v", l, err)
	}
	if l, err = Bounds(0.2, 0.15, 0.1, 0.1, 0.1); err != nil || l.Least <= l.Most {
		t.Errorf("a roll that no overhang suits: %+v, %v", l, err)
	}
}

func TestFaults(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	fold := func(r, o, n, p float64) error { _, err := Fold(r, o, n, p); return err }
	bounds := func(r, c, k, h, l float64) error { _, err := Bounds(r, c, k, h, l); return err }
	pitch := func(c Crimper, v float64) error { _, err := c.Pitch(v); return err }
	ratio := func(c Crimper, v float64) error { _, err := c.Ratio(v); return err }
	wheel := Crimper{0.3, 12}
	for i, tc := range []struct {
		got  error
		want Fault
	}{
		{fold(nan, 0, 1, 1), BadRadius}, {fold(inf, 0, 1, 1), BadRadius}, {fold(1, nan, 1, 1), BadOverhang},
		{fold(1, 1, 1, 1), BadOverhang}, {fold(1, -1, 1, 1), BadOverhang}, {fold(1, 0, nan, 1), BadLayers},
		{fold(1, 0, 1, 0), BadPitch},
		{bounds(nan, 0, 0, 0, 0), BadRadius}, {bounds(1, nan, 0, 0, 0), BadLimit}, {bounds(1, 1, 0, 0, 0), BadLimit},
		{bounds(1, 0, nan, 0, 0), BadLimit}, {bounds(1, 0, 0, nan, 0), BadLimit}, {bounds(1, 0, 0, 0, nan), BadLimit},
		{pitch(Crimper{}, 1), BadCrimper}, {pitch(wheel, nan), BadRatio}, {ratio(Crimper{nan, 1}, 1), BadCrimper}, {ratio(wheel, 0), BadPitch},
	} {
		if !errors.Is(tc.got, tc.want) {
			t.Errorf("case %d: %v, want %v", i, tc.got, tc.want)
		}
	}
	seen := map[string]bool{}
	for f := BadRadius; f <= BadLimit; f++ {
		if s := f.Error(); seen[s] || s == Fault(0).Error() {
			t.Errorf("fault %d reads %q", f, s)
		} else {
			seen[s] = true
		}
	}
}

func TestNoAllocation(t *testing.T) {
	if n := testing.AllocsPerRun(100, func() {
		_, _ = Fold(0.6, 0.12, 3, 0.03)
		_, _ = Fold(0.6, 0.7, 3, 0.03)
		_, _ = Bounds(0.6, 0.05, 0.025, 0.58, 0.025)
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func BenchmarkFold(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		_, _ = Fold(0.6, 0.12, 3, 0.03)
	}
}
