package cradle

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"strconv"
	"testing"

	"pgregory.net/rapid"
)

func plain() Cradle {
	return Cradle{RollDiameter: 0.4, Spacing: 0.6, Friction: 0.3, Safety: 2}
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
		c := Cradle{RollDiameter: v[1], Spacing: v[2], Friction: 0.3, Safety: 1}
		h, _, err := c.Height(v[0])
		if row[3] == "overlap" {
			if !errors.Is(err, Overlap) {
				t.Errorf("%v, want %v; %s (%s)", err, Overlap, row[6], row[5])
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
		driven := Driven(rapid.IntRange(0, 2).Draw(t, "driven"))
		sin, cos := math.Sincos(phi)
		// Roll and turning rolls of 1 m and 0.2 m.
		c := Cradle{RollDiameter: 0.2, Spacing: 1.2 * sin, Friction: mu, Safety: 1, Driven: driven}
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
			want := lo * StandardGravity / kappa
			if math.Abs(accel-want) > 1e-6*want {
				t.Fatalf("limit %v, equilibrium ends at %v (friction %v, angle %v, driven %d, share %v)", accel, want, mu, phi, driven, share2)
			}
		}
		switch driven {
		case Both:
			check(s.Accel, 0.5)
			check(s.Decel, 0.5)
		case Rising:
			check(s.Accel, 1)
			check(s.Decel, 0)
		case Sinking:
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
	want := 0.3 * StandardGravity / (cos * (1 + 0.3*cos/0.375))
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
		want           Fault
		diameter, bore float64
		edit           func(*Cradle)
	}{
		{BadDiameter, nan, 0, nil},
		{BadDiameter, -1, 0, nil},
		{BadBore, 1, 1, nil},
		{BadBore, 1, nan, nil},
		{BadCradle, 1, 0, func(c *Cradle) { c.Spacing = nan }},
		{BadCradle, 1, 0, func(c *Cradle) { c.RollDiameter = 0 }},
		{BadFriction, 1, 0, func(c *Cradle) { c.Friction = 0 }},
		{BadSafety, 1, 0, func(c *Cradle) { c.Safety = 0.9 }},
		{Overlap, 1, 0, func(c *Cradle) { c.Spacing = 0.4 }},
		{FallsThrough, 0.2, 0, nil},
		{FallsThrough, 0.1, 0, nil},
	} {
		c := plain()
		if tc.edit != nil {
			tc.edit(&c)
		}
		if s, err := c.Seat(tc.diameter, tc.bore); !errors.Is(err, tc.want) || s != (Seat{}) {
			t.Errorf("%+v, %v, want %v", s, err, tc.want)
		}
	}
	seen := map[string]bool{}
	for f := BadDiameter; f <= FallsThrough; f++ {
		if s := f.Error(); seen[s] || s == Fault(0).Error() {
			t.Errorf("fault %d reads %q", f, s)
		} else {
			seen[s] = true
		}
	}
}

func TestTilt(t *testing.T) {
	c := plain()
	limits := Stance{MinRatio: 0.25, MinAngle: 10 * math.Pi / 180, CrimperSpacing: 0.3}
	for _, tc := range []struct {
		width float64
		want  Flags
	}{
		{1, 0}, {0.3, 0}, {0.299, Narrow | ShortForCrimp}, {0.15, Narrow | Tippy | ShortForCrimp},
		{0, Narrow | Tippy | ShortForCrimp}, {math.NaN(), Narrow | Tippy | ShortForCrimp},
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
	if _, err := c.Tilt(0.1, 1, limits); !errors.Is(err, FallsThrough) {
		t.Errorf("%v", err)
	}
}

func TestNoAllocation(t *testing.T) {
	c := plain()
	if n := testing.AllocsPerRun(100, func() {
		_, _ = c.Seat(1.2, 0.1)
		_, _ = c.Seat(0.1, 0.01)
		_, _ = c.Tilt(1.2, 0.5, Stance{})
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
