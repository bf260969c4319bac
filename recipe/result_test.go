package recipe_test

import (
	"bytes"
	"encoding/json"
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
