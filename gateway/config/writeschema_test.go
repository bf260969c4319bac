package config

import (
	"bytes"
	"encoding/json"
	"math"
	"reflect"
	"regexp"
	"strconv"
	"strings"
	"time"

	"lapgate/recipe"
	"lapgate/recipe/quantity"
)

// schemaText renders the JSON Schema of a configuration from the same tags as
// referenceText: for editors, which then complete keys and mark mistakes while one
// types. Load stays the judge; what a schema cannot say, such as the relation
// of two keys, only Load finds.
func schemaText() []byte {
	root := object{
		{"$schema", "https://json-schema.org/draft/2020-12/schema"},
		{"title", "Configuration of lapgate"},
	}
	root = append(root, mappingSchema(reflect.TypeFor[document]())...)
	raw, err := json.Marshal(root)
	if err != nil {
		panic("config: schema: " + err.Error()) // of strings, numbers and lists
	}
	var out bytes.Buffer
	if err := json.Indent(&out, raw, "", "  "); err != nil {
		panic("config: schema: " + err.Error())
	}
	out.WriteByte('\n')
	return out.Bytes()
}

// object is a JSON object that keeps the order of its members.
type object []member

type member struct {
	key   string
	value any
}

// MarshalJSON writes the members in order.
func (o object) MarshalJSON() ([]byte, error) {
	var b bytes.Buffer
	write := func(v any) error {
		e := json.NewEncoder(&b)
		e.SetEscapeHTML(false)
		return e.Encode(v)
	}
	b.WriteByte('{')
	for i, m := range o {
		if i > 0 {
			b.WriteByte(',')
		}
		if err := write(m.key); err != nil {
			return nil, err
		}
		b.WriteByte(':')
		if err := write(m.value); err != nil {
			return nil, err
		}
	}
	b.WriteByte('}')
	return b.Bytes(), nil
}

// mappingSchema describes a structure.
func mappingSchema(t reflect.Type) object {
	var properties object
	required := []string{}
	for _, f := range fields(t) {
		properties = append(properties, member{f.key, keySchema(&f)})
		if f.needed() {
			required = append(required, f.key)
		}
	}
	o := object{{"type", "object"}, {"additionalProperties", false}}
	if len(required) > 0 {
		o = append(o, member{"required", required})
	}
	return append(o, member{"properties", properties})
}

// needed reports whether a mapping without the key is refused: the key has no
// default, or is a section that holds such a key.
func (f *field) needed() bool {
	switch {
	case f.section():
		for _, g := range fields(f.typ) {
			if g.needed() {
				return true
			}
		}
		return false
	case f.list():
		return false
	}
	return !f.hasDefault && !f.optional
}

func keySchema(f *field) object {
	var o object
	if f.doc != "" {
		o = append(o, member{"description", remark(f)})
	}
	switch {
	case f.section():
		return append(o, mappingSchema(f.typ)...)
	case f.list():
		item := f.element()
		item.doc = ""
		return append(o, member{"type", "array"}, member{"items", keySchema(item)})
	}
	if f.secret {
		o = append(o, member{"writeOnly", true})
	}
	if f.measure != "" {
		o = append(o, member{"anyOf", []object{valueSchema(f), {{"const", open}}}})
	} else {
		o = append(o, valueSchema(f)...)
	}
	if f.hasDefault {
		o = append(o, member{"default", defaultOf(f)})
	}
	return o
}

// number is how quantity.Parse wants a number written.
const number = `[+−-]?(0|[1-9][0-9]*)(\.[0-9]+)?([eE][+-]?[0-9]+)?`

// fraction and feet are what quantity.Parse reads of a length besides.
const (
	whole    = `(0|[1-9][0-9]*)`
	part     = `((` + whole + `( +|-))?[1-9][0-9]*[/⁄][1-9][0-9]*|(` + whole + ` *)?[½¼¾⅛⅜⅝⅞])`
	fraction = `[+−-]?` + part
	feet     = `[+−-]?` + whole + ` *(ft|foot|feet|'|′) *-? *(` + whole + `(\.[0-9]+)?|` + part + `) *(in|inch|inches|"|″|'')`
)

func quantityPattern(d quantity.Dimension, units string) string {
	if d != quantity.Length {
		return number + units
	}
	return "((" + number + "|" + fraction + ")" + units + "|" + feet + ")"
}

func valueSchema(f *field) object {
	text := func(pattern string) object { return object{{"type", "string"}, {"pattern", "^(" + pattern + ")$"}} }
	switch {
	case f.words != nil:
		return object{{"enum", f.words}}
	case f.typ == reflect.TypeFor[recipe.Range]():
		q := quantityPattern(f.unit, unitPattern(f.unit))
		return text(q + ` *\.\. *` + q)
	case f.typ.Kind() == reflect.Bool:
		return object{{"type", "boolean"}}
	case f.typ.Kind() == reflect.String:
		const most = 200
		o := object{{"type", "string"}, {"maxLength", most}}
		if !f.hasDefault || f.def != "" {
			o = append(o, member{"minLength", 1})
		}
		return o
	case f.unit != quantity.None || f.typ == reflect.TypeFor[time.Duration]():
		units := unitPattern(f.unit)
		if f.of != "" {
			units = strings.TrimSuffix(units, ")") + "|%)"
		}
		return text(quantityPattern(f.unit, units))
	case f.typ.Kind() == reflect.Float64:
		return append(object{{"type", "number"}}, boundsSchema(f)...)
	}
	o := append(object{{"type", "integer"}}, boundsSchema(f)...)
	if f.typ.Kind() == reflect.Uint32 && f.rng == "" { // a set of bits
		return append(o, member{"minimum", 0}, member{"maximum", uint32(math.MaxUint32)})
	}
	return o
}

func boundsSchema(f *field) object {
	if f.rng == "" {
		return nil
	}
	lo, hi := new(known).bounds(f)
	return object{{"minimum", lo}, {"maximum", hi}}
}

// alike are the signs that quantity.Parse takes for one another.
func alike() *strings.Replacer {
	return strings.NewReplacer("2", "[2²]", "3", "[3³]", "x", "[x×]", "µ", "[µμ]", "°", "[°º]")
}

func unitPattern(d quantity.Dimension) string {
	if d == quantity.None {
		return ""
	}
	var names []string
	for _, n := range quantity.Spellings(d) {
		names = append(names, alike().Replace(regexp.QuoteMeta(n)))
	}
	return ` *(` + strings.Join(names, "|") + `)`
}

// defaultOf is a default as YAML reads it.
func defaultOf(f *field) any {
	switch {
	case f.words != nil, f.typ.Kind() == reflect.String:
		return f.def
	case f.typ.Kind() == reflect.Bool:
		return f.def == "true"
	case f.unit == quantity.None && f.typ != reflect.TypeFor[recipe.Range]():
		if n, err := strconv.ParseInt(f.def, 0, 64); err == nil {
			return n
		}
		if x, err := strconv.ParseFloat(f.def, 64); err == nil {
			return x
		}
	}
	return f.def
}
