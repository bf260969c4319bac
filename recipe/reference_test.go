package recipe_test

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/integrate/quad"

	"lapgate/recipe/quantity"
	"lapgate/recipe/recipetest"
)

// reference gives the value of a check of paper.csv, its tolerance and source.
func reference(t *testing.T, check string) (value, tolerance float64, source string) {
	t.Helper()
	for _, row := range rows(t, "paper.csv") {
		if row[0] == check {
			v := numbers(t, row[1:3])
			return v[0], v[1], row[4] + " (" + row[3] + ")"
		}
	}
	t.Fatalf("paper.csv has no check %s", check)
	return 0, 0, ""
}

// spiral is the arc length of r(θ) = start + rise·θ/2π over some turns, by
// quadrature.
func spiral(start, rise, turns float64) float64 {
	b := rise / (2 * math.Pi)
	return quad.Fixed(func(theta float64) float64 {
		return math.Hypot(start+b*theta, b)
	}, 0, 2*math.Pi*turns, 200, quad.Legendre{}, 0)
}

// TestFeedAgainstSpiral compares the sum of circles with the spiral that the
// wrapper really is: a sheet whose middle starts half a caliper above the roll.
func TestFeedAgainstSpiral(t *testing.T) {
	want, tolerance, source := reference(t, "archimedean")
	if got := spiral(0, 2*math.Pi, 1); !(math.Abs(got/want-1) <= tolerance) {
		t.Errorf("r = θ over one turn is %v, want %v; %s", got, want, source)
	}
	line, roll := recipetest.Line(), sampleRoll()
	line.Materials.Papers[0].Caliper = 0.3e-3
	line.Materials.Specs[0].Overlap = 0
	line.Wrap.FeedSlip = 0
	const n, caliper = 3, 0.3e-3
	rec := compute(line, roll, sampleStand())
	excess := spiral(roll.Diameter/2+caliper/2, caliper, n) - rec.Setpoints.FeedLength
	if math.Abs(excess-math.Pi*n*caliper) > 1e-7 {
		t.Errorf("the spiral is longer by %v m, want πNt = %v m", excess, math.Pi*n*caliper)
	}
	want, tolerance, source = reference(t, "spiral_excess")
	if !(math.Abs(excess/want-1) <= tolerance) {
		t.Errorf("the spiral is longer by %v m, want about %v m; %s", excess, want, source)
	}
}

// TestReamConstants checks the conversion of basis weights against the
// constants of the trade, right and wrong.
func TestReamConstants(t *testing.T) {
	parse := func(text string) float64 {
		v, err := quantity.Parse(text, quantity.BasisWeight)
		if err != nil {
			t.Fatal(err)
		}
		return 1000 * v // g/m²
	}
	perSquareInch := parse("1 lb/17x22") * 17 * 22
	for _, check := range []string{"ream_constant", "ream_constant_trade"} {
		want, tolerance, source := reference(t, check)
		if !(math.Abs(perSquareInch/want-1) <= tolerance) {
			t.Errorf("1 lb is %v g/m², want %v; %s", perSquareInch, want, source)
		}
	}
	wrong, _, source := reference(t, "ream_1000ft2_wrong")
	// It is 1.05 % low: near enough to be believed, and too far to be right.
	if got := parse("1 lb/1000ft2"); math.Abs(wrong/got-0.98947) > 1e-5 {
		t.Errorf("1 lb in 1000 ft² is %v g/m², printed wrongly as %v; %s", got, wrong, source)
	}
}

// TestConductanceFollowsPressure holds the contact to its law: constant at
// exponent 0 or without a pressure, a power between the calibrated pressures,
// that of the nearer end outside.
func TestConductanceFollowsPressure(t *testing.T) {
	h := recipetest.Line().Header
	h.Conductance, h.Exponent = 1000, 0
	for _, p := range []float64{0, 1e3, 10e3, 1e6} {
		if got, err := h.ConductanceAt(p); got != 1000 || err != nil {
			t.Errorf("exponent 0 at %v Pa: %v, %v", p, got, err)
		}
	}
	h.Exponent = 0.5
	for _, c := range [][2]float64{{0, 1000}, {10e3, 1000}, {2.5e3, 500}, {40e3, 2000}, {100e3, 1000 * math.Sqrt(10)}, {1e6, 1000 * math.Sqrt(10)}, {400, 1000 * math.Sqrt(0.2)}} {
		if got, err := h.ConductanceAt(c[0]); !(math.Abs(got/c[1]-1) <= 1e-12) || err != nil {
			t.Errorf("at %v Pa: %v, %v, want %v", c[0], got, err, c[1])
		}
	}
	h.Reference = 0
	if got, err := h.ConductanceAt(10e3); err == nil {
		t.Errorf("without a reference: %v", got)
	}
}

// TestRingPressure: the ring of the fold carries the force, so a larger roll
// under the same force is pressed less, and the same head with a wider fold
// too.
func TestRingPressure(t *testing.T) {
	line, roll := recipetest.Line(), sampleRoll()
	rec := compute(line, roll, sampleStand())
	sp := &rec.Setpoints
	force := 0.9 * 4e6 * math.Pi / 4 * 0.063 * 0.063
	edge, fold := sp.OuterHead/2, roll.Diameter/2-sp.Overhang
	if want := force / (math.Pi * (edge*edge - fold*fold)); !(math.Abs(sp.ContactPressure/want-1) <= 1e-12) {
		t.Errorf("pressure %v, want %v", sp.ContactPressure, want)
	}
}
