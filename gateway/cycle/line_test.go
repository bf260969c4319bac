package cycle

import (
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"sync"

	"lapgate/recipe"
	"lapgate/recipe/quantity"
)

// testLine is a made-up line on which ordinary rolls get a recipe: every
// setting at its default, three wrappers, one specification.
func testLine() *recipe.Line {
	l := *readyLine()
	l.Materials.Specs = slices.Clone(l.Materials.Specs)
	return &l
}

var readyLine = sync.OnceValue(func() *recipe.Line {
	l := &recipe.Line{
		Equipment: recipe.Equipment{Stand: recipe.Auto, Wrap: recipe.Auto, Crimp: recipe.Auto, Header: recipe.Auto, Heads: recipe.Manual},
		Header:    recipe.Header{Conductance: 300, ConductanceU: 24, BackingU: 44},
		Stand: recipe.StandSpec{Slots: []recipe.SlotSpec{
			{Number: 1, Width: 1.600, Paper: "kraft"}, {Number: 2, Width: 1.850, Paper: "kraft"}, {Number: 3, Width: 2.100, Paper: "kraft"}}},
		Materials: recipe.Materials{
			Papers: []recipe.Paper{{Name: "kraft", CoatedSide: recipe.CoatedIn}},
			Stock:  []recipe.HeadMaterial{{Name: "poly", BondTarget: 113, Diameters: []float64{0.8, 0.9, 1.0, 1.1, 1.2, 1.25, 1.3, 1.4}}},
			Grades: []recipe.Grade{{Code: 7, Name: "news", Spec: "standard"}},
			Cores:  []recipe.Core{{Code: 3, Name: "3 in"}},
			Specs:  []recipe.Spec{{Name: "standard", Papers: []string{"kraft"}, Head: "poly"}},
		},
	}
	setDefaults(reflect.ValueOf(l).Elem())
	return l
})

// setDefaults gives every field that is zero the default of its tag, so that
// the line of the tests keeps up with the settings of a line.
func setDefaults(v reflect.Value) {
	switch v.Kind() {
	case reflect.Slice:
		for i := range v.Len() {
			setDefaults(v.Index(i))
		}
	case reflect.Struct:
		for i := range v.NumField() {
			tag := v.Type().Field(i).Tag
			text, ok := tag.Lookup("default")
			f := v.Field(i)
			switch {
			case !ok:
				setDefaults(f)
			case f.IsZero() && strings.HasSuffix(text, " %"):
				setShare(v, f, tag, text)
			case f.IsZero():
				if err := setText(f, text, quantity.Dimension(tag.Get("unit"))); err != nil {
					panic(fmt.Sprintf("default %q of %s.%s: %v", text, v.Type(), v.Type().Field(i).Name, err))
				}
			}
		}
	}
}

// setShare gives an uncertainty its default in % of the value beside it.
func setShare(section, f reflect.Value, tag reflect.StructTag, text string) {
	share, err := strconv.ParseFloat(strings.TrimSuffix(text, " %"), 64)
	if err != nil {
		panic(err)
	}
	for i := range section.NumField() {
		if section.Type().Field(i).Tag.Get("cfg") == tag.Get("of") {
			f.SetFloat(share / 100 * section.Field(i).Float())
		}
	}
}

func setText(f reflect.Value, text string, d quantity.Dimension) error {
	number := func(s string) (float64, error) {
		if d == "" {
			return strconv.ParseFloat(s, 64)
		}
		return quantity.Parse(s, d)
	}
	switch p := f.Addr().Interface().(type) {
	case *recipe.Mode, *recipe.Method, *recipe.Side, *recipe.Bonds:
		return nil // zero is meant
	case *recipe.Range:
		least, greatest, _ := strings.Cut(text, "..")
		var err error
		if p.Min, err = number(least); err != nil {
			return err
		}
		p.Max, err = number(greatest)
		return err
	case *float64:
		var err error
		*p, err = number(text)
		return err
	case *int:
		n, err := strconv.Atoi(text)
		*p = n
		return err
	case *uint32:
		n, err := strconv.ParseUint(text, 0, 32)
		*p = uint32(n)
		return err
	case *string:
		*p = text
		return nil
	case *bool:
		*p = text == "true"
		return nil
	}
	return fmt.Errorf("type %s has no default here", f.Type())
}
