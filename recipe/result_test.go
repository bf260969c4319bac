package recipe_test

import (
	"bytes"
	"encoding/json"
	"math"
	"strings"
	"testing"

	"lapgate/recipe"
	"lapgate/recipe/check"
)

func TestResultJSON(t *testing.T) {
	line, roll, stand := sampleLine(), sampleRoll(), sampleStand()
	stand.Outer[1] = 0
	rec := compute(line, roll, stand)
	text, err := json.Marshal(recipe.NewResult(roll, &rec, check.Run(line, roll, stand, &rec, nil, nil)))
	if err != nil {
		t.Fatal(err)
	}
	order := []string{
		`{"roll":"R-1190","verdict":"go","findings":[{"code":"slot-stock-unknown","severity":"warn"`,
		`"setpoints":{"wrapper_slot":2,"wrapper_width_m":1.27,"overhang_m":`, `"layers":3,"feed_length_m":`,
		`"feed_counts":`, `"wrap_time_s":`, `"crimp_turns":1.25,"crimp_time_s":`, `"inner_head_m":1.05,"outer_head_m":1.15`,
		`"header_temperature_c":`, `"header_dwell_s":`, `"header_dwell_fast_s":`,
		`"uncertainty":{"overhang_m":`, `"feed_length_m":`, `"header_dwell_s":`,
	}
	rest := string(text)
	for _, want := range order {
		i := strings.Index(rest, want)
		if i < 0 {
			t.Fatalf("%s is missing or out of order in\n%s", want, text)
		}
		rest = rest[i+len(want):]
	}

	line.Equipment.Wrap = recipe.Absent
	line.Equipment.Header = recipe.Manual
	rec = compute(line, roll, stand)
	text, err = json.Marshal(recipe.NewResult(roll, &rec, nil))
	if err != nil {
		t.Fatal(err)
	}
	for _, absent := range []string{"feed_length_m", "feed_counts", "layers", "wrap_time_s", "header_"} {
		if bytes.Contains(text, []byte(absent)) {
			t.Errorf("%s stands in %s", absent, text)
		}
	}
	if !bytes.Contains(text, []byte(`"findings":[]`)) || !bytes.Contains(text, []byte(`"crimp_turns":1.25`)) {
		t.Errorf("unexpected %s", text)
	}
}

// TestResultNames pins the names that other programs read.
func TestResultNames(t *testing.T) {
	line, roll, stand := sampleLine(), sampleRoll(), sampleStand()
	roll.Grade = 2
	line.Materials.Specs[1].InnerHead = "inner"
	line.Stand.Slots[0] = recipe.SlotSpec{Number: 1, Width: 1.27, Paper: "poly"}
	rec := compute(line, roll, stand)
	text, err := json.Marshal(recipe.NewResult(roll, &rec, nil))
	if err != nil {
		t.Fatal(err)
	}
	var got struct {
		Setpoints   map[string]any `json:"setpoints"`
		Uncertainty map[string]any `json:"uncertainty"`
	}
	if err := json.Unmarshal(text, &got); err != nil {
		t.Fatal(err)
	}
	want := strings.Fields(`wrapper_slot wrapper_width_m overhang_m layers feed_length_m feed_counts wrap_time_s
		turning_hz feed_hz crimp_turns crimp_time_s crimper_hz roll_centre_height_m platen_stroke_m inner_head_m outer_head_m
		header_temperature_c header_dwell_s header_dwell_fast_s glue_mass_kg vacuum_zones tare_kg gross_kg`)
	for _, name := range want {
		if v, ok := got.Setpoints[name].(float64); !ok || !(v > 0) {
			t.Errorf("%s is %v", name, got.Setpoints[name])
		}
	}
	if len(got.Setpoints) != len(want) {
		t.Errorf("%d setpoints, want %d: %s", len(got.Setpoints), len(want), text)
	}
	for _, name := range []string{"overhang_m", "feed_length_m", "header_dwell_s", "gross_kg"} {
		if v, ok := got.Uncertainty[name].(float64); !ok || !(v > 0) {
			t.Errorf("uncertainty of %s is %v", name, got.Uncertainty[name])
		}
	}
}

func TestResultHold(t *testing.T) {
	line, roll, stand := sampleLine(), sampleRoll(), sampleStand()
	roll.Tag = ""
	roll.Age = 500
	rec := compute(line, roll, stand)
	r := recipe.NewResult(roll, &rec, check.Run(line, roll, stand, &rec, nil, nil))
	if r.Verdict != "hold" || r.Roll != "1190" {
		t.Errorf("verdict %s of roll %q", r.Verdict, r.Roll)
	}
}

func TestSeverityText(t *testing.T) {
	for _, s := range []recipe.Severity{recipe.Warn, recipe.Hold} {
		text, err := json.Marshal(s)
		if err != nil {
			t.Fatal(err)
		}
		var back recipe.Severity
		if err := json.Unmarshal(text, &back); err != nil || back != s {
			t.Errorf("%s came back as %v (%v)", text, back, err)
		}
	}
	var s recipe.Severity
	if err := json.Unmarshal([]byte(`"fatal"`), &s); err == nil {
		t.Error("fatal was taken for a severity")
	}
}

// TestExplainAgrees holds the explanation to the setpoints.
func TestExplainAgrees(t *testing.T) {
	line, roll, stand := sampleLine(), sampleRoll(), sampleStand()
	rec := compute(line, roll, stand)
	got := map[string]float64{}
	titles := map[string]recipe.Step{}
	for _, s := range recipe.Explain(line, roll, stand) {
		titles[s.Title] = s
		for _, n := range s.Result {
			got[s.Title+"/"+n.Name] = n.Value
		}
	}
	sp := &rec.Setpoints
	for name, want := range map[string]float64{
		"Slot 2/overhang":           sp.Overhang,
		"Feed length/feed length":   sp.FeedLength,
		"Feed length/counts":        float64(sp.FeedCounts),
		"Wrap time/wrap time":       sp.WrapTime,
		"Crimp/crimp time":          sp.CrimpTime,
		"Header/dwell":              sp.HeaderDwell,
		"Header/conservative bound": sp.HeaderDwellSlow,
		"Header/fast bound":         sp.HeaderDwellFast,
		"Outer head/size":           sp.OuterHead,
		"Inner head/size":           sp.InnerHead,

		"Turning drive while wrapping/frequency":       sp.TurningHz,
		"Feed drive/frequency":                         sp.FeedHz,
		"Turning drive while crimping/frequency":       sp.CrimpTurningHz,
		"Crimper drive/frequency":                      sp.CrimperHz,
		"Roll on the turning rolls/roll centre height": sp.RollCentreHeight,
		"Crimp/crimper tips from the axis":             sp.CrimperPosition,
		"Crimp/crimper pressure":                       sp.CrimperPressure,
		"Header/platen stroke":                         sp.PlatenStroke,
		"Edge glue/glue":                               sp.GlueMass,
		"Vacuum zones/zones, one bit each":             float64(sp.VacuumZones),
		"Mass/gross":                                   sp.Gross,
		"Mass/tare":                                    sp.Tare,
		"Mass/tolerance told":                          sp.ScaleTolerance,
	} {
		if v, ok := got[name]; !ok || v != want {
			t.Errorf("%s is %v (%v), want %v", name, v, ok, want)
		}
	}
	if d := titles["Slot 2"].Decided; !strings.HasPrefix(d, "chosen") {
		t.Errorf("slot 2 was decided by %q", d)
	}
	if d := titles["Slot 1"].Decided; !strings.HasPrefix(d, recipe.TooNarrow.String()) {
		t.Errorf("slot 1 was decided by %q", d)
	}

	if got := titles["Pleats"].Result[0].Value; math.Abs(got-math.Pi*0.4/24/0.05) > 1e-12 {
		t.Errorf("crimper over roll speed is %v", got)
	}

	line.Drives.Crimper.Limits.Max = 12
	for _, s := range recipe.Explain(line, roll, stand) {
		if s.Title == "Crimp" && !strings.Contains(s.Decided, "frequency limit of the crimpers") {
			t.Errorf("with slow crimpers the crimp was decided by %q", s.Decided)
		}
	}
	line.Drives.Turning.Limits.Max = 10
	for _, s := range recipe.Explain(line, roll, stand) {
		if s.Title == "Crimp" && !strings.Contains(s.Decided, "frequency limit of the turning rolls") {
			t.Errorf("with slow turning rolls the crimp was decided by %q", s.Decided)
		}
	}
	line.Drives = sampleLine().Drives
	line.Cradle.Friction = 0.02
	for _, s := range recipe.Explain(line, roll, stand) {
		if s.Title == "Crimp" && !strings.Contains(s.Decided, "slip limit") {
			t.Errorf("on a slippery cradle the crimp was decided by %q", s.Decided)
		}
	}
	roll.Grade = 0
	if steps := recipe.Explain(line, roll, stand); len(steps) != 1 || !strings.Contains(steps[0].Decided, "no wrap specification") {
		t.Errorf("without a grade: %+v", steps)
	}
}
