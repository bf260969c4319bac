package scan

import (
	"bytes"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"lapgate/recipe/quantity"
)

// Pattern says how a scanner's text is cut into messages and read.
type Pattern struct {
	// Delimiter ends each message, as "\r\n".
	Delimiter string
	// MaxLength is the greatest length of a message in bytes, the delimiter
	// not counted. What is longer is dropped and reported.
	MaxLength int
	// Expr is a regular expression (RE2) that a whole message must match. Its
	// groups named roll, diameter and width give the identity of the roll and
	// the numbers; roll and at least one of the others are needed. A group
	// named unit gives the unit of both numbers.
	Expr string
	// DiameterUnit and WidthUnit are the units of the numbers where Expr has
	// no group unit.
	DiameterUnit, WidthUnit string
}

// Reading is one message of a scanner.
type Reading struct {
	Roll string // identity as sent: the roll's tag or its number
	// Diameter and Width are in metres, 0 where the pattern has no such group:
	// a reading is never zero.
	Diameter, Width float64
}

// ErrTooLong says that a message exceeded the greatest length.
var ErrTooLong = errors.New("the message is too long")

// Framer cuts a stream into messages. How the stream is cut into pieces on its
// way makes no difference.
type Framer struct {
	delimiter []byte
	max       int
	buf       []byte
	skipping  bool // the rest of a message that was too long
}

// Feed takes the next piece of the stream and calls emit with each message that
// is now whole, without its delimiter, or with ErrTooLong and the beginning of
// one that is too long. The message is valid until emit returns.
func (f *Framer) Feed(p []byte, emit func(message []byte, err error)) {
	f.buf = append(f.buf, p...)
	rest := f.buf
	for {
		i := bytes.Index(rest, f.delimiter)
		if i < 0 {
			break
		}
		switch {
		case f.skipping:
			f.skipping = false
		case i > f.max:
			emit(rest[:f.max], ErrTooLong)
		default:
			emit(rest[:i], nil)
		}
		rest = rest[i+len(f.delimiter):]
	}
	if !f.skipping && len(rest) >= f.max+len(f.delimiter) {
		emit(rest[:f.max], ErrTooLong)
		f.skipping = true
	}
	if keep := len(f.delimiter) - 1; f.skipping && len(rest) > keep {
		rest = rest[len(rest)-keep:] // may be the beginning of a delimiter
	}
	f.buf = f.buf[:copy(f.buf, rest)]
}

// Parser reads messages by a pattern. It is immutable.
type Parser struct {
	pattern               Pattern
	expr                  *regexp.Regexp
	roll, dia, wide, unit int // numbers of the groups, −1 none
}

// NewParser checks a pattern and returns all that is wrong with it.
func NewParser(p Pattern) (*Parser, error) {
	var problems []error
	fail := func(format string, args ...any) { problems = append(problems, fmt.Errorf("scanner: "+format, args...)) }
	if p.Delimiter == "" {
		fail(`delimiter: empty, want what ends a message; write "\r\n" for instance`)
	}
	if p.MaxLength < 1 {
		fail("max_length: %d, want at least 1; write the length of the longest message", p.MaxLength)
	}
	expr, err := regexp.Compile(`^(?:` + p.Expr + `)$`)
	if err != nil {
		fail("pattern: %w", err)
		return nil, errors.Join(problems...)
	}
	names := expr.SubexpNames()
	q := &Parser{pattern: p, expr: expr}
	q.roll, q.dia = slices.Index(names, "roll"), slices.Index(names, "diameter")
	q.wide, q.unit = slices.Index(names, "width"), slices.Index(names, "unit")
	for _, n := range names {
		if n != "" && !slices.Contains([]string{"roll", "diameter", "width", "unit"}, n) {
			fail("pattern: the group %s is not known; use roll, diameter, width and unit", n)
		}
	}
	if q.roll < 0 {
		fail("pattern: no group roll; a reading without the identity of its roll cannot be matched; write (?P<roll>…)")
	}
	if q.dia < 0 && q.wide < 0 {
		fail("pattern: neither a group diameter nor width; write (?P<diameter>…)")
	}
	check := func(key, unit string, group int) {
		if group < 0 || q.unit >= 0 {
			return
		}
		if _, err := quantity.Parse("1 "+unit, quantity.Length); err != nil {
			fail("%s: %w", key, err)
		}
	}
	check("diameter_unit", p.DiameterUnit, q.dia)
	check("width_unit", p.WidthUnit, q.wide)
	if len(problems) > 0 {
		return nil, errors.Join(problems...)
	}
	return q, nil
}

// Framer returns a new framer for one connection.
func (p *Parser) Framer() *Framer {
	return &Framer{delimiter: []byte(p.pattern.Delimiter), max: p.pattern.MaxLength}
}

// Parse reads one message. The error quotes the message and says what of it
// could not be read.
func (p *Parser) Parse(message []byte) (Reading, error) {
	fail := func(format string, args ...any) (Reading, error) {
		return Reading{}, fmt.Errorf("scanner message %s: %w", clip(message), fmt.Errorf(format, args...))
	}
	if !utf8.Valid(message) {
		return fail("it is not text; check the delimiter and the scanner's encoding")
	}
	m := p.expr.FindSubmatch(message)
	if m == nil {
		return fail("it does not match the pattern %q", p.pattern.Expr)
	}
	group := func(i int) string { return strings.TrimSpace(string(m[i])) }
	r := Reading{Roll: group(p.roll)}
	if r.Roll == "" {
		return fail("the identity of the roll is empty")
	}
	for _, c := range []struct {
		name  string
		group int
		unit  string
		to    *float64
	}{
		{"diameter", p.dia, p.pattern.DiameterUnit, &r.Diameter},
		{"width", p.wide, p.pattern.WidthUnit, &r.Width},
	} {
		if c.group < 0 {
			continue
		}
		if p.unit >= 0 {
			c.unit = group(p.unit)
		}
		v, err := quantity.Parse(group(c.group)+" "+c.unit, quantity.Length)
		if err != nil {
			return fail("%s: %w", c.name, err)
		}
		if v <= 0 {
			return fail("%s: %s is not above zero, and so is no measurement", c.name, group(c.group))
		}
		*c.to = v
	}
	return r, nil
}

// clip quotes the beginning of a message for people.
func clip(message []byte) string {
	const most = 60
	if len(message) <= most {
		return strconv.Quote(string(message))
	}
	return fmt.Sprintf("%s… (%d bytes)", strconv.Quote(string(message[:most])), len(message))
}
