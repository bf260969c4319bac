package recipe_test

import (
	"encoding/json"
	"math"
	"reflect"
	"testing"

	"lapgate/recipe"
	"lapgate/recipe/check"
	"lapgate/recipe/recipetest"
)

// TestGridOfTheTrade computes rolls over the whole range of the trade, diameter
// 12 to 72 in by width 6 to 120 in. Nothing panics, every number is finite,
// each hold says what was got, what is allowed and what to do, and each go
// recipe has all its setpoints.
func TestGridOfTheTrade(t *testing.T) {
	line, stand := recipetest.Line(), sampleStand()
	all := compute(line, sampleRoll(), stand).Setpoints.Groups
	var rec recipe.Recipe
	var findings []recipe.Finding
	rolls, gone, held := 0, 0, map[recipe.Code]int{}
	const steps = 100
	for i := range steps {
		for k := range steps {
			roll := sampleRoll()
			roll.Diameter = (12 + 60*float64(i)/(steps-1)) * inch
			roll.Width = (6 + 114*float64(k)/(steps-1)) * inch
			roll.WidthMedian = roll.Width
			roll.Grade, roll.Core = 1+(i+k)%2, 1+k%2
			rolls++
			recipe.Compute(line, roll, stand, &rec)
			for _, v := range floats(reflect.ValueOf(&rec).Elem(), nil) {
				if math.IsNaN(*v) || math.IsInf(*v, 0) {
					t.Fatalf("%v × %v m: not a finite number in %+v", roll.Diameter, roll.Width, rec)
				}
			}
			findings = check.Run(line, roll, stand, &rec, nil, findings[:0])
			hold := false
			for _, f := range findings {
				if f.Field == "" || f.Got == "" || f.Limit == "" || len(f.Text) < 20 {
					t.Fatalf("%v × %v m: not explained: %+v", roll.Diameter, roll.Width, f)
				}
				if f.Severity == recipe.Hold {
					hold = true
					held[f.Code]++
				}
			}
			if hold {
				continue
			}
			gone++
			if rec.N > 0 || rec.Setpoints.Groups != all {
				t.Fatalf("%v × %v m: go with groups %b and problems %+v", roll.Diameter, roll.Width, rec.Setpoints.Groups, rec.Problems[:rec.N])
			}
			if k%10 == 0 {
				if _, err := json.Marshal(recipe.Explain(line, roll, stand)); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	if rolls != 10_000 || gone < 1000 || len(held) < 3 {
		t.Errorf("%d rolls, %d go, holds %v: the grid says little", rolls, gone, held)
	}
	t.Logf("%d of %d rolls go; holds by code: %v", gone, rolls, held)
}
