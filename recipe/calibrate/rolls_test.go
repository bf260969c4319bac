package calibrate_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"lapgate/recipe/calibrate"
)

// wound winds a paper on a roll layer by layer, as it lies: each turn at its own
// mean diameter. It returns the length of so many whole turns.
func wound(diameter, caliper float64, turns int) float64 {
	length := 0.0
	for i := range turns {
		length += math.Pi * (diameter + float64(2*i+1)*caliper)
	}
	return length
}

func TestFeedRecovers(t *testing.T) {
	var slip within
	for seed := range uint64(100) {
		rng := rand.New(rand.NewPCG(seed, 3))
		truth, caliperOff, scannerOff := 0.03*rng.Float64(), 6e-6*rng.NormFloat64(), 0.0003*rng.NormFloat64()
		overlapOff := 0.003 * rng.NormFloat64()
		var rolls []calibrate.Fed
		for range 60 {
			d := 0.6 + 0.8*rng.Float64()
			overlap := 0.1 + 0.1*rng.Float64()
			paper := wound(d, 0.0003, 3) + overlap
			seen := d + scannerOff + 0.0003*rng.NormFloat64()
			told := math.Pi*3*(seen+3*(0.0003+caliperOff)) + overlap + overlapOff + 0.003*rng.NormFloat64()
			rolls = append(rolls, calibrate.Fed{
				Travel: math.Round(paper/(1-truth)*2000) / 2000, Wound: told,
				U:        math.Hypot(math.Pi*3*0.0003, 0.003),
				Standing: math.Sqrt(math.Pow(math.Pi*3*0.0003, 2) + math.Pow(math.Pi*9*6e-6, 2) + 0.003*0.003),
			})
		}
		got, err := calibrate.Feed(rolls)
		if err != nil {
			t.Fatal(err)
		}
		slip.take(got, truth)
	}
	slip.check(t, "slip")
}

func TestCaliperRecovers(t *testing.T) {
	var caliper within
	for seed := range uint64(100) {
		rng := rand.New(rand.NewPCG(seed, 4))
		truth, slipOff := 0.00025+0.0001*rng.Float64(), 0.002*rng.NormFloat64()
		var readings []calibrate.Unwound
		for reel := range 2 {
			// Turn by turn from the outside, with the length of each turn.
			outer, drawn, next := 1.0+0.2*rng.Float64(), 0.0, 0.0
			for outer > 0.5 {
				if drawn >= next {
					readings = append(readings, calibrate.Unwound{Reel: reel, Outer: outer + 0.002*rng.NormFloat64(), Drawn: drawn * (1 + slipOff)})
					next += 30
				}
				drawn += math.Pi * (outer - truth)
				outer -= 2 * truth
			}
		}
		got, err := calibrate.Caliper(readings, 0.002, 0.002)
		if err != nil {
			t.Fatal(err)
		}
		caliper.take(got, truth)
	}
	caliper.check(t, "caliper")
}

func TestWeighRecovers(t *testing.T) {
	var density, offset within
	for seed := range uint64(100) {
		rng := rand.New(rand.NewPCG(seed, 5))
		zero := 5 * rng.NormFloat64()
		truth := map[int]float64{1: 640 * (1 + 0.05*rng.NormFloat64()), 4: 1120 * (1 + 0.05*rng.NormFloat64())}
		var rolls []calibrate.Weighed
		for i := range 80 {
			grade := 1 + 3*(i%2)
			d, w := 0.5+0.9*rng.Float64(), 0.6+1.2*rng.Float64()
			volume := math.Pi / 4 * (d*d - 0.1*0.1) * w
			rolls = append(rolls, calibrate.Weighed{
				Grade: grade, Tare: 12, Volume: volume * (1 + 0.001*rng.NormFloat64()), VolumeU: 0.001, ScaleU: 0.3,
				Reading: math.Round((zero+12+truth[grade]*(1+0.004*rng.NormFloat64())*volume+0.3*rng.NormFloat64())*10) / 10,
			})
		}
		got, err := calibrate.Weigh(rolls)
		if err != nil {
			t.Fatal(err)
		}
		if len(got.Grades) != 2 || got.Grades[0].Code != 1 || got.Grades[1].Rolls != 40 || got.Offset.Rolls != 80 {
			t.Fatalf("seed %d: %+v", seed, got)
		}
		for _, g := range got.Grades {
			density.take(g.Estimate, truth[g.Code])
			if s := g.Scatter / g.Value; !(s > 0.002 && s < 0.007) {
				t.Errorf("seed %d: scatter of the density %.4f, want about 0.004", seed, s)
			}
		}
		offset.take(got.Offset, zero)
	}
	density.check(t, "density")
	offset.check(t, "offset of the scale")
}

// Rolls all alike do not tell an offset of the scale from their density: it is
// not told then.
func TestWeighAlike(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 6))
	var rolls []calibrate.Weighed
	for range 30 {
		rolls = append(rolls, calibrate.Weighed{Grade: 2, Tare: 10, Volume: 1, VolumeU: 0.001, ScaleU: 0.3, Reading: 10 + 700*(1+0.004*rng.NormFloat64())})
	}
	got, err := calibrate.Weigh(rolls)
	if err != nil || got.Offset != (calibrate.Estimate{}) || len(got.Grades) != 1 || math.Abs(got.Grades[0].Value-700) > 3 {
		t.Errorf("%+v, %v", got, err)
	}
}

// What cannot be estimated is an error that says why and what to do.
func TestRefusals(t *testing.T) {
	sound := make([]calibrate.Fed, 10)
	for i := range sound {
		sound[i] = calibrate.Fed{Travel: 10, Wound: 9.9, U: 0.01}
	}
	bad := append([]calibrate.Fed{{Travel: math.NaN(), Wound: 1, U: 1}}, sound...)
	flat := make([]calibrate.Point, 40)
	for i := range flat {
		flat[i] = calibrate.Point{Seconds: float64(i), Bond: 20}
	}
	wild := make([]calibrate.Point, 40)
	for i := range wild {
		wild[i] = calibrate.Point{Seconds: float64(i), Bond: 20 + 150*float64(i%2)}
	}
	back := append([]calibrate.Point{{Seconds: 9}}, flat...)
	for name, c := range map[string]struct {
		got  func() error
		want string
	}{
		"too few rolls":       {func() error { _, err := calibrate.Feed(sound[:9]); return err }, "rolls with encoder, turns and overlap: got 9, want at least 10"},
		"a roll that is none": {func() error { _, err := calibrate.Feed(bad); return err }, "roll 1 of 11"},
		"a reel hardly used": {func() error {
			_, err := calibrate.Caliper([]calibrate.Unwound{{1, 1, 0}, {1, 0.999, 10}}, 0.002, 0)
			return err
		}, "thinner by 20 mm"},
		"a reel that grows": {func() error {
			_, err := calibrate.Caliper([]calibrate.Unwound{{1, 0.9, 0}, {1, 1, 100}}, 0.002, 0)
			return err
		}, "do not grow thinner"},
		"no uncertainty":       {func() error { _, err := calibrate.Caliper(nil, 0, 0); return err }, "above zero"},
		"too few of any grade": {func() error { _, err := calibrate.Weigh(make([]calibrate.Weighed, 0)); return err }, "commonest grade"},
		"a weighing of none":   {func() error { _, err := calibrate.Weigh(make([]calibrate.Weighed, 1)); return err }, "roll 1 of 1"},
		"a curve that is flat": {func() error { _, err := calibrate.FitHeat(flat, calibrate.Known(known, 20, 176)); return err }, "press longer"},
		"a curve that jumps":   {func() error { _, err := calibrate.FitHeat(wild, calibrate.Known(known, 20, 176)); return err }, "no curve of a head on a backing fits the points"},
		"times that fall":      {func() error { _, err := calibrate.FitHeat(back, calibrate.Known(known, 20, 176)); return err }, "times that rise"},
		"a short curve":        {func() error { _, err := calibrate.FitHeat(flat[:5], calibrate.Known(known, 20, 176)); return err }, "points of the curve: got 5, want at least 12"},
		"a cold platen":        {func() error { _, err := calibrate.FitHeat(flat, calibrate.Known(known, 20, 20)); return err }, "hotter"},
		"no curves":            {func() error { _, err := calibrate.Mean(nil); return err }, "estimates: got 0, want at least 1"},
		"no estimate":          {func() error { _, err := calibrate.Mean([]calibrate.Estimate{{}}); return err }, "above zero"},
	} {
		if err := c.got(); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want an error with %q", name, err, c.want)
		}
	}
}

// Several curves: their scatter averages out, what each took as known does not.
func TestMean(t *testing.T) {
	got, err := calibrate.Mean([]calibrate.Estimate{{Value: 300, U: 24}, {Value: 330, U: 26.4}, {Value: 270, U: 21.6}})
	if err != nil || math.Abs(got.Value-298.99) > 0.1 || got.Rolls != 3 {
		t.Errorf("%+v, %v", got, err)
	}
	// 8 % of each, and a standard deviation of the logarithms of 0.1005 over √3.
	if u := got.U / got.Value; math.Abs(u-math.Hypot(0.08, 0.1005/math.Sqrt(3))) > 0.001 {
		t.Errorf("u is %.4f of the value", u)
	}
	one, err := calibrate.Mean([]calibrate.Estimate{{Value: 300, U: 24}})
	if err != nil || math.Abs(one.U-24) > 1e-9 {
		t.Errorf("of one: %+v, %v", one, err)
	}
}
