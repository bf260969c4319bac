package recipe_test

import (
	"testing"

	"lapgate/recipe"
	"lapgate/recipe/check"
	"lapgate/recipe/recipetest"
)

func BenchmarkCompute(b *testing.B) {
	line, roll, stand := recipetest.Line(), sampleRoll(), sampleStand()
	var rec recipe.Recipe
	var ctx check.Context
	findings := make([]recipe.Finding, 0, 8)
	b.Run("compute", func(b *testing.B) {
		b.ReportAllocs()
		for range b.N {
			recipe.Compute(line, roll, stand, &rec)
		}
	})
	b.Run("checked", func(b *testing.B) {
		b.ReportAllocs()
		for range b.N {
			recipe.Compute(line, roll, stand, &rec)
			findings = check.Run(line, roll, stand, &rec, &ctx, findings[:0])
		}
		if len(findings) > 0 {
			b.Fatalf("not on the go path: %+v", findings)
		}
	})
}

// TestNoAllocation holds the go path of computing and checking to none.
func TestNoAllocation(t *testing.T) {
	line, roll, stand := recipetest.Line(), sampleRoll(), sampleStand()
	var rec recipe.Recipe
	var ctx check.Context
	n := testing.AllocsPerRun(100, func() {
		recipe.Compute(line, roll, stand, &rec)
		if f := check.Run(line, roll, stand, &rec, &ctx, nil); len(f) > 0 {
			t.Fatalf("not on the go path: %+v", f)
		}
	})
	if n != 0 {
		t.Errorf("%v allocations, want none", n)
	}
}
