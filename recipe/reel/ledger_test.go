package reel_test

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"

	"lapgate/recipe/reel"
)

func TestLedger(t *testing.T) {
	var l reel.Ledger
	if e := l.Left(0.002); e.Known {
		t.Errorf("an empty ledger knows %+v", e)
	}
	if _, _, err := l.See(reel.Estimate{}, 0.002, 2); !errors.Is(err, reel.Unknown) {
		t.Errorf("nothing known: %v", err)
	}
	r, changed, err := l.See(known(1000, 10), 0.002, 2)
	if err != nil || changed || r.Length != 1000 {
		t.Fatalf("first seen: %+v, %v, %v", r, changed, err)
	}
	for range 10 {
		l.Drawn += 12
	}
	for _, bad := range []float64{-1, math.NaN(), math.Inf(1)} {
		if e := (&reel.Ledger{Start: l.Start, Drawn: bad}).Left(0.002); e.Known {
			t.Errorf("with %v m drawn %+v is left", bad, e)
		}
	}
	// 120 m drawn at 0.2 % beside the 10 m of the start.
	if e := l.Left(0.002); e.Length != 880 || math.Abs(e.U-math.Hypot(10, 0.24)) > 1e-12 {
		t.Errorf("left %+v", e)
	}
	r, changed, err = l.See(known(890, 10), 0.002, 2)
	if err != nil || changed || r.Disagree || r.Length < 880 || r.Length > 890 || r.U >= 10 {
		t.Errorf("reconciled %+v, %v, %v", r, changed, err)
	}
	// Much less than the account leaves: paper was taken off, and the lesser counts.
	r, changed, err = l.See(known(700, 10), 0.002, 2)
	if err != nil || changed || !r.Disagree || r.Length != 700 {
		t.Errorf("less on the roll: %+v, %v, %v", r, changed, err)
	}
	// Much more: another roll hangs.
	r, changed, err = l.See(known(2500, 10), 0.002, 2)
	if err != nil || !changed || r.Length != 2500 || l.Drawn != 0 {
		t.Errorf("another roll: %+v, %v, %v, drawn %v", r, changed, err, l.Drawn)
	}
	if e := l.Left(0.002); e.Length != 2500 {
		t.Errorf("left on the other roll %+v", e)
	}
}

// TestLedgerFollowsTheRoll draws a roll down with readings of its diameter in
// between; the account never loses it and never takes it for another.
func TestLedgerFollowsTheRoll(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		const core, caliper, u = 0.0762, 0.3e-3, 2e-3
		outer := rapid.Float64Range(0.5, 1.2).Draw(t, "outer")
		left := math.Pi * (outer*outer - core*core) / (4 * caliper)
		var l reel.Ledger
		for left > 30 {
			w := reel.Winding{Outer: outerOf(left, core, caliper) + u*rapid.Float64Range(-1, 1).Draw(t, "error"), OuterU: u, Core: core, Caliper: caliper}
			byDiameter, err := w.Left()
			if err != nil {
				t.Fatal(err)
			}
			r, changed, err := l.See(byDiameter, 0.002, 3)
			if err != nil || changed {
				t.Fatalf("%+v, changed %v, %v", r, changed, err)
			}
			if math.Abs(r.Length-left) > 4*math.Max(r.U, 1e-9) {
				t.Fatalf("%v m left, told %+v", left, r)
			}
			drawn := rapid.Float64Range(5, 200).Draw(t, "drawn")
			if drawn > left {
				return
			}
			left -= drawn
			l.Drawn += drawn
		}
	})
}
