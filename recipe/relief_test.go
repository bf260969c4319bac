package recipe_test

import (
	"testing"

	"lapgate/recipe"
	"lapgate/recipe/recipetest"
)

// TestReliefs: what is said to turn a hold into a go does so, and a little more
// of it does not.
func TestReliefs(t *testing.T) {
	line, roll, stand := recipetest.Line(), sampleRoll(), sampleStand()
	line.Stand.Slots = line.Stand.Slots[1:2]
	roll.WidthSpread = 0.012
	roll.Width = 50*inch - 2*(7*inch-0.0125)
	if rec := compute(line, roll, stand); !rec.Has(recipe.NoSlot) {
		t.Fatalf("is served: %+v", rec.Setpoints)
	}
	list := recipe.Reliefs(line, roll, stand)
	for _, want := range []struct {
		what string
		set  func(l *recipe.Line, r *recipe.Roll, v float64)
	}{
		{"spread of the width", func(_ *recipe.Line, r *recipe.Roll, v float64) { r.WidthSpread = v }},
		{"centring error", func(l *recipe.Line, _ *recipe.Roll, v float64) { l.Centring.Tolerance = v }},
	} {
		found := false
		for _, c := range list {
			if c.What.String() != want.what {
				continue
			}
			found = true
			for v, serves := range map[float64]bool{c.To: true, c.To + 2e-4: false, c.From: false} {
				l, r := *line, *roll
				want.set(&l, &r, v)
				if rec := compute(&l, &r, stand); rec.Has(recipe.NoSlot) == serves {
					t.Errorf("%s of %v: served is %v, want %v", want.what, v, !serves, serves)
				}
			}
		}
		if !found {
			t.Errorf("no word of the %s: %+v", want.what, list)
		}
	}
	if list := recipe.Reliefs(line, sampleRoll(), stand); list != nil {
		t.Errorf("a roll that is served: %+v", list)
	}
	roll.Width = 1.2
	if list := recipe.Reliefs(line, roll, stand); list != nil {
		t.Errorf("a roll far too wide: %+v", list)
	}
}
