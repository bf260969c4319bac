package quantity

import (
	"math/big"
	"regexp"
	"strconv"
	"strings"
)

// vulgar writes the fractions that have a sign of their own in figures, apart
// from a whole number before them. It is never changed.
var vulgar = strings.NewReplacer(
	"½", " 1/2", "¼", " 1/4", "¾", " 3/4", "⅛", " 1/8", "⅜", " 3/8", "⅝", " 5/8", "⅞", " 7/8", "⁄", "/",
)

// What is read besides decimals. A whole number stands apart from its fraction
// by a space or, as on drawings, by a dash.
var (
	fractionForm = regexp.MustCompile(`^([+-]?)(?:(0|[1-9]\d*)(?:\s+|-))?(\d+)/(\d+)\s*([^\d\s].*)?$`)
	feetForm     = regexp.MustCompile(`^([+-]?)(0|[1-9]\d*)\s*([^\d\s.,/+-]+)(?:\s*-\s*|\s*)(?:((?:0|[1-9]\d*)(?:\.\d+)?)|(?:(0|[1-9]\d*)(?:\s+|-))?(\d+)/(\d+))\s*([^\d\s]+)?$`)
)

// mixed reads what inch mills write beside decimals: a fraction, alone or
// behind a whole number, and feet with inches: 3/8 in, 50 1/2 in, 4 ft 2 in. v
// is the held value and u the unit of its last figure. It is not ok for a text
// that has neither form; kind and remedy are then 0 and empty, or say what is
// wrong with one that nearly has.
func mixed(text string, d Dimension) (v *big.Rat, u unit, ok bool, kind Kind, remedy string) {
	text = strings.TrimSpace(vulgar.Replace(text))
	if f := fractionForm.FindStringSubmatch(text); f != nil {
		if d != Length {
			return nil, u, false, BadFraction, "write a decimal number, such as " + d.example()
		}
		return fractionOf(f)
	}
	if f := feetForm.FindStringSubmatch(text); f != nil && d == Length {
		return feetAndInches(f)
	}
	return nil, u, false, 0, ""
}

func fractionOf(f []string) (v *big.Rat, u unit, ok bool, kind Kind, remedy string) {
	number, remedy := addFraction(f[2], f[3], f[4])
	if number == nil {
		return nil, u, false, BadFraction, remedy
	}
	if f[5] == "" {
		return nil, u, false, BareNumber, "add the unit, as in " + f[0] + " in"
	}
	if u, ok = find(Length, f[5]); !ok {
		kind, remedy = wrongUnit(f[5], Length)
		return nil, u, false, kind, remedy
	}
	if f[1] == "-" {
		number.Neg(number)
	}
	return u.held(number), u, true, 0, ""
}

func feetAndInches(f []string) (v *big.Rat, u unit, ok bool, kind Kind, remedy string) {
	if u, ok = find(Length, f[3]); !ok || u.name != "ft" {
		return nil, u, false, 0, ""
	}
	inches, remedy := addFraction(f[5], f[6], f[7])
	if f[4] != "" {
		inches, _ = new(big.Rat).SetString(f[4])
	}
	if inches == nil {
		return nil, u, false, BadFraction, remedy
	}
	behind := f[8]
	if behind == "''" {
		behind = "in"
	}
	small, known := find(Length, behind)
	switch thousands := f[3] == "'" && len(f[4]) == 3; {
	case thousands, behind != "" && (!known || small.name != "in"):
		return nil, u, false, 0, "" // what the decimal is told fits better
	case behind == "":
		return nil, u, false, BareNumber, "add the unit of the inches, as in " + f[0] + " in"
	}
	dozen := big.NewRat(12, 1)
	feet, _ := new(big.Rat).SetString(f[2])
	if inches.Cmp(dozen) >= 0 {
		more := new(big.Rat).Add(new(big.Rat).Mul(feet, dozen), inches)
		return nil, u, false, BadFraction, "inches behind feet are fewer than 12; write " + strings.TrimSuffix(strings.TrimRight(more.FloatString(4), "0"), ".") + " in if that was meant"
	}
	v = new(big.Rat).Add(u.held(feet), small.held(inches))
	if f[1] == "-" {
		v.Neg(v)
	}
	return v, small, true, 0, ""
}

// addFraction is whole and over/under together, whole being empty for none. It
// is nil, with the remedy, for a fraction that nobody means.
func addFraction(whole, over, under string) (sum *big.Rat, remedy string) {
	const as = ", as in 50 1/2 in"
	a, err := strconv.ParseUint(over, 10, 31)
	b, err2 := strconv.ParseUint(under, 10, 31)
	switch {
	case err != nil || err2 != nil || a == 0 || b == 0:
		return nil, "write a fraction of ordinary figures" + as
	case over[0] == '0' || under[0] == '0':
		return nil, "write the fraction without leading zeros" + as
	case whole != "" && a >= b:
		return nil, "write a fraction below one behind a whole number" + as
	}
	sum = big.NewRat(int64(a), int64(b))
	if w, ok := new(big.Rat).SetString(whole); ok && whole != "" {
		sum.Add(sum, w)
	}
	return sum, ""
}
