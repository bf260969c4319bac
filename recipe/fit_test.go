package recipe_test

import (
	"testing"

	"lapgate/recipe"
	"lapgate/recipe/recipetest"
	"lapgate/recipe/reel"
)

// Of several reasons why a wrapper does not serve a roll the first is told: what a person
// told of the slot, then its paper, what the controller says, its width and what is left.
func TestFitTellsTheFirstReason(t *testing.T) {
	line := recipetest.Line()
	roll := recipe.Roll{Diameter: 1, Width: 1, Grade: 1, Core: 1}
	var stand recipe.Stand
	slot := &line.Stand.Slots[1]
	width, paper := slot.Width, slot.Paper
	slot.Unusable, slot.Paper, slot.Width = recipe.OutOfService, "poly", 0.5
	stand.Counted[1] = reel.Estimate{Known: true, Length: 1}
	for _, c := range []struct {
		want   recipe.Fit
		mended func()
	}{
		{recipe.OutOfService, func() { slot.Unusable = recipe.Empty }},
		{recipe.Empty, func() { slot.Unusable = recipe.BeingHung }},
		{recipe.BeingHung, func() { slot.Unusable = recipe.Fits }},
		{recipe.NotAllowed, func() { slot.Paper = paper }},
		{recipe.NotReady, func() { stand.Ready[1] = true }},
		{recipe.TooNarrow, func() { slot.Width = 3 }},
		{recipe.TooWide, func() { slot.Width = width }},
		{recipe.TooShort, func() { stand.Counted[1].Length = 1000 }},
		{recipe.Fits, func() {}},
	} {
		one, ok := recipe.CandidateOf(line, &roll, &stand, 2)
		if !ok || one.Fit != c.want {
			t.Errorf("%v, want %v", one.Fit, c.want)
		}
		if one.Judged() != (c.want > recipe.NotAllowed || c.want == recipe.Fits) || one.Judged() != (one.Need > 0) {
			t.Errorf("%v: judged %v, and it needs %g m", c.want, one.Judged(), one.Need)
		}
		c.mended()
	}
}
