package heads_test

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"strconv"
	"testing"

	"pgregory.net/rapid"

	"lapgate/recipe/heads"
)

const inch = 0.0254

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
		ok := func(v float64) bool { return v <= d-0.01+2*1e-9 && heads.Lap(d, o, v) >= lap-2*1e-9 }
		if err == nil && !ok(c.Diameter) {
			t.Fatalf("%+v does not do", c)
		}
		for _, v := range sizes {
			strict := v <= d-0.01 && heads.Lap(d, o, v) >= lap
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

func TestPressure(t *testing.T) {
	c := heads.Cylinder{Bore: 0.1, Efficiency: 0.9, Count: 2}
	f, err := c.Force(5e6)
	if want := 2 * math.Pi / 4 * 0.01 * 0.9 * 5e6; err != nil || math.Abs(f-want) > 1e-6 {
		t.Errorf("force %v, %v; want %v", f, err, want)
	}
	back, err := c.Pressure(f)
	if err != nil || math.Abs(back-5e6) > 1e-6 {
		t.Errorf("pressure %v, %v", back, err)
	}
	// The head's area counts, but for the core hole; a smaller platen's else.
	p, err := heads.ContactPressure(1000, 1, 1.5, 0.5)
	if want := 1000 / (math.Pi / 4 * 0.75); err != nil || math.Abs(p-want) > 1e-9 {
		t.Errorf("contact %v, %v; want %v", p, err, want)
	}
	if q, _ := heads.ContactPressure(1000, 1.5, 1, 0.5); q != p {
		t.Errorf("small platen %v, want %v", q, p)
	}
	nan := math.NaN()
	for i, tc := range []struct {
		got  error
		want heads.Fault
	}{
		{third(heads.ContactPressure(nan, 1, 1, 0)), heads.BadForce},
		{third(heads.ContactPressure(1, nan, 1, 0)), heads.BadArea},
		{third(heads.ContactPressure(1, 1, 1, 1)), heads.BadArea},
		{third(heads.ContactPressure(1, 1, 1, nan)), heads.BadArea},
		{third(c.Force(nan)), heads.BadPressure},
		{third(c.Pressure(-1)), heads.BadForce},
		{third(heads.Cylinder{}.Force(1)), heads.BadArea},
		{third(heads.Cylinder{Bore: 1, Count: 1, Efficiency: 1.1}.Pressure(1)), heads.BadArea},
	} {
		if !errors.Is(tc.got, tc.want) {
			t.Errorf("case %d: %v, want %v", i, tc.got, tc.want)
		}
	}
}

func third(_ float64, err error) error { return err }

// The published range of platen on paper (ASME J. Heat Transfer 114(2):326,
// abstract, label P): curves through its ends must give them back, stay within
// them between, and never promise more outside.
func TestConductanceReference(t *testing.T) {
	f, err := os.Open("../../testdata/reference/conductance.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for col := 1; col <= 2; col++ {
		var curve []heads.Point
		for _, row := range rows[1:] {
			p, e1 := strconv.ParseFloat(row[0], 64)
			h, e2 := strconv.ParseFloat(row[col], 64)
			if e1 != nil || e2 != nil {
				t.Fatal(e1, e2)
			}
			curve = append(curve, heads.Point{p * 1000, h})
		}
		for i, pt := range curve {
			h, outside, err := heads.Conductance(curve, pt.Pressure)
			if err != nil || outside || math.Abs(h-pt.Conductance) > 1e-9*pt.Conductance {
				t.Errorf("%v Pa: %v, %v, %v; want %v, %s", pt.Pressure, h, outside, err, pt.Conductance, rows[i+1][4])
			}
		}
		lo, hi := curve[0], curve[1]
		mid := math.Sqrt(lo.Pressure * hi.Pressure)
		if h, _, _ := heads.Conductance(curve, mid); math.Abs(h-math.Sqrt(lo.Conductance*hi.Conductance)) > 1e-9*h {
			t.Errorf("at the geometric mean of the pressures %v", h)
		}
		if h, outside, _ := heads.Conductance(curve, lo.Pressure/10); !outside || h >= lo.Conductance || h <= 0 {
			t.Errorf("below: %v, %v", h, outside)
		}
		if h, outside, _ := heads.Conductance(curve, hi.Pressure*10); !outside || h != hi.Conductance {
			t.Errorf("above: %v, %v", h, outside)
		}
	}
}

func TestConductanceFaults(t *testing.T) {
	nan := math.NaN()
	good := []heads.Point{{1000, 100}, {2000, 150}}
	for i, tc := range []struct {
		curve []heads.Point
		p     float64
		want  heads.Fault
	}{
		{nil, 1, heads.BadCurve}, {[]heads.Point{{nan, 1}}, 1, heads.BadCurve}, {[]heads.Point{{1, nan}}, 1, heads.BadCurve},
		{[]heads.Point{{2, 1}, {1, 2}}, 1, heads.BadCurve}, {[]heads.Point{{1, 1}, {1, 2}}, 1, heads.BadCurve}, {good, nan, heads.BadPressure}, {good, 0, heads.BadPressure},
	} {
		if _, _, err := heads.Conductance(tc.curve, tc.p); !errors.Is(err, tc.want) {
			t.Errorf("case %d: %v, want %v", i, err, tc.want)
		}
	}
	if h, outside, err := heads.Conductance(good[:1], 500); h != 50 || !outside || err != nil {
		t.Errorf("half the only pressure: %v, %v, %v", h, outside, err)
	}
	if h, _, _ := heads.Conductance([]heads.Point{{1000, 100}, {2000, 50}}, 500); h != 100 {
		t.Errorf("a falling curve promised %v below its first point", h)
	}
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
	curve := []heads.Point{{1000, 100}, {2000, 150}}
	if n := testing.AllocsPerRun(100, func() {
		_, _ = heads.Choose(stock, outer(0.65, 0.127, 0.025, 0.01))
		_, _ = heads.Choose(nil, heads.Window{0.5, 0.6})
		p, _ := heads.ContactPressure(1000, 0.6, 0.6, 0.1)
		_, _, _ = heads.Conductance(curve, p)
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func BenchmarkConductance(b *testing.B) {
	curve := []heads.Point{{1000, 100}, {2000, 150}, {4000, 200}}
	b.ReportAllocs()
	for b.Loop() {
		_, _, _ = heads.Conductance(curve, 3000)
	}
}
