package drive_test

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"strconv"
	"testing"

	"pgregory.net/rapid"

	"lapgate/recipe/drive"
)

func plain() drive.Motor {
	return drive.Motor{Diameter: 0.4, Gear: 25, Poles: 4, Rated: 1750. / 60, BaseHz: 60, MinHz: 2, MaxHz: 80, CoolingHz: 6}
}

// The checks of testdata/reference/drive.csv; each row names its source.
func TestReference(t *testing.T) {
	f, err := os.Open("../../testdata/reference/drive.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	close := func(got, want, tol float64) bool { return math.Abs(got-want) <= tol*math.Abs(want) }
	for _, row := range rows[1:] {
		num := func(i int) float64 {
			v, err := strconv.ParseFloat(row[i], 64)
			if err != nil {
				t.Fatal(err)
			}
			return v
		}
		// A roll of one metre around at gear 1: surface speed is motor speed.
		m := drive.Motor{Diameter: 1 / math.Pi, Gear: 1, Poles: int(num(1)), BaseHz: num(2), Rated: num(3) / 60, MaxHz: 100}
		hz, rpm, tol := num(4), num(5), num(7)
		source := row[9] + " (" + row[8] + ")"
		switch row[0] {
		case "slip":
			got := m.Slip() / drive.Synchronous(m.BaseHz, m.Poles)
			if math.Abs(got-num(6)) > tol {
				t.Errorf("slip %v, want %v; %s", got, num(6), source)
			}
		case "speed":
			got, err := m.Surface(hz)
			if err != nil || !close(got*60, rpm, tol) {
				t.Errorf("%v rpm, want %v: %v; %s", got*60, rpm, err, source)
			}
		case "frequency", "per-unit":
			got, _, err := m.Frequency(rpm / 60)
			if err != nil || close(got, hz, tol) != (row[0] == "frequency") {
				t.Errorf("%s: %v Hz, listed %v: %v; %s", row[0], got, hz, err, source)
			}
		default:
			t.Errorf("unknown check %q", row[0])
		}
	}
	if len(rows) != 6 {
		t.Errorf("%d rows", len(rows))
	}
}

func TestFrequency(t *testing.T) {
	m := plain()
	// 0.6 m/s: 0.477465 turns of the roll, 11.93662 of the motor; slip 50 rpm.
	hz, flags, err := m.Frequency(0.6)
	if want := 2 * (11.93662073189215 + 50./60); err != nil || flags != 0 || math.Abs(hz-want) > 1e-12 {
		t.Errorf("%v Hz, flags %b, %v; want %v", hz, flags, err, want)
	}
	m.Compensates = true
	if hz, _, _ = m.Frequency(0.6); math.Abs(hz-2*11.93662073189215) > 1e-12 {
		t.Errorf("compensated: %v Hz", hz)
	}
	if hz, flags, err = m.Frequency(0); hz != 0 || flags != 0 || err != nil {
		t.Errorf("standstill: %v %b %v", hz, flags, err)
	}
	m = plain()
	for _, tc := range []struct {
		hz   float64
		want drive.Flags
		out  bool
	}{
		{1.9, drive.BelowMin | drive.BelowCooling, true}, {2, drive.BelowCooling, false}, {5.9, drive.BelowCooling, false}, {6, 0, false},
		{60, 0, false}, {60.1, drive.AboveBase, false}, {80, drive.AboveBase, false}, {80.1, drive.AboveBase | drive.AboveMax, true},
	} {
		if got := m.Flags(tc.hz); got != tc.want || got.Outside() != tc.out {
			t.Errorf("%v Hz: flags %b, want %b", tc.hz, got, tc.want)
		}
	}
	slow, fast, err := m.Range()
	if err != nil || slow <= 0 || fast <= slow {
		t.Errorf("range %v to %v: %v", slow, fast, err)
	}
	if v, err := m.Surface(1); v != 0 || err != nil {
		t.Errorf("1 Hz is all slip, got %v m/s, %v", v, err)
	}
	if got := drive.Feed(0.6, 0.01); math.Abs(drive.Draw(got, 0.6)-0.01) > 1e-12 || drive.Feed(0.6, 0) != 0.6 {
		t.Errorf("feed %v", got)
	}
	if !math.IsNaN(drive.Draw(1, 0)) {
		t.Error("draw over standing rolls")
	}
}

func TestFaults(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, tc := range []struct {
		want drive.Fault
		edit func(*drive.Motor)
	}{
		{drive.BadDiameter, func(m *drive.Motor) { m.Diameter = nan }},
		{drive.BadGear, func(m *drive.Motor) { m.Gear = 0 }},
		{drive.BadPoles, func(m *drive.Motor) { m.Poles = 3 }},
		{drive.BadPoles, func(m *drive.Motor) { m.Poles = 0 }},
		{drive.BadBase, func(m *drive.Motor) { m.BaseHz = inf }},
		{drive.BadRated, func(m *drive.Motor) { m.Rated = 30.1 }},
		{drive.BadRated, func(m *drive.Motor) { m.Rated = nan }},
		{drive.BadLimits, func(m *drive.Motor) { m.MinHz = nan }},
		{drive.BadLimits, func(m *drive.Motor) { m.MaxHz = 1 }},
		{drive.BadLimits, func(m *drive.Motor) { m.CoolingHz = -1 }},
	} {
		m := plain()
		tc.edit(&m)
		for _, err := range []error{m.Check(), second(m.Frequency(1)), third(m.Surface(1)), third2(m.Range())} {
			if !errors.Is(err, tc.want) {
				t.Errorf("%v, want %v", err, tc.want)
			}
		}
	}
	m := plain()
	for _, v := range []float64{nan, -1, inf} {
		if err := second(m.Frequency(v)); !errors.Is(err, drive.BadSpeed) {
			t.Errorf("speed %v: %v", v, err)
		}
		if err := third(m.Surface(v)); !errors.Is(err, drive.BadFrequency) {
			t.Errorf("frequency %v: %v", v, err)
		}
	}
	seen := map[string]bool{}
	for f := drive.BadSpeed; f <= drive.BadLimits; f++ {
		if s := f.Error(); seen[s] || s == drive.Fault(0).Error() {
			t.Errorf("fault %d reads %q", f, s)
		} else {
			seen[s] = true
		}
	}
}

func second(_ float64, _ drive.Flags, err error) error { return err }
func third(_ float64, err error) error                 { return err }
func third2(_ float64, _ float64, err error) error     { return err }

func TestInverse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := drive.Motor{
			Diameter:    rapid.Float64Range(0.01, 3).Draw(t, "diameter"),
			Gear:        rapid.Float64Range(0.1, 500).Draw(t, "gear"),
			Poles:       2 * rapid.IntRange(1, 8).Draw(t, "pole pairs"),
			BaseHz:      rapid.Float64Range(10, 400).Draw(t, "base"),
			MaxHz:       1e9,
			Compensates: rapid.Bool().Draw(t, "compensates"),
		}
		m.Rated = drive.Synchronous(m.BaseHz, m.Poles) * rapid.Float64Range(0.8, 1).Draw(t, "rated")
		v := rapid.Float64Range(1e-3, 5).Draw(t, "speed")
		hz, _, err := m.Frequency(v)
		if err != nil {
			t.Fatal(err)
		}
		back, err := m.Surface(hz)
		if err != nil || math.Abs(back-v) > 1e-9*math.Max(v, m.Slip()*math.Pi*m.Diameter/m.Gear) {
			t.Fatalf("%v m/s, %v Hz, back %v: %v", v, hz, back, err)
		}
	})
}

func TestNoAllocation(t *testing.T) {
	good, bad := plain(), plain()
	bad.Gear = 0
	if n := testing.AllocsPerRun(100, func() {
		_, _, _ = good.Frequency(0.6)
		_, _, _ = bad.Frequency(0.6)
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func BenchmarkFrequency(b *testing.B) {
	m := plain()
	b.ReportAllocs()
	for b.Loop() {
		_, _, _ = m.Frequency(0.6)
	}
}
