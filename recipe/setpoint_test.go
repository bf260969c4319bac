package recipe_test

import (
	"encoding/json"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"lapgate/recipe"
	"lapgate/recipe/quantity"
	"lapgate/recipe/recipetest"
)

// recipeOfAll is the recipe of a roll that needs every setpoint of the table.
func recipeOfAll() recipe.Recipe {
	line, roll, stand := recipetest.Line(), sampleRoll(), sampleStand()
	roll.Grade = 2
	line.Materials.Specs[1].InnerHead = "inner"
	line.Stand.Slots[0] = recipe.SlotSpec{Number: 1, Width: 1.27, Paper: "poly"}
	line.Centring.Target = 0.004
	return compute(line, roll, stand)
}

// TestSetpointTable: every field of the setpoints is the value of one row, and
// a row reads and sets that field alone.
func TestSetpointTable(t *testing.T) {
	fields := map[string]string{}
	names, labels := map[string]bool{}, map[string]bool{}
	for _, p := range recipe.AllSetpoints() {
		if names[p.Name] || labels[p.Label] || p.Label == "" {
			t.Errorf("%s, %q: the name or the label stands twice", p.Name, p.Label)
		}
		names[p.Name], labels[p.Label] = true, true
		var s, zero recipe.Setpoints
		p.Set(&s, 7)
		if got := p.Get(&s); got != 7 {
			t.Errorf("%s: set to 7, reads %g", p.Name, got)
		}
		changed := ""
		for i := range reflect.TypeFor[recipe.Setpoints]().NumField() {
			if v := reflect.ValueOf(s).Field(i); !v.Equal(reflect.ValueOf(zero).Field(i)) {
				changed += reflect.TypeFor[recipe.Setpoints]().Field(i).Name
			}
		}
		if other, ok := fields[changed]; ok {
			t.Errorf("%s and %s are both %s", p.Name, other, changed)
		}
		fields[changed] = p.Name
		if p.Set(&s, 0); s != zero {
			t.Errorf("%s: setting it changes more than it", p.Name)
		}
	}
	for i := range reflect.TypeFor[recipe.Setpoints]().NumField() {
		if f := reflect.TypeFor[recipe.Setpoints]().Field(i); f.Name != "Groups" && fields[f.Name] == "" {
			t.Errorf("field %s has no row in the table of setpoints", f.Name)
		}
	}
	for i := range reflect.TypeFor[recipe.Uncertainty]().NumField() {
		var r recipe.Recipe
		reflect.ValueOf(&r.Uncertainty).Elem().Field(i).SetFloat(3)
		n := 0
		for _, p := range recipe.AllSetpoints() {
			if p.U(&r) == 3 {
				n++
			}
		}
		if n != 1 {
			t.Errorf("uncertainty %s belongs to %d setpoints", reflect.TypeFor[recipe.Uncertainty]().Field(i).Name, n)
		}
	}
}

// TestSetpointNames: a name ends with the SI unit of its dimension, and
// without it is what people write.
func TestSetpointNames(t *testing.T) {
	unit := map[quantity.Dimension]string{
		quantity.None: "", quantity.Length: "_m", quantity.Time: "_s", quantity.Temperature: "_c", quantity.Mass: "_kg",
		quantity.Frequency: "_hz", quantity.Pressure: "_pa", quantity.Speed: "_m_s",
	}
	plain := regexp.MustCompile(`^[a-z]+(_[a-z]+)*$`)
	for _, p := range recipe.AllSetpoints() {
		suffix, ok := unit[p.Dimension]
		if !ok || p.Name != p.Word()+suffix || !plain.MatchString(p.Name) {
			t.Errorf("%s of dimension %q has the word %q", p.Name, p.Dimension, p.Word())
		}
	}
}

// TestSetpointsEverywhere: a setpoint in force stands in JSON and has a text
// in the units of the line; one that is not stands nowhere.
func TestSetpointsEverywhere(t *testing.T) {
	rec := recipeOfAll()
	text, err := json.Marshal(recipe.NewResult(sampleRoll(), &rec, nil))
	if err != nil {
		t.Fatal(err)
	}
	line := recipetest.Line()
	for _, p := range recipe.AllSetpoints() {
		if !p.InForce(&rec.Setpoints) {
			t.Errorf("%s is not in force", p.Name)
		}
		if !strings.Contains(string(text), `"`+p.Name+`":`) {
			t.Errorf("%s is missing in %s", p.Name, text)
		}
		if p.Write(line, p.Get(&rec.Setpoints)) == "" {
			t.Errorf("%s has no text", p.Name)
		}
	}
	if list := new(recipe.Setpoints).InForce(); len(list) != 0 {
		t.Errorf("without groups in force: %v", list)
	}
}

// TestSetpointLimits: the key of a limit is one of the configuration, and its
// interval the one in force.
func TestSetpointLimits(t *testing.T) {
	line := recipetest.Line()
	rec := recipeOfAll()
	for _, p := range recipe.AllSetpoints() {
		if p.Limit.Of == nil {
			continue
		}
		if !hasKey(reflect.TypeFor[recipe.Line](), strings.Split(p.Limit.Key, ".")) {
			t.Errorf("%s: no key %s", p.Name, p.Limit.Key)
		}
		if r, v := p.Limit.Of(line), p.Get(&rec.Setpoints); !r.Contains(v) {
			t.Errorf("%s is %g, outside %s of %g to %g", p.Name, v, p.Limit.Key, r.Min, r.Max)
		}
	}
}

func hasKey(typ reflect.Type, path []string) bool {
	for i := range typ.NumField() {
		if f := typ.Field(i); f.Tag.Get("cfg") == path[0] {
			return len(path) == 1 || hasKey(f.Type, path[1:])
		}
	}
	return false
}

// TestSetpointNotInForce: what says nothing is not in force, though its group
// is.
func TestSetpointNotInForce(t *testing.T) {
	line, roll, stand := recipetest.Line(), sampleRoll(), sampleStand()
	line.Crimp.Blades = 0
	line.Crimp.Pressure = 0
	rec := compute(line, roll, stand)
	for _, name := range []string{"crimper_hz", "crimper_pressure_pa"} {
		if p := recipe.FindSetpoint(name); p.InForce(&rec.Setpoints) || !p.Taken(&rec.Setpoints) {
			t.Errorf("%s of %g is in force", name, p.Get(&rec.Setpoints))
		}
	}
	if p := recipe.FindSetpoint("glue_mass_kg"); !p.InForce(&rec.Setpoints) {
		t.Error("a fused head is told that no glue is laid")
	}
	if p := recipe.FindSetpoint("colour"); p != nil {
		t.Errorf("found %+v", p)
	}
}
