package heads_test

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"

	"lapgate/recipe/heads"
)

const inch = 0.0254

// lapOf is how far a folded overhang comes in under the edge of an outer head,
// m: o − (R − R_head).
func lapOf(diameter, overhang, head float64) float64 { return overhang - (diameter-head)/2 }

// outer is the window of a head that keeps a clearance from the edge of a roll
// all round, and laps the overhang.
func outer(diameter, overhang, lap, clearance float64) heads.Window {
	return heads.Window{diameter - 2*(overhang-lap), diameter - 2*clearance}
}

func TestChoose(t *testing.T) {
	stock := []float64{40 * inch, 30 * inch, math.NaN(), 36 * inch, -1, 36 * inch, math.Inf(1)}
	for _, tc := range []struct {
		name     string
		diameter float64 // in; overhang 5 in, lap 1 in, clearance 1/4 in
		sizes    []float64
		index    int
		err      error
		below    float64
		above    float64
	}{
		{"largest that fits", 40.4, stock, 3, nil, 36, 36},
		{"just fits", 40.5, stock, 0, nil, 40, 36},
		{"just covers", 38, stock[1:2], 0, nil, 30, 30},
		{"does not cover", 38.1, stock[1:2], -1, heads.NoneCovers, 30, 0},
		{"between sizes", 36.4, []float64{28 * inch, 36 * inch}, -1, heads.NoneCovers, 28, 36},
		{"all too wide", 29, stock, -1, heads.AllTooWide, 0, 30},
		{"empty", 40, nil, -1, heads.NoStock, 0, 0},
		{"no number", 40, []float64{math.NaN(), 0}, -1, heads.NoStock, 0, 0},
	} {
		t.Run(tc.name, func(t *testing.T) {
			w := outer(tc.diameter*inch, 5*inch, 1*inch, 0.25*inch)
			c, err := heads.Choose(tc.sizes, w)
			if c.Index != tc.index || !errors.Is(err, tc.err) || math.Abs(c.Below-tc.below*inch) > 1e-12 || math.Abs(c.Above-tc.above*inch) > 1e-12 {
				t.Errorf("%+v, %v", c, err)
			}
		})
	}
}

func TestChooseProperty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		sizes := rapid.SliceOf(rapid.Float64Range(0.1, 2)).Draw(t, "sizes")
		d := rapid.Float64Range(0.3, 1.9).Draw(t, "diameter")
		o := rapid.Float64Range(0, 0.3).Draw(t, "overhang")
		lap := rapid.Float64Range(0, 0.1).Draw(t, "lap")
		w := outer(d, o, lap, 0.005)
		c, err := heads.Choose(sizes, w)
		ok := func(v float64) bool { return v <= d-0.01+2*1e-9 && lapOf(d, o, v) >= lap-2*1e-9 }
		if err == nil && !ok(c.Diameter) {
			t.Fatalf("%+v does not do", c)
		}
		for _, v := range sizes {
			strict := v <= d-0.01 && lapOf(d, o, v) >= lap
			if strict && (err != nil || v > c.Diameter) {
				t.Fatalf("%v does, got %+v, %v", v, c, err)
			}
		}
	})
}

func TestWindows(t *testing.T) {
	if w, err := heads.Plug(0.0762, 0.001, 0.003); err != nil || math.Abs(w.Least-0.0732) > 1e-12 || math.Abs(w.Most-0.0752) > 1e-12 {
		t.Errorf("plug %+v, %v", w, err)
	}
	nan := math.NaN()
	for i, err := range []error{
		second(heads.Plug(nan, 0, 0)), second(heads.Plug(1, nan, 0)), second(heads.Plug(1, 2, 1)),
	} {
		if !errors.Is(err, heads.BadWindow) {
			t.Errorf("case %d: %v", i, err)
		}
	}
	if _, err := heads.Choose([]float64{1}, heads.Window{nan, 1}); !errors.Is(err, heads.BadWindow) {
		t.Errorf("%v", err)
	}
}

func second(_ heads.Window, err error) error { return err }

func TestForce(t *testing.T) {
	c := heads.Cylinder{Bore: 0.1, Efficiency: 0.9, Count: 2}
	f, err := c.Force(5e6)
	if want := 2 * math.Pi / 4 * 0.01 * 0.9 * 5e6; err != nil || math.Abs(f-want) > 1e-6 {
		t.Errorf("force %v, %v; want %v", f, err, want)
	}
	nan := math.NaN()
	for i, tc := range []struct {
		got  error
		want heads.Fault
	}{
		{third(c.Force(nan)), heads.BadPressure},
		{third(heads.Cylinder{}.Force(1)), heads.BadArea},
		{third(heads.Cylinder{Bore: 1, Count: 1, Efficiency: 1.1}.Force(1)), heads.BadArea},
	} {
		if !errors.Is(tc.got, tc.want) {
			t.Errorf("case %d: %v, want %v", i, tc.got, tc.want)
		}
	}
}

func third(_ float64, err error) error { return err }

func TestFaultsReadApart(t *testing.T) {
	seen := map[string]bool{}
	for f := heads.NoStock; f <= heads.BadContact; f++ {
		if s := f.Error(); seen[s] || s == heads.Fault(0).Error() {
			t.Errorf("fault %d reads %q", f, s)
		} else {
			seen[s] = true
		}
	}
}

func TestNoAllocation(t *testing.T) {
	stock := []float64{0.5, 0.6, 0.7}
	if n := testing.AllocsPerRun(100, func() {
		_, _ = heads.Choose(stock, outer(0.65, 0.127, 0.025, 0.01))
		_, _ = heads.Choose(nil, heads.Window{0.5, 0.6})
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}
