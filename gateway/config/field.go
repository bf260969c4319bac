package config

import (
	"reflect"
	"strings"

	"lapgate/recipe"
	"lapgate/recipe/quantity"
)

// field is what the tags say of one key.
type field struct {
	key        string
	index      []int
	typ        reflect.Type
	unit       quantity.Dimension
	hasDefault bool
	def        string
	rng        string
	of         string // key of the value whose share in % it may be written as
	doc        string
	measure    string   // how the value is measured, of a key that may be open
	words      []string // that the key takes, in order
	optional   bool
	secret     bool
	path       bool   // names a file or folder, relative to that of the configuration
	restart    string // what a change needs; empty where a reload puts it in force
}

// fields lists the keys of a structure, those of inlined ones among them, in
// the order of their declaration.
func fields(t reflect.Type) []field {
	var out []field
	for sf := range t.Fields() {
		tag, ok := sf.Tag.Lookup("cfg")
		if !ok || tag == "-" {
			continue
		}
		if tag == ",inline" {
			for _, f := range fields(sf.Type) {
				f.index = append([]int{sf.Index[0]}, f.index...)
				out = append(out, f)
			}
			continue
		}
		f := field{
			key: tag, index: sf.Index, typ: sf.Type,
			unit:     quantity.Dimension(sf.Tag.Get("unit")),
			rng:      sf.Tag.Get("range"),
			of:       sf.Tag.Get("of"),
			doc:      sf.Tag.Get("doc"),
			measure:  sf.Tag.Get("measure"),
			words:    enumeration(sf.Type),
			optional: sf.Tag.Get("optional") == "true",
			secret:   sf.Tag.Get("secret") == "true",
			path:     sf.Tag.Get("path") == "true",
			restart:  sf.Tag.Get("restart"),
		}
		f.def, f.hasDefault = sf.Tag.Lookup("default")
		if words := sf.Tag.Get("one_of"); words != "" {
			f.words = strings.Split(words, ",")
		}
		if dim := sf.Tag.Get("dimension"); dim != "" {
			f.words = quantity.Units(quantity.Dimension(dim))
		}
		out = append(out, f)
	}
	return out
}

// enumeration is the words of an enumerated type, by its number.
func enumeration(t reflect.Type) []string {
	switch t {
	case reflect.TypeFor[recipe.Mode]():
		return recipe.Modes()
	case reflect.TypeFor[recipe.Side]():
		return []string{"none", "in", "out"}
	case reflect.TypeFor[recipe.Method]():
		return []string{"fused", "glued"}
	case reflect.TypeFor[recipe.Bonds]():
		return []string{"any", "coated", "plain"}
	}
	return nil
}

// section reports whether the key holds keys of its own.
func (f *field) section() bool {
	return f.typ.Kind() == reflect.Struct && f.typ != reflect.TypeFor[recipe.Range]()
}

// list reports whether the key holds a list.
func (f *field) list() bool { return f.typ.Kind() == reflect.Slice }

// element is the field of one element of a list.
func (f *field) element() *field {
	e := *f
	e.typ, e.hasDefault = f.typ.Elem(), false
	return &e
}

// wanted is the kind of value in a message, as "a length with its unit".
func (f *field) wanted() string { return f.wantedIn("") }

// wantedIn is wanted with the range in a unit, empty for that of the tag.
func (f *field) wantedIn(unit string) string {
	switch {
	case f.section():
		return "a mapping"
	case f.list():
		return "a list"
	case f.words != nil:
		return list(f.words)
	case f.typ == reflect.TypeFor[recipe.Range]():
		return "a range, as in " + f.def
	case f.typ.Kind() == reflect.Bool:
		return "true or false"
	case f.typ.Kind() == reflect.String:
		return "text"
	case f.unit != quantity.None:
		name := "a " + strings.ReplaceAll(string(f.unit), "_", " ")
		if f.unit == quantity.Acceleration || f.unit == quantity.Effusivity {
			name = "an " + string(f.unit)
		}
		if f.rng != "" {
			name += " with its unit, " + f.spanIn(unit)
		} else {
			name += " with its unit"
		}
		if f.of != "" {
			name += ", or % of " + f.of
		}
		return name
	case f.rng != "":
		return "a number, " + f.rng
	}
	return "a number"
}

// leaf is one effective value.
type leaf struct {
	path    string
	field   *field
	value   any // as written, before a path is resolved
	pos     position
	restart string
	open    bool // the value is its default, which stands in
}

// open is what a key says whose value is to be measured.
const open = "open"

// canonical is the value in the units in which it is held, with all its bits.
func (l *leaf) canonical(k *known) string {
	if l.open {
		return open
	}
	return k.text(held{l.value, l.field.unit, ""})
}

// standsIn is the default of an open value as the people of the mill read it.
func (l *leaf) standsIn(mill *recipe.Line) string {
	v, ok := l.value.(float64)
	if !ok || l.field.unit == quantity.None {
		return l.field.def
	}
	return mill.Write(v, l.field.unit)
}

// shown is the value in the preferred units.
func (l *leaf) shown(k *known, u *Units) string {
	if l.open {
		return open
	}
	return k.text(held{l.value, l.field.unit, k.unit(u, l.field.unit)})
}
