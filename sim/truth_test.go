package sim

import (
	"fmt"
	"math"
	"slices"
	"testing"
)

// calibrated is a mill that measured its press: 300 W/m²K and a backing of
// 550 W√s/m²K, each to 8 %, a bond at 113 °C.
func calibrated() Config {
	c := DefaultConfig()
	c.Header.Contact.Conductance, c.Header.Effusivity = 300, 550
	c.Spread = Spread{
		Conductance: 0.08, Effusivity: 0.08, HeadThickness: 0.05, Conductivity: 0.08, Start: 2,
		Diameter: 0.0005, Width: 0.0005, WrapperWidth: 0.001, HeadSize: 0.0005, HeadPlacement: 0.003,
	}
	c.Accept.Bond, c.Accept.HeadOver = 113, 0
	return c
}

// press presses the heads of a roll for a dwell, as the line truly is for the
// roll of an ordinal, without the rest of the shift.
func press(c *Config, ordinal int, dwell float64) Figures {
	roll := good
	st := newStation(c)
	st.arrive(ordinal, &roll)
	if !st.begin(fair()) {
		panic("the fair recipe has no slot")
	}
	st.job.dwell = dwell
	st.close()
	for st.stage == pressing {
		st.advance(0.5)
	}
	return st.figures
}

// The share of short bonds falls from nearly all at half of the nominal dwell
// to few at the dwell of the design point, 22 to 24 s, and half of the rolls
// are short at the nominal one, about 14 s with the platens at their setpoint.
func TestBondsOfACalibratedMill(t *testing.T) {
	c := calibrated()
	rolls := 400
	if testing.Short() {
		rolls = 100
	}
	var needed []float64
	for i := range rolls {
		needed = append(needed, dwellNeeded(&c, i+1))
	}
	slices.Sort(needed)
	short := func(dwell float64) float64 {
		n, _ := slices.BinarySearch(needed, dwell)
		return float64(len(needed)-n) / float64(len(needed))
	}
	median := needed[len(needed)/2]
	c.Spread = Spread{}
	nominal := dwellNeeded(&c, 1)
	if nominal < 13 || nominal > 15 || math.Abs(median-nominal) > 0.06*nominal {
		t.Errorf("nominal dwell %.2f s, median over the spread %.2f s, want about 14 s for both", nominal, median)
	}
	if p := short(nominal / 2); p < 0.99 {
		t.Errorf("%.3f short at half of the nominal dwell", p)
	}
	if p := short(nominal); p < 0.4 || p > 0.6 {
		t.Errorf("%.3f short at the nominal dwell, want half", p)
	}
	if p := short(22); p > 0.02 {
		t.Errorf("%.3f short at 22 s, want at most 0.02", p)
	}
	t.Logf("nominal %.2f s; short: %.3f at it, %.3f at 20 s, %.3f at 22 s, %.3f at 24 s", nominal, short(nominal), short(20), short(22), short(24))
}

// dwellNeeded is the dwell at which the bond of a roll comes to its
// temperature, and the longest tried for one that needs more.
func dwellNeeded(c *Config, ordinal int) float64 {
	const longest = 32
	return longest - press(c, ordinal, longest).BondHeld
}

// Each thing that can be worse than anybody knows shows at the limit that it
// touches, and only there.
func TestTruthIsJudged(t *testing.T) {
	for _, tc := range []struct {
		name string
		line func(*Config)
		roll func(*Roll)
		want DefectKind
	}{
		{name: "sound", want: ""},
		{name: "poor contact", line: func(c *Config) { c.Header.Contact.Conductance = 220 }, want: BondNotReached},
		{name: "greedy backing", line: func(c *Config) { c.Header.Effusivity = 700 }, want: BondNotReached},
		{name: "thick head", line: func(c *Config) { c.Header.Thickness = 0.0004 }, want: BondNotReached},
		{name: "cold paper", line: func(c *Config) { c.Header.Ambient = -5 }, want: BondNotReached},
		{name: "weak hydraulics on a contact that follows pressure", line: func(c *Config) {
			c.Header.Force, c.Header.Contact.Exponent = 300, 0.3
		}, want: BondNotReached},
		{name: "one cold platen", line: func(c *Config) { c.Header.Errors[1], c.Header.Ready = -25, 30 }, want: BondNotReached},
		{name: "wet glue", line: func(c *Config) { c.Header.Water, c.Header.Dries, c.Accept.Bond = 0.03, 100, 99 }, want: BondNotReached},
		{name: "hot platen", line: func(c *Config) { c.Header.Errors[0], c.Header.Ready, c.Accept.Dose = 70, 90, 20 }, want: PaperScorched},
		{name: "oval", roll: func(r *Roll) { r.Ovality = 0.02 }, want: HeadProud},
		{name: "tapered", roll: func(r *Roll) { r.Taper = 0.01 }, want: HeadProud},
		{name: "tapered the other way", roll: func(r *Roll) { r.Taper = -0.01 }, want: HeadProud},
		{name: "telescoped", roll: func(r *Roll) { r.Telescoping = 0.11 }, want: OverhangOff},
		{name: "small roll", roll: func(r *Roll) { r.Diameter = 0.28 }, want: FoldOnCore},
	} {
		t.Run(tc.name, func(t *testing.T) {
			c := calibrated()
			c.Spread, c.Centring.Error = Spread{}, 0
			roll, r := good, fair()
			r.Dwell, r.OuterHead = 17, 1.0155
			if tc.line != nil {
				tc.line(&c)
			}
			if tc.roll != nil {
				tc.roll(&roll)
			}
			kinds := map[DefectKind]bool{}
			j := wrap(t, c, roll, r)
			for _, d := range j.Defects {
				kinds[d.Kind] = true
			}
			if (tc.want == "") != (len(kinds) == 0) || tc.want != "" && !kinds[tc.want] {
				t.Errorf("want %q, got %s", tc.want, j.Text())
			}
		})
	}
}

// A sample comes from the same sensor on every roll, so that taper can be told
// from ovality: its line through the sensors, and the second harmonic.
func TestSamplesTellTheShape(t *testing.T) {
	c := DefaultConfig()
	c.Scanner.DiameterNoise, c.Scanner.WidthNoise = 0, 0
	slope := func(r Roll) float64 {
		st := newStation(&c)
		st.arrive(5, &r)
		m := st.measure(0)
		sum, squares := 0.0, 0.0
		for i, d := range m.Diameters {
			along := ((float64(i)+0.5)/12 - 0.5) * r.Width
			sum += along * float64(d) / 1e4
			squares += along * along
		}
		return sum / squares
	}
	plain, tapered, oval := good, good, good
	tapered.Taper, oval.Ovality = 0.004, 0.004
	if got := slope(plain); math.Abs(got) > 1e-4 {
		t.Errorf("a plain roll reads a taper of %.5f", got)
	}
	if got := slope(tapered); math.Abs(got-0.004) > 1e-4 {
		t.Errorf("a taper of 0.004 reads as %.5f", got)
	}
	if got := slope(oval); math.Abs(got) > 0.0012 {
		t.Errorf("an oval roll reads a taper of %.5f", got)
	}
	scoped := good
	scoped.Telescoping = 0.02
	st := newStation(&c)
	st.arrive(5, &scoped)
	m := st.measure(0)
	for i := range m.Widths {
		share := float64(i+1) / 8
		if want := (scoped.Width + 0.02*share*share) * 1e4; math.Abs(float64(m.Widths[i])-want) > 0.6 {
			t.Errorf("width sample %d is %d, want %.1f", i, m.Widths[i], want)
		}
	}
}

// The press stays open outside the temperatures told for closing, and after a
// wait closes only when the operator starts it.
func TestClosingInterlock(t *testing.T) {
	c := calibrated()
	c.Spread = Spread{}
	run := func(start, least, greatest float64) (waited float64, j Judgement) {
		c := c
		c.Header.Start = start
		roll, r := good, fair()
		r.CloseLeast, r.CloseGreatest, r.Dwell, r.OuterHead = least, greatest, 17, 1.0155
		st := newStation(&c)
		st.arrive(1, &roll)
		st.advance(c.Times.Arrive + c.Times.Measure + 1)
		st.begin(r)
		for st.stage != finished {
			st.advance(0.1)
			if st.stage == heating {
				waited += 0.1
			}
		}
		return waited, st.judgeWrap()
	}
	if waited, j := run(176.7, 173, 182); waited > 0.2 || !j.Good {
		t.Errorf("with warm platens the press waited %.1f s: %s", waited, j.Text())
	}
	waited, j := run(150, 173, 182)
	if waited < c.Operator.React || !j.Good {
		t.Errorf("with cold platens the press waited %.1f s: %s", waited, j.Text())
	}
	if waited, j := run(190, 173, 182); waited < c.Operator.React || !j.Good {
		t.Errorf("with hot platens the press waited %.1f s: %s", waited, j.Text())
	}
	// Limits that are never met end in a bad wrap, not in a press that closes
	// outside of them unseen.
	c.Times.HeatLimit = 300
	if _, j := run(150, 199, 200); j.Good {
		t.Error("the press closed outside of its limits, and the wrap is good")
	}
}

// What is drawn has the spread that was asked for, roll by roll and seed by
// seed.
func TestDrawnSpread(t *testing.T) {
	c := calibrated()
	const n = 4000
	values := map[string][]float64{}
	for i := range n {
		v := c.draw(i + 1)
		if v != c.draw(i+1) {
			t.Fatal("the same roll is drawn differently")
		}
		values["conductance"] = append(values["conductance"], v.conductance-1)
		values["effusivity"] = append(values["effusivity"], v.effusivity-1)
		values["thickness"] = append(values["thickness"], v.thickness-1)
		values["start"] = append(values["start"], v.start)
		values["wrapper"] = append(values["wrapper"], v.wrapperWidth)
		values["head"] = append(values["head"], v.headSize)
		if math.Abs(v.placement[0]) > c.Spread.HeadPlacement {
			t.Errorf("a head lies %.4f m off", v.placement[0])
		}
	}
	s := c.Spread
	for name, want := range map[string]float64{
		"conductance": s.Conductance, "effusivity": s.Effusivity, "thickness": s.HeadThickness, "start": s.Start,
		"wrapper": s.WrapperWidth, "head": s.HeadSize,
	} {
		sum, squares := 0.0, 0.0
		for _, v := range values[name] {
			sum += v
			squares += v * v
		}
		// Four standard errors of a standard deviation of n draws.
		got := math.Sqrt(squares/n - sum/n*sum/n)
		if math.Abs(got-want) > 4*want/math.Sqrt(2*n) || math.Abs(sum/n) > 4*want/math.Sqrt(n) {
			t.Errorf("%s: mean %g, deviation %g, want %g", name, sum/n, got, want)
		}
	}
	other := c
	other.Seed++
	if fmt.Sprint(c.draw(1)) == fmt.Sprint(other.draw(1)) {
		t.Error("another seed draws the same")
	}
}

// Without a recipe the operator presses for as long as the press is known to
// need, whatever it is like.
func TestUsualDwell(t *testing.T) {
	for _, c := range []Config{DefaultConfig(), calibrated()} {
		c.Spread = Spread{}
		if j := wrap(t, c, good, nil); !j.Good {
			t.Errorf("h %g: %s", c.Header.Contact.Conductance, j.Text())
		}
	}
	c := calibrated()
	if d := c.usualDwell(); d < 1.4*13.5 || d > 1.6*14.5 {
		t.Errorf("usual dwell %.1f s, want half as much again as about 14 s", d)
	}
	if c.Habit.Dwell = 3; c.usualDwell() != 3 {
		t.Error("a dwell that was set is not used")
	}
}
