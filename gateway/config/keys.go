package config

import (
	"cmp"
	"reflect"
)

// Key is one key that a configuration may have, as its table says.
type Key struct {
	// Path is where it stands, as lines.N.wrap.speed; N is the place in a list, from 0.
	Path    string
	Section bool   // holds keys of its own, and has no value
	Want    string // the kind of value, with its range
	Default string
	Needed  bool // has no default and must be given
	Meaning string
	Measure string // how the value is measured, of a key that may be open; else empty
	Restart bool   // a change of it, or of what it holds, needs a restart of the daemon
}

// Keys lists every key of a configuration in the order of the reference.
func Keys() []Key { return keysOf(reflect.TypeFor[document](), "") }

func keysOf(t reflect.Type, path string) (out []Key) {
	for _, f := range fields(t) {
		k := Key{
			Path: join(path, f.key), Want: f.wanted(), Default: f.def, Meaning: f.doc, Measure: f.measure,
			Restart: f.restart != "",
		}
		switch {
		case f.section():
			k.Section = true
			out = append(append(out, k), keysOf(f.typ, k.Path)...)
		case f.list() && f.typ.Elem().Kind() == reflect.Struct:
			k.Section = true
			k.Meaning = cmp.Or(k.Meaning, "a list")
			out = append(append(out, k), keysOf(f.typ.Elem(), join(k.Path, "N"))...)
		default:
			k.Needed = !f.list() && !f.hasDefault && !f.optional
			out = append(out, k)
		}
	}
	return out
}
