package recipe_test

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"math/rand"
	"os"
	"reflect"
	"strconv"
	"sync"
	"testing"

	"pgregory.net/rapid"

	"lapgate/recipe"
	"lapgate/recipe/check"
	"lapgate/recipe/recipetest"
)

func compute(line *recipe.Line, roll *recipe.Roll, stand *recipe.Stand) recipe.Recipe {
	var rec recipe.Recipe
	recipe.Compute(line, roll, stand, &rec)
	return rec
}

// rows reads a file of outside numbers, without its heading.
func rows(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open("../testdata/reference/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	all, err := r.ReadAll()
	if err != nil || len(all) < 2 {
		t.Fatalf("%s: no data (%v)", name, err)
	}
	return all[1:]
}

func numbers(t *testing.T, row []string) []float64 {
	t.Helper()
	v := make([]float64, len(row))
	for i, s := range row {
		var err error
		if v[i], err = strconv.ParseFloat(s, 64); err != nil {
			t.Fatal(err)
		}
	}
	return v
}

// TestFeedLengthReference takes the whole way through Compute.
func TestFeedLengthReference(t *testing.T) {
	for _, row := range rows(t, "feed.csv") {
		v := numbers(t, row[:6])
		unit := 1.0
		if row[6] == "in" {
			unit = inch
		}
		line, roll := recipetest.Line(), sampleRoll()
		roll.Diameter = v[0] * unit
		line.Materials.Specs[0].Layers = v[1]
		line.Materials.Papers[0].Caliper = v[2] * unit
		line.Materials.Specs[0].Overlap = v[3] * unit
		line.Materials.Stock[0].Diameters = []float64{roll.Diameter}
		line.Wrap.FeedSlip = 0
		rec := compute(line, roll, sampleStand())
		if want := v[4] * unit; !(math.Abs(rec.Setpoints.FeedLength/want-1) <= v[5]) {
			t.Errorf("feed length %v m, want %v m (%s, %s)", rec.Setpoints.FeedLength, want, row[7], row[8])
		}
	}
}

// TestLengthLeftReference takes the whole way through the judging of a slot.
func TestLengthLeftReference(t *testing.T) {
	for _, row := range rows(t, "left.csv") {
		v := numbers(t, row[:5])
		unit := 1.0
		if row[5] == "cm" {
			unit = 0.01
		}
		line, stand := recipetest.Line(), sampleStand()
		line.Stand.CoreDiameter = v[1] * unit
		line.Materials.Papers[0].Caliper = v[2] * unit
		stand.Outer[1] = v[0] * unit
		c, ok := recipe.CandidateOf(line, sampleRoll(), stand, 2)
		if want := v[3] * unit; !ok || !(math.Abs(c.Left/want-1) <= v[4]) {
			t.Errorf("%v %s: left %v m, want %v m (%s, %s)", v[:3], row[5], c.Left, want, row[6], row[7])
		}
	}
}

// TestWorkedRoll goes through one roll by hand.
func TestWorkedRoll(t *testing.T) {
	rec := compute(recipetest.Line(), sampleRoll(), sampleStand())
	sp := rec.Setpoints
	if rec.N != 0 || sp.Slot != 2 {
		t.Fatalf("slot %d, problems %v", sp.Slot, rec.Problems[:rec.N])
	}
	used := math.Pi*3*(1.2+3*0.012*inch) + 6*inch
	for _, c := range []struct {
		name            string
		got, want, most float64
	}{
		{"wrapper width", sp.WrapperWidth, 50 * inch, 1e-12},
		{"overhang", sp.Overhang, 5 * inch, 1e-12},
		{"layers", sp.Layers, 3, 0},
		{"feed length", sp.FeedLength, used / (1 - 0.004), 1e-12},
		{"counts", float64(sp.FeedCounts), math.Ceil(2000 * used / 0.996), 0},
		{"crimp turns", sp.CrimpTurns, 1.25, 0},
		// 0.4 m/s with ramps of 0.25 m/s² is reached on this path: S/v + v/a.
		{"crimp time", sp.CrimpTime, 2 + 1.25*math.Pi*(1.2+6*0.012*inch)/0.4 + 0.4/0.25, 1e-9},
		{"platen", sp.HeaderTemperature, 176.0 + 2.0/3, 1e-9},
		{"outer head", sp.OuterHead, 1.15, 0},
		{"inner head", sp.InnerHead, 1.05, 0},
	} {
		if !(math.Abs(c.got-c.want) <= c.most) {
			t.Errorf("%s is %v, want %v", c.name, c.got, c.want)
		}
	}
}

// TestGluedHeadDries: more water takes longer, and water that the board takes
// up none.
func TestGluedHeadDries(t *testing.T) {
	line, roll := recipetest.Line(), sampleRoll()
	roll.Grade, roll.Width = 2, 60*inch-0.22
	dwell := func(coverage float64) float64 {
		line.Glue.Coverage = coverage
		return compute(line, roll, sampleStand()).Setpoints.HeaderDwell
	}
	none, taken, wet, wetter := dwell(0), dwell(0.03), dwell(0.06), dwell(0.1)
	if none <= 0 || taken != none || !(wet > none) || !(wetter > wet) {
		t.Errorf("dwells %v, %v, %v, %v", none, taken, wet, wetter)
	}
}

// TestPlatens: the cooler platen as measured decides, its fall counts on, the
// hotter one opens the window of closing; without a measurement the setpoint
// stands.
func TestPlatens(t *testing.T) {
	line, roll := recipetest.Line(), sampleRoll()
	setpoint := line.Materials.Stock[0].Setpoint
	for _, c := range []struct {
		name        string
		cool, hot   float64
		rate        float64
		least, most float64
	}{
		{"as set", setpoint, setpoint, 0, setpoint - 3, setpoint + 5},
		{"cold", 170, 172, 0, 167, setpoint + 5},
		{"hot", 190, 198, 0, setpoint - 3, 200},
		{"too hot", 190, 203, 0, setpoint - 3, 200},
		{"falling", 170, 170, -0.05, 164, setpoint + 5},
		{"rising", 170, 170, 0.05, 167, setpoint + 5},
		{"one sensor", 170, 0, 0, 167, setpoint + 5},
		{"not measured", 0, 0, -0.05, setpoint - 3, setpoint + 5},
	} {
		stand := sampleStand()
		stand.Platen, stand.PlatenHot, stand.PlatenRate = c.cool, c.hot, c.rate
		rec := compute(line, roll, stand)
		sp := rec.Setpoints
		if math.Abs(sp.CloseMin-c.least) > 1e-9 || math.Abs(sp.CloseMax-c.most) > 1e-9 {
			t.Errorf("%s: closes from %v to %v, want %v to %v", c.name, sp.CloseMin, sp.CloseMax, c.least, c.most)
		}
	}
}

// slots makes a stand of kraft wrappers and says what is chosen.
func TestSlotRules(t *testing.T) {
	type slot struct {
		width float64
		outer float64
		ready bool
		paper string
	}
	const wide = 40 * inch // of the roll; 50 in is the optimum
	for _, c := range []struct {
		name  string
		slots []slot
		edit  func(*recipe.Line, *recipe.Roll)
		want  int
	}{
		{"nearest to the optimum", []slot{{48 * inch, 1, true, "kraft"}, {51 * inch, 1, true, "kraft"}}, nil, 2},
		{"tie: the wider sheet", []slot{{49 * inch, 1, true, "kraft"}, {51 * inch, 1, true, "kraft"}}, nil, 2},
		{"tie: less left", []slot{{50 * inch, 1, true, "kraft"}, {50 * inch, 0.7, true, "kraft"}}, nil, 2},
		{"tie: known before unknown", []slot{{50 * inch, 0, true, "kraft"}, {50 * inch, 0.7, true, "kraft"}}, nil, 2},
		{"tie: lower number", []slot{{50 * inch, 1, true, "kraft"}, {50 * inch, 1, true, "kraft"}}, nil, 1},
		{"not ready", []slot{{50 * inch, 1, false, "kraft"}, {51 * inch, 1, true, "kraft"}}, nil, 2},
		{"material", []slot{{50 * inch, 1, true, "poly"}, {51 * inch, 1, true, "kraft"}}, nil, 2},
		{"material unknown", []slot{{50 * inch, 1, true, "silk"}, {51 * inch, 1, true, "kraft"}}, nil, 2},
		{"too little left", []slot{{50 * inch, 0.0925, true, "kraft"}, {51 * inch, 1, true, "kraft"}}, nil, 2},
		{"smaller than its core", []slot{{50 * inch, 0.05, true, "kraft"}, {51 * inch, 1, true, "kraft"}}, nil, 2},
		{"unknown length is no obstacle", []slot{{50 * inch, 0, true, "kraft"}, {51 * inch, 1, true, "kraft"}}, nil, 1},
		{"poor side", []slot{{wide + 2*(3*inch+0.0099), 1, true, "kraft"}}, noScanError, 0},
		{"poor side, on the limit", []slot{{wide + 2*(3*inch+0.0100), 1, true, "kraft"}}, noScanError, 1},
		{"rich side", []slot{{wide + 2*(7*inch-0.0099), 1, true, "kraft"}}, noScanError, 0},
		{"rich side, on the limit", []slot{{wide + 2*(7*inch-0.0100), 1, true, "kraft"}}, noScanError, 1},
		{"guard band", []slot{{wide + 2*(7*inch-0.0100), 1, true, "kraft"}}, nil, 0},
		// R − R_core − clearance − e = 0.2 − 0.045 − 0.025 − 0.010 = 0.120 m.
		{"core", []slot{{wide + 2*0.1201, 1, true, "kraft"}}, small, 0},
		{"core, on the limit", []slot{{wide + 2*0.1200, 1, true, "kraft"}}, small, 1},
		{"core not told: the largest", []slot{{wide + 2*0.0801, 1, true, "kraft"}}, func(l *recipe.Line, r *recipe.Roll) {
			small(l, r)
			r.Core = 0
			l.Materials.Specs[0].Overhang.Min = 0
			l.Equipment.Heads, l.Equipment.Header = recipe.Absent, recipe.Absent
		}, 0},
		// R + N·t − R_head + lap + e + placement = 0.055 + 0.0009144 + 0.06 + 0.010 + 0.002 = 0.1279144 m.
		{"lap", []slot{{wide + 2*0.1279, 1, true, "kraft"}}, largeLap, 0},
		{"lap, on the limit", []slot{{wide + 2*0.1279144, 1, true, "kraft"}}, largeLap, 1},
		{"no lap without heads", []slot{{wide + 2*0.1249, 1, true, "kraft"}}, func(l *recipe.Line, r *recipe.Roll) {
			largeLap(l, r)
			l.Equipment.Heads, l.Equipment.Header = recipe.Absent, recipe.Absent
		}, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			line, roll, stand := recipetest.Line(), sampleRoll(), sampleStand()
			line.Stand.Slots = nil
			for i, s := range c.slots {
				line.Stand.Slots = append(line.Stand.Slots, recipe.SlotSpec{Number: i + 1, Width: s.width, Paper: s.paper})
				stand.Outer[i], stand.Ready[i] = s.outer, s.ready
			}
			if c.edit != nil {
				c.edit(line, roll)
			}
			rec := compute(line, roll, stand)
			if rec.Setpoints.Slot != c.want {
				t.Errorf("slot %d, want %d: %+v", rec.Setpoints.Slot, c.want, recipe.Candidates(line, roll, stand))
			}
			if held := rec.Has(recipe.NoSlot); held != (c.want == 0) {
				t.Errorf("no-slot is %v: %+v", held, rec.Problems[:rec.N])
			}
		})
	}
}

func noScanError(l *recipe.Line, r *recipe.Roll) {
	r.WidthU, r.DiameterU, r.WidthSpread, r.Ovality = 0, 0, 0, 0
	l.Stand.WidthU, l.Heads.SizeU = 0, 0
}

func small(l *recipe.Line, r *recipe.Roll) {
	noScanError(l, r)
	r.Diameter = 0.4
}

func largeLap(l *recipe.Line, r *recipe.Roll) {
	noScanError(l, r)
	l.Materials.Specs[0].MinLap = 0.06
	l.Materials.Stock[0].Diameters = []float64{1.09}
}

func TestManualStand(t *testing.T) {
	line, roll, stand := recipetest.Line(), sampleRoll(), sampleStand()
	line.Equipment.Stand = recipe.Manual
	stand.Ready = [6]bool{} // a stand without contacts

	rec := compute(line, roll, stand)
	if !rec.Has(recipe.SlotUnconfirmed) || rec.Problems[0].Index != 2 {
		t.Errorf("unconfirmed: %+v", rec.Problems[:rec.N])
	}
	stand.Confirmed = 2
	rec = compute(line, roll, stand)
	if rec.N != 0 || rec.Setpoints.Groups.Has(recipe.GroupStand) || rec.Setpoints.Slot != 0 {
		t.Errorf("confirmed: slot %d, %+v", rec.Setpoints.Slot, rec.Problems[:rec.N])
	}
	if !rec.Setpoints.Groups.Has(recipe.GroupWrap) {
		t.Error("confirmed: nothing to feed")
	}
	for _, bad := range []int{1, 5, 9} {
		stand.Confirmed = bad
		rec = compute(line, roll, stand)
		if !rec.Has(recipe.SlotUnfit) || rec.Setpoints.Groups.Has(recipe.GroupWrap) {
			t.Errorf("confirmed %d: %+v", bad, rec.Problems[:rec.N])
		}
	}
}

// TestGroupsInForce takes the stations away one by one.
func TestGroupsInForce(t *testing.T) {
	for _, c := range []struct {
		group recipe.Station
		mode  func(*recipe.Equipment) *recipe.Mode
	}{
		{recipe.GroupStand, func(e *recipe.Equipment) *recipe.Mode { return &e.Stand }},
		{recipe.GroupWrap, func(e *recipe.Equipment) *recipe.Mode { return &e.Wrap }},
		{recipe.GroupCrimp, func(e *recipe.Equipment) *recipe.Mode { return &e.Crimp }},
		{recipe.GroupHeader, func(e *recipe.Equipment) *recipe.Mode { return &e.Header }},
		{recipe.GroupGlue, func(e *recipe.Equipment) *recipe.Mode { return &e.Glue }},
		{recipe.GroupWeigh, func(e *recipe.Equipment) *recipe.Mode { return &e.Scale }},
		{recipe.GroupCentre, func(e *recipe.Equipment) *recipe.Mode { return &e.Centring }},
		{recipe.GroupDrives, func(e *recipe.Equipment) *recipe.Mode { return &e.Drives }},
	} {
		line, stand := recipetest.Line(), sampleStand()
		stand.Confirmed = 2
		all := compute(line, sampleRoll(), stand)
		if !all.Setpoints.Groups.Has(c.group) {
			t.Fatalf("group %d is not in force on a whole line", c.group)
		}
		for _, mode := range []recipe.Mode{recipe.Absent, recipe.Manual, recipe.Semi} {
			*c.mode(&line.Equipment) = mode
			rec := compute(line, sampleRoll(), stand)
			if rec.N != 0 {
				t.Errorf("group %d, mode %d: %+v", c.group, mode, rec.Problems[:rec.N])
			}
			want := all.Setpoints.Groups
			if mode != recipe.Semi {
				want &^= 1 << c.group
			}
			if rec.Setpoints.Groups != want {
				t.Errorf("group %d, mode %d: in force %b, want %b", c.group, mode, rec.Setpoints.Groups, want)
			}
		}
	}
}

func TestProblems(t *testing.T) {
	for _, c := range []struct {
		want recipe.Code
		edit func(*recipe.Line, *recipe.Roll)
	}{
		{recipe.RollInvalid, func(_ *recipe.Line, r *recipe.Roll) { r.Diameter = math.NaN() }},
		{recipe.RollInvalid, func(_ *recipe.Line, r *recipe.Roll) { r.Width = -1 }},
		{recipe.RollInvalid, func(_ *recipe.Line, r *recipe.Roll) { r.WidthU = math.Inf(1) }},
		{recipe.SpecMissing, func(_ *recipe.Line, r *recipe.Roll) { r.Grade = 0 }},
		{recipe.SpecUnknown, func(_ *recipe.Line, r *recipe.Roll) { r.Spec = "tissue" }},
		{recipe.GradeUnknown, func(_ *recipe.Line, r *recipe.Roll) { r.Grade = 77 }},
		{recipe.CoreUnknown, func(_ *recipe.Line, r *recipe.Roll) { r.Core = 77 }},
		{recipe.HeadUnknown, func(l *recipe.Line, _ *recipe.Roll) { l.Materials.Specs[0].Head = "tin" }},
		{recipe.InnerHeadUnknown, func(l *recipe.Line, _ *recipe.Roll) { l.Materials.Specs[0].InnerHead = "tin" }},
		{recipe.NoHeadSize, func(l *recipe.Line, _ *recipe.Roll) { l.Materials.Stock[0].Diameters = []float64{1.3} }},
		{recipe.NoInnerHeadSize, func(l *recipe.Line, _ *recipe.Roll) { l.Materials.Stock[2].Diameters = nil }},
		{recipe.NoWindow, func(l *recipe.Line, _ *recipe.Roll) { l.Centring.Tolerance = 0.06 }},
		{recipe.NoSlot, func(l *recipe.Line, _ *recipe.Roll) { l.Stand.Slots = nil }},
		{recipe.CradleRefuses, func(l *recipe.Line, _ *recipe.Roll) { l.Cradle.Spacing = 0.3 }},
		{recipe.WrapIncalculable, func(l *recipe.Line, _ *recipe.Roll) { l.Wrap.Speed = 0 }},
		{recipe.WrapIncalculable, func(l *recipe.Line, _ *recipe.Roll) { l.Wrap.CountsPerMetre = 1e9 }},
		{recipe.CrimpIncalculable, func(l *recipe.Line, _ *recipe.Roll) { l.Crimp.Speed = math.NaN() }},
		{recipe.BondAbovePlaten, func(l *recipe.Line, _ *recipe.Roll) { l.Materials.Stock[0].BondTarget = l.Materials.Stock[0].Setpoint }},
		{recipe.DriveIncalculable, func(l *recipe.Line, _ *recipe.Roll) { l.Drives.Feed.Poles = 3 }},
		{recipe.DriveIncalculable, func(l *recipe.Line, _ *recipe.Roll) { l.Drives.Crimper.Gear = math.NaN() }},
		{recipe.DriveIncalculable, func(l *recipe.Line, _ *recipe.Roll) { l.Wrap.Draw = -2 }},
		{recipe.CrimpIncalculable, func(l *recipe.Line, _ *recipe.Roll) { l.Materials.Specs[0].PleatPitch = 0 }},
		{recipe.CrimpIncalculable, func(l *recipe.Line, _ *recipe.Roll) { l.Crimp.Standoff = -1 }},
		{recipe.ContactIncalculable, func(l *recipe.Line, _ *recipe.Roll) { l.Header.Bore = 0 }},
		{recipe.ContactIncalculable, func(l *recipe.Line, _ *recipe.Roll) { l.Header.Platen = 0.05 }},
		{recipe.GlueIncalculable, func(l *recipe.Line, _ *recipe.Roll) {
			l.Materials.Stock[0].Method = recipe.Glued
			l.Glue.Coverage = math.Inf(1)
		}},
		{recipe.CentringIncalculable, func(l *recipe.Line, _ *recipe.Roll) { l.Centring.Target = math.NaN() }},
		{recipe.MassIncalculable, func(l *recipe.Line, _ *recipe.Roll) { l.Materials.Grades[0].Density = math.NaN() }},
		{recipe.HeaderIncalculable, func(l *recipe.Line, _ *recipe.Roll) { l.Header.Backing = -1 }},
		{recipe.PressNotMeasured, func(l *recipe.Line, _ *recipe.Roll) { l.Header.ConductanceU = 0.31 * l.Header.Conductance }},
	} {
		line, roll := recipetest.Line(), sampleRoll()
		c.edit(line, roll)
		rec := compute(line, roll, sampleStand())
		if !rec.Has(c.want) {
			t.Errorf("%s did not come up: %+v", c.want, rec.Problems[:rec.N])
		}
	}
}

func TestSpecOf(t *testing.T) {
	line, roll := recipetest.Line(), sampleRoll()
	name := func() string { s, _ := line.SpecOf(roll); return s.Name }
	if got := name(); got != "standard" {
		t.Errorf("by the grade: %s", got)
	}
	roll.Order = &recipe.Order{Grade: 2}
	if got := name(); got != "standard" {
		t.Errorf("the controller's grade comes before the order's: %s", got)
	}
	roll.Grade = 0
	if got := name(); got != "export" {
		t.Errorf("by the order's grade: %s", got)
	}
	roll.Order.Spec = "standard"
	if got := name(); got != "standard" {
		t.Errorf("by the order: %s", got)
	}
	roll.Spec = "export"
	if got := name(); got != "export" {
		t.Errorf("by the roll: %s", got)
	}
}

func TestDeterministic(t *testing.T) {
	line := recipetest.Line()
	r := rand.New(rand.NewSource(7))
	type input struct {
		roll  *recipe.Roll
		stand *recipe.Stand
	}
	var inputs []input
	for range 200 {
		inputs = append(inputs, input{randomRoll(r, line), randomStand(r)})
	}
	results := func() []byte {
		var list []recipe.Result
		var rec recipe.Recipe
		for _, in := range inputs {
			recipe.Compute(line, in.roll, in.stand, &rec)
			list = append(list, recipe.NewResult(in.roll, &rec, check.Run(line, in.roll, in.stand, &rec, nil, nil)))
		}
		text, err := json.Marshal(list)
		if err != nil {
			t.Error(err)
		}
		return text
	}
	want := results()
	var wg sync.WaitGroup
	for range 3 {
		wg.Go(func() {
			if got := results(); string(got) != string(want) {
				t.Error("the same input gave other bytes")
			}
		})
	}
	wg.Wait()
}

func TestProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rand.New(rand.NewSource(rapid.Int64().Draw(t, "seed")))
		line := randomLine(r)
		roll, stand := randomRoll(r, line), randomStand(r)
		rec := compute(line, roll, stand)

		// The chosen slot is the best of those that fit.
		spec, _ := line.SpecOf(roll)
		off := func(o float64) float64 { return math.Abs(o - spec.Overhang.Optimum) }
		fits := 0
		for _, c := range recipe.Candidates(line, roll, stand) {
			if c.Fit != recipe.Fits {
				continue
			}
			fits++
			if rec.Setpoints.Slot == 0 || off(c.Overhang) < off(rec.Setpoints.Overhang)-1e-9 {
				t.Errorf("slot %d with %v serves better than slot %d with %v", c.Slot.Number, c.Overhang, rec.Setpoints.Slot, rec.Setpoints.Overhang)
			}
			window, ok := recipe.WrapperWindow(line, roll, c.Slot.Number)
			if !ok {
				t.Fatal("no window for a known roll")
			}
			if window != c.Window || !window.Contains(c.Overhang) {
				t.Errorf("slot %d fits with %v, outside %v", c.Slot.Number, c.Overhang, window.Overhang)
			}
		}
		if (fits > 0) != (rec.Setpoints.Slot != 0) {
			t.Errorf("%d slots fit, slot %d was chosen", fits, rec.Setpoints.Slot)
		}

		// One more slot never takes the wrapper away.
		more := *line
		more.Stand.Slots = append(more.Stand.Slots[:len(more.Stand.Slots):len(more.Stand.Slots)],
			recipe.SlotSpec{Number: 1 + r.Intn(6), Width: 0.5 + 2*r.Float64(), Paper: "kraft"})
		if again := compute(&more, roll, stand); rec.Setpoints.Slot != 0 && again.Setpoints.Slot == 0 {
			t.Error("with one more slot no slot was found")
		}

		// A larger roll in the same slot takes no less wrapper and, but for the
		// brake against which a heavier roll has more grip, no less time; counts
		// cover the length.
		loose := *line
		loose.Wrap.Tension = 0
		same := compute(&loose, roll, stand)
		larger := *roll
		larger.Diameter *= 1 + 0.1*r.Float64()
		big := compute(&loose, &larger, stand)
		a, b := &same.Setpoints, &big.Setpoints
		if a.Slot != 0 && a.Slot == b.Slot {
			if b.FeedLength < a.FeedLength || b.FeedCounts < a.FeedCounts || b.WrapTime < a.WrapTime {
				t.Errorf("larger roll: feed %v after %v, time %v after %v", b.FeedLength, a.FeedLength, b.WrapTime, a.WrapTime)
			}
		}
		if c := float64(a.FeedCounts); a.Slot != 0 && (c < a.FeedLength*line.Wrap.CountsPerMetre || c >= a.FeedLength*line.Wrap.CountsPerMetre+1) {
			t.Errorf("%v counts for %v m", c, a.FeedLength)
		}
		if a.Groups.Has(recipe.GroupHeader) {
			if !(a.HeaderDwellFast <= a.HeaderDwellNominal && a.HeaderDwellNominal <= a.HeaderDwell) {
				t.Errorf("dwells %v, %v, %v", a.HeaderDwellFast, a.HeaderDwellNominal, a.HeaderDwell)
			}
			better := *line
			better.Header.Conductance *= 1.1
			if s := compute(&better, roll, stand); s.Setpoints.HeaderDwell > a.HeaderDwell {
				t.Errorf("a better contact takes longer: %v after %v", s.Setpoints.HeaderDwell, a.HeaderDwell)
			}
		}
	})
}

// floats lists the addresses of every float64 in a value.
func floats(v reflect.Value, list []*float64) []*float64 {
	switch v.Kind() {
	case reflect.Float64:
		return append(list, v.Addr().Interface().(*float64))
	case reflect.Pointer:
		if !v.IsNil() {
			return floats(v.Elem(), list)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			list = floats(v.Field(i), list)
		}
	case reflect.Slice, reflect.Array:
		for i := range v.Len() {
			list = floats(v.Index(i), list)
		}
	}
	return list
}

// TestExtremeInputs puts impossible numbers anywhere. Whatever comes out is
// finite, goes into JSON, has its findings, and can be explained.
func TestExtremeInputs(t *testing.T) {
	special := []float64{math.NaN(), math.Inf(1), math.Inf(-1), 0, -1, math.MaxFloat64, -math.MaxFloat64, 5e-324, 1e-300, 1e300}
	rapid.Check(t, func(t *rapid.T) {
		line, roll, stand := recipetest.Line(), sampleRoll(), sampleStand()
		all := floats(reflect.ValueOf(line).Elem(), nil)
		all = floats(reflect.ValueOf(roll).Elem(), all)
		all = floats(reflect.ValueOf(stand).Elem(), all)
		for range rapid.IntRange(1, 4).Draw(t, "how many") {
			i := rapid.IntRange(0, len(all)-1).Draw(t, "which")
			*all[i] = rapid.SampledFrom(special).Draw(t, "value")
		}
		rec := compute(line, roll, stand)
		for _, v := range floats(reflect.ValueOf(&rec).Elem(), nil) {
			if math.IsNaN(*v) || math.IsInf(*v, 0) {
				t.Fatalf("not a finite number in %+v", rec)
			}
		}
		findings := check.Run(line, roll, stand, &rec, nil, nil)
		if rec.N > 0 && !recipe.Held(findings) {
			t.Errorf("problems without a hold: %+v", rec.Problems[:rec.N])
		}
		if _, err := json.Marshal(recipe.NewResult(roll, &rec, findings)); err != nil {
			t.Error(err)
		}
		if _, err := json.Marshal(recipe.Explain(line, roll, stand)); err != nil {
			t.Errorf("explain: %v", err)
		}
	})
}

// TestGreatestInputs puts the greatest number at each place, one at a time: whatever
// comes out is finite.
func TestGreatestInputs(t *testing.T) {
	inputs := func() (line *recipe.Line, roll *recipe.Roll, stand *recipe.Stand, all []*float64) {
		line, roll, stand = recipetest.Line(), sampleRoll(), sampleStand()
		for _, v := range []reflect.Value{reflect.ValueOf(line), reflect.ValueOf(roll), reflect.ValueOf(stand)} {
			all = floats(v.Elem(), all)
		}
		return line, roll, stand, all
	}
	_, _, _, all := inputs()
	for i := range all {
		line, roll, stand, all := inputs()
		was := *all[i]
		*all[i] = math.MaxFloat64
		rec := compute(line, roll, stand)
		for _, v := range floats(reflect.ValueOf(&rec).Elem(), nil) {
			if math.IsNaN(*v) || math.IsInf(*v, 0) {
				t.Fatalf("number %d, that was %v: not a finite number in %+v", i, was, rec)
			}
		}
	}
}
