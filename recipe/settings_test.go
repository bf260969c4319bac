package recipe_test

import (
	"math"
	"testing"

	"lapgate/recipe"
	"lapgate/recipe/recipetest"
	"lapgate/recipe/reel"
)

// TestSettingsAct changes one setting of a station and says what must follow.
func TestSettingsAct(t *testing.T) {
	for _, c := range []struct {
		name string
		edit func(*recipe.Line)
		want func(before, after *recipe.Setpoints) (got, want float64)
	}{
		{"crimper standoff", func(l *recipe.Line) { l.Crimp.Standoff = -0.01 }, func(b, a *recipe.Setpoints) (float64, float64) {
			return a.CrimperPosition, b.CrimperPosition - 0.01
		}},
		{"crimper pressure", func(l *recipe.Line) { l.Crimp.Pressure = 5e6 }, func(_, a *recipe.Setpoints) (float64, float64) { return a.CrimperPressure, 5e6 }},
		{"no crimper wheel", func(l *recipe.Line) { l.Crimp.Blades = 0 }, func(_, a *recipe.Setpoints) (float64, float64) { return a.CrimperHz, 0 }},
		{"half the pitch, twice the crimper speed", func(l *recipe.Line) {
			l.Materials.Specs[0].PleatPitch /= 2
			l.Drives.Crimper.Compensate = true
		}, func(b, a *recipe.Setpoints) (float64, float64) {
			const slip = 50.0 / 60 * 2 // Hz of the four-pole motor
			return a.CrimperHz, 2 * (b.CrimperHz - slip)
		}},
		{"a draw of 2 %", func(l *recipe.Line) { l.Wrap.Draw = 0.02 }, func(b, a *recipe.Setpoints) (float64, float64) {
			const slip = 50.0 / 60 * 2
			return a.FeedHz, 1.02*(b.TurningHz-slip) + slip
		}},
		{"outer edge", func(l *recipe.Line) { l.Heads.OuterEdge = 0.03; l.Materials.Specs[0].MinLap = 0 }, func(_, a *recipe.Setpoints) (float64, float64) { return a.OuterHead, 1.0 }},
		{"inner edge", func(l *recipe.Line) { l.Heads.InnerEdge = 0.08 }, func(_, a *recipe.Setpoints) (float64, float64) { return a.InnerHead, 0.75 }},
		{"twice the press force", func(l *recipe.Line) { l.Header.Cylinders = 2 }, func(b, a *recipe.Setpoints) (float64, float64) {
			return a.ContactPressure, 2 * b.ContactPressure
		}},
		{"open gap", func(l *recipe.Line) { l.Header.OpenGap = 0.5 }, func(b, a *recipe.Setpoints) (float64, float64) { return a.PlatenStroke, b.PlatenStroke + 0.2 }},
		{"a glued head gets glue", func(l *recipe.Line) { l.Materials.Stock[0].Method = recipe.Glued }, func(_, a *recipe.Setpoints) (float64, float64) {
			return a.GlueMass, 2 * 0.06 * math.Pi * (0.575*0.575 - 0.525*0.525)
		}},
		{"centring target", func(l *recipe.Line) { l.Centring.Target = -0.02 }, func(_, a *recipe.Setpoints) (float64, float64) { return a.CentringOffset, -0.02 }},
		{"scale tolerance", func(l *recipe.Line) { l.Scale.Tolerance = 0.025 }, func(b, a *recipe.Setpoints) (float64, float64) {
			return a.ScaleTolerance, b.ScaleTolerance + 0.01
		}},
		{"heavier core", func(l *recipe.Line) { l.Materials.Cores[0].Mass += 1 }, func(b, a *recipe.Setpoints) (float64, float64) { return a.Tare, b.Tare + 1.016 }},
		{"vacuum edges", func(l *recipe.Line) { l.Vacuum.Edges = []float64{0.3, 0.635, 0.64} }, func(_, a *recipe.Setpoints) (float64, float64) {
			return float64(a.VacuumZones), 0b011
		}},
		{"a driven roll alone", func(l *recipe.Line) { l.Cradle.Driven = "rising"; l.Cradle.Friction = 0.05 }, func(b, a *recipe.Setpoints) (float64, float64) {
			return math.Min(a.WrapTime, b.WrapTime+1e-6), b.WrapTime + 1e-6 // longer
		}},
	} {
		before := compute(recipetest.Line(), sampleRoll(), sampleStand())
		line := recipetest.Line()
		c.edit(line)
		after := compute(line, sampleRoll(), sampleStand())
		if after.N > 0 {
			t.Errorf("%s: %+v", c.name, after.Problems[:after.N])
			continue
		}
		if got, want := c.want(&before.Setpoints, &after.Setpoints); !(math.Abs(got-want) <= 1e-9*math.Max(1, math.Abs(want))) {
			t.Errorf("%s: %v, want %v", c.name, got, want)
		}
	}
}

// TestWrapperLeft tells what is left by diameter, by consumption and by both.
func TestWrapperLeft(t *testing.T) {
	line, roll := recipetest.Line(), sampleRoll()
	for _, c := range []struct {
		name        string
		outer       float64
		counted     reel.Estimate
		tail        float64
		fit         recipe.Fit
		left, least float64
		differs     bool
	}{
		{"neither", 0, reel.Estimate{}, 0, recipe.Fits, math.Inf(1), 0, false},
		{"consumption alone", 0, reel.Estimate{Length: 100, U: 1, Known: true}, 0, recipe.Fits, 100, 1, false},
		{"too little by consumption", 0, reel.Estimate{Length: 17, U: 1, Known: true}, 0, recipe.TooShort, 17, 1, false},
		// 17 m would reach for 11.5 m and a reserve of 5 m, but not surely.
		{"enough but for the guard band", 0, reel.Estimate{Length: 17, U: 0.1, Known: true}, 0, recipe.Fits, 17, 0.1, false},
		{"not with a bad tail", 0, reel.Estimate{Length: 17, U: 0.1, Known: true}, 3, recipe.TooShort, 17, 0.1, false},
		{"the lesser of two that differ", 1, reel.Estimate{Length: 100, U: 1, Known: true}, 0, recipe.Fits, 100, 1, true},
		{"a core", 0.07, reel.Estimate{}, 0, recipe.TooShort, 0, 0, false},
	} {
		stand := sampleStand()
		stand.Outer[1], stand.Counted[1] = c.outer, c.counted
		line.Stand.TailReserve = c.tail
		got, ok := recipe.CandidateOf(line, roll, stand, 2)
		if !ok {
			t.Fatalf("%s: no candidate", c.name)
		}
		window, _ := recipe.WrapperWindow(line, roll, 2)
		if !window.Contains(got.Overhang) {
			t.Fatalf("%s: overhang %v", c.name, got.Overhang)
		}
		for _, x := range recipe.Candidates(line, roll, stand) {
			if x.Slot.Number == 2 {
				got = x
			}
		}
		if got.Fit != c.fit || got.Left != c.left || got.LeftU != c.least || got.Differs != c.differs {
			t.Errorf("%s: %v, left %v ± %v, differs %v", c.name, got.Fit, got.Left, got.LeftU, got.Differs)
		}
	}
	// Both known and alike: weighted, and surer than either.
	stand := sampleStand()
	byDiameter, _ := recipe.CandidateOf(line, roll, stand, 2)
	stand.Counted[1] = reel.Estimate{Length: byDiameter.Left - 20, U: 30, Known: true}
	both, _ := recipe.CandidateOf(line, roll, stand, 2)
	if both.Differs || !(both.Left < byDiameter.Left && both.Left > byDiameter.Left-20 && both.LeftU < 30 && both.LeftU < byDiameter.LeftU) {
		t.Errorf("by diameter %v ± %v, by both %v ± %v", byDiameter.Left, byDiameter.LeftU, both.Left, both.LeftU)
	}
}

func TestPlug(t *testing.T) {
	line := recipetest.Line()
	for i, want := range []float64{0.068, 0.149} {
		if got := line.Heads.Plug(&line.Materials.Cores[i]); got != want {
			t.Errorf("core %d: plug %v, want %v", i+1, got, want)
		}
	}
	if got := line.Heads.Plug(&recipe.Core{Diameter: 0.01, Wall: 0.01}); got != 0 {
		t.Errorf("a core without a bore: plug %v", got)
	}
}
