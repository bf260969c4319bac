package process_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"lapgate/gateway/process"
	"lapgate/gateway/record"
	"lapgate/recipe/calibrate"
)

// What rolls tell comes together so that slip, caliper, density and the zero of
// the scale are found again.
func TestActuals(t *testing.T) {
	line := demoLine(t)
	rng := rand.New(rand.NewPCG(1, 1))
	const slip, caliper, zero = 0.012, 0.00032, 3.0
	outer := 1.0
	var a process.Actuals
	for n := range uint32(120) {
		roll := rollOf(t, wrapped(t, n+1, func(q *record.Request, o *record.Outcome) {
			d := 0.7 + 0.6*rng.Float64()
			q.Measured.Diameter, q.Measured.DiameterMax = d, d
			q.Stand.Outer[3] = outer + 0.001*rng.NormFloat64()
			paper := math.Pi*3*(d+3*0.0003048) + 0.1524 + 0.002*rng.NormFloat64()
			o.Outcome.EncoderUsed = uint32(math.Round(1e4 * paper / (1 - slip)))
			if n != 60 {
				outer = math.Sqrt(outer*outer - 4*caliper*paper/math.Pi)
			}
			volume := math.Pi / 4 * (d*d - 0.0889*0.0889) * 50 * inch
			o.Weighing.Reading = zero + 640*(1+0.003*rng.NormFloat64())*volume
			if n == 60 { // removed before it was wrapped: it tells nothing and draws nothing
				o.Outcome.Outcome, o.Outcome.EncoderUsed = 3, 0
			}
		}))
		a.Take(line, roll)
	}
	if len(a.Fed) != 119 || len(a.Weighed) != 119 || len(a.Papers) != 1 || a.Papers[0].Paper != "kraft-poly" {
		t.Fatalf("%d fed, %d weighed, papers %d", len(a.Fed), len(a.Weighed), len(a.Papers))
	}
	check := func(what string, e calibrate.Estimate, err error, want float64) {
		t.Helper()
		if err != nil || !(math.Abs(e.Value-want) <= 2*e.U) || !(e.U < 0.1*math.Abs(want)) {
			t.Errorf("%s: %+v, %v; want %g", what, e, err, want)
		}
	}
	e, err := calibrate.Feed(a.Fed)
	check("slip", e, err, slip)
	// Drawn is less by the slip that is configured, none here: the caliper comes
	// out less by what slips away unseen.
	e, err = calibrate.Caliper(a.Papers[0].Readings, 0.001, 0.002)
	check("caliper", e, err, caliper*(1-slip))
	for i := range a.Weighed { // put the packing on the scale too
		w := &a.Weighed[i]
		if !(w.Tare > 3 && w.Tare < 25) {
			t.Fatalf("tare %g kg", w.Tare)
		}
		w.Reading += w.Tare
	}
	d, err := calibrate.Weigh(a.Weighed)
	if err != nil || len(d.Grades) != 1 {
		t.Fatalf("%+v, %v", d, err)
	}
	check("density", d.Grades[0].Estimate, nil, 640)
	if math.Abs(d.Offset.Value-zero) > 2*d.Offset.U {
		t.Errorf("zero of the scale %+v, want %g", d.Offset, zero)
	}
}

// A roll of which nothing is known ends the accounts of the wrapper rolls.
func TestActualsGap(t *testing.T) {
	line := demoLine(t)
	var a process.Actuals
	for _, n := range []uint32{1, 2, 5} {
		a.Take(line, rollOf(t, wrapped(t, n, nil)))
	}
	reels := map[int]int{}
	for _, r := range a.Papers[0].Readings {
		reels[r.Reel]++
	}
	// Six before the gap, of which one was read twice, and six after it.
	if len(reels) != 12 || len(a.Papers[0].Readings) != 13 {
		t.Errorf("%d wrapper rolls, %d readings", len(reels), len(a.Papers[0].Readings))
	}
}

// A telescoped roll is wider than its paper, and tells no density.
func TestActualsOfTelescopedRolls(t *testing.T) {
	line := demoLine(t)
	for spread, want := range map[float64]int{0.002: 1, 0.006: 0} {
		var a process.Actuals
		a.Take(line, rollOf(t, wrapped(t, 1, func(q *record.Request, _ *record.Outcome) { q.Measured.WidthSpread = spread })))
		if len(a.Weighed) != want || len(a.Fed) != 1 {
			t.Errorf("spread %g m: %d weighed, %d fed", spread, len(a.Weighed), len(a.Fed))
		}
	}
}
