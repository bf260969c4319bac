package config

import (
	"reflect"
	"time"

	"lapgate/recipe"
	"lapgate/recipe/quantity"
)

// known keeps what was worked out while a configuration is read. The lines of one have
// most of their values in common, defaults above all.
type known struct {
	structures map[reflect.Type][]field
	numbers    map[written]float64
	texts      map[held]string
	units      map[quantity.Dimension]string
	measures   map[string]string
}

// written is a quantity as a text.
type written struct {
	text string
	unit quantity.Dimension
}

// held is a value and the unit in which it is to be written, empty for that in which it is
// held.
type held struct {
	value any
	unit  quantity.Dimension
	in    string
}

// of returns what was worked out for a key, or works it out.
func of[K comparable, V any](m *map[K]V, key K, work func() V) V {
	v, ok := (*m)[key]
	if !ok {
		if *m == nil {
			*m = map[K]V{}
		}
		v = work()
		(*m)[key] = v
	}
	return v
}

// fields are the keys of a structure.
func (k *known) fields(t reflect.Type) []field {
	return of(&k.structures, t, func() []field { return fields(t) })
}

// parse reads a quantity.
func (k *known) parse(text string, unit quantity.Dimension) (float64, error) {
	key := written{text, unit}
	if x, ok := k.numbers[key]; ok {
		return x, nil
	}
	x, err := quantity.Parse(text, unit)
	if err == nil {
		of(&k.numbers, key, func() float64 { return x })
	}
	return x, err
}

// unit is the preferred unit of a dimension.
func (k *known) unit(u *Units, d quantity.Dimension) string {
	return of(&k.units, d, func() string { return u.For(d) })
}

// howMeasured is HowMeasured.
func (k *known) howMeasured(path string) string {
	return of(&k.measures, path, func() string { return HowMeasured(path) })
}

// text writes a value.
func (k *known) text(h held) string {
	return of(&k.texts, h, func() string { return textOf(h) })
}

func textOf(h held) string {
	v := reflect.ValueOf(h.value)
	switch x := h.value.(type) {
	case recipe.Range:
		return quantity.Format(x.Min, h.unit, h.in) + ".." + quantity.Format(x.Max, h.unit, h.in)
	case time.Duration:
		return quantity.Format(x.Seconds(), quantity.Time, h.in)
	}
	switch v.Kind() {
	case reflect.Float64:
		return quantity.Format(v.Float(), h.unit, h.in)
	case reflect.String:
		return v.String()
	}
	if words := enumeration(v.Type()); words != nil {
		return words[v.Uint()]
	}
	return plainText(v)
}
