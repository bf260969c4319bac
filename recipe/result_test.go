package recipe_test

import (
	"bytes"
	"encoding/json"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"lapgate/recipe"
	"lapgate/recipe/check"
	"lapgate/recipe/recipetest"
)

func TestResultJSON(t *testing.T) {
	line, roll, stand := recipetest.Line(), sampleRoll(), sampleStand()
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
	rec := recipeOfAll()
	text, err := json.Marshal(recipe.NewResult(sampleRoll(), &rec, nil))
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
	want := strings.Fields(`wrapper_slot wrapper_width_m overhang_m layers feed_length_m feed_counts overlap_m wrap_time_s
		wrap_speed_m_s turning_hz feed_hz crimp_turns crimp_time_s crimp_turning_hz crimper_hz crimper_position_m crimper_pressure_pa
		roll_centre_height_m platen_stroke_m contact_pressure_pa inner_head_m outer_head_m header_temperature_c header_dwell_s
		header_dwell_nominal_s header_dwell_fast_s header_close_min_c header_close_max_c glue_mass_kg vacuum_zones tare_kg gross_kg scale_tolerance centring_offset_m`)
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

// TestResultRoundTrip: what is written in JSON reads back as it was.
func TestResultRoundTrip(t *testing.T) {
	rec := recipeOfAll()
	want := recipe.NewResult(sampleRoll(), &rec, nil)
	text, err := json.Marshal(want)
	if err != nil {
		t.Fatal(err)
	}
	var got recipe.Result
	if err := json.Unmarshal(text, &got); err != nil {
		t.Fatal(err)
	}
	for k := range want.Risk {
		want.Risk[k].Margin, want.Risk[k].U = 0, 0 // for people and Explain alone
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got %+v\nwant %+v", got, want)
	}
	for _, bad := range []string{`{"setpoints":{"feed":1}}`, `{"setpoints":{"layers":"three"}}`, `{"setpoints":[1]}`} {
		if err := json.Unmarshal([]byte(bad), &got); err == nil {
			t.Errorf("%s was read", bad)
		}
	}
}

func TestResultHold(t *testing.T) {
	line, roll, stand := recipetest.Line(), sampleRoll(), sampleStand()
	roll.Tag = ""
	roll.Age = 500
	rec := compute(line, roll, stand)
	r := recipe.NewResult(roll, &rec, check.Run(line, roll, stand, &rec, nil, nil))
	if r.Verdict != "hold" || r.Roll != "1190" {
		t.Errorf("verdict %s of roll %q", r.Verdict, r.Roll)
	}
}

func TestHeld(t *testing.T) {
	for _, c := range []struct {
		list []recipe.Finding
		want bool
	}{
		{nil, false},
		{[]recipe.Finding{{Severity: recipe.Warn}}, false},
		{[]recipe.Finding{{Severity: recipe.Warn}, {Severity: recipe.Hold}}, true},
	} {
		if got := recipe.Held(c.list); got != c.want {
			t.Errorf("%v: %v, want %v", c.list, got, c.want)
		}
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
	line, roll, stand := recipetest.Line(), sampleRoll(), sampleStand()
	rec := compute(line, roll, stand)
	got := map[string][]float64{}
	titles := map[string]recipe.Step{}
	for _, s := range recipe.Explain(line, roll, stand) {
		titles[s.Title.String()] = s
		for _, n := range slices.Concat(s.Inputs, s.Result) {
			got[n.Name.String()] = append(got[n.Name.String()], n.Value)
		}
	}
	for _, v := range rec.Setpoints.InForce() {
		name := v.Label
		switch v.Name {
		case "wrapper_slot", "centring_offset_m":
			continue // a title; and a setting as it is
		case "overhang_m":
			name = "overhang" // of each slot
		}
		if !slices.Contains(got[name], v.Value) {
			t.Errorf("%s is %v in the explanation, want %v", name, got[name], v.Value)
		}
	}
	if d := titles["Slot 2"].Decided.String(); !strings.HasPrefix(d, "chosen") {
		t.Errorf("slot 2 was decided by %q", d)
	}
	if d := titles["Slot 1"].Decided.String(); !strings.HasPrefix(d, recipe.TooNarrow.String()) {
		t.Errorf("slot 1 was decided by %q", d)
	}

	if got := titles["Pleats"].Result[0].Value; math.Abs(got-math.Pi*0.4/24/0.05) > 1e-12 {
		t.Errorf("crimper over roll speed is %v", got)
	}

	line.Drives.Crimper.Limits.Max = 12
	for _, s := range recipe.Explain(line, roll, stand) {
		if s.Title.String() == "Crimp" && !strings.Contains(s.Decided.String(), "frequency limit of the crimpers") {
			t.Errorf("with slow crimpers the crimp was decided by %q", s.Decided)
		}
	}
	line.Drives.Turning.Limits.Max = 10
	for _, s := range recipe.Explain(line, roll, stand) {
		if s.Title.String() == "Crimp" && !strings.Contains(s.Decided.String(), "frequency limit of the turning rolls") {
			t.Errorf("with slow turning rolls the crimp was decided by %q", s.Decided)
		}
	}
	line.Drives = recipetest.Line().Drives
	line.Cradle.Friction = 0.02
	for _, s := range recipe.Explain(line, roll, stand) {
		if s.Title.String() == "Crimp" && !strings.Contains(s.Decided.String(), "slip limit") {
			t.Errorf("on a slippery cradle the crimp was decided by %q", s.Decided)
		}
	}
	roll.Grade = 0
	if steps := recipe.Explain(line, roll, stand); len(steps) != 1 || !strings.Contains(steps[0].Decided.String(), "no wrap specification") {
		t.Errorf("without a grade: %+v", steps)
	}
}
