package recipe_test

import (
	"strings"
	"testing"

	"lapgate/recipe"
	"lapgate/recipe/mass"
	"lapgate/recipe/quantity"
	"lapgate/recipe/recipetest"
	"lapgate/recipe/wording"
)

// TestInstructions turns one station after the other over to the operator: its
// setpoints go, and a sentence comes.
func TestInstructions(t *testing.T) {
	for _, c := range []struct {
		name string
		mode func(*recipe.Equipment) *recipe.Mode
		want []string // in order; parts of sentences
	}{
		{"centring", func(e *recipe.Equipment) *recipe.Mode { return &e.Centring }, []string{"Put the middle of the roll on the line centre, within 0.394 in."}},
		{"stand", func(e *recipe.Equipment) *recipe.Mode { return &e.Stand }, []string{"Take the wrapper kraft, 50 in wide, at slot 2, and confirm"}},
		{"wrap", func(e *recipe.Equipment) *recipe.Mode { return &e.Wrap }, []string{"Feed 453.", "3 layers with an overlap of 6 in"}},
		{"crimp", func(e *recipe.Equipment) *recipe.Mode { return &e.Crimp }, []string{"Fold in the overhang of 5 in at both ends: 1.25 turns"}},
		{"glue", func(e *recipe.Equipment) *recipe.Mode { return &e.Glue }, []string{"Lay 0.020735 kg of glue on both ends, as a ring of 1.969 in"}},
		{"vacuum", func(e *recipe.Equipment) *recipe.Mode { return &e.Vacuum }, []string{"Open the vacuum zones: 1, 2, 3."}},
		{"heads", func(e *recipe.Equipment) *recipe.Mode { return &e.Heads }, []string{"Before wrapping, put inner heads of inner, ", "core plugs of 2.677 in. Turning rolls stopped and locked out, platens open, before hands", "After crimping, put outer heads of ", "on both ends. Turning rolls stopped"}},
		{"header", func(e *recipe.Equipment) *recipe.Mode { return &e.Header }, []string{"platens at ", "keep clear until they are open"}},
		{"scale", func(e *recipe.Equipment) *recipe.Mode { return &e.Scale }, []string{"gross are expected, within"}},
		{"drives", func(e *recipe.Equipment) *recipe.Mode { return &e.Drives }, []string{"Set the turning rolls to 25.539908 Hz and the feed rolls to 25.539908 Hz for wrapping.", "and the crimpers to"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			line, roll, stand := recipetest.Line(), sampleRoll(), sampleStand()
			line.Units = map[quantity.Dimension]string{quantity.Length: "in"}
			line.Equipment.Heads = recipe.Auto
			if c.name == "glue" {
				line.Materials.Specs[0].Head = "glued"
				line.Materials.Stock[1].Diameters = []float64{1.15}
			}
			if got := recipe.Instructions(line, roll, stand); got != nil {
				t.Fatalf("without a manual station: %q", got)
			}
			before := compute(line, roll, stand).Setpoints
			*c.mode(&line.Equipment) = recipe.Manual
			stand.Confirmed = 2
			got := strings.Join(wording.InEnglish(recipe.Instructions(line, roll, stand)), "\n")
			rest := got
			for _, w := range c.want {
				i := strings.Index(rest, w)
				if i < 0 {
					t.Fatalf("%q is missing or out of order in\n%s", w, got)
				}
				rest = rest[i+len(w):]
			}
			if n := strings.Count(got, "\n"); n > 1 {
				t.Errorf("%d sentences for one station:\n%s", n+1, got)
			}
			after := compute(line, roll, stand).Setpoints
			if c.name != "heads" && c.name != "vacuum" && after.Groups == before.Groups {
				t.Error("the group of the manual station is still in force")
			}
			*c.mode(&line.Equipment) = recipe.Absent
			if got := recipe.Instructions(line, roll, stand); got != nil {
				t.Errorf("absent: %q", got)
			}
		})
	}
}

// TestInstructionsInOrder has every station manual.
func TestInstructionsInOrder(t *testing.T) {
	line, stand := recipetest.Line(), sampleStand()
	m := recipe.Manual
	line.Equipment = recipe.Equipment{Centring: m, Stand: m, Wrap: m, Crimp: m, Glue: m, Vacuum: m, Heads: m, Header: m, Scale: m, Drives: m}
	got := wording.InEnglish(recipe.Instructions(line, sampleRoll(), stand))
	if len(got) != 11 || !strings.HasPrefix(got[1], "Before wrapping") || !strings.HasPrefix(got[len(got)-1], "Weigh") {
		t.Errorf("%d: %s", len(got), strings.Join(got, "\n"))
	}
	rec := compute(line, sampleRoll(), stand)
	if sp := rec.Setpoints; sp.Groups != 0 || sp.Slot != 0 || sp.FeedLength != 0 || sp.VacuumZones != 0 || sp.GlueMass != 0 || sp.Gross != 0 || sp.TurningHz != 0 || sp.RollCentreHeight != 0 || sp.PlatenStroke != 0 {
		t.Errorf("setpoints of a manual line: %+v", sp)
	}
	roll := sampleRoll()
	roll.Grade = 0
	if got := recipe.Instructions(line, roll, stand); got != nil {
		t.Errorf("for a roll that nobody knows: %q", got)
	}
}

func TestWeigh(t *testing.T) {
	line, roll, stand := recipetest.Line(), sampleRoll(), sampleStand()
	line.Units = map[quantity.Dimension]string{quantity.Mass: "kg"}
	rec := compute(line, roll, stand)
	sp := &rec.Setpoints
	// The other grade: 800 in place of 650 kg/m³.
	denser := sp.Tare + (sp.Gross-sp.Tare)*800/650
	for _, c := range []struct {
		name    string
		reading float64
		verdict mass.Verdict
		cause   string
	}{
		{"as expected", sp.Gross, mass.Good, ""},
		{"within the tolerance", sp.Gross * 1.014, mass.Good, ""},
		{"within the guard band", sp.Gross * 1.03, mass.Doubtful, ""},
		{"another grade", denser * 1.001, mass.Wrong, "grade board"},
		{"another roll", 1500, mass.Wrong, "another roll is on the scale (1500 kg)"},
		{"nothing explains it", sp.Gross * 3, mass.Wrong, "no single cause"},
		{"nothing read", 0, mass.Unreadable, "cannot be judged"},
	} {
		v := recipe.Weigh(line, roll, sp, c.reading, 1500)
		if v.Verdict != c.verdict || !strings.Contains(v.Said(line).String(), c.cause) {
			t.Errorf("%s: verdict %d, %q", c.name, v.Verdict, v.Said(line))
		}
		if v.Verdict != mass.Unreadable && v.Net != c.reading-sp.Tare {
			t.Errorf("%s: net %v", c.name, v.Net)
		}
		if v.Verdict == mass.Wrong && len(v.Causes) > 3 {
			t.Errorf("%s: %d causes", c.name, len(v.Causes))
		}
	}
	line.Equipment.Scale = recipe.Absent
	none := compute(line, roll, stand)
	if v := recipe.Weigh(line, roll, &none.Setpoints, 900); v.Verdict != mass.Unreadable {
		t.Errorf("without a prediction: %+v", v)
	}
}
