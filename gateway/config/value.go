package config

import (
	"errors"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"lapgate/recipe"
	"lapgate/recipe/quantity"
)

// value fills one scalar.
func (d *decoder) value(v reflect.Value, n *node, f *field, path string) {
	if n.kind != scalar {
		d.problem(n.pos, path, "not a single value", n.what(), f.wanted(), "write one value")
		return
	}
	if n.null && !n.free {
		remedy := "write a value"
		if f.hasDefault {
			remedy = "write a value, or remove the key for its default " + quoted(f.def)
		}
		d.problem(n.pos, path, "no value", "nothing", f.wanted(), remedy)
		return
	}
	before := len(d.problems)
	defer d.hide(f, before)
	if n.text == open && f.measure != "" {
		d.value(v, &node{text: f.def, free: true, pos: n.pos}, f, path)
		d.leaves[len(d.leaves)-1].open = true
		of(&d.opened, path, func() bool { return true })
		return
	}
	switch {
	case f.words != nil:
		d.word(v, n, f, path)
	case v.Type() == rangeType:
		d.interval(v, n, f, path)
	case v.Type() == reflect.TypeFor[time.Duration]():
		if x, ok := d.number(n, n.text, f, path); ok && d.within(n, x, f, path) {
			v.SetInt(int64(math.Round(x * float64(time.Second))))
		}
	case v.Kind() == reflect.Float64:
		if x, ok := d.number(n, n.text, f, path); ok && d.within(n, x, f, path) {
			v.SetFloat(x)
		}
	case v.Kind() == reflect.Bool:
		d.truth(v, n, path)
	case v.Kind() == reflect.String:
		d.string(v, n, f, path)
	default:
		d.integer(v, n, f, path)
	}
	if len(d.problems) == before {
		d.keep(v, f, path, n.pos)
		if f.path {
			v.SetString(resolve(d.folder, v.String()))
		}
	}
}

// word fills an enumeration or a string of fixed words.
func (d *decoder) word(v reflect.Value, n *node, f *field, path string) {
	i := slices.Index(f.words, n.text)
	switch {
	case i < 0:
		d.problem(n.pos, path, "unknown value", quoted(n.text), list(f.words), meant(n.text, f.words))
	case v.Kind() == reflect.String:
		v.SetString(n.text)
	default:
		v.SetUint(uint64(i))
	}
}

// number reads a quantity of the field's dimension.
func (d *decoder) number(n *node, text string, f *field, path string) (float64, bool) {
	if truth(text) {
		d.problem(n.pos, path, "truth value where a number is needed", quoted(text), f.wanted(), "write a number")
		return 0, false
	}
	if f.unit == quantity.None && n.quote {
		d.problem(n.pos, path, "text where a number is needed", quoted(text), f.wanted(), "remove the quotes")
		return 0, false
	}
	x, err := d.known.parse(text, f.unit)
	var qe *quantity.Error
	if errors.As(err, &qe) {
		want := qe.Want
		if f.unit == quantity.None {
			want = f.wanted()
		}
		got := text
		if got == "" {
			got = n.text
		}
		d.problem(n.pos, path, qe.Kind.String(), quoted(got), want, qe.Remedy)
		return 0, false
	}
	return x, true
}

// within checks a value against the range of its tag.
func (d *decoder) within(n *node, x float64, f *field, path string) bool {
	lo, hi := math.Inf(-1), math.Inf(1)
	if f.rng != "" {
		lo, hi = d.known.bounds(f)
	} else if f.unit == quantity.Length {
		lo = 0
	}
	if x < lo || x > hi {
		want := f.spanIn(quantity.UnitOf(n.text, f.unit))
		remedy := "write a value within " + want
		if f.rng == "" {
			want, remedy = "0 or more", "write a positive value"
		}
		d.problem(n.pos, path, "out of range", quoted(n.text), want, remedy)
		return false
	}
	return true
}

// bounds reads the range of a tag. The tags are the program's own; a bad one
// shows in every load.
func (k *known) bounds(f *field) (lo, hi float64) {
	a, b, _ := strings.Cut(f.rng, "..")
	lo, err1 := k.parse(a, f.unit)
	hi, err2 := k.parse(b, f.unit)
	if err := errors.Join(err1, err2); err != nil {
		panic("config: bad range of " + f.key + ": " + err.Error())
	}
	return lo, hi
}

// spanIn is the range of a tag in the unit that a person wrote, each bound
// rounded to the inner side so that it is a value that passes. A bound that has
// no handy figures there stays as the tag has it.
func (f *field) spanIn(unit string) string {
	if unit == "" || f.rng == "" {
		return f.rng
	}
	lo, hi := new(known).bounds(f)
	least, most, _ := strings.Cut(f.rng, "..")
	inner := func(v float64, tag string, round func(float64) float64) string {
		const figures, handy = 4, 1e-4
		if exact := quantity.Format(v, f.unit, unit); len(exact) <= len("12345.6 ")+len(unit) {
			return exact
		}
		x := quantity.In(v, f.unit, unit)
		if math.Abs(x) < handy {
			return tag
		}
		step := math.Pow10(int(math.Floor(math.Log10(math.Abs(x)))) + 1 - figures)
		return strconv.FormatFloat(round(x/step)*step, 'g', figures, 64) + " " + unit
	}
	return inner(lo, least, math.Ceil) + ".." + inner(hi, most, math.Floor)
}

// interval fills a range written as least..greatest.
func (d *decoder) interval(v reflect.Value, n *node, f *field, path string) {
	a, b, ok := strings.Cut(n.text, "..")
	if !ok || strings.HasPrefix(b, ".") || strings.Contains(b, "..") {
		d.problem(n.pos, path, "not a range", quoted(n.text), "least..greatest", "write both limits with two points between, as in "+f.def)
		return
	}
	lo, ok1 := d.number(n, strings.TrimSpace(a), f, path)
	hi, ok2 := d.number(n, strings.TrimSpace(b), f, path)
	switch {
	case !ok1 || !ok2:
	case lo > hi:
		d.problem(n.pos, path, "limits reversed", quoted(n.text), "the least limit first", "write "+strings.TrimSpace(b)+".."+strings.TrimSpace(a))
	case lo < 0 && f.unit != quantity.Temperature:
		d.problem(n.pos, path, "negative limit", quoted(n.text), "0 or more", "correct the least limit")
	default:
		if lo == hi {
			d.warning(n.pos, path, "limits are equal, so only one value passes", quoted(n.text), "a range with some width", "check both limits")
		}
		v.Set(reflect.ValueOf(recipe.Range{Min: lo, Max: hi}))
	}
}

// truth fills a boolean; only the two words of YAML 1.2 count.
func (d *decoder) truth(v reflect.Value, n *node, path string) {
	switch {
	case n.quote:
		d.problem(n.pos, path, "text where a truth value is needed", quoted(n.text), "true or false", "remove the quotes")
	case n.text == "true" || n.text == "false":
		v.SetBool(n.text == "true")
	default:
		remedy := "write true or false"
		switch strings.ToLower(n.text) {
		case "yes", "y", "on", "true":
			remedy = "write true"
		case "no", "n", "off", "false":
			remedy = "write false"
		}
		d.problem(n.pos, path, "not a truth value", quoted(n.text), "true or false", remedy)
	}
}

// string fills a text. Words that YAML reads as something else need quotes, so
// that nobody means one thing and gets another.
func (d *decoder) string(v reflect.Value, n *node, f *field, path string) {
	const most = 200
	if !n.quote && !n.free {
		kind := ""
		switch {
		case truth(n.text):
			kind = "truth value"
		case numeric(n.text):
			kind = "number"
		}
		if kind != "" {
			d.problem(n.pos, path, kind+" where text is needed", n.text, "text", "write "+strconv.Quote(n.text)+" in quotes, or another word")
			return
		}
	}
	switch {
	case n.text == "" && (!f.hasDefault || f.def != ""):
		d.problem(n.pos, path, "empty text", `""`, "text", "write a value")
	case utf8.RuneCountInString(n.text) > most:
		d.problem(n.pos, path, "text too long", quoted(n.text), "at most "+strconv.Itoa(most)+" characters", "shorten it")
	case strings.ContainsFunc(n.text, func(r rune) bool { return !unicode.IsPrint(r) }):
		d.problem(n.pos, path, "text with control characters", quoted(n.text), "one line of printable characters", "remove them")
	case strings.TrimSpace(n.text) != n.text:
		d.problem(n.pos, path, "space around the text", quoted(n.text), quoted(strings.TrimSpace(n.text)), "remove the space")
	default:
		v.SetString(n.text)
	}
}

// integer fills a whole number. A set of bits may be hexadecimal.
func (d *decoder) integer(v reflect.Value, n *node, f *field, path string) {
	text, mask := n.text, v.Kind() == reflect.Uint32
	digits, hex := strings.CutPrefix(text, "0x")
	if mask && hex && !n.quote {
		x, err := strconv.ParseUint(digits, 16, 32)
		if err != nil {
			d.problem(n.pos, path, "malformed set of bits", quoted(text), "32 bits, as in 0x3F", "write at most eight hexadecimal figures after 0x")
			return
		}
		v.SetUint(x)
		return
	}
	if strings.HasPrefix(text, "0o") || strings.HasPrefix(text, "0b") {
		d.problem(n.pos, path, "number that is not decimal", quoted(text), f.wanted(), "write it in decimal")
		return
	}
	x, ok := d.number(n, text, f, path)
	if !ok {
		return
	}
	if x != math.Trunc(x) {
		d.problem(n.pos, path, "fraction where a whole number is needed", quoted(text), f.wanted(), "write a whole number")
		return
	}
	lo, hi := 0.0, float64(math.MaxInt32)
	switch v.Kind() {
	case reflect.Uint16:
		hi = math.MaxUint16
	case reflect.Uint32:
		hi = math.MaxUint32
	}
	if f.rng != "" {
		lo, hi = d.known.bounds(f)
	}
	if x < lo || x > hi {
		span := quantity.Format(lo, quantity.None, "") + ".." + quantity.Format(hi, quantity.None, "")
		d.problem(n.pos, path, "out of range", quoted(text), span, "write a value within "+span)
		return
	}
	if v.CanUint() {
		v.SetUint(uint64(x))
	} else {
		v.SetInt(int64(x))
	}
}

// truth reports whether YAML 1.1 or 1.2 reads the word as a truth value.
func truth(s string) bool {
	switch strings.ToLower(s) {
	case "true", "false", "yes", "no", "on", "off", "y", "n":
		return true
	}
	return false
}

// numeric reports whether YAML reads the word as a number.
func numeric(s string) bool {
	switch strings.ToLower(strings.TrimLeft(s, "+-")) {
	case ".inf", ".nan":
		return true
	}
	if _, err := strconv.ParseInt(s, 0, 64); err == nil {
		return true
	}
	_, err := strconv.ParseFloat(s, 64)
	return err == nil && !strings.ContainsFunc(s, func(r rune) bool { return unicode.IsLetter(r) && r != 'e' && r != 'E' })
}

// plainText writes a number or truth value.
func plainText(v reflect.Value) string {
	switch {
	case v.CanInt():
		return strconv.FormatInt(v.Int(), 10)
	case v.Kind() == reflect.Uint32:
		return "0x" + strings.ToUpper(strconv.FormatUint(v.Uint(), 16))
	case v.CanUint():
		return strconv.FormatUint(v.Uint(), 10)
	}
	return strconv.FormatBool(v.Bool())
}
