package config

import (
	"cmp"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"lapgate/recipe"
	"lapgate/recipe/quantity"
)

// decoder fills a document from a tree and keeps what it learns on the way.
type decoder struct {
	file       string
	problems   []Problem
	warnings   []Problem
	unmeasured []Problem
	bad        []string            // keys with a problem
	at         map[string]position // keys that are given
	leaves     []leaf              // every value, in the order of the fields
	opened     map[string]bool     // keys whose value is to be measured
	folder     string              // of the file, which paths are relative to
	restart    string              // what a change of the section at hand needs
	homes      map[string][]string // sections by key, once they are asked for
	known      known
}

func (d *decoder) entryOf(at position, key, text, got, want, remedy string) Problem {
	return Problem{
		File: d.file, Line: at.line, Col: at.col, Source: at.source,
		Key: key, Text: text, Got: got, Want: want, Remedy: remedy,
	}
}

func (d *decoder) problem(at position, key, text, got, want, remedy string) {
	d.problems = append(d.problems, d.entryOf(at, key, text, got, want, remedy))
	d.bad = append(d.bad, key)
}

func (d *decoder) warning(at position, key, text, got, want, remedy string) {
	d.warnings = append(d.warnings, d.entryOf(at, key, text, got, want, remedy))
}

// good reports whether nothing is wrong at, above or below any of the keys.
func (d *decoder) good(keys ...string) bool {
	for _, k := range keys {
		for _, b := range d.bad {
			if k == b || strings.HasPrefix(b, k+".") || strings.HasPrefix(k, b+".") {
				return false
			}
		}
	}
	return true
}

// where is the position of a key, or of the nearest key above it that is
// given.
func (d *decoder) where(key string) position {
	for key != "" {
		if p, ok := d.at[key]; ok {
			return p
		}
		i := strings.LastIndexByte(key, '.')
		key = key[:max(i, 0)]
	}
	return position{line: 1, col: 1}
}

// structure fills v from a mapping. A nil node stands for one that is not
// given: all its keys take their defaults, and those without one are reported
// at the place of the parent.
func (d *decoder) structure(v reflect.Value, n *node, path string, parent position) {
	fs := d.known.fields(v.Type())
	if n != nil && n.kind != mapping {
		d.problem(n.pos, path, "not a mapping", n.what(), "the keys "+keyList(fs), "write its keys below it, indented")
		return
	}
	if n != nil {
		parent = n.pos
		for _, e := range n.keys {
			if !slices.ContainsFunc(fs, func(f field) bool { return f.key == e.key }) {
				d.unknown(e, path, fs)
			}
		}
	}
	inherited := d.restart
	defer func() { d.restart = inherited }()
	for i := range fs {
		f := &fs[i]
		d.restart = cmp.Or(f.restart, inherited)
		key := join(path, f.key)
		child := n.child(f.key)
		target := v.FieldByIndex(f.index)
		if child != nil {
			d.at[key] = child.pos
		}
		switch {
		case f.section():
			if child == nil {
				d.structure(target, nil, key, parent)
			} else {
				d.structure(target, child, key, child.pos)
			}
		case f.list():
			if child != nil {
				d.elements(target, child, f, key)
			}
		case f.of != "" && d.share(target, v, fs, child, f, path):
		case child == nil && f.hasDefault:
			d.value(target, &node{text: f.def, free: true}, f, key)
		case child == nil && f.optional:
			d.keep(target, f, key, position{})
		case child == nil && d.good(key):
			d.problem(parent, key, "required key is missing", "nothing", f.wanted(), "add "+f.key+": and its value")
		default:
			if child != nil {
				d.value(target, child, f, key)
			}
		}
	}
}

// share fills an uncertainty that is written in % of its value, which stands
// beside it. It reports whether the text was one.
func (d *decoder) share(target, section reflect.Value, fs []field, n *node, f *field, path string) bool {
	if n == nil {
		n = &node{text: f.def, free: true}
	}
	text, percent := strings.CutSuffix(strings.TrimSpace(n.text), "%")
	if n.kind != scalar || !percent {
		return false
	}
	key := join(path, f.key)
	i := slices.IndexFunc(fs, func(g field) bool { return g.key == f.of })
	if !d.good(join(path, f.of)) {
		return true // one mistake is reported once
	}
	pure := field{key: f.key, rng: "0..100"}
	if x, ok := d.number(n, strings.TrimSpace(text), &pure, key); ok && d.within(n, x, &pure, key) {
		target.SetFloat(section.FieldByIndex(fs[i].index).Float() * x / 100)
		d.keep(target, f, key, n.pos)
	}
	return true
}

// elements fills a list.
func (d *decoder) elements(v reflect.Value, n *node, f *field, path string) {
	if n.kind != sequence {
		d.problem(n.pos, path, "not a list", n.what(), "a list", "write each element in a line of its own that begins with -, or [] for none")
		return
	}
	const most = 1000
	if len(n.items) > most {
		d.problem(n.pos, path, "list too long", strconv.Itoa(len(n.items))+" elements", fmt.Sprintf("at most %d", most), "shorten it")
		return
	}
	v.SetZero() // an empty list is as if none were written
	if len(n.items) > 0 {
		v.Set(reflect.MakeSlice(v.Type(), len(n.items), len(n.items)))
	}
	e, before := f.element(), len(d.leaves)
	for i, item := range n.items {
		if i == 1 { // each of a list of lines has hundreds
			d.leaves = slices.Grow(d.leaves, (len(n.items)-1)*(len(d.leaves)-before))
		}
		key := join(path, strconv.Itoa(i))
		d.at[key] = item.pos
		if e.section() {
			d.structure(v.Index(i), item, key, item.pos)
		} else {
			d.value(v.Index(i), item, e, key)
		}
	}
}

// keep records an effective value.
func (d *decoder) keep(v reflect.Value, f *field, path string, at position) {
	d.leaves = append(d.leaves, leaf{path: path, field: f, value: v.Interface(), pos: at, restart: d.restart})
}

// unknown reports a key that the structure does not have, with the likely one.
func (d *decoder) unknown(e entry, path string, fs []field) {
	if remedy := removed(join(path, e.key)); remedy != "" {
		d.problem(e.pos, join(path, e.key), "key that is gone", quoted(e.key), "no such key", remedy)
		return
	}
	names := make([]string, len(fs))
	for i := range fs {
		names[i] = fs[i].key
	}
	remedy := "remove it"
	if near := quantity.Nearest(e.key, names); near != "" {
		remedy = "did you mean " + near + "?"
		// What follows from the missing key is not worth a problem of its own.
		d.bad = append(d.bad, join(path, near))
	} else if homes := d.homesOf(e.key); len(homes) > 0 && len(homes) <= 3 {
		remedy = "it belongs to " + list(homes)
	}
	where := path
	if where == "" {
		where = "the top level"
	}
	d.problem(e.pos, join(path, e.key), "unknown key", quoted(e.key), "a key of "+where+": "+keyList(fs), remedy)
}

// removed is the remedy for a key that earlier versions had, empty for any
// other.
func removed(path string) string {
	section, key := "", path
	if i := strings.LastIndexByte(path, '.'); i >= 0 {
		section, key = path[:i], path[i+1:]
	}
	switch key {
	case "armed":
		return "remove it: a line is in shadow until a named person arms it; give lapgate arm --line LINE --by NAME --reason TEXT, with --keep where that is to last over a restart"
	case "restart":
		if strings.HasSuffix(section, "arming") {
			return "remove it: whether arming lasts over a restart is said by whoever arms the line; give lapgate arm with --keep, --for or --rolls"
		}
	case "dwell_margin":
		return "remove it: the dwell is taken at the unfavourable end of what is uncertain; write conductance_uncertainty and backing_effusivity_uncertainty of header"
	case "dry_time":
		return "remove it: glue dries as long as its water takes; write coverage and solids of glue"
	}
	return ""
}

func keyList(fs []field) string {
	names := make([]string, len(fs))
	for i := range fs {
		names[i] = fs[i].key
	}
	return strings.Join(names, ", ")
}

// homesOf lists the sections that have the key.
func (d *decoder) homesOf(key string) []string {
	if d.homes == nil {
		d.homes = map[string][]string{}
		d.settle(reflect.TypeFor[document](), "")
	}
	return d.homes[key]
}

// settle notes the keys of a section and of those in it.
func (d *decoder) settle(t reflect.Type, path string) {
	for _, f := range fields(t) {
		d.homes[f.key] = append(d.homes[f.key], cmp.Or(path, "the top level"))
		switch {
		case f.section():
			d.settle(f.typ, join(path, f.key))
		case f.list() && f.typ.Elem().Kind() == reflect.Struct:
			d.settle(f.typ.Elem(), join(path, f.key))
		}
	}
}

var rangeType = reflect.TypeFor[recipe.Range]()
