package reel_test

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"lapgate/recipe/reel"
)

func table(t *testing.T, name string) [][]string {
	t.Helper()
	text, err := os.ReadFile("../../testdata/reference/" + name)
	if err != nil {
		t.Fatal(err)
	}
	r := csv.NewReader(strings.NewReader(string(text)))
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows[1:]
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func known(l, u float64) reel.Estimate { return reel.Estimate{l, u, true} }

// The lengths of testdata/reference/left.csv; each row names its source.
func TestReferenceLeft(t *testing.T) {
	rows := table(t, "left.csv")
	for _, row := range rows {
		w := reel.Winding{Outer: number(t, row[0]), Core: number(t, row[1]), Caliper: number(t, row[2])}
		want, tol := number(t, row[3]), number(t, row[4])
		got, err := w.Left()
		if err != nil || math.Abs(got.Length-want) > tol*want {
			t.Errorf("%v, %v, want %v; %s (%s)", got, err, want, row[7], row[6])
		}
	}
	if len(rows) < 4 {
		t.Errorf("%d rows", len(rows))
	}
}

// The closed form against the arc length of the spiral r = ID/2 + t·θ/2π,
// by Simpson's rule over a million steps.
func TestAgainstSpiral(t *testing.T) {
	w := reel.Winding{Outer: 1, Core: 0.0762, Caliper: 0.0003}
	b := w.Caliper / (2 * math.Pi)
	end := (w.Outer - w.Core) / 2 / b
	f := func(theta float64) float64 { return math.Hypot(w.Core/2+b*theta, b) }
	const n = 1_000_000
	sum := f(0) + f(end)
	for i := 1; i < n; i++ {
		sum += float64(2+2*(i%2)) * f(end*float64(i)/n)
	}
	spiral := sum * end / n / 3
	got, err := w.Left()
	extra := w.Caliper / (4 * math.Pi) * math.Log(w.Outer/w.Core)
	if err != nil || math.Abs(spiral-got.Length-extra) > 1e-8 {
		t.Errorf("closed form %v, spiral %v, expected to be longer by %v: %v", got.Length, spiral, extra, err)
	}
}

// outerOf is the outer diameter of a length.
func outerOf(length, core, caliper float64) float64 {
	return math.Sqrt(core*core + 4*length*caliper/math.Pi)
}

func TestInverses(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		core := rapid.Float64Range(0.02, 0.5).Draw(t, "core")
		caliper := rapid.Float64Range(2e-5, 3e-3).Draw(t, "caliper")
		length := rapid.Float64Range(0, 5000).Draw(t, "length")
		od := outerOf(length, core, caliper)
		w := reel.Winding{Outer: od, Core: core, Caliper: caliper}
		back, err := w.Left()
		if err != nil || math.Abs(back.Length-length) > 1e-9*(length+core*core/caliper) {
			t.Fatalf("%v m, %v m outer, back %v: %v", length, od, back.Length, err)
		}
		if length < 1 {
			return
		}
		c, _, err := reel.Caliper(od, 0, core, known(length, 0))
		if err != nil || math.Abs(c-caliper) > 1e-9*caliper*(1+core*core/caliper/length) {
			t.Fatalf("caliper %v, calibrated %v: %v", caliper, c, err)
		}
	})
}

// First-order uncertainties against central differences.
func TestUncertainty(t *testing.T) {
	w := reel.Winding{Outer: 0.9, OuterU: 0.002, Core: 0.0762, Caliper: 0.0003, CaliperU: 5e-6}
	e, err := w.Left()
	if err != nil {
		t.Fatal(err)
	}
	left := func(od, c float64) float64 {
		v, err := (&reel.Winding{Outer: od, Core: 0.0762, Caliper: c}).Left()
		if err != nil {
			t.Fatal(err)
		}
		return v.Length
	}
	dOD := (left(0.9001, 0.0003) - left(0.8999, 0.0003)) / 0.0002 * 0.002
	dT := (left(0.9, 0.00030001) - left(0.9, 0.00029999)) / 2e-8 * 5e-6
	if want := math.Hypot(dOD, dT); math.Abs(e.U-want) > 1e-5*want {
		t.Errorf("u %v, by differences %v", e.U, want)
	}
	caliper := func(od, l float64) float64 {
		v, _, err := reel.Caliper(od, 0, 0.0762, known(l, 0))
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	_, u, err := reel.Caliper(0.9, 0.002, 0.0762, known(2000, 20))
	dOD = (caliper(0.9001, 2000) - caliper(0.8999, 2000)) / 0.0002 * 0.002
	dL := (caliper(0.9, 2000.1) - caliper(0.9, 1999.9)) / 0.2 * 20
	if want := math.Hypot(dOD, dL); err != nil || math.Abs(u-want) > 1e-5*want {
		t.Errorf("u of the caliper %v, by differences %v: %v", u, want, err)
	}
}

func TestReconcile(t *testing.T) {
	none := reel.Estimate{}
	for _, tc := range []struct {
		name string
		a, b reel.Estimate
		want reel.Reconciled
	}{
		{"equal weights", known(100, 2), known(104, 2), reel.Reconciled{known(102, math.Sqrt2), -4, false}},
		{"the surer weighs more", known(100, 1), known(103, 2), reel.Reconciled{known(100.6, math.Sqrt(0.8)), -3, false}},
		{"one exact", known(100, 0), known(103, 2), reel.Reconciled{known(100, 0), -3, false}},
		{"both exact", known(100, 0), known(100, 0), reel.Reconciled{known(100, 0), 0, false}},
		{"disagree, consumption less", known(120, 2), known(100, 2), reel.Reconciled{known(100, 20), 20, true}},
		{"disagree, diameter less", known(90, 2), known(100, 2), reel.Reconciled{known(90, 10), -10, true}},
		{"diameter only", known(90, 2), none, reel.Reconciled{known(90, 2), 0, false}},
		{"consumption only", none, known(90, 2), reel.Reconciled{known(90, 2), 0, false}},
		{"no number is none", known(math.NaN(), 1), known(90, 2), reel.Reconciled{known(90, 2), 0, false}},
	} {
		got, err := reel.Reconcile(tc.a, tc.b, 2)
		if err != nil || math.Abs(got.Length-tc.want.Length) > 1e-12 || math.Abs(got.U-tc.want.U) > 1e-12 ||
			got.Gap != tc.want.Gap || got.Disagree != tc.want.Disagree || !got.Known {
			t.Errorf("%s: %+v, %v, want %+v", tc.name, got, err, tc.want)
		}
	}
	if _, err := reel.Reconcile(none, none, 2); !errors.Is(err, reel.Unknown) {
		t.Errorf("%v", err)
	}
	rapid.Check(t, func(t *rapid.T) {
		a := known(rapid.Float64Range(0, 1000).Draw(t, "a"), rapid.Float64Range(0.01, 50).Draw(t, "u(a)"))
		b := known(rapid.Float64Range(0, 1000).Draw(t, "b"), rapid.Float64Range(0.01, 50).Draw(t, "u(b)"))
		r, err := reel.Reconcile(a, b, 2)
		if err != nil || r.Length < min(a.Length, b.Length)-1e-9 || r.Length > max(a.Length, b.Length)+1e-9 {
			t.Fatalf("%+v, %v", r, err)
		}
		if !r.Disagree && r.U > min(a.U, b.U)+1e-9 {
			t.Fatalf("less sure than the surer: %+v", r)
		}
	})
}

func TestUse(t *testing.T) {
	e, err := reel.AfterUse(known(1000, 5), 300, 0.01)
	if err != nil || e.Length != 700 || math.Abs(e.U-math.Hypot(5, 3)) > 1e-12 {
		t.Errorf("%+v, %v", e, err)
	}
	if e, err = reel.AfterUse(known(10, 0), 30, 0); err != nil || e.Length != 0 {
		t.Errorf("overdrawn: %+v, %v", e, err)
	}
	if got := reel.Usable(known(100, 2), 5, 3, 2); got != 88 {
		t.Errorf("usable %v", got)
	}
	for i, got := range []float64{
		reel.Usable(reel.Estimate{}, 0, 0, 0), reel.Usable(known(5, 0), 5, 3, 2), reel.Usable(known(math.NaN(), 0), 0, 0, 0),
		reel.Usable(known(9, math.NaN()), 0, 0, 1), reel.Usable(known(9, 1), -1, 0, 1), reel.Usable(known(9, 1), 0, 0, -1),
	} {
		if got != 0 {
			t.Errorf("case %d: usable %v", i, got)
		}
	}
	for _, tc := range []struct {
		usable, feed float64
		want         int
	}{
		{100, 10, 10}, {99.9, 10, 9}, {1.1 * 10, 1.1, 10}, {0, 10, 0}, {10, 0, 0}, {math.NaN(), 1, 0}, {1, math.NaN(), 0}, {1e300, 1, 1_000_000},
	} {
		if got := reel.Rolls(tc.usable, tc.feed); got != tc.want {
			t.Errorf("%v m at %v m: %d rolls, want %d", tc.usable, tc.feed, got, tc.want)
		}
	}
}

func TestFaults(t *testing.T) {
	nan := math.NaN()
	left := func(w reel.Winding) error { _, err := w.Left(); return err }
	use := func(e reel.Estimate, d, u float64) error { _, err := reel.AfterUse(e, d, u); return err }
	caliper := func(o, u, c float64, l reel.Estimate) error { _, _, err := reel.Caliper(o, u, c, l); return err }
	reconcile := func(k float64) error { _, err := reel.Reconcile(known(1, 1), known(1, 1), k); return err }
	for i, tc := range []struct {
		got  error
		want reel.Fault
	}{
		{left(reel.Winding{Outer: nan, Core: 0.1, Caliper: 1}), reel.BadDiameter}, {left(reel.Winding{Outer: 0.05, Core: 0.1, Caliper: 1}), reel.BadDiameter},
		{left(reel.Winding{Outer: 1, Core: nan, Caliper: 1}), reel.BadDiameter}, {left(reel.Winding{Outer: 1, Caliper: nan}), reel.BadCaliper},
		{left(reel.Winding{Outer: 1, Caliper: 1, OuterU: nan}), reel.BadUncertainty}, {left(reel.Winding{Outer: 1, Caliper: 1, CaliperU: -1}), reel.BadUncertainty},
		{use(reel.Estimate{}, 1, 0), reel.BadLength}, {use(known(1, 0), nan, 0), reel.BadLength}, {use(known(1, nan), 1, 0), reel.BadUncertainty}, {use(known(1, 0), 1, nan), reel.BadUncertainty},
		{caliper(nan, 0, 0.1, known(1, 0)), reel.BadDiameter}, {caliper(0.1, 0, 0.1, known(1, 0)), reel.BadDiameter}, {caliper(1, 0, 0.1, known(0, 0)), reel.BadLength},
		{caliper(1, nan, 0.1, known(1, 0)), reel.BadUncertainty},
		{reconcile(nan), reel.BadUncertainty},
	} {
		if !errors.Is(tc.got, tc.want) {
			t.Errorf("case %d: %v, want %v", i, tc.got, tc.want)
		}
	}
	seen := map[string]bool{}
	for f := reel.BadDiameter; f <= reel.Unknown; f++ {
		if s := f.Error(); seen[s] || s == reel.Fault(0).Error() {
			t.Errorf("fault %d reads %q", f, s)
		} else {
			seen[s] = true
		}
	}
}

func TestNoAllocation(t *testing.T) {
	w := reel.Winding{Outer: 0.9, OuterU: 0.002, Core: 0.0762, Caliper: 0.0003, CaliperU: 5e-6}
	if n := testing.AllocsPerRun(100, func() {
		a, _ := w.Left()
		b, _ := reel.AfterUse(a, 100, 0.01)
		r, _ := reel.Reconcile(a, b, 2)
		_ = reel.Usable(r.Estimate, 5, 0, 2)
		_, _ = reel.Reconcile(reel.Estimate{}, reel.Estimate{}, 2)
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func BenchmarkLeft(b *testing.B) {
	w := reel.Winding{Outer: 0.9, OuterU: 0.002, Core: 0.0762, Caliper: 0.0003, CaliperU: 5e-6}
	b.ReportAllocs()
	for b.Loop() {
		a, _ := w.Left()
		c, _ := reel.AfterUse(a, 100, 0.01)
		_, _ = reel.Reconcile(a, c, 2)
	}
}
