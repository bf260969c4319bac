package inspect

import (
	"math"
	"math/bits"
	"strconv"
	"strings"
)

// wordOrder is one way in which two registers make a 32-bit number. A is the
// high byte of the number, D the low one; the name tells in which order they
// stand in the registers.
type wordOrder struct {
	name string
	of   func(first, second uint16) uint32
}

func wordOrders() []wordOrder {
	join := func(high, low uint16) uint32 { return uint32(high)<<16 | uint32(low) }
	return []wordOrder{
		{"ABCD", join},
		{"CDAB", func(a, b uint16) uint32 { return join(b, a) }},
		{"BADC", func(a, b uint16) uint32 { return join(bits.ReverseBytes16(a), bits.ReverseBytes16(b)) }},
		{"DCBA", func(a, b uint16) uint32 { return join(bits.ReverseBytes16(b), bits.ReverseBytes16(a)) }},
	}
}

// OrderNames are the word orders in use.
func OrderNames() []string {
	var out []string
	for _, o := range wordOrders() {
		out = append(out, o.name)
	}
	return out
}

// NumberType is what 32 bits may be.
type NumberType string

// The types that are tried.
const (
	Float32 NumberType = "float32"
	Int32   NumberType = "int32"
	Uint32  NumberType = "uint32"
)

// NumberTypes are the types that are tried, in their order.
func NumberTypes() []NumberType { return []NumberType{Float32, Int32, Uint32} }

// Choice is a word order with a type. The zero value is none.
type Choice struct {
	Order  string
	Number NumberType
}

// Pair is a pair of registers in every word order.
type Pair struct {
	Offset int // from the first register read
	Values map[string]uint32
}

// Pairs pairs registers off, from the first one on.
func Pairs(words []uint16) []Pair {
	var out []Pair
	for i := 0; i+1 < len(words); i += 2 {
		r := Pair{i, map[string]uint32{}}
		for _, o := range wordOrders() {
			r.Values[o.name] = o.of(words[i], words[i+1])
		}
		out = append(out, r)
	}
	return out
}

// Text is the number of a pair in one order and type.
func (r *Pair) Text(c Choice) string {
	v := r.Values[c.Order]
	switch c.Number {
	case Float32:
		return strconv.FormatFloat(float64(math.Float32frombits(v)), 'g', -1, 32)
	case Int32:
		return strconv.FormatInt(int64(int32(v)), 10)
	}
	return strconv.FormatUint(uint64(v), 10)
}

// The sizes of numbers that machines of this kind deal in.
const (
	plausibleLeast = 1e-3
	plausibleMost  = 1e7
)

// sense is how much sense a number makes, 0 for none up to 2. A number of
// MostPlausible size has 1; the shorter it can be written, the more, since a number
// put together wrongly is as long as it can be.
func sense(v uint32, n NumberType) float64 {
	if n == Float32 {
		x := math.Abs(float64(math.Float32frombits(v)))
		if !(x >= plausibleLeast && x < plausibleMost) { // neither is not a number
			return 0
		}
		const longest = 9
		digits := strings.Trim(strings.TrimLeft(strconv.FormatFloat(x, 'e', -1, 32), "0."), "0")
		digits, _, _ = strings.Cut(digits, "e")
		return 1 + max(0, float64(longest-len(strings.ReplaceAll(digits, ".", "")))/longest)
	}
	x := float64(v)
	if n == Int32 {
		x = math.Abs(float64(int32(v)))
	}
	if x >= plausibleMost {
		return 0
	}
	return 1 + (1 - float64(bits.Len32(uint32(x)))/24)
}

// lead is by how much the best must be ahead of the second.
const lead = 1.1

// MostPlausible is the order and type that make most sense of the pairs that are
// not zero, with how much it makes of each on average. It is none when no one
// makes sense of more than half of them, or none is clearly ahead. Signed and
// unsigned are alike while nothing is negative; signed is taken then.
func MostPlausible(rows []Pair) (best Choice, average float64) {
	var most, second float64
	pairs := 0
	for _, r := range rows {
		if r.Values[wordOrders()[0].name] != 0 { // zero is zero in every order
			pairs++
		}
	}
	for _, o := range wordOrders() {
		for _, n := range []NumberType{Float32, Int32} {
			var sum float64
			good := 0
			for _, r := range rows {
				v := r.Values[o.name]
				if s := sense(v, n); v != 0 && s > 0 {
					sum += s
					good++
				}
			}
			switch {
			case pairs == 0 || 2*good <= pairs:
			case sum > most:
				best, most, second = Choice{o.name, n}, sum, most
			case sum > second:
				second = sum
			}
		}
	}
	if most <= lead*second {
		return Choice{}, 0
	}
	return best, most / float64(pairs)
}

// LetterOrder is which character of a register stands first.
type LetterOrder string

// The orders of characters.
const (
	HighByteFirst LetterOrder = "high byte first"
	LowByteFirst  LetterOrder = "low byte first"
)

// TextOf is the bytes of registers as characters.
func TextOf(words []uint16, o LetterOrder) string {
	var b []byte
	for _, w := range words {
		if o == LowByteFirst {
			w = bits.ReverseBytes16(w)
		}
		b = append(b, byte(w>>8), byte(w))
	}
	return string(b)
}

// Printable is text with a point for each byte that is none.
func Printable(text string) string {
	out := []byte(text)
	for i, c := range out {
		if c < ' ' || c > '~' {
			out[i] = '.'
		}
	}
	return string(out)
}

// shortestText is the least length of what is taken for text.
const shortestText = 6

// LongestText is the longest run of Printable characters, empty when it is too
// short to mean anything.
func LongestText(words []uint16, o LetterOrder) string {
	best := ""
	for _, run := range strings.FieldsFunc(TextOf(words, o), func(r rune) bool { return r < ' ' || r > '~' }) {
		if len(run) > len(best) {
			best = run
		}
	}
	if len(strings.TrimSpace(best)) < shortestText {
		return ""
	}
	return strconv.Quote(best)
}
