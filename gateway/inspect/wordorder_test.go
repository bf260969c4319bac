package inspect

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
)

func parseWords(t *testing.T, text string) []uint16 {
	t.Helper()
	var out []uint16
	for _, w := range strings.Fields(text) {
		v, err := strconv.ParseUint(w, 16, 16)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, uint16(v))
	}
	return out
}

// TestWordOrdersOfReference rests on IEEE 754 and two's complement (D); each
// row names its source.
func TestWordOrdersOfReference(t *testing.T) {
	f, err := os.Open("../../testdata/reference/word_order.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }() // only read
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) < 9 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	for _, row := range rows[1:] {
		number, order, _ := strings.Cut(row[0], "-")
		c := Choice{order, Int32}
		if number == "float" {
			c.Number = Float32
		}
		if order != strings.ToUpper(order) {
			c.Order = "ABCD"
		}
		r := Pairs(parseWords(t, row[1]))
		if got := r[0].Text(c); got != row[2] {
			t.Errorf("%s: %s is %s, want %s (%s)", row[0], row[1], got, row[2], row[3])
		}
	}
}

// TestWordOrdersOfWire rests on IEEE 754 (P): one number in the four orders.
func TestWordOrdersOfWire(t *testing.T) {
	text, err := os.ReadFile("../../testdata/reference/wire.csv")
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(strings.NewReader(string(text))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	found := 0
	for _, row := range rows {
		order, ok := strings.CutPrefix(row[0], "float-")
		if !ok {
			continue
		}
		found++
		pair := Pairs(parseWords(t, row[2][:4]+" "+row[2][4:]))
		if got := pair[0].Text(Choice{strings.ToUpper(order), Float32}); got != row[1] {
			t.Errorf("%s: %s is %s, want %s (%s)", row[0], row[2], got, row[1], row[3])
		}
	}
	if found != len(OrderNames()) {
		t.Errorf("wire.csv has %d numbers, want one for each of %v", found, OrderNames())
	}
}

// TestPlausible finds the order in which made-up but ordinary values were
// written, whichever it is, and none in what has no meaning as 32 bits.
func TestPlausible(t *testing.T) {
	float := math.Float32bits
	for _, tt := range []struct {
		name   string
		values []uint32
		number NumberType
	}{
		{"setpoints", []uint32{float(350), float(1250.4), float(1602), float(0.6), float(12.5)}, Float32},
		{"measured", []uint32{float(349.87314), float(23.481934), float(101.32584), float(-4.2913), 0}, Float32},
		{"counts", []uint32{1250, 16020, 1, 0, 880123, 41}, Int32},
		{"negative", []uint32{uint32(0xFFFFFB2E), 16020, 12, 7}, Int32},
	} {
		for _, o := range wordOrders() {
			var words []uint16
			for _, v := range tt.values {
				// The way of writing is found by Pair, so that it rests on nothing else.
				a, b := uint16(v>>16), uint16(v)
				for _, try := range [][2]uint16{{a, b}, {b, a}, {a<<8 | a>>8, b<<8 | b>>8}, {b<<8 | b>>8, a<<8 | a>>8}} {
					if o.of(try[0], try[1]) == v {
						words = append(words, try[0], try[1])
						break
					}
				}
			}
			if len(words) != 2*len(tt.values) {
				t.Fatalf("%s cannot be written in %s", tt.name, o.name)
			}
			if got, _ := MostPlausible(Pairs(words)); got != (Choice{o.name, tt.number}) {
				t.Errorf("%s in %s: got %v", tt.name, o.name, got)
			}
		}
	}
	for name, text := range map[string]string{"nothing": "0000 0000", "one register": "1234", "noise": "8000 0001 A5A5 5A5A"} {
		if got, _ := MostPlausible(Pairs(parseWords(t, text))); got != (Choice{}) {
			t.Errorf("%s: got %v, want none", name, got)
		}
	}
}

func TestTextOfRegisters(t *testing.T) {
	words := parseWords(t, "4D30 312D 3431 3030 3100 0007")
	if got := LongestText(words, HighByteFirst); got != `"M01-41001"` {
		t.Errorf("got %s", got)
	}
	if got := LongestText(words, LowByteFirst); got != `"0M-11400"` {
		t.Errorf("exchanged: got %s", got)
	}
	if got := Printable(TextOf(words[5:], HighByteFirst)); got != ".." {
		t.Errorf("got %q", got)
	}
}
