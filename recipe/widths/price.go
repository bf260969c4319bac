package widths

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"lapgate/recipe/quantity"
)

// ParsePrices reads prices of paper by area, as 0.35/m2, or by mass, as 1.20/kg, of all
// papers or of one, as kraft=0.35/m2. The error tells of each that is none.
func ParsePrices(texts []string) ([]PaperPrice, error) {
	var out []PaperPrice
	var problems []error
	for _, s := range texts {
		name, text, named := strings.Cut(s, "=")
		if !named {
			name, text = "", s
		}
		x := PaperPrice{Paper: strings.TrimSpace(name)}
		_, unit, _ := strings.Cut(text, "/")
		x.ByMass = slices.ContainsFunc(massUnits(), func(u unitSize) bool { return u.name == strings.TrimSpace(unit) })
		var err error
		if x.Price, err = perUnit(text, append(areaUnits(), massUnits()...)); err != nil {
			problems = append(problems, err)
		}
		out = append(out, x)
	}
	return out, errors.Join(problems...)
}

// ParseCostPerLength reads a cost by length, as 1/in, and returns it by metre.
func ParseCostPerLength(text string) (float64, error) { return perUnit(text, lengthUnits()) }

// unitSize is a unit that may stand behind the stroke of a price.
type unitSize struct {
	name string
	size float64 // in m, m² or kg
}

func areaUnits() []unitSize {
	const foot = 0.3048
	return []unitSize{{"m2", 1}, {"m²", 1}, {"ft2", foot * foot}, {"ft²", foot * foot}, {"1000ft2", 1000 * foot * foot}, {"1000ft²", 1000 * foot * foot}}
}

func lengthUnits() []unitSize { return unitsOf(quantity.Length) }
func massUnits() []unitSize   { return unitsOf(quantity.Mass) }

func unitsOf(d quantity.Dimension) []unitSize {
	var out []unitSize
	for _, name := range quantity.Units(d) {
		if v, err := quantity.Parse("1 "+name, d); err == nil {
			out = append(out, unitSize{name, v})
		}
	}
	return out
}

// perUnit reads a price such as 0.35/m2.
func perUnit(text string, units []unitSize) (float64, error) {
	names := make([]string, len(units))
	for i, u := range units {
		names[i] = u.name
	}
	number, unit, ok := strings.Cut(text, "/")
	i := slices.Index(names, strings.TrimSpace(unit))
	if !ok || i < 0 {
		return 0, fmt.Errorf("got %q, want a number by a unit, as in 0.35/%s; units are %s", text, units[0].name, strings.Join(names, ", "))
	}
	v, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
	if err != nil || !(v >= 0 && v/units[i].size <= 1e9) {
		return 0, fmt.Errorf("got %q, want a number from 0 before the stroke", text)
	}
	return v / units[i].size, nil
}
