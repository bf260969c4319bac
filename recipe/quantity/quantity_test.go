package quantity

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestParse(t *testing.T) {
	tests := []struct {
		in   string
		d    Dimension
		want float64
	}{
		{"5 in", Length, 0.127},
		{"127 mm", Length, 0.127},
		{"5in", Length, 0.127},
		{`5"`, Length, 0.127},
		{"0.012 in", Length, 0.0003048},
		{"-500 mm", Length, -0.5},
		{"−500 mm", Length, -0.5},
		{"+1e3 mm", Length, 1},
		{" 12 s ", Time, 12},
		{"2 min", Time, 120},
		{"350 °F", Temperature, 1590.0 / 9},
		{"350 degF", Temperature, 1590.0 / 9},
		{"350 ºF", Temperature, 1590.0 / 9},
		{"32 °F", Temperature, 0},
		{"0 K", Temperature, -273.15},
		{"9 °F", TemperatureDifference, 5},
		{"120 ft/min", Speed, 0.6096},
		{"600 mm/s", Speed, 0.6},
		{"0.3 m/s²", Acceleration, 0.3},
		{"800 kg/m³", Density, 800},
		{"0.12 W/(m·K)", Conductivity, 0.12},
		{"0.12 W/mK", Conductivity, 0.12},
		{"1400 J/kg/K", HeatCapacity, 1400},
		{"1 Btu/lbF", HeatCapacity, 4186.8},
		{"1000 W/m2K", Conductance, 1000},
		{"200 g/m2", BasisWeight, 0.2},
		{"28 lb/17×22", BasisWeight, 28 * 0.45359237 / (500 * 17 * 22 * 0.0254 * 0.0254)},
		{"1.2 kg/m", LinearMass, 1.2},
		{"300 kPa", Pressure, 300000},
		{"60 Hz", Frequency, 60},
		{"1750 rpm", Rotation, 1750.0 / 60},
		{"2000", None, 2000},
		{"0.5e-2", None, 0.005},
		{"0", None, 0},
		{"50 1/2 in", Length, 1.2827},
		{"50-1/2 in", Length, 1.2827},
		{"50½ in", Length, 1.2827},
		{"-50 1/2 in", Length, -1.2827},
		{"3/8 in", Length, 0.009525},
		{"⅜″", Length, 0.009525},
		{"5/4 in", Length, 0.03175},
		{"1 3⁄16 in", Length, 0.0301625},
		{"2 1/3 yd", Length, 2.1336},
		{"4 ft 2 in", Length, 1.27},
		{"4ft2in", Length, 1.27},
		{`4' 2"`, Length, 1.27},
		{"4' 2''", Length, 1.27},
		{"4 ft 2 1/2 in", Length, 1.2827},
		{"4 feet 2-1/2 inches", Length, 1.2827},
		{"4' ½\"", Length, 1.2319},
		{"4 ft 2.5 in", Length, 1.2827},
		{"-4 ft 2 in", Length, -1.27},
		{"4 ft 0 in", Length, 1.2192},
	}
	for _, tt := range tests {
		got, err := Parse(tt.in, tt.d)
		if err != nil || math.Abs(got-tt.want) > 1e-15*math.Abs(tt.want) {
			t.Errorf("Parse(%q, %s) = %v, %v; want %v", tt.in, tt.d, got, err, tt.want)
		}
	}
}

func TestParseErrors(t *testing.T) {
	tests := []struct {
		in     string
		d      Dimension
		kind   Kind
		remedy string // a part of it
	}{
		{"", Length, Empty, "write 5 in"},
		{"  ", Length, Empty, "write 5 in"},
		{"5", Length, BareNumber, "add the unit"},
		{"0", Length, BareNumber, "add the unit"},
		{"mm", Length, NoNumber, "begin with a number"},
		{"- 5 mm", Length, NoNumber, "begin with a number"},
		{"5 MM", Length, UnknownUnit, "did you mean mm?"},
		{"5 inchs", Length, UnknownUnit, "did you mean in?"},
		{"5 parsec", Length, UnknownUnit, "use m, mm"},
		{"600 mm/sec", Speed, UnknownUnit, "did you mean mm/s?"},
		{"5 s", Length, OtherDimension, `"s" measures a time`},
		{"350 °F", Length, OtherDimension, "measures a temperature"},
		{"28 lb", BasisWeight, OtherDimension, "name the ream"},
		{"5 in", None, UnitOnNumber, `remove "in"`},
		{"nan", Length, NotFinite, "finite"},
		{"NaN m", Length, NotFinite, "finite"},
		{".inf", None, NotFinite, "finite"},
		{"-Inf s", Time, NotFinite, "finite"},
		{"+infinity", None, NotFinite, "finite"},
		{"0x1p3 m", Length, HexNumber, "decimal"},
		{"-0X10", None, HexNumber, "decimal"},
		{"1,5 in", Length, DecimalComma, "write 1.5"},
		{"0,125 in", Length, DecimalComma, "write 0.125"},
		{"1,500 mm", Length, Thousands, "1500 mm if thousands were meant, 1.500 mm"},
		{"1,234.5 mm", Length, Thousands, "together"},
		{"1.234,5 mm", Length, Thousands, "together"},
		{"1 500 mm", Length, Thousands, "write the figures together, as in 1500 mm"},
		{"1_500 mm", Length, Thousands, "write 1500"},
		{"1'500 mm", Length, Thousands, "write 1500"},
		{"0100 mm", Length, LeadingZero, "write 100"},
		{"00.5", None, LeadingZero, "write 0.5"},
		{".5 mm", Length, BadNumber, "write 0.5"},
		{"5. mm", Length, BadNumber, "write 5 mm without"},
		{"1.2.3 mm", Length, BadNumber, "one decimal point"},
		{"5 in wide", Length, Trailing, `remove "wide"`},
		{"1e999 m", Length, Overflow, "ordinary size"},
		{"1e-999 m", Length, Overflow, "ordinary size"},
		{"1e308 km", Length, UnknownUnit, "did you mean"},
		{"1e308 yd", Length, Overflow, ""},
		{"1e308 t", Mass, Overflow, "ordinary size"},
		{"1e99999999999999999999 m", Length, Overflow, "ordinary size"},
		{strings.Repeat("1", 65), None, TooLong, "write a number"},
		{"5 m", Dimension("nonsense"), BadDimension, "correct"},
		{"50 1/2", Length, BareNumber, "as in 50 1/2 in"},
		{"50 1/0 in", Length, BadFraction, "ordinary figures"},
		{"50 0/8 in", Length, BadFraction, "ordinary figures"},
		{"1/99999999999 in", Length, BadFraction, "ordinary figures"},
		{"50 01/2 in", Length, BadFraction, "leading zeros"},
		{"50 5/4 in", Length, BadFraction, "below one"},
		{"50 1/2 inchs", Length, UnknownUnit, "did you mean in?"},
		{"50 1/2 s", Length, OtherDimension, `"s" measures a time`},
		{"1.5 1/2 in", Length, Thousands, ""},
		{"1/2 h", Time, BadFraction, "decimal"},
		{"1/2", None, BadFraction, "decimal"},
		{"4 ft 14 in", Length, BadFraction, "write 62 in"},
		{"4 ft 2", Length, BareNumber, "as in 4 ft 2 in"},
		{"4 ft 2 mm", Length, Trailing, "remove"},
		{"1'500 in", Length, Thousands, "write 1500 in"},
		{"4 m 2 in", Length, Trailing, "remove"},
		{"1 500 in", Length, Thousands, "1500 in"},
		{"1,234.5 in", Length, Thousands, "1234.5 in"},
	}
	for _, tt := range tests {
		if tt.remedy == "" {
			continue
		}
		v, err := Parse(tt.in, tt.d)
		var e *Error
		if !errors.As(err, &e) || e.Kind != tt.kind || !strings.Contains(e.Remedy, tt.remedy) {
			t.Errorf("Parse(%q, %s) = %v, %v; want %v with remedy %q", tt.in, tt.d, v, err, tt.kind, tt.remedy)
			continue
		}
		if e.Want == "" || e.Kind.String() == "" || !strings.HasPrefix(e.Error(), e.Kind.String()+" (got ") {
			t.Errorf("Parse(%q, %s): poor message %q", tt.in, tt.d, e)
		}
	}
}

func TestUnitOf(t *testing.T) {
	for text, want := range map[string]string{"50 1/2 inches": "in", "4 ft 2 in": "in", "1.2 m": "m", "5 furlong": "", "5": ""} {
		if got := UnitOf(text, Length); got != want {
			t.Errorf("%q is written in %q, want %q", text, got, want)
		}
	}
}

// The conversions come from testdata/reference/units.csv, each row with its
// source and its label: D by definition, P published, M title from memory.
func TestReferenceConversions(t *testing.T) {
	f, err := os.Open("../../testdata/reference/units.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) < 2 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	for _, r := range rows[1:] {
		want, err1 := strconv.ParseFloat(r[3], 64)
		tol, err2 := strconv.ParseFloat(r[4], 64)
		if err := errors.Join(err1, err2); err != nil {
			t.Fatal(err)
		}
		v, err := Parse(r[0], Dimension(r[1]))
		if err != nil {
			t.Errorf("%s: %v", r[0], err)
			continue
		}
		if !slices.Contains(Units(Dimension(r[1])), r[2]) {
			t.Errorf("%s: no unit %s", r[0], r[2])
		}
		if got := In(v, Dimension(r[1]), r[2]); math.Abs(got-want) > tol*math.Abs(want) {
			t.Errorf("%s = %.12g %s, want %.12g within %g (%s, %s)", r[0], got, r[2], want, tol, r[5], r[6])
		}
	}
}

func TestFormat(t *testing.T) {
	tests := []struct {
		v    float64
		d    Dimension
		unit string
		want string
	}{
		{0.127, Length, "in", "5 in"},
		{0.127, Length, "", "0.127 m"},
		{0.127, Length, "furlong", "0.127 m"},
		{1590.0 / 9, Temperature, "°F", "350 °F"},
		{-0.0003, Length, "mm", "-0.3 mm"},
		{0, Length, "mm", "0 mm"},
		{0, Temperature, "°F", "32 °F"},
		{1750.0 / 60, Rotation, "rpm", "1750 rpm"},
		{0.2, BasisWeight, "g/m2", "200 g/m2"},
		{2000, None, "", "2000"},
		{1e21, None, "", "1e21"},
		{1e-9, Length, "m", "1e-9 m"},
		{math.NaN(), Length, "m", "NaN m"},
	}
	for _, tt := range tests {
		if got := Format(tt.v, tt.d, tt.unit); got != tt.want {
			t.Errorf("Format(%v, %s, %q) = %q, want %q", tt.v, tt.d, tt.unit, got, tt.want)
		}
	}
	for _, tt := range []struct {
		v        float64
		decimals int
		want     string
	}{{0.1234, 2, "4.86 in"}, {0.127, 2, "5 in"}, {-0.00001, 1, "0 in"}, {254, 0, "10000 in"}} {
		if got := Round(tt.v, Length, "in", tt.decimals); got != tt.want {
			t.Errorf("Round(%v, %d) = %q, want %q", tt.v, tt.decimals, got, tt.want)
		}
	}
}

func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := rapid.SampledFrom(append(Dimensions(), None)).Draw(t, "dimension")
		u := rapid.SampledFrom(Units(d)).Draw(t, "unit")
		v := rapid.Float64Range(-1e9, 1e9).Draw(t, "value")
		s := Format(v, d, u)
		got, err := Parse(s, d)
		if err != nil || got != v {
			t.Fatalf("Parse(Format(%v)) = Parse(%q) = %v, %v", v, s, got, err)
		}
		if !strings.HasSuffix(s, u) && math.Abs(v) > 1e-15 {
			t.Fatalf("%q is not in %s", s, u)
		}
	})
}

// Each unit is found under each of its names in its own dimension, and no name
// stands for two units of one dimension.
func TestUnitNames(t *testing.T) {
	for _, d := range Dimensions() {
		seen := map[string]string{}
		for _, u := range unitsOf[d] {
			for _, n := range append([]string{u.name}, u.aliases...) {
				if was, ok := seen[plain(n)]; ok && was != u.name {
					t.Errorf("%s: %q is both %s and %s", d, n, was, u.name)
				}
				seen[plain(n)] = u.name
				if got, ok := find(d, n); !ok || got.name != u.name {
					t.Errorf("%s: %q finds %q", d, n, got.name)
				}
			}
		}
		if _, err := Parse(strings.Split(d.example(), " or ")[0], d); err != nil {
			t.Errorf("example of %s: %v", d, err)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"50 1/2 in", "4 ft 2 1/2 in", "4'2\"", "⅜ in", "5 in", "350 °F", "28 lb/17x22", "0x1p3 m", "1,5", "1e308 t", "-0 s", "5e-324 yd", "NaN", "0.1 K", "1_0"} {
		for i := range len(Dimensions()) + 1 {
			f.Add(s, uint8(i))
		}
	}
	f.Fuzz(func(t *testing.T, s string, i uint8) {
		d := append(Dimensions(), None)[int(i)%(len(Dimensions())+1)]
		v, err := Parse(s, d)
		if err != nil {
			var e *Error
			if !errors.As(err, &e) || e.Kind == 0 || e.Remedy == "" || v != 0 {
				t.Fatalf("Parse(%q, %s) = %v, %#v", s, d, v, err)
			}
			return
		}
		if math.IsNaN(v) || math.IsInf(v, 0) {
			t.Fatalf("Parse(%q, %s) = %v", s, d, v)
		}
		for _, u := range Units(d) {
			text := Format(v, d, u)
			got, err := Parse(text, d)
			if err != nil || got != v {
				t.Fatalf("%q is %v; in %q it reads %q, and that is %v, %v", s, v, u, text, got, err)
			}
		}
	})
}

func BenchmarkParse(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Parse("350 °F", Temperature); err != nil {
			b.Fatal(err)
		}
	}
}
