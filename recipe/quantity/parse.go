// Package quantity reads and writes quantities with their units, as people
// write them: 5 in, 127 mm, 350 °F, 28 lb/17x22. A number without its unit is
// an error where the dimension has one.
//
// Conversions are computed exactly and rounded once, so Parse gives the double
// nearest to the written value, and what Format writes Parse reads back to the
// same bits.
package quantity

import (
	"math"
	"math/big"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// maxText bounds the text of one quantity.
const maxText = 64

// maxExponent bounds the power of ten of a number; the doubles end before it.
const maxExponent = 400

// Parse reads a quantity of dimension d and returns it in the unit in which
// the dimension is held (see Dimension; temperatures in °C). The text is a
// decimal number, perhaps with an exponent, and a unit of Units(d) or one of
// its usual spellings; a space between them is optional. A length may also be a
// fraction, or feet and inches: 3/8 in, 50 1/2 in, 4 ft 2 in. For None there
// must be no unit. Every error is a *Error.
func Parse(s string, d Dimension) (float64, error) {
	v, _, err := parse(s, d)
	return v, err
}

// UnitOf is the unit in which a quantity of dimension d is written, empty for
// a text that Parse does not take.
func UnitOf(s string, d Dimension) string {
	_, u, _ := parse(s, d)
	return u.name
}

func parse(s string, d Dimension) (float64, unit, error) {
	us := unitsOf[d]
	if us == nil {
		return 0, unit{}, &Error{BadDimension, string(d), "a dimension of this package", "correct the program or its tags"}
	}
	fail := func(k Kind, remedy string) (float64, unit, error) {
		want := d.phrase()
		if d != None {
			want += " with its unit"
		}
		return 0, unit{}, &Error{k, clip(s), want, remedy}
	}
	if len(s) > maxText {
		return fail(TooLong, "write a number and a unit, such as "+d.example())
	}
	t := strings.TrimSpace(s)
	if t == "" {
		return fail(Empty, "write "+d.example())
	}
	if rest, ok := strings.CutPrefix(t, "−"); ok { // the typographic minus
		t = "-" + rest
	}
	exact, u, kind, remedy := decimal(t, d)
	if kind != 0 { // only then, for decimals are many and fractions few
		held, unit, ok, k, other := mixed(t, d)
		if k != 0 {
			kind, remedy = k, other
		}
		if !ok {
			return fail(kind, remedy)
		}
		exact, u = held, unit
	}
	v, _ := exact.Float64()
	if math.IsInf(v, 0) || v == 0 && exact.Sign() != 0 && u.offset == "" {
		return fail(Overflow, "write a value of ordinary size, such as "+d.example())
	}
	return v, u, nil
}

// decimal reads a decimal number and its unit: the exact held value, or what is
// wrong with the remedy.
func decimal(t string, d Dimension) (held *big.Rat, u unit, kind Kind, remedy string) {
	num, rest := scan(t)
	if kind, remedy = unfit(t, num, rest, d); kind != 0 {
		return nil, u, kind, remedy
	}
	name := strings.TrimSpace(rest)
	if d == None && name != "" {
		return nil, u, UnitOnNumber, "remove " + strconv.Quote(clip(name))
	}
	if d != None && name == "" {
		return nil, u, BareNumber, "add the unit, as in " + d.example()
	}
	u, ok := find(d, name)
	if !ok {
		kind, remedy = wrongUnit(name, d)
		return nil, u, kind, remedy
	}
	exact, ok := new(big.Rat).SetString(num)
	if !ok {
		return nil, u, BadNumber, "write a decimal number, such as " + d.example()
	}
	return u.held(exact), u, 0, ""
}

// unfit says why the number at the beginning of a text is none that is read,
// with the remedy; the kind is 0 for one that is.
func unfit(text, num, rest string, d Dimension) (kind Kind, remedy string) {
	if word := strings.TrimLeft(strings.ToLower(text), "+-."); hasWord(word, "nan") || hasWord(word, "inf") || hasWord(word, "infinity") {
		return NotFinite, "write a finite value, such as " + d.example()
	}
	if l := strings.ToLower(strings.TrimLeft(text, "+-")); strings.HasPrefix(l, "0x") {
		return HexNumber, "write it in decimal, such as " + d.example()
	}
	if num == "" {
		return NoNumber, "begin with a number, such as " + d.example()
	}
	if kind, remedy := malformed(num, rest); kind != 0 {
		return kind, remedy
	}
	if exp := strings.TrimPrefix(num, mantissa(num)); exp != "" {
		// Bounded before the exact arithmetic, which would write it out.
		if n, err := strconv.Atoi(exp[1:]); err != nil || n < -maxExponent || n > maxExponent {
			return Overflow, "write a value of ordinary size, such as " + d.example()
		}
	}
	return 0, ""
}

// Format writes v, held as Parse returns it, in the given unit of d with the
// fewest digits that Parse reads back to the same bits. An empty or unknown
// unit stands for the one in which the dimension is held, and so does °F or K
// for a temperature within 1e-20 K or so of 0 °C.
func Format(v float64, d Dimension, unitName string) string {
	u := choose(d, unitName)
	s, ok := digits(v, u)
	if !ok {
		u = choose(d, "")
		s, _ = digits(v, u)
	}
	return join(s, u)
}

// Round writes v in the given unit of d with at most the given number of
// decimals, without trailing zeros. It is for people; Parse need not give the
// same bits again.
func Round(v float64, d Dimension, unitName string, decimals int) string {
	u := choose(d, unitName)
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return join(strconv.FormatFloat(v, 'g', -1, 64), u)
	}
	s := u.in(new(big.Rat).SetFloat64(v)).FloatString(max(decimals, 0))
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	if s == "-0" {
		s = "0"
	}
	return join(s, u)
}

// In converts v, held as Parse returns it, to the given unit of d; an empty or
// unknown unit leaves it as it is.
func In(v float64, d Dimension, unitName string) float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return v
	}
	x, _ := choose(d, unitName).in(new(big.Rat).SetFloat64(v)).Float64()
	return x
}

func choose(d Dimension, name string) unit {
	if u, ok := find(d, name); ok && name != "" {
		return u
	}
	if us := unitsOf[d]; len(us) > 0 {
		return us[0]
	}
	return unit{factor: "1"}
}

func join(num string, u unit) string {
	if u.name == "" {
		return num
	}
	return num + " " + u.name
}

// digits finds the shortest decimal that Parse brings back to v. The decimals
// of a long enough text lie closer than the doubles around v, so the search
// ends; only beside the zero of an offset scale would it take too many digits,
// and then it reports false.
func digits(v float64, u unit) (string, bool) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return strconv.FormatFloat(v, 'g', -1, 64), true
	}
	x := u.in(new(big.Rat).SetFloat64(v))
	f := new(big.Float).SetPrec(256).SetRat(x)
	factor, offset := ratio(u.factor), new(big.Rat)
	if u.offset != "" {
		offset = ratio(u.offset)
	}
	const longest = 36
	for n := 1; n <= longest; n++ {
		s := tidy(f.Text('e', n-1))
		back, ok := new(big.Rat).SetString(s)
		if !ok {
			break
		}
		back.Mul(back, factor)
		if got, _ := back.Add(back, offset).Float64(); got == v {
			return s, true
		}
	}
	return "", false
}

// tidy writes 1.27e+02 as 127 where the exponent is small.
func tidy(s string) string {
	mant, exp, _ := strings.Cut(s, "e")
	n, err := strconv.Atoi(exp)
	if err != nil || n < -6 || n > 15 {
		return mant + "e" + strconv.Itoa(n)
	}
	sign := ""
	if rest, ok := strings.CutPrefix(mant, "-"); ok {
		sign, mant = "-", rest
	}
	all := strings.Replace(mant, ".", "", 1)
	switch point := n + 1; {
	case point <= 0:
		all = "0." + strings.Repeat("0", -point) + all
	case point >= len(all):
		all += strings.Repeat("0", point-len(all))
	default:
		all = all[:point] + "." + all[point:]
	}
	return sign + all
}

// scan splits off everything that was meant as the number: figures, signs,
// points, commas and other separators, and an exponent.
func scan(s string) (num, rest string) {
	i := 0
	if i < len(s) && (s[i] == '+' || s[i] == '-') {
		i++
	}
	start := i
	for i < len(s) && (isDigit(s[i]) || strings.IndexByte(".,_'", s[i]) >= 0 && (i+1 < len(s) && isDigit(s[i+1]) || s[i] == '.' || s[i] == ',')) {
		i++
	}
	if !strings.ContainsAny(s[start:i], "0123456789") {
		return "", s
	}
	if i < len(s) && (s[i] == 'e' || s[i] == 'E') {
		j := i + 1
		if j < len(s) && (s[j] == '+' || s[j] == '-') {
			j++
		}
		if j < len(s) && isDigit(s[j]) {
			for j < len(s) && isDigit(s[j]) {
				j++
			}
			i = j
		}
	}
	return s[:i], s[i:]
}

// malformed names what is wrong with the figures of a number, 0 for nothing.
func malformed(num, rest string) (Kind, string) {
	m := strings.TrimLeft(mantissa(num), "+-")
	behind := strings.TrimPrefix(num, mantissa(num))
	if u := strings.TrimSpace(rest); u != "" {
		behind += " " + clip(u)
	}
	if next := strings.TrimLeftFunc(rest, unicode.IsSpace); next != rest && next != "" && isDigit(next[0]) {
		return Thousands, "write the figures together, as in " + strings.ReplaceAll(m, ",", "") + next
	}
	if strings.ContainsAny(m, "_'") {
		return Thousands, "write " + strings.NewReplacer("_", "", "'", "", ",", "").Replace(m) + behind
	}
	if n := strings.Count(m, ","); n > 0 {
		head, tail, _ := strings.Cut(m, ",")
		switch {
		case n > 1 || strings.Contains(m, "."):
			return Thousands, "write the figures together with a point for the decimals, as in 1234.5" + behind
		case len(tail) == 3 && head != "" && head != "0":
			return Thousands, "write " + head + tail + behind + " if thousands were meant, " + head + "." + tail + behind + " if decimals were"
		}
		return DecimalComma, "write " + head + "." + tail + behind
	}
	if strings.Count(m, ".") > 1 {
		return BadNumber, "write one decimal point"
	}
	if strings.HasPrefix(m, ".") {
		return BadNumber, "write 0" + m + behind
	}
	if strings.HasSuffix(m, ".") {
		return BadNumber, "write " + strings.TrimSuffix(m, ".") + behind + " without the point"
	}
	if len(m) > 1 && m[0] == '0' && isDigit(m[1]) {
		fewer := strings.TrimLeft(m, "0")
		if fewer == "" || fewer[0] == '.' {
			fewer = "0" + fewer
		}
		return LeadingZero, "write " + fewer + behind
	}
	return 0, ""
}

// wrongUnit tells a misspelt unit, a unit of another dimension and text behind
// a good unit apart.
func wrongUnit(name string, d Dimension) (Kind, string) {
	list := "use " + strings.Join(Units(d), ", ")
	for _, other := range Dimensions() {
		if other == d {
			continue
		}
		if _, ok := find(other, name); ok {
			if d == BasisWeight && other == Mass {
				return OtherDimension, "name the ream as well, as in 28 lb/17x22; " + list
			}
			return OtherDimension, strconv.Quote(clip(name)) + " measures " + other.phrase() + "; " + list
		}
	}
	if first, rest, ok := strings.Cut(name, " "); ok {
		if _, known := find(d, first); known {
			return Trailing, "remove " + strconv.Quote(clip(strings.TrimSpace(rest)))
		}
	}
	if near := nearest(name, d); near != "" {
		return UnknownUnit, "did you mean " + near + "? " + list
	}
	return UnknownUnit, list
}

// nearest is the unit of d that name was probably meant to be, or empty.
func nearest(name string, d Dimension) string {
	low := strings.ToLower(plain(name))
	for _, u := range unitsOf[d] {
		for _, n := range append([]string{u.name}, u.aliases...) {
			if strings.ToLower(plain(n)) == low {
				return u.name
			}
		}
	}
	best, at := "", 2
	if utf8.RuneCountInString(low) < 3 {
		at = 1
	}
	for _, u := range unitsOf[d] {
		for _, n := range append([]string{u.name}, u.aliases...) {
			if utf8.RuneCountInString(n) < 2 {
				continue
			}
			if dist := distance(low, strings.ToLower(plain(n))); dist < at || dist == at && best == "" {
				best, at = u.name, dist
			}
		}
	}
	return best
}

// hasWord reports whether s begins with the word and no letter follows.
func hasWord(s, word string) bool {
	rest, ok := strings.CutPrefix(s, word)
	if !ok {
		return false
	}
	r, _ := utf8.DecodeRuneInString(rest)
	return rest == "" || !unicode.IsLetter(r)
}

// mantissa is the number without its exponent.
func mantissa(num string) string {
	if i := strings.IndexAny(num, "eE"); i >= 0 {
		return num[:i]
	}
	return num
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

// clip keeps an echoed text short.
func clip(s string) string {
	const most = 60
	if utf8.RuneCountInString(s) <= most {
		return s
	}
	return string([]rune(s)[:most]) + "…"
}
