package recipe_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"lapgate/recipe"
	"lapgate/recipe/recipetest"
)

// pleatsOf is the folded end of a roll of a radius, m, on a line with a
// crimper wheel.
func pleatsOf(radius, overhang, layers, pitch float64) (recipe.Pleats, bool) {
	line := recipe.Line{Crimp: recipe.Crimp{Blades: 12}}
	return line.Pleats(&recipe.Spec{Layers: layers, PleatPitch: pitch}, 2*radius, overhang)
}

func TestPleats(t *testing.T) {
	// 0.6 m radius, 0.12 m overhang, 3 layers, 30 mm pitch.
	p, ok := pleatsOf(0.6, 0.12, 3, 0.03)
	if !ok {
		t.Fatal("no pleats")
	}
	for _, v := range [][2]float64{
		{p.PerTurn, 2 * math.Pi * 20}, {p.Gathered, 2 * math.Pi * 0.12}, {p.Each, 0.006}, {p.Depth, 0.003},
		{p.Spacing, 0.024}, {p.Mean, 3 / 0.8}, {p.Most, 9},
	} {
		if math.Abs(v[0]-v[1]) > 1e-12 {
			t.Errorf("got %v, want %v in %+v", v[0], v[1], p)
		}
	}
	// Pleats lie on one another where depth passes spacing, at o = 2R/3.
	for _, tc := range []struct{ overhang, most float64 }{{0, 3}, {0.39, 9}, {0.4, 9}, {0.41, 15}, {0.481, 21}} {
		if p, ok := pleatsOf(0.6, tc.overhang, 3, 0.03); !ok || p.Most != tc.most {
			t.Errorf("overhang %v: %v thicknesses, %v; want %v", tc.overhang, p.Most, ok, tc.most)
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
		p, ok := pleatsOf(r, o, 1, pitch)
		if !ok {
			t.Fatal("no pleats")
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

func TestNoPleats(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, c := range [][4]float64{
		{nan, 0, 1, 1}, {inf, 0, 1, 1}, {1, nan, 1, 1}, {1, 1, 1, 1}, {1, -1, 1, 1}, {1, 0, nan, 1}, {1, 0, 1, 0},
	} {
		if p, ok := pleatsOf(c[0], c[1], c[2], c[3]); ok {
			t.Errorf("%v make %+v", c, p)
		}
	}
	if p, ok := new(recipe.Line).Pleats(&recipe.Spec{Layers: 3, PleatPitch: 0.03}, 1.2, 0.12); ok {
		t.Errorf("crimpers without a wheel make %+v", p)
	}
}

// The tips of a wheel of 0.3 m with 12 blades strike π·0.3/12 apart at the
// speed of the roll; half that pitch takes twice the speed.
func TestStrikeRatio(t *testing.T) {
	line, roll, stand := recipetest.Line(), sampleRoll(), sampleStand()
	line.Drives.Crimper.Diameter, line.Crimp.Blades = 0.3, 12
	line.Drives.Crimper.Limits.Max, line.Drives.Crimper.BaseHz = 300, 300
	hz := func(pitch float64) float64 {
		line.Materials.Specs[0].PleatPitch = pitch
		rec := compute(line, roll, stand)
		if rec.Setpoints.CrimperHz == 0 {
			t.Fatalf("no frequency at a pitch of %v: %+v", pitch, rec.Problems[:rec.N])
		}
		return rec.Setpoints.CrimperHz
	}
	motor := line.Drives.Crimper.Motor()
	at, err := motor.Surface(hz(math.Pi * 0.3 / 12))
	if err != nil || math.Abs(at-line.Crimp.Speed) > 1e-9 {
		t.Errorf("tips at %v m/s, %v; want the speed of the roll, %v", at, err, line.Crimp.Speed)
	}
	twice, err := motor.Surface(hz(math.Pi * 0.3 / 24))
	if err != nil || math.Abs(twice-2*at) > 1e-9 {
		t.Errorf("tips at %v m/s for half the pitch, %v; want %v", twice, err, 2*at)
	}
}
