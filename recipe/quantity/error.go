package quantity

import "strconv"

// Kind tells what is wrong with a written quantity.
type Kind uint8

// The kinds of error.
const (
	Empty Kind = iota + 1
	NoNumber
	BareNumber
	UnknownUnit
	OtherDimension
	UnitOnNumber
	NotFinite
	HexNumber
	LeadingZero
	DecimalComma
	Thousands
	BadNumber
	Trailing
	Overflow
	TooLong
	BadDimension
	BadFraction
)

// String is the problem in a few words.
func (k Kind) String() string {
	switch k {
	case Empty:
		return "no value"
	case NoNumber:
		return "no number"
	case BareNumber:
		return "bare number where a unit is needed"
	case UnknownUnit:
		return "unknown unit"
	case OtherDimension:
		return "unit of another dimension"
	case UnitOnNumber:
		return "unit on a pure number"
	case NotFinite:
		return "not a finite number"
	case HexNumber:
		return "hexadecimal number"
	case LeadingZero:
		return "number with a leading zero"
	case DecimalComma:
		return "decimal comma"
	case Thousands:
		return "thousands separator"
	case BadNumber:
		return "malformed number"
	case Trailing:
		return "text after the quantity"
	case Overflow:
		return "number out of reach"
	case TooLong:
		return "text too long for a quantity"
	case BadDimension:
		return "unknown dimension"
	case BadFraction:
		return "malformed fraction"
	}
	return "error " + strconv.Itoa(int(k))
}

// Error is why a text is not a quantity of the wanted dimension.
type Error struct {
	Kind   Kind
	Got    string // what was written
	Want   string // what was wanted, as "a length with its unit"
	Remedy string // what to do, as "write 5 in or 127 mm"
}

// Error gives the problem with what was got, what was wanted and the remedy.
func (e *Error) Error() string {
	return e.Kind.String() + " (got " + strconv.Quote(e.Got) + ", want " + e.Want + "); " + e.Remedy
}
