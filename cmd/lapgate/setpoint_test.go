package main

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"regexp"
	"strings"
	"testing"

	"lapgate/recipe"
)

// TestSetpointsInEveryForm: each setpoint in force stands in what recipe prints
// for people, as JSON and as CSV.
func TestSetpointsInEveryForm(t *testing.T) {
	line := demoSnapshot(t).Lines[0].Recipe
	roll := recipe.Roll{Tag: "R-1", Diameter: 1.27, DiameterMax: 1.27, Width: 1.5748, WidthMedian: 1.5748, Grade: 1, Core: 1, Quality: 1}
	stand := recipe.Stand{Permissives: math.MaxUint32, Mode: 1, State: 6}
	for i := range stand.Ready {
		stand.Ready[i], stand.Outer[i] = true, 1
	}
	var rec recipe.Recipe
	recipe.Compute(line, &roll, &stand, &rec)
	want := rec.Setpoints.InForce()
	if len(want) < 30 {
		t.Fatalf("only %d setpoints are in force: %+v", len(want), rec.Problems[:rec.N])
	}
	print := func(form ...string) string {
		args := []string{"recipe", "--diameter", "50 in", "--width", "62 in", "--grade", "1", "--core", "1", "--config", demoFile(t, "demo.yaml")}
		got := lapgate(append(args, form...)...)
		wantCode(t, got, exitDone)
		return got.out
	}

	text := print()
	for _, v := range want {
		if !regexp.MustCompile(`(?m)^ *` + regexp.QuoteMeta(v.Label) + `  +\S`).MatchString(text) {
			t.Errorf("the text lacks %s:\n%s", v.Label, text)
		}
	}

	var got struct {
		Setpoints   recipe.Values `json:"setpoints"`
		Uncertainty recipe.Values `json:"uncertainty"`
	}
	if err := json.Unmarshal([]byte(print("--json")), &got); err != nil {
		t.Fatal(err)
	}
	for i, v := range want {
		if i >= len(got.Setpoints) || got.Setpoints[i].Name != v.Name || got.Setpoints[i].Value != v.Value {
			t.Fatalf("JSON has %+v for %s of %v", got.Setpoints[min(i, len(got.Setpoints)-1)], v.Name, v.Value)
		}
	}
	if len(got.Setpoints) != len(want) || len(got.Uncertainty) != len(rec.Uncertainties()) {
		t.Errorf("JSON has %d setpoints and %d uncertainties", len(got.Setpoints), len(got.Uncertainty))
	}

	rows, err := csv.NewReader(strings.NewReader(print("--csv"))).ReadAll()
	if err != nil || len(rows) != 2 {
		t.Fatalf("%d rows of CSV, %v", len(rows), err)
	}
	cells := map[string]string{}
	for i, head := range rows[0] {
		label, _, _ := strings.Cut(head, " (")
		cells[label] = rows[1][i]
	}
	for _, v := range want {
		if cells[v.Label] == "" {
			t.Errorf("CSV lacks %s: %v", v.Label, rows[0])
		}
	}
}
