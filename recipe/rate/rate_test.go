package rate_test

import (
	"encoding/csv"
	"math"
	"math/rand/v2"
	"os"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"

	"lapgate/recipe"
	"lapgate/recipe/check"
	"lapgate/recipe/offline"
	"lapgate/recipe/rate"
	"lapgate/recipe/recipetest"
	"lapgate/recipe/wording"
)

// number is a number of the reference with its tolerance.
type number struct{ value, tolerance float64 }

func reference(t *testing.T) map[string]number {
	t.Helper()
	file, err := os.Open("../../testdata/reference/rate.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	in := csv.NewReader(file)
	in.Comment = '#'
	rows, err := in.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]number{}
	for _, row := range rows[1:] {
		v, err := strconv.ParseFloat(row[1], 64)
		if err != nil {
			t.Fatal(err)
		}
		tolerance, err := strconv.ParseFloat(row[2], 64)
		if err != nil {
			t.Fatal(err)
		}
		out[row[0]] = number{v, tolerance}
	}
	return out
}

func reckoner(t *testing.T, line *recipe.Line, o rate.Options) *rate.Reckoner {
	t.Helper()
	r, err := rate.New(line, o)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// TestHandReckoned holds a cycle to one that was reckoned by hand (D), all of it
// automatic and all of it by hand.
func TestHandReckoned(t *testing.T) {
	ref := reference(t)
	seen := map[string]bool{}
	hold := func(name string, got float64) {
		t.Helper()
		want, ok := ref[name]
		if !ok || !(math.Abs(got/want.value-1) <= want.tolerance) {
			t.Errorf("%s is %.17g, want %.17g", name, got, want.value)
		}
		seen[name] = true
	}
	for mode, word := range map[recipe.Mode]string{recipe.Auto: "auto", recipe.Manual: "manual"} {
		line := recipetest.Line()
		line.Equipment = recipe.Equipment{Centring: mode, Stand: mode, Wrap: mode, Crimp: mode, Scale: mode, Drives: mode}
		line.Wrap.FeedSlip = 0
		line.Materials.Papers[0].Caliper = 0.3e-3
		line.Materials.Specs[0].Overlap = 0.15
		r := reckoner(t, line, rate.Options{Work: defaults(t), Outer: 1})
		r.Add(rate.Roll{Name: "A", Diameter: 1.2, Width: 1, Grade: 1, Core: 1, Count: 7})
		s := r.Summary()
		if s.Wrapped != 7 {
			t.Fatalf("%s: %d of 7 wrapped: %+v", word, s.Wrapped, s.Held)
		}
		c := r.Present()
		for _, p := range c.Parts {
			if p.Station == "wrap" || p.Station == "crimp" {
				hold(p.Station+"_"+word, p.Machine)
			}
		}
		hold("cycle_"+word, c.Seconds()-c.Change)
		hold("change", c.Change)
		hold("rate_"+word, c.PerHour())
		hold("area", s.Whole.Area)
		hold("trim", s.Whole.Trim)
		hold("ends", s.Whole.Ends)
	}
	for name := range ref {
		if !seen[name] {
			t.Errorf("nothing was held to %s", name)
		}
	}
}

// byHands is what hands take at a station, told apart once more and by hand.
func byHands(w *rate.Work, station string, m recipe.Mode) float64 {
	pick := func(manual, semi, auto float64) float64 {
		switch m {
		case recipe.Manual:
			return manual
		case recipe.Semi:
			return semi
		case recipe.Auto:
			return auto
		}
		return 0
	}
	switch station {
	case "centring":
		return pick(w.CentringManual, w.CentringSemi, w.CentringAuto)
	case "drives":
		return pick(w.DrivesManual, w.DrivesSemi, w.DrivesAuto)
	case "stand":
		return pick(w.StandManual, w.StandSemi, w.StandAuto)
	case "vacuum":
		return pick(w.VacuumManual, w.VacuumSemi, w.VacuumAuto)
	case "inner":
		return pick(w.InnerHeadsManual, w.InnerHeadsSemi, w.InnerHeadsAuto)
	case "outer":
		return pick(w.OuterHeadsManual, w.OuterHeadsSemi, w.OuterHeadsAuto)
	case "wrap":
		return pick(w.WrapManual, w.WrapSemi, w.WrapAuto)
	case "crimp":
		return pick(w.CrimpManual, w.CrimpSemi, w.CrimpAuto)
	case "glue":
		return pick(w.GlueManual, w.GlueSemi, w.GlueAuto)
	case "header":
		return pick(w.HeaderManual, w.HeaderSemi, w.HeaderAuto)
	}
	return pick(w.ScaleManual, w.ScaleSemi, w.ScaleAuto)
}

// moving is the time of a move from rest to rest: the integral of dx/v over a path that
// is finer at its ends, where the speed is that of the ramps.
func moving(path, speed, accel, decel float64) (seconds float64) {
	const pieces = 2000
	for i := range pieces {
		u := (float64(i) + 0.5) / pieces * math.Pi
		x := path * (1 - math.Cos(u)) / 2
		v := min(math.Sqrt(2*accel*x), speed, math.Sqrt(2*decel*(path-x)))
		seconds += path / 2 * math.Sin(u) * math.Pi / pieces / v
	}
	return seconds
}

// shift wraps rolls one after another, event by event: the clock goes on with each
// thing that happens, and a wrapper roll that does not reach for the coming roll is
// changed. It returns the time and the changes.
func shift(line *recipe.Line, w *rate.Work, rolls []rate.Roll, outer float64) (clock float64, changes int) {
	e := &line.Equipment
	powered := *line
	p := &powered.Equipment
	for _, m := range []*recipe.Mode{&p.Centring, &p.Stand, &p.Wrap, &p.Crimp, &p.Glue, &p.Vacuum, &p.Heads, &p.Header, &p.Scale, &p.Drives} {
		if *m != recipe.Absent {
			*m = recipe.Semi
		}
	}
	left := map[int]float64{}
	for _, order := range rolls {
		roll := recipe.Roll{Diameter: order.Diameter, Width: order.Width, WidthMedian: order.Width, Quality: 1, Grade: order.Grade, Core: order.Core}
		stand := offline.Stand(line, outer)
		var rec recipe.Recipe
		recipe.Compute(&powered, &roll, &stand, &rec)
		sp := &rec.Setpoints
		paper := line.Materials.Paper(line.Stand.Slots[sp.Slot-1].Paper)
		full := math.Pi/4*(outer*outer-line.Stand.CoreDiameter*line.Stand.CoreDiameter)/paper.Caliper - line.Stand.Reserve - line.Stand.TailReserve
		if left[sp.Slot] == 0 {
			left[sp.Slot] = full
		}
		if need := sp.FeedLength * (1 - line.Wrap.FeedSlip); left[sp.Slot] < need {
			left[sp.Slot] += full
			changes++
			clock += w.Change
		}
		left[sp.Slot] -= sp.FeedLength * (1 - line.Wrap.FeedSlip)
		clock += w.Load + byHands(w, "centring", e.Centring) + w.Scan + w.Answer + w.Start
		clock += byHands(w, "drives", e.Drives) + byHands(w, "stand", e.Stand) + byHands(w, "vacuum", e.Vacuum)
		if sp.InnerHead > 0 {
			clock += byHands(w, "inner", e.Heads)
		}
		clock += byHands(w, "wrap", e.Wrap)
		switch {
		case e.Wrap == recipe.Manual:
			clock += moving(sp.FeedLength, w.WrapSpeed, line.Wrap.Accel, line.Wrap.Decel)
		case e.Wrap != recipe.Absent:
			clock += moving(sp.FeedLength, line.Wrap.Speed, line.Wrap.Accel, line.Wrap.Decel)
		}
		clock += byHands(w, "crimp", e.Crimp)
		spec, _ := line.SpecOf(&roll)
		around := spec.CrimpTurns * math.Pi * (roll.Diameter + 2*spec.Layers*paper.Caliper)
		switch {
		case e.Crimp == recipe.Manual:
			clock += moving(around, w.CrimpSpeed, line.Crimp.Accel, line.Crimp.Decel)
		case e.Crimp != recipe.Absent:
			clock += line.Crimp.Engage + moving(around, min(line.Crimp.Speed, spec.CrimpSpeed), line.Crimp.Accel, line.Crimp.Decel) + line.Crimp.Retract
		}
		if sp.GlueMass > 0 {
			clock += byHands(w, "glue", e.Glue)
		}
		if sp.OuterHead > 0 {
			clock += byHands(w, "outer", e.Heads) + byHands(w, "header", e.Header)
			if e.Header != recipe.Absent {
				clock += sp.HeaderDwell
			}
		}
		clock += byHands(w, "scale", e.Scale) + w.Label + w.Eject
	}
	return clock, changes
}

// draws is how many lines TestAgainstEvents draws.
const draws = 60

// TestAgainstEvents holds the rate to shifts that are wrapped event by event, on lines
// whose stations are worked in any way and whose hands take any time. A change of
// wrapper is whole there and a share here.
func TestAgainstEvents(t *testing.T) {
	rng := rand.New(rand.NewPCG(15, 1))
	for n := range draws {
		line, w := recipetest.Line(), rate.Work{}
		for _, f := range reflect.ValueOf(&w).Elem().Fields() {
			f.SetFloat(40 * rng.Float64())
		}
		w.Change, w.WrapSpeed, w.CrimpSpeed = 300*rng.Float64(), 0.1+0.5*rng.Float64(), 0.1+0.25*rng.Float64()
		for _, key := range recipe.StationKeys() {
			*line.Equipment.Mode(key) = recipe.Mode(rng.IntN(4))
		}
		if line.Equipment.Stand == recipe.Absent {
			line.Equipment.Stand = recipe.Auto
		}
		outer := 0.5 + 0.5*rng.Float64()
		r := reckoner(t, line, rate.Options{Work: w, Outer: outer})
		var rolls []rate.Roll
		for i := range 100 {
			slot := line.Stand.Slots[rng.IntN(6)]
			one := rate.Roll{Name: strconv.Itoa(i), Diameter: 0.8 + 0.6*rng.Float64(), Width: slot.Width - 2*(0.09+0.05*rng.Float64()), Grade: 1, Core: 1, Count: 1}
			if slot.Paper == "poly" || rng.IntN(5) == 0 {
				one.Grade = 2
			}
			before := r.Wrapped()
			r.Add(one)
			if r.Wrapped() > before {
				rolls = append(rolls, one)
			}
		}
		if len(rolls) < 30 {
			t.Fatalf("draw %d: only %d rolls are wrapped: %+v", n, len(rolls), r.Summary().Held)
		}
		clock, changes := shift(line, &w, rolls, outer)
		c := r.Present()
		got, want := (c.Seconds()-c.Change)*float64(len(rolls)), clock-float64(changes)*w.Change
		if !(math.Abs(got/want-1) < 1e-5) {
			t.Errorf("draw %d: %d rolls take %.2f s, want %.2f s; %+v", n, len(rolls), got, want, line.Equipment)
		}
		if share := c.Change * float64(len(rolls)) / w.Change; share < float64(changes)-1 || share > float64(changes+len(line.Stand.Slots)) {
			t.Errorf("draw %d: %.2f wrapper rolls are used up, %d were changed", n, share, changes)
		}
	}
}

// mix is a mixed schedule on the made-up mill.
func mix(r *rate.Reckoner) {
	for i, width := range []float64{30 * inch, 40 * inch, 50 * inch, 72*inch - 0.28, 84*inch - 0.28} {
		r.Add(rate.Roll{Name: strconv.Itoa(i), Diameter: 0.8 + 0.1*float64(i), Width: width, Grade: 1 + i/3, Core: 1, Count: 3})
	}
}

// TestModules holds each step of automation to a line that has it, and the ladder to
// the steps one after another.
func TestModules(t *testing.T) {
	line, o := recipetest.Line(), rate.Options{Work: defaults(t), Outer: 1}
	for _, key := range recipe.StationKeys() {
		*line.Equipment.Mode(key) = recipe.Manual
	}
	line.Equipment.Vacuum = recipe.Absent
	r := reckoner(t, line, o)
	mix(r)
	perHour := func(e recipe.Equipment) float64 {
		with := *line
		with.Equipment = e
		other := reckoner(t, &with, o)
		mix(other)
		if got, want := other.Summary().Wrapped, r.Summary().Wrapped; got != want || want == 0 {
			t.Fatalf("%d rolls wrapped, want %d", got, want)
		}
		return other.Present().PerHour()
	}
	near := func(a, b float64) bool { return math.Abs(a/b-1) < 1e-12 }
	modules := r.Modules(&line.Equipment)
	if len(modules) != 9 {
		t.Fatalf("%d steps, want one for each of 9 stations", len(modules))
	}
	for i, m := range modules {
		e := line.Equipment
		*e.Mode(m.Station) = m.To
		if m.From != recipe.Manual || m.To != recipe.Semi || !near(m.PerHour, perHour(e)) {
			t.Errorf("%+v, want %v rolls an hour", m, perHour(e))
		}
		if i > 0 && m.Saves > modules[i-1].Saves {
			t.Errorf("%s saves more than %s and comes after it", m.Station, modules[i-1].Station)
		}
	}
	e := line.Equipment
	ladder := r.Ladder()
	for _, m := range ladder {
		best := 0.0
		for _, key := range recipe.StationKeys() {
			if next := e; *next.Mode(key) == recipe.Manual || *next.Mode(key) == recipe.Semi {
				*next.Mode(key)++
				best = max(best, perHour(next))
			}
		}
		*e.Mode(m.Station) = m.To
		if !near(m.PerHour, best) || !near(m.PerHour, perHour(e)) {
			t.Errorf("%+v, want %v, the best of all steps", m, best)
		}
	}
	if len(ladder) != 18 {
		t.Errorf("%d steps, want two for each of 9 stations", len(ladder))
	}
	for _, key := range recipe.StationKeys() {
		if m := *e.Mode(key); m != recipe.Auto && key != "vacuum" {
			t.Errorf("%s ends %s", key, m)
		}
	}
}

// TestHeldRolls: a roll without a recipe is named with the reason and is in no time.
func TestHeldRolls(t *testing.T) {
	o := rate.Options{Work: defaults(t), Outer: 1}
	r := reckoner(t, recipetest.Line(), o)
	mix(r)
	before := r.Present().Seconds()
	r.Add(rate.Roll{Name: "wide", Diameter: 1, Width: 2.5, Grade: 1, Core: 1, Count: 4})
	r.Add(rate.Roll{Name: "thick", Diameter: 2, Width: 40 * inch, Grade: 1, Core: 1, Count: 2})
	s := r.Summary()
	if s.Rolls != s.Wrapped+6 || r.Present().Seconds() != before || len(s.Held) != 2 {
		t.Fatalf("%d of %d wrapped, %+v", s.Wrapped, s.Rolls, s.Held)
	}
	for i, want := range []struct {
		code recipe.Code
		name string
		n    int64
	}{{recipe.NoSlot, "wide", 4}, {check.DiameterRange, "thick", 2}} {
		if h := s.Held[i]; h.Code != want.code || !slices.Equal(h.Names, []string{want.name}) || h.Rolls != want.n || h.Reason.IsZero() {
			t.Errorf("%+v, want %+v", h, want)
		}
	}
	if !slices.ContainsFunc(s.Notes, func(n wording.Phrase) bool { return strings.HasPrefix(n.String(), "6 rolls get no recipe") }) {
		t.Errorf("notes %q", s.Notes)
	}
	none := reckoner(t, recipetest.Line(), o)
	if s := none.Summary(); s.PerHour != 0 || len(s.Notes) != 1 || len(s.Ladder) != 0 {
		t.Errorf("without rolls %+v", s)
	}
}

// TestGradeNotTold: a roll without a grade is wrapped as the lightest one of its
// specification would be, and that is said.
func TestGradeNotTold(t *testing.T) {
	line := recipetest.Line()
	line.Materials.Grades = append(line.Materials.Grades, recipe.Grade{Code: 5, Density: 300, Spec: "standard"}, recipe.Grade{Code: 6, Density: 100, Spec: "export"})
	line.Wrap.Tension, line.Cradle.Friction = 100, 0.1 // so that the grip limits the ramps
	cycle := func(grade int, spec string) float64 {
		r := reckoner(t, line, rate.Options{Work: defaults(t), Outer: 1})
		r.Add(rate.Roll{Name: "A", Diameter: 1.2, Width: 40 * inch, Grade: grade, Spec: spec, Core: 1, Count: 2})
		s := r.Summary()
		told := slices.ContainsFunc(s.Notes, func(n wording.Phrase) bool { return strings.Contains(n.String(), "nobody told the grade") })
		if s.Wrapped != 2 || told != (grade == 0) {
			t.Fatalf("grade %d: %+v", grade, s)
		}
		return r.Present().Seconds()
	}
	if none, light, heavy := cycle(0, "standard"), cycle(5, "standard"), cycle(2, "standard"); none != light || !(light > heavy) {
		t.Errorf("without a grade %v s, the lightest %v s, a heavy one %v s", none, light, heavy)
	}
}

// TestCost: a price makes a cost of what is used and of what is left at the core, and
// without the price of every paper in use there is none.
func TestCost(t *testing.T) {
	for _, prices := range [][]float64{nil, {0.4}, {0.4, 0.7}} {
		r := reckoner(t, recipetest.Line(), rate.Options{Work: defaults(t), Outer: 1, Prices: prices})
		mix(r)
		s := r.Summary()
		told := slices.ContainsFunc(s.Notes, func(n wording.Phrase) bool { return strings.Contains(n.String(), "--paper-price") })
		if whole := len(prices) == 2; (s.Whole.Cost != nil) != whole || told == whole {
			t.Fatalf("%v: cost %v, %q", prices, s.Whole.Cost, s.Notes)
		}
		if len(prices) < 2 {
			continue
		}
		sum, wasted := 0.0, 0.0
		for _, w := range s.Wrapper {
			price := map[string]float64{"kraft": 0.4, "poly": 0.7}[w.Paper]
			if got, want := *w.Cost, price*(w.Area+w.Ends); !(math.Abs(got/want-1) < 1e-12) {
				t.Errorf("slot %d costs %v a roll, want %v", w.Slot, got, want)
			}
			sum += *w.Cost * float64(w.Rolls)
			wasted += price * (w.Trim + w.Ends) * float64(w.Rolls)
		}
		if n := float64(s.Wrapped); !(math.Abs(*s.Whole.Cost*n/sum-1) < 1e-12) || !(math.Abs(*s.Whole.TrimCost*n/wasted-1) < 1e-12) {
			t.Errorf("%v and %v a roll, want %v and %v", *s.Whole.Cost, *s.Whole.TrimCost, sum/n, wasted/n)
		}
	}
}

// TestStandThatHoldsNothing: the error names each slot.
func TestStandThatHoldsNothing(t *testing.T) {
	line := recipetest.Line()
	line.Stand.Slots[1].Paper = "silk"
	_, err := rate.New(line, rate.Options{Work: defaults(t), Outer: 0.08})
	if err == nil || !strings.Contains(err.Error(), `slot 2: paper "silk"`) || !strings.Contains(err.Error(), "slot 1: a wrapper roll of") {
		t.Errorf("got %v", err)
	}
}

// TestAssumptions: those that count for the line as it is worked, with their place.
func TestAssumptions(t *testing.T) {
	line, w := recipetest.Line(), defaults(t)
	line.Equipment.Wrap, line.Equipment.Glue = recipe.Manual, recipe.Absent
	line.Origins = func(key string) string {
		return map[string]string{"work.load": "mill.yaml:7", "work.scan": "default"}[key]
	}
	var keys []string
	for _, a := range rate.Assumptions(line, &w) {
		keys = append(keys, a.Key)
		want := "default, judgement"
		if a.Key == "work.load" {
			want = "mill.yaml:7"
		}
		if a.Where != want || a.Means.IsZero() || a.Value == "" {
			t.Errorf("%+v, want it from %s", a, want)
		}
	}
	want := []string{
		"work.load", "work.scan", "work.answer", "work.start", "work.label", "work.eject", "work.wrapper_change",
		"work.centring_auto", "work.drives_auto", "work.stand_auto", "work.vacuum_auto", "work.inner_heads_manual", "work.wrap_manual",
		"work.crimp_auto", "work.outer_heads_manual", "work.header_auto", "work.scale_auto", "work.hand_wrap_speed",
	}
	if !slices.Equal(keys, want) {
		t.Errorf("got %v, want %v", keys, want)
	}
}
