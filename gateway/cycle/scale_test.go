package cycle

import (
	"strings"
	"testing"

	"lapgate/gateway/block"
	"lapgate/recipe"
)

// TestScaleMismatch judges scale readings of the roll whose recipe was
// accepted last.
func TestScaleMismatch(t *testing.T) {
	line := testLine()
	line.Equipment.Scale = recipe.Auto
	roll := recipe.Roll{Number: 7, Tag: "R-7", Diameter: 1.25, DiameterU: 5e-4, Width: 1.602, WidthU: 5e-4, WidthMedian: 1.602, Grade: 7, Core: 3}
	stand := recipe.Stand{Ready: [6]bool{true, true, true}, Outer: [6]float64{1, 1, 1}}
	var rec recipe.Recipe
	recipe.Compute(line, &roll, &stand, &rec)
	gross := rec.Setpoints.Gross
	if !rec.Setpoints.Groups.Has(recipe.GroupWeigh) {
		t.Fatalf("no mass is predicted: %+v", rec.Problems[:rec.N])
	}
	for _, c := range []struct {
		name    string
		outcome block.Outcome
		counted string
		told    bool
	}{
		{"as expected", block.Outcome{RollNo: 7, Outcome: block.Wrapped, Scale: uint32(gross * 10)}, "scale/good", false},
		{"far off", block.Outcome{RollNo: 7, Outcome: block.Wrapped, Scale: uint32(gross * 15)}, "scale/wrong", true},
		{"not weighed", block.Outcome{RollNo: 7, Outcome: block.Wrapped}, "", false},
		{"by hand", block.Outcome{RollNo: 7, Outcome: block.WrappedByHand, Scale: 1}, "", false},
		{"another roll", block.Outcome{RollNo: 8, Outcome: block.Wrapped, Scale: 1}, "", false},
	} {
		m := New(Config{Line: line, Times: testTimes})
		m.wrapping = wrapping{roll: 7, line: line, measured: roll, setpoints: rec.Setpoints}
		m.judgeScale(&c.outcome)
		told := false
		for _, a := range m.out {
			if n, ok := a.(Notify); ok && n.Code == noteScale {
				told = n.Level == Warning && strings.Contains(n.Text, "the scale reads ")
			}
		}
		if told != c.told {
			t.Errorf("%s: told %v: %+v", c.name, told, m.out)
		}
		n := 0
		for key, v := range m.counts {
			if strings.HasPrefix(key, "scale/") {
				n++
				if key != c.counted || v != 1 {
					t.Errorf("%s: counted %s", c.name, key)
				}
			}
		}
		if (n == 1) != (c.counted != "") {
			t.Errorf("%s: counted %v", c.name, m.counts)
		}
	}
	m := New(Config{Line: line, Times: testTimes})
	m.judgeScale(&block.Outcome{RollNo: 7, Outcome: block.Wrapped, Scale: 1})
	if len(m.out) > 0 {
		t.Errorf("after a restart: %+v", m.out)
	}
}
