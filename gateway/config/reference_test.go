package config_test

import (
	"bytes"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"

	"lapgate/gateway/config"
	"lapgate/recipe/caution"
)

const (
	referenceFile = "../../configs/reference.yaml"
	demoFile      = "../../configs/demo.yaml"
)

func TestReferenceFile(t *testing.T) {
	want := config.ReferenceText()
	if *config.Update {
		if err := os.WriteFile(referenceFile, want, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile(referenceFile)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Error("configs/reference.yaml is not what the tags say; run go test ./gateway/config -update and read the difference")
	}
}

// sparse holds only what has no default: the samples of the reference.
const sparse = `
papers: [{name: kraft-poly}]
head_materials:
  - name: board-poly
    diameters: [24 in, 30 in, 36 in, 42 in, 48 in]
grades: [{code: 1, name: newsprint, spec: standard}]
cores: [{code: 1, name: three-inch}]
specs: [{name: standard, papers: [kraft-poly], head: board-poly}]
lines:
  - stand: {slots: [{number: 1, width: 50 in, paper: kraft-poly}]}
    vacuum: {edges: [300 mm, 600 mm, 900 mm]}
    heads: {plugs: [75 mm]}
    controller: {address: "127.0.0.1:502", plain: true}
`

// doubts are the warnings, but for that of the single slot of the reference.
func doubts(s *config.Snapshot) []config.Problem {
	return slices.DeleteFunc(slices.Clone(s.Warnings), func(w config.Problem) bool { return w.Key == "lines.0.stand.slots" && w.Got == "1" })
}

func TestReferenceIsTheDefaults(t *testing.T) {
	full, err := config.Load(config.Source{Path: referenceFile})
	if err != nil {
		t.Fatal(err)
	}
	few, err := config.Load(config.Source{Path: "../../configs/sparse.yaml", Bytes: []byte(sparse)})
	if err != nil {
		t.Fatal(err)
	}
	if bad := doubts(full); len(bad) > 0 || len(full.Warnings) != 1 {
		t.Errorf("the reference has warnings: %v", full.Warnings)
	}
	if full.Hash != few.Hash {
		t.Errorf("hash %08x with every default written out, %08x without", full.Hash, few.Hash)
	}
	a, b := full.Effective(), few.Effective()
	if len(a) != len(b) || len(a) < 150 {
		t.Fatalf("%d values and %d", len(a), len(b))
	}
	defaults := 0
	for i := range a {
		if a[i].Key != b[i].Key || a[i].Value != b[i].Value {
			t.Errorf("%s is %s in the reference; the default of %s is %s", a[i].Key, a[i].Value, b[i].Key, b[i].Value)
		}
		if !strings.HasPrefix(a[i].Origin, referenceFile+":") {
			t.Errorf("%s does not stand in the reference: its origin is %s", a[i].Key, a[i].Origin)
		}
		if b[i].Origin == "default" {
			defaults++
		}
	}
	if defaults < 130 {
		t.Errorf("only %d defaults were compared", defaults)
	}
	for i := range full.Lines {
		full.Lines[i].Recipe.Origins, few.Lines[i].Recipe.Origins = nil, nil
	}
	if !reflect.DeepEqual(full.Lines, few.Lines) || !reflect.DeepEqual(full.Materials, few.Materials) || full.Units != few.Units {
		t.Error("the reference does not load to the defaults")
	}
}

func TestDemoFile(t *testing.T) {
	s, err := config.Load(config.Source{Path: demoFile})
	if err != nil {
		t.Fatal(err)
	}
	for _, w := range s.Warnings {
		t.Error(w)
	}
	if len(s.Lines) != 1 || len(s.Lines[0].Recipe.Stand.Slots) != 6 || len(s.Materials.Specs) != 3 {
		t.Errorf("%+v", s.Lines)
	}
}

// Whoever writes limits is told what they do not protect from.
func TestCautionAtLimits(t *testing.T) {
	text, err := os.ReadFile(referenceFile)
	if err != nil {
		t.Fatal(err)
	}
	if want := "held. " + caution.Limits.String() + "\n    limits:\n"; !strings.Contains(string(text), want) {
		t.Errorf("configs/reference.yaml does not have before its limits: %s", want)
	}
}
