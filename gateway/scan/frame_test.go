package scan

import (
	"bytes"
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"lapgate/recipe"
)

func pattern() Pattern {
	return Pattern{Delimiter: "\r\n", MaxLength: 40,
		Expr: `ID=(?P<roll>[^;]*);D=(?P<diameter>[^;]*);W=(?P<width>[^;]*)`, DiameterUnit: "mm", WidthUnit: "in"}
}

func parser(t testing.TB, p Pattern) *Parser {
	t.Helper()
	q, err := NewParser(p)
	if err != nil {
		t.Fatal(err)
	}
	return q
}

// frames feeds a stream in pieces that end at the given places.
func frames(f *Framer, stream []byte, cuts ...int) []string {
	var out []string
	emit := func(m []byte, err error) {
		if err != nil {
			out = append(out, "too long: "+string(m))
			return
		}
		out = append(out, string(m))
	}
	last := 0
	for _, c := range append(cuts, len(stream)) {
		f.Feed(stream[last:c], emit)
		last = c
	}
	return out
}

func TestFramer(t *testing.T) {
	for _, c := range []struct {
		name, delimiter, stream string
		max                     int
		want                    []string
	}{
		{"two", "\n", "ab\ncd\n", 5, []string{"ab", "cd"}},
		{"unfinished", "\n", "ab\ncd", 5, []string{"ab"}},
		{"empty ones", "\n", "\n\nab\n", 5, []string{"", "", "ab"}},
		{"as long as may be", "\r\n", "abcde\r\nf\r\n", 5, []string{"abcde", "f"}},
		{"too long", "\r\n", "abcdef\r\ngh\r\n", 5, []string{"too long: abcde", "gh"}},
		{"far too long", "\r\n", "abcdefghijklmnop\r\ngh\r\n", 5, []string{"too long: abcde", "gh"}},
		{"never ends", "\r\n", strings.Repeat("x", 100), 5, []string{"too long: xxxxx"}},
		{"half a delimiter is text", "\r\n", "a\rb\nc\r\n", 5, []string{"a\rb\nc"}},
		{"a delimiter that overlaps itself", "aab", "xaaab", 5, []string{"xa"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			whole := frames(&Framer{delimiter: []byte(c.delimiter), max: c.max}, []byte(c.stream))
			if !slices.Equal(whole, c.want) {
				t.Errorf("at once: got %q, want %q", whole, c.want)
			}
			var each []int
			for i := range c.stream {
				each = append(each, i)
			}
			if got := frames(&Framer{delimiter: []byte(c.delimiter), max: c.max}, []byte(c.stream), each...); !slices.Equal(got, c.want) {
				t.Errorf("byte by byte: got %q, want %q", got, c.want)
			}
		})
	}
}

// However a stream is cut: the same messages, none too long, and no more held
// than one message and a delimiter.
func FuzzFramer(f *testing.F) {
	f.Add([]byte("ID=1;D=2\r\nID=2;D=3\r\n"), "\r\n", uint8(8), uint8(3), uint8(11))
	f.Add([]byte("aaabaab"), "aab", uint8(2), uint8(4), uint8(5))
	f.Add(bytes.Repeat([]byte("x"), 300), "xy", uint8(1), uint8(100), uint8(200))
	f.Fuzz(func(t *testing.T, stream []byte, delimiter string, most, a, b uint8) {
		if delimiter == "" || most == 0 {
			return
		}
		one := &Framer{delimiter: []byte(delimiter), max: int(most)}
		other := &Framer{delimiter: []byte(delimiter), max: int(most)}
		cuts := []int{min(int(a), len(stream)), min(int(b), len(stream))}
		slices.Sort(cuts)
		whole, cut := frames(one, stream), frames(other, stream, cuts...)
		if !slices.Equal(whole, cut) {
			t.Fatalf("at once %q, in pieces %q", whole, cut)
		}
		for _, m := range whole {
			m, long := strings.CutPrefix(m, "too long: ")
			if len(m) > int(most) || !long && strings.Contains(m, delimiter) {
				t.Fatalf("message %q", m)
			}
		}
		if held := len(one.buf); held >= int(most)+len(delimiter) {
			t.Fatalf("%d bytes held", held)
		}
	})
}

func TestParse(t *testing.T) {
	p := parser(t, pattern())
	r, err := p.Parse([]byte("ID=R1;D=1250.4;W=63"))
	if err != nil || r != (Reading{Roll: "R1", Diameter: 1.2504, Width: 1.6002}) {
		t.Errorf("got %+v, %v", r, err)
	}
	for _, c := range []struct{ message, want string }{
		{"", "does not match"},
		{"noise ID=R1;D=1;W=1", "does not match"},
		{"ID=R1;D=1250.4;W=63;", "width"},
		{"ID= ;D=1250.4;W=63", "identity of the roll is empty"},
		{"ID=R1;D=;W=63", "diameter"},
		{"ID=R1;D=0;W=63", "not above zero"},
		{"ID=R1;D=-5;W=63", "not above zero"},
		{"ID=R1;D=1250,4;W=63", "diameter"},
		{"ID=R1;D=NaN;W=63", "diameter"},
		{"ID=R1;D=0x10;W=63", "diameter"},
		{"ID=R1;D=1e999;W=63", "diameter"},
		{"ID=\xff;D=1;W=1", "not text"},
	} {
		if got, err := p.Parse([]byte(c.message)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: got %+v and error %v, want one with %q", c.message, got, err, c.want)
		}
	}
	withUnit := pattern()
	withUnit.Expr = `(?P<roll>\w+) (?P<width>[\d.]+) ?(?P<unit>\w+)`
	withUnit.DiameterUnit, withUnit.WidthUnit = "", ""
	q := parser(t, withUnit)
	if r, err := q.Parse([]byte("R7 1602mm")); err != nil || r != (Reading{Roll: "R7", Width: 1.602}) {
		t.Errorf("got %+v, %v", r, err)
	}
	if _, err := q.Parse([]byte("R7 1602kg")); err == nil {
		t.Error("a width in kilograms was read")
	}
}

func TestNewParserFindsAll(t *testing.T) {
	_, err := NewParser(Pattern{Expr: `(?P<rol>x)(?P<width>y)`, WidthUnit: "kg"})
	for _, want := range []string{"delimiter", "max_length", "group rol is not known", "no group roll", "width_unit"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("error %v does not name %q", err, want)
		}
	}
	if _, err := NewParser(Pattern{Delimiter: "\n", MaxLength: 9, Expr: `(`}); err == nil || !strings.Contains(err.Error(), "pattern") {
		t.Errorf("error %v, want one of the pattern", err)
	}
	if _, err := NewParser(Pattern{Delimiter: "\n", MaxLength: 9, Expr: `(?P<roll>x)`}); err == nil || !strings.Contains(err.Error(), "neither") {
		t.Errorf("error %v, want one of the missing groups", err)
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"ID=R1;D=1250.4;W=63", "ID=;D=;W=", "ID=R;D=1e-400;W=9e307", "ID=R;D=1 m;W=1\x00"} {
		f.Add([]byte(s))
	}
	p := parser(f, pattern())
	f.Fuzz(func(t *testing.T, b []byte) {
		r, err := p.Parse(b)
		if err != nil {
			if r != (Reading{}) {
				t.Fatalf("error %v with %+v", err, r)
			}
			return
		}
		for _, v := range []float64{r.Diameter, r.Width} {
			if !(v > 0) || math.IsInf(v, 0) {
				t.Fatalf("%+v from %q", r, b)
			}
		}
		if r.Roll == "" || !bytes.Contains(b, []byte(r.Roll)) {
			t.Fatalf("roll %q from %q", r.Roll, b)
		}
	})
}

func TestApply(t *testing.T) {
	measured := recipe.Roll{Diameter: 1.25, DiameterMax: 1.251, DiameterU: 1e-4, DiameterN: 6, Width: 1.602, WidthMedian: 1.601,
		WidthU: 1e-4, WidthN: 4, Quality: 0.9, MeasuredFrom: MeasuredByController}
	roll := measured
	Reading{Diameter: 1.2508}.Apply(&roll)
	want := measured
	want.Diameter, want.DiameterN, want.DiameterU = 1.2508, 1, math.Hypot(SingleReading, resolution)
	want.MeasuredFrom = MeasuredByScanner
	if roll != want {
		t.Errorf("got %+v, want %+v", roll, want)
	}
	roll = measured
	Reading{Diameter: 1.30, Width: 1.7}.Apply(&roll)
	if !roll.SamplesDiffer || roll.Quality != 0.9*DifferQuality || roll.Width != 1.7 || roll.DiameterMax != 1.30 {
		t.Errorf("far from the controller's: %+v", roll)
	}
	none := recipe.Roll{Tag: "x"}
	Reading{Diameter: 1.25}.Apply(&none)
	if none != (recipe.Roll{Tag: "x"}) {
		t.Errorf("a roll without dimensions got some: %+v", none)
	}
}

func TestErrTooLongIsNamed(t *testing.T) {
	var got error
	(&Framer{delimiter: []byte("\n"), max: 2}).Feed([]byte("abcdef"), func(_ []byte, err error) { got = err })
	if !errors.Is(got, ErrTooLong) {
		t.Errorf("error %v", got)
	}
}
