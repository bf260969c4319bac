package notice_test

import (
	"math"
	"testing"

	"lapgate/recipe/notice"
)

// after lets a fault begin after some sound rolls and returns the first finding
// of it, and how many rolls it took. Other codes than the one wanted are
// errors.
func after(t *testing.T, seed uint64, want notice.Code, rolls int, fault func(l *line, r *notice.Roll)) (f notice.Finding, took int) {
	t.Helper()
	var w notice.Watch
	l := newLine(seed, 0)
	const sound = 400
	for i := range sound + rolls {
		if i == sound {
			l.fault = func(r *notice.Roll) { fault(l, r) }
		}
		for _, found := range w.Add(l.roll()) {
			if found.Code != want {
				t.Errorf("seed %d: %s %s at roll %d, want %s alone", seed, found.Code, found.Of, found.Last, want)
			} else if i >= sound && !found.Ended {
				return found, i - sound + 1
			}
		}
	}
	return f, 0
}

// evidence is a number of a finding.
func evidence(t *testing.T, f notice.Finding, name string) float64 {
	t.Helper()
	for _, n := range f.Evidence {
		if n.Name == name {
			return n.Value
		}
	}
	t.Errorf("%s: no %s among %v", f.Code, name, f.Evidence)
	return math.NaN()
}

func TestFaults(t *testing.T) {
	for _, c := range []struct {
		name   string
		code   notice.Code
		of     string
		within int // rolls
		fault  func(l *line, r *notice.Roll)
		number string
		least  float64
		most   float64
	}{
		{"half the heater", notice.PlatenCold, "", 25,
			func(_ *line, r *notice.Roll) { r.Platen = 176.7 - math.Min(0.6*float64(r.Number-400), 25) }, "below_k", 3, 25},
		{"cold platen", notice.PlatenCold, "", 10, func(_ *line, r *notice.Roll) { r.Platen -= 12 }, "below_k", 10, 18},
		{"feed roll slips by 3 %", notice.FeedCounts, "", 10, func(_ *line, r *notice.Roll) { r.Feed.Measured *= 1.03 }, "difference_percent", 2, 4},
		{"the wrapper of one slot slides by 3 %", notice.FeedCounts, "slot 2", 100, func(_ *line, r *notice.Roll) {
			if r.Slot == 2 {
				r.Feed.Measured *= 1.03
			}
		}, "difference_percent", 2, 4},
		{"scale off by 25 kg", notice.ScaleOff, "", 8, func(_ *line, r *notice.Roll) { r.Weighing.Measured -= 25; r.Others = nil }, "difference_kg", -30, -20},
		{"wrapper heavier by 12 kg", notice.WrapperWeight, "slot 3", 120, func(_ *line, r *notice.Roll) {
			if r.Slot == 3 {
				r.Weighing.Measured += 12
			}
		}, "difference_kg", 7, 19},
		{"sensor 5 dirty by 4 mm", notice.ScannerPosition, "position 5", 25, func(_ *line, r *notice.Roll) {
			if r.Samples[4] > 0 {
				r.Samples[4] += 0.004
			}
		}, "difference_m", 0.003, 0.005},
		{"sensor 7 loses half", notice.ScannerBlind, "position 7", 40, func(l *line, r *notice.Roll) {
			if l.rng.Float64() < 0.5 {
				r.Samples[6] = 0
			}
		}, "lost_percent", 15, 100},
		{"wrapper of another width", notice.OverhangOff, "slot 2", 80, func(_ *line, r *notice.Roll) {
			if r.Slot == 2 {
				r.Overhang.Measured -= 0.025
			}
		}, "difference_m", -0.035, -0.015},
		{"pressure falls", notice.PressureLow, "", 20, func(_ *line, r *notice.Roll) { r.Pressure.Measured -= 4e4 * float64(r.Number-400) }, "short_pa", 1e5, 1e6},
		{"thicker paper in slot 4", notice.CaliperOff, "slot 4", 2400, func(l *line, _ *notice.Roll) { l.thick[3] = 1.2 }, "caliper_m", 0.00033, 0.0004},
	} {
		t.Run(c.name, func(t *testing.T) {
			worst := 0
			for seed := range uint64(20) {
				f, took := after(t, seed, c.code, c.within, c.fault)
				if took == 0 {
					t.Fatalf("seed %d: not found within %d rolls", seed, c.within)
				}
				worst = max(worst, took)
				if f.Of != c.of || f.Rolls < 2 || f.Last != uint32(400+took) || f.First > f.Last {
					t.Errorf("seed %d: %+v, want it of %q", seed, f, c.of)
				}
				if v := evidence(t, f, c.number); !(v >= c.least && v <= c.most) {
					t.Errorf("seed %d: %s is %g, want %g to %g", seed, c.number, v, c.least, c.most)
				}
			}
			t.Logf("found after %d rolls at most", worst)
		})
	}
}

// What the comment of the package says cannot be known is not told of.
func TestWhatCannotBeKnown(t *testing.T) {
	for name, fault := range map[string]func(l *line, r *notice.Roll){
		"the sensor of a platen reads high":             func(*line, *notice.Roll) {}, // the record is that of a sound line
		"another wrapper, by less than the scale tells": func(_ *line, r *notice.Roll) { r.Weighing.Measured += 3; r.Others = []float64{3} },
		"the pressure falls and nobody reports it":      func(_ *line, r *notice.Roll) { r.Pressure = notice.Compared{} },
		"a platen heats up":                             func(_ *line, r *notice.Roll) { r.Platen = min(100+8*float64(r.Number-400), 176) },
		"the end position sees nothing":                 func(_ *line, r *notice.Roll) { r.Samples[0] = 0 },
		"one wild reading of everything in fifty": func(_ *line, r *notice.Roll) {
			if r.Number%50 == 0 {
				r.Platen, r.Feed.Measured, r.Weighing.Measured, r.Overhang.Measured = 20, 0.1, 1e5, 1
				r.Samples[5] = 9
			}
		},
	} {
		t.Run(name, func(t *testing.T) { after(t, 3, "", 60, fault) })
	}
}

// A finding stands until its cause is gone, and then ends.
func TestFindingEnds(t *testing.T) {
	var w notice.Watch
	l := newLine(5, 0)
	var begun, over []notice.Finding
	for i := range 300 {
		l.fault = nil
		if i >= 100 && i < 150 {
			l.fault = func(r *notice.Roll) { r.Platen -= 15 }
		}
		for _, f := range w.Add(l.roll()) {
			if f.Ended {
				over = append(over, f)
			} else {
				begun = append(begun, f)
			}
		}
	}
	if len(begun) != 1 || len(over) != 1 || begun[0].First < 95 || begun[0].Last > 106 || over[0].Last < 151 || over[0].Last > 170 {
		t.Errorf("begun %+v, ended %+v; want one from about roll 101 to about 155", begun, over)
	}
}

// A fresh wrapper roll begins without the faults of the one before.
func TestHungBeginsAnew(t *testing.T) {
	var w notice.Watch
	l := newLine(6, 0)
	l.fault = func(r *notice.Roll) {
		r.Slot = 2
		r.Overhang.Measured += 0.05
	}
	var last []notice.Finding
	for range 10 {
		last = append(last, w.Add(l.roll())...)
	}
	if len(last) != 1 || last[0].Ended {
		t.Fatalf("findings %+v, want one that stands", last)
	}
	r := l.roll()
	r.Hung = []int{2}
	if f := w.Add(r); len(f) != 1 || !f[0].Ended || f[0].Code != notice.OverhangOff || f[0].Of != "slot 2" {
		t.Errorf("got %+v, want the end of it", f)
	}
}

// Whatever a record holds, no finding has a number that is none.
func TestHostileRolls(t *testing.T) {
	var w notice.Watch
	l := newLine(9, 0)
	odd := []float64{math.NaN(), math.Inf(1), math.Inf(-1), 0, -1, 1e308, 1e-308}
	for i := range 20000 {
		r := l.roll()
		for _, at := range []*float64{&r.Platen, &r.Setpoint, &r.Feed.Measured, &r.Feed.Expected, &r.Feed.U, &r.Weighing.U, &r.Weighing.Standing, &r.Overhang.Measured,
			&r.Pressure.Measured, &r.Samples[l.rng.IntN(12)], &r.Reels[1].Outer, &r.Reels[2].OuterU, &r.Reels[3].Caliper, &r.Drawn, &r.Others[0]} {
			if l.rng.IntN(4) == 0 {
				*at = odd[l.rng.IntN(len(odd))]
			}
		}
		if i%7 == 0 {
			r.Slot = l.rng.IntN(20) - 5
			r.Hung = []int{l.rng.IntN(20) - 5}
			r.Samples = r.Samples[:l.rng.IntN(12)]
		}
		for _, f := range w.Add(r) {
			for _, n := range f.Evidence {
				if math.IsNaN(n.Value) || math.IsInf(n.Value, 0) {
					t.Fatalf("%+v", f)
				}
			}
		}
	}
}

// Each code has a row, and each row says what to do.
func TestCodes(t *testing.T) {
	seen := map[notice.Code]bool{}
	for _, c := range notice.Codes() {
		if seen[c] || len(c.Meaning().String()) < 20 || len(c.Remedy().String()) < 20 {
			t.Errorf("%+v", c)
		}
		seen[c] = true
	}
}
