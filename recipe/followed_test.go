package recipe_test

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"lapgate/recipe"
	"lapgate/recipe/quantity"
	"lapgate/recipe/recipetest"
)

// shown reads back what a step of the explanation shows, as a reader does who has the
// sheet alone.
type shown struct {
	t    *testing.T
	line *recipe.Line
	step recipe.Step
}

func stepShown(t *testing.T, line *recipe.Line, steps []recipe.Step, key string, what string) shown {
	t.Helper()
	for _, s := range steps {
		if s.Title.Key == key && strings.Contains(s.Title.String(), what) {
			return shown{t, line, s}
		}
	}
	t.Fatalf("no step %s of %q", key, what)
	return shown{}
}

func (s shown) of(key string) float64 {
	s.t.Helper()
	for _, n := range append(append([]recipe.Named{}, s.step.Inputs...), s.step.Result...) {
		if n.Name.Key != key {
			continue
		}
		text := n.Text(s.line)
		for _, d := range []quantity.Dimension{quantity.Length, quantity.Pressure, quantity.Time} {
			if v, err := quantity.Parse(text, d); err == nil {
				return v
			}
		}
		number, _, _ := strings.Cut(text, " ")
		v, err := strconv.ParseFloat(number, 64)
		if err != nil {
			s.t.Fatalf("%s shows %q", key, text)
		}
		return v
	}
	s.t.Fatalf("step %q shows no %s", s.step.Title, key)
	return 0
}

// TestStepsCanBeFollowed: from what a sheet shows, formula and inputs, a reader with a
// pocket calculator comes to the values that it gives, in metres and in inches.
func TestStepsCanBeFollowed(t *testing.T) {
	for _, units := range []map[quantity.Dimension]string{
		{quantity.Length: "mm", quantity.Pressure: "kPa"},
		{quantity.Length: "in", quantity.Pressure: "psi"},
	} {
		line := recipetest.Line()
		line.Units = units
		steps := recipe.Explain(line, sampleRoll(), sampleStand())
		near := func(what string, got, want, tolerance float64) {
			t.Helper()
			if !(math.Abs(got-want) <= tolerance*math.Abs(want)) {
				t.Errorf("%v: %s by hand %g, on the sheet %g", units, what, got, want)
			}
		}
		phi := func(z float64) float64 { return math.Erfc(-z/math.Sqrt2) / 2 }

		slot := stepShown(t, line, steps, "step.slot", "2")
		od, id := slot.of("quantity.outer-diameter"), slot.of("quantity.core-of-the-wrapper-roll")
		near("length left", math.Pi*(od*od-id*id)/(4*slot.of("quantity.caliper")), slot.of("quantity.left"), 2e-3)

		feed := stepShown(t, line, steps, "step.feed", "")
		n, caliper := feed.of("quantity.layers"), feed.of("quantity.caliper")
		near("feed length", (math.Pi*n*(feed.of("quantity.diameter")+n*caliper)+feed.of("quantity.overlap")+feed.of("quantity.tail"))/(1-feed.of("quantity.feed-slip")),
			feed.of("setpoint.feed-length-m"), 1e-4)

		press := stepShown(t, line, steps, "step.header", "")
		pressure := press.of("quantity.force-of-a-platen") / press.of("quantity.area-of-the-ring")
		near("contact pressure", pressure, press.of("setpoint.contact-pressure-pa"), 1e-3)
		near("contact conductance", press.of("quantity.conductance-as-measured")*math.Pow(pressure/press.of("quantity.pressure-it-was-measured-at"), press.of("quantity.exponent-of-the-pressure")),
			press.of("quantity.contact-conductance"), 1e-3)
		near("Biot number", press.of("quantity.contact-conductance")*press.of("quantity.thickness")/press.of("quantity.conductivity"), press.of("quantity.biot-number"), 2e-3)

		bond := stepShown(t, line, steps, "step.risk", "bond")
		near("chance of a cold bond", phi(-press.of("quantity.distance-of-the-design-point")), bond.of("quantity.chance"), 1e-2)
		scorch := stepShown(t, line, steps, "step.risk", "scorched")
		dose := press.of("quantity.dose-of-the-face-at-most")
		share, _, _ := strings.Cut(strings.SplitAfter(scorch.step.Formula.String(), ")/")[1], ")")
		by, err := strconv.ParseFloat(share, 64)
		if err != nil {
			t.Fatal(err)
		}
		near("chance of a scorch", phi(-math.Log((dose+scorch.of("quantity.margin-to-the-rule"))/dose)/by), scorch.of("quantity.chance"), 2e-2)

		mass := stepShown(t, line, steps, "step.mass", "")
		near("tolerance of the scale", mass.of("quantity.tolerance-of-the-scale")+mass.of("quantity.coverage-factor")*mass.of("quantity.standard-uncertainty")/mass.of("setpoint.gross-kg"),
			mass.of("setpoint.scale-tolerance"), 3e-3)
	}
}
