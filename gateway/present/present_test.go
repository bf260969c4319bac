package present_test

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"iter"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"lapgate/gateway/present"
	"lapgate/recipe"
	"lapgate/recipe/quantity"
)

// printed is what a command with every kind of value hands over.
type printed struct {
	Headline string          `json:"headline" label:""`
	Roll     string          `json:"roll"`
	At       time.Time       `json:"left_at"`
	Dwell    float64         `json:"header_dwell_s"`
	Platen   *float64        `json:"platen_c"`
	Missing  *float64        `json:"scale_kg,omitempty"`
	Secret   int             `json:"internal" label:"-"`
	Points   present.Entries `json:"setpoints"`
	Inner    printedInner    `json:"summary"`
	Rows     *present.Table  `json:"rolls" label:"changed rolls" print:"csv"`
	Codes    []printedCount  `json:"codes"`
}

type printedInner struct {
	Changed int  `json:"changed"`
	Sound   bool `json:"sound"`
}

type printedCount struct {
	Code  string `json:"code"`
	Count int    `json:"count"`
}

type printedRow struct {
	Roll     string    `json:"roll"`
	At       time.Time `json:"left_at" print:"drop=2"`
	Feed     float64   `json:"feed_length_m" print:"drop=1"`
	Overhang *float64  `json:"overhang_m" label:"overhang each side"`
	Notes    []string  `json:"notes,omitempty" print:"below"`
}

func millUnits() *recipe.Line {
	return &recipe.Line{Units: map[quantity.Dimension]string{quantity.Length: "in", quantity.Temperature: "°F", quantity.TemperatureDifference: "°F", quantity.Mass: "lb", quantity.Time: "s"}}
}

func sequence[T any](rows ...T) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		for _, r := range rows {
			if !yield(r, nil) {
				return
			}
		}
	}
}

func printedSample(zone *time.Location) printed {
	at := time.Date(2026, 3, 1, 23, 30, 0, 250e6, zone)
	platen, overhang := 180.0, 0.127
	return printed{
		Headline: "roll R-1: GO", Roll: "R-1", At: at, Dwell: 12.34567, Platen: &platen, Secret: 7,
		Points: present.Entries{
			{Column: present.Column{Name: "inner_head_m"}, Value: 1.016}, {Column: present.Column{Name: "layers"}, Value: 3.0}, {Column: present.Column{Name: "glue_mass_kg"}},
		},
		Inner: printedInner{Changed: 1, Sound: true},
		Rows: present.TableOf(sequence(
			printedRow{Roll: "R-1", At: at, Feed: 105.356, Overhang: &overhang, Notes: []string{"hold wrapper_out: hang another roll"}},
			printedRow{Roll: "R, 2", At: at, Feed: 9},
		)),
		Codes: []printedCount{{"wrapper_out", 1}},
	}
}

func printTo(t *testing.T, f present.Form, v any) string {
	t.Helper()
	return printWide(t, f, 100, v)
}

func printWide(t *testing.T, f present.Form, width int, v any) string {
	t.Helper()
	var out bytes.Buffer
	p := present.New(&out, millUnits())
	p.Form, p.Width = f, width
	if err := p.Print(v); err != nil {
		t.Fatal(err)
	}
	return out.String()
}

// One value prints as text, CSV and JSON: people and CSV have the units of the
// configuration and local time with its zone, JSON has SI and UTC.
func TestPrinterForms(t *testing.T) {
	zone := time.FixedZone("CET", 3600)
	for _, c := range []struct {
		name string
		form present.Form
		want string
	}{
		{"text", present.Form{}, `roll R-1: GO
roll          R-1
left at       2026-03-01 22:30:00 UTC
header dwell  12.346 s
platen        356 °F
inner head    40 in
layers        3

summary
  changed  1
  sound    yes

changed rolls
roll  left at                  feed length (in)  overhang each side (in)
R-1   2026-03-01 22:30:00 UTC          4147.874                        5
    hold wrapper_out: hang another roll
R, 2  2026-03-01 22:30:00 UTC           354.331                        -

codes
code         count
wrapper_out      1
`},
		{"csv", present.Form{CSV: true}, `roll,left at,feed length (in),overhang each side (in)
R-1,2026-03-01T22:30:00.25Z,4147.87402,5
"R, 2",2026-03-01T22:30:00.25Z,354.330709,
`},
		{"json", present.Form{JSON: true}, `{
  "headline": "roll R-1: GO",
  "roll": "R-1",
  "left_at": "2026-03-01T22:30:00.25Z",
  "header_dwell_s": 12.34567,
  "platen_c": 180,
  "internal": 7,
  "setpoints": {
    "inner_head_m": 1.016,
    "layers": 3
  },
  "summary": {
    "changed": 1,
    "sound": true
  },
  "rolls": [
    {"roll":"R-1","left_at":"2026-03-01T22:30:00.25Z","feed_length_m":105.356,"overhang_m":0.127,"notes":["hold wrapper_out: hang another roll"]},
    {"roll":"R, 2","left_at":"2026-03-01T22:30:00.25Z","feed_length_m":9,"overhang_m":null}
  ],
  "codes": [
    {
      "code": "wrapper_out",
      "count": 1
    }
  ]
}
`},
	} {
		if got := printTo(t, c.form, printedSample(zone)); got != c.want {
			t.Errorf("%s:\n%s\nwant\n%s", c.name, got, c.want)
		}
	}
}

// A list by itself is one JSON object a line, and a struct without lists is
// one row of CSV.
func TestPrinterListAndRow(t *testing.T) {
	list := []printedCount{{"a", 1}, {"b", 20}}
	if got, want := printTo(t, present.Form{JSON: true}, list), `{"code":"a","count":1}`+"\n"+`{"code":"b","count":20}`+"\n"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
	if got, want := printTo(t, present.Form{}, list), "code  count\na         1\nb        20\n"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
	if got, want := printTo(t, present.Form{CSV: true}, printedInner{3, true}), "changed,sound\n3,yes\n"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

// Rows whose columns come from data, and whose values have different
// dimensions by row.
func TestPrinterRowsByData(t *testing.T) {
	points := &present.Table{
		Columns: []present.Column{{Name: "setpoint"}, {Name: "old"}, {Name: "change"}},
		Rows: sequence(
			present.Row{Cells: []any{present.Quantity{Name: "header_temperature_c"}, present.Amount{Name: "header_temperature_c", Value: 180, Signed: false}, present.Amount{Name: "header_temperature_k", Value: 5, Signed: true}}},
			present.Row{Cells: []any{present.Quantity{Name: "feed_length_m", Label: "feed"}, present.Amount{Name: "feed_length_m", Value: 2.54, Signed: false}, nil}},
		),
	}
	for _, c := range []struct {
		form present.Form
		want string
	}{
		{present.Form{}, "setpoint               old  change\nheader temperature  356 °F   +9 °F\nfeed                100 in       -\n"},
		{present.Form{CSV: true}, "setpoint,old,change\nheader temperature (°F),356,9\nfeed (in),100,\n"},
		{present.Form{JSON: true}, `{"setpoint":"header_temperature_c","old":180,"change":5}` + "\n" + `{"setpoint":"feed_length_m","old":2.54}` + "\n"},
	} {
		if got := printTo(t, c.form, points); got != c.want {
			t.Errorf("got\n%s\nwant\n%s", got, c.want)
		}
	}
}

// A table keeps to the width of the terminal: heads wrap, then columns go by
// their drop, which is said, then rows are stacked. No size is broken.
func TestPrinterWidth(t *testing.T) {
	for _, width := range []int{100, 60, 44, 30, 20} {
		got := printWide(t, present.Form{}, width, printedSample(time.UTC))
		for line := range strings.Lines(got) {
			if n := utf8.RuneCountInString(strings.TrimSuffix(line, "\n")); n > width && len(strings.Fields(line)) > 2 {
				t.Errorf("width %d: a line of %d: %q", width, n, line)
			}
		}
		if !strings.Contains(got, "12.346 s") || !strings.Contains(got, "356 °F") {
			t.Errorf("width %d: a size is broken:\n%s", width, got)
		}
		dropped := !strings.Contains(got, "4147.874") || strings.Count(got, "23:30:00") < 3
		if dropped != strings.Contains(got, "too narrow to show") {
			t.Errorf("width %d: what was left out is not said:\n%s", width, got)
		}
	}
	narrow := struct {
		Text string `json:"text" label:""`
	}{"a head of 40 in by 1 1/2 in"}
	if got, want := printWide(t, present.Form{}, 12, narrow), "a head of\n40 in by\n1 1/2 in\n"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

// Rows are written as they come, and an error ends the list after them.
func TestPrinterStreams(t *testing.T) {
	for _, f := range []present.Form{{}, {CSV: true}, {JSON: true}} {
		var out bytes.Buffer
		made, before := 0, -1
		rows := func(yield func(printedCount, error) bool) {
			for made = range 10_000 {
				if made == 9_000 {
					before = out.Len()
				}
				if !yield(printedCount{"code", made}, nil) {
					return
				}
			}
			yield(printedCount{}, errors.New("the source broke"))
		}
		p := present.New(&out, millUnits())
		p.Form = f
		err := p.Print(present.TableOf(rows))
		if err == nil || err.Error() != "the source broke" {
			t.Errorf("%+v: got error %v", f, err)
		}
		if before < out.Len()/2 {
			t.Errorf("%+v: %d of %d bytes were written when 9 of 10 rows were made", f, before, out.Len())
		}
	}
}

// What CSV prints, a reader of CSV with units in its heads reads back; JSON is
// valid.
func TestPrinterReadsBack(t *testing.T) {
	records, err := csv.NewReader(strings.NewReader(printTo(t, present.Form{CSV: true}, printedSample(time.UTC)))).ReadAll()
	if err != nil || len(records) != 3 {
		t.Fatalf("%d records, %v", len(records), err)
	}
	v, err := quantity.Parse(records[1][2]+" in", quantity.Length)
	if d := v - 105.356; err != nil || d > 1e-6 || d < -1e-6 {
		t.Errorf("got %v, %v", v, err)
	}
	if text := printTo(t, present.Form{JSON: true}, printedSample(time.UTC)); !json.Valid([]byte(text)) {
		t.Errorf("not JSON:\n%s", text)
	}
}
