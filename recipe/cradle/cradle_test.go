package cradle_test

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"strconv"
	"testing"

	"pgregory.net/rapid"

	"lapgate/recipe/cradle"
)

func plain() cradle.Cradle {
	return cradle.Cradle{RollDiameter: 0.4, Spacing: 0.6, Friction: 0.3, Safety: 2}
}

// The checks of testdata/reference/cradle.csv; each row names its source.
func TestReference(t *testing.T) {
	f, err := os.Open("../../testdata/reference/cradle.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range rows[1:] {
		var v [5]float64
		for i := range v {
			if v[i], err = strconv.ParseFloat(row[i], 64); err != nil && (i != 3 || row[3] != "overlap") {
				t.Fatal(err)
			}
		}
		c := cradle.Cradle{RollDiameter: v[1], Spacing: v[2], Friction: 0.3, Safety: 1}
		h, _, err := c.Height(v[0])
		if row[3] == "overlap" {
			if !errors.Is(err, cradle.Overlap) {
				t.Errorf("%v, want %v; %s (%s)", err, cradle.Overlap, row[6], row[5])
			}
			continue
		}
		if err != nil || math.Abs(h-v[3]) > v[4]*v[3] {
			t.Errorf("height %v, want %v: %v; %s (%s)", h, v[3], err, row[6], row[5])
		}
	}
	if len(rows) != 4 {
		t.Errorf("%d rows", len(rows))
	}
}

// forces solves the three equations of equilibrium of a roll of unit weight
// and diameter at a tangential force in sum, with the share of contact 2.
func forces(sin, cos, sum, share2 float64) (n1, n2, t1, t2 float64) {
	t1, t2 = sum*(1-share2), sum*share2
	total := (1 - (t2-t1)*sin) / cos
	diff := sum * cos / sin
	return (total - diff) / 2, (total + diff) / 2, t1, t2
}

// The closed forms must be where a contact begins to slip or to lift: found
// here by bisection on the equations of equilibrium.
func TestSlipLimitAgainstEquilibrium(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		phi := rapid.Float64Range(0.05, 1.5).Draw(t, "contact angle")
		mu := rapid.Float64Range(0.01, 1).Draw(t, "friction")
		bore := rapid.Float64Range(0, 0.9).Draw(t, "bore over diameter")
		driven := cradle.Driven(rapid.IntRange(0, 2).Draw(t, "driven"))
		sin, cos := math.Sincos(phi)
		// Roll and turning rolls of 1 m and 0.2 m.
		c := cradle.Cradle{RollDiameter: 0.2, Spacing: 1.2 * sin, Friction: mu, Safety: 1, Driven: driven}
		if c.Spacing <= c.RollDiameter {
			t.Skip("overlap")
		}
		s, err := c.Seat(1, bore)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(s.Angle-phi) > 1e-9 || math.Abs(s.Share-1/(2*cos)) > 1e-9*s.Share {
			t.Fatalf("angle %v, share %v at %v", s.Angle, s.Share, phi)
		}
		check := func(accel, share2 float64) {
			kappa := 0.5 * (1 + bore*bore)
			holds := func(sum float64) bool {
				n1, n2, t1, t2 := forces(sin, cos, sum, share2)
				return n1 >= 0 && n2 >= 0 && t1 <= mu*n1+1e-15 && t2 <= mu*n2+1e-15
			}
			lo, hi := 0.0, 1e6
			if holds(hi) {
				if !math.IsInf(accel, 1) && accel < 1e5 {
					t.Fatalf("limit %v where friction never lets go", accel)
				}
				return
			}
			for range 200 {
				if mid := (lo + hi) / 2; holds(mid) {
					lo = mid
				} else {
					hi = mid
				}
			}
			want := lo * cradle.StandardGravity / kappa
			if math.Abs(accel-want) > 1e-6*want {
				t.Fatalf("limit %v, equilibrium ends at %v (friction %v, angle %v, driven %d, share %v)", accel, want, mu, phi, driven, share2)
			}
		}
		switch driven {
		case cradle.Both:
			check(s.Accel, 0.5)
			check(s.Decel, 0.5)
		case cradle.Rising:
			check(s.Accel, 1)
			check(s.Decel, 0)
		case cradle.Sinking:
			check(s.Accel, 0)
			check(s.Decel, 1)
		}
	})
}

func TestSeat(t *testing.T) {
	c := plain()
	s, err := c.Seat(1.2, 0)
	if err != nil {
		t.Fatal(err)
	}
	// sin φ = 0.375; a = 2μg/(cos φ(1 + μ cot φ)), halved by the safety factor.
	cos := math.Sqrt(1 - 0.375*0.375)
	want := 0.3 * cradle.StandardGravity / (cos * (1 + 0.3*cos/0.375))
	if math.Abs(s.Accel-want) > 1e-12 || s.Decel != s.Accel {
		t.Errorf("%+v, want %v", s, want)
	}
	hollow, err := c.Seat(1.2, 0.3)
	if err != nil || math.Abs(hollow.Accel*(1+0.0625)-s.Accel) > 1e-12 {
		t.Errorf("hollow %+v: %v", hollow, err)
	}
	c.Safety = 4
	half, _ := c.Seat(1.2, 0)
	if math.Abs(2*half.Accel-s.Accel) > 1e-12 {
		t.Errorf("safety 4 gives %v, 2 gives %v", half.Accel, s.Accel)
	}
}

func TestFaults(t *testing.T) {
	nan := math.NaN()
	for _, tc := range []struct {
		want           cradle.Fault
		diameter, bore float64
		edit           func(*cradle.Cradle)
	}{
		{cradle.BadDiameter, nan, 0, nil},
		{cradle.BadDiameter, -1, 0, nil},
		{cradle.BadBore, 1, 1, nil},
		{cradle.BadBore, 1, nan, nil},
		{cradle.BadCradle, 1, 0, func(c *cradle.Cradle) { c.Spacing = nan }},
		{cradle.BadCradle, 1, 0, func(c *cradle.Cradle) { c.RollDiameter = 0 }},
		{cradle.BadFriction, 1, 0, func(c *cradle.Cradle) { c.Friction = 0 }},
		{cradle.BadSafety, 1, 0, func(c *cradle.Cradle) { c.Safety = 0.9 }},
		{cradle.Overlap, 1, 0, func(c *cradle.Cradle) { c.Spacing = 0.4 }},
		{cradle.FallsThrough, 0.2, 0, nil},
		{cradle.FallsThrough, 0.1, 0, nil},
	} {
		c := plain()
		if tc.edit != nil {
			tc.edit(&c)
		}
		if s, err := c.Seat(tc.diameter, tc.bore); !errors.Is(err, tc.want) || s != (cradle.Seat{}) {
			t.Errorf("%+v, %v, want %v", s, err, tc.want)
		}
	}
	seen := map[string]bool{}
	for f := cradle.BadDiameter; f <= cradle.FallsThrough; f++ {
		if s := f.Error(); seen[s] || s == cradle.Fault(0).Error() {
			t.Errorf("fault %d reads %q", f, s)
		} else {
			seen[s] = true
		}
	}
}

func TestTilt(t *testing.T) {
	c := plain()
	limits := cradle.Stance{MinRatio: 0.25, MinAngle: 10 * math.Pi / 180, CrimperSpacing: 0.3}
	for _, tc := range []struct {
		width float64
		want  cradle.Flags
	}{
		{1, 0}, {0.3, 0}, {0.299, cradle.Narrow | cradle.ShortForCrimp}, {0.15, cradle.Narrow | cradle.Tippy | cradle.ShortForCrimp},
		{0, cradle.Narrow | cradle.Tippy | cradle.ShortForCrimp}, {math.NaN(), cradle.Narrow | cradle.Tippy | cradle.ShortForCrimp},
	} {
		got, err := c.Tilt(1.2, tc.width, limits)
		if err != nil || got.Flags != tc.want {
			t.Errorf("width %v: %+v, %v, want flags %b", tc.width, got, err, tc.want)
		}
	}
	// A leaning roll tips when its centre stands over its edge.
	got, _ := c.Tilt(1.2, 0.5, limits)
	above := 0.6 * math.Sqrt(1-0.375*0.375)
	if math.Abs(math.Tan(got.Angle)-0.25/above) > 1e-12 {
		t.Errorf("angle %v", got.Angle)
	}
	if _, err := c.Tilt(0.1, 1, limits); !errors.Is(err, cradle.FallsThrough) {
		t.Errorf("%v", err)
	}
}

func TestNoAllocation(t *testing.T) {
	c := plain()
	if n := testing.AllocsPerRun(100, func() {
		_, _ = c.Seat(1.2, 0.1)
		_, _ = c.Seat(0.1, 0.01)
		_, _ = c.Tilt(1.2, 0.5, cradle.Stance{})
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func BenchmarkSeat(b *testing.B) {
	c := plain()
	b.ReportAllocs()
	for b.Loop() {
		_, _ = c.Seat(1.2, 0.1)
	}
}
