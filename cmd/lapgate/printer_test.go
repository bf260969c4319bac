package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"strings"
	"testing"
	"time"

	"github.com/spf13/cobra"

	"lapgate/recipe"
	"lapgate/recipe/quantity"
)

// printed is what a command with every kind of value hands over.
type printed struct {
	Headline string         `json:"headline" label:""`
	Roll     string         `json:"roll"`
	At       time.Time      `json:"left_at"`
	Dwell    float64        `json:"header_dwell_s"`
	Platen   *float64       `json:"platen_c"`
	Missing  *float64       `json:"scale_kg,omitempty"`
	Secret   int            `json:"internal" label:"-"`
	Points   entries        `json:"setpoints"`
	Inner    printedInner   `json:"summary"`
	Rows     *outputTable   `json:"rolls" label:"changed rolls" print:"csv"`
	Codes    []printedCount `json:"codes"`
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
	return &recipe.Line{Units: map[quantity.Dimension]string{quantity.Length: "in", quantity.Temperature: "°F", quantity.Mass: "lb", quantity.Time: "s"}}
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
		Points: entries{{outputColumn{name: "inner_head_m"}, 1.016}, {outputColumn{name: "layers"}, 3.0}, {outputColumn{name: "glue_mass_kg"}, nil}},
		Inner:  printedInner{Changed: 1, Sound: true},
		Rows: tableOf(sequence(
			printedRow{Roll: "R-1", At: at, Feed: 105.356, Overhang: &overhang, Notes: []string{"hold wrapper_out: hang another roll"}},
			printedRow{Roll: "R, 2", At: at, Feed: 9},
		)),
		Codes: []printedCount{{"wrapper_out", 1}},
	}
}

func printTo(t *testing.T, env []string, f outputFlags, v any) string {
	t.Helper()
	var out bytes.Buffer
	p := &program{env: env, stdout: &out}
	if err := p.printer(f, millUnits()).print(v); err != nil {
		t.Fatal(err)
	}
	return out.String()
}

// One value prints as text, CSV and JSON: people and CSV have the units of the
// configuration and local time with its zone, JSON has SI and UTC.
func TestPrinterForms(t *testing.T) {
	zone := time.FixedZone("CET", 3600)
	for _, c := range []struct {
		name  string
		flags outputFlags
		want  string
	}{
		{"text", outputFlags{}, `roll R-1: GO
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
		{"csv", outputFlags{csv: true}, `roll,left at,feed length (in),overhang each side (in)
R-1,2026-03-01T22:30:00.25Z,4147.87402,5
"R, 2",2026-03-01T22:30:00.25Z,354.330709,
`},
		{"json", outputFlags{json: true}, `{
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
		if got := printTo(t, []string{"TZ=UTC"}, c.flags, printedSample(zone)); got != c.want {
			t.Errorf("%s:\n%s\nwant\n%s", c.name, got, c.want)
		}
	}
}

// A list by itself is one JSON object a line, and a struct without lists is
// one row of CSV.
func TestPrinterListAndRow(t *testing.T) {
	list := []printedCount{{"a", 1}, {"b", 20}}
	if got, want := printTo(t, nil, outputFlags{json: true}, list), `{"code":"a","count":1}`+"\n"+`{"code":"b","count":20}`+"\n"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
	if got, want := printTo(t, nil, outputFlags{}, list), "code  count\na         1\nb        20\n"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
	if got, want := printTo(t, nil, outputFlags{csv: true}, printedInner{3, true}), "changed,sound\n3,yes\n"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

// Rows whose columns come from data, and whose values have different
// dimensions by row.
func TestPrinterRowsByData(t *testing.T) {
	points := &outputTable{
		columns: []outputColumn{{name: "setpoint"}, {name: "old"}, {name: "change"}},
		rows: sequence(
			outputRow{cells: []any{quantityName{name: "header_temperature_c"}, amount{"header_temperature_c", 180, false}, amount{"header_temperature_k", 5, true}}},
			outputRow{cells: []any{quantityName{name: "feed_length_m", label: "feed"}, amount{"feed_length_m", 2.54, false}, nil}},
		),
	}
	for _, c := range []struct {
		flags outputFlags
		want  string
	}{
		{outputFlags{}, "setpoint               old  change\nheader temperature  356 °F   +9 °F\nfeed                100 in       -\n"},
		{outputFlags{csv: true}, "setpoint,old,change\nheader temperature (°F),356,9\nfeed (in),100,\n"},
		{outputFlags{json: true}, `{"setpoint":"header_temperature_c","old":180,"change":5}` + "\n" + `{"setpoint":"feed_length_m","old":2.54}` + "\n"},
	} {
		if got := printTo(t, nil, c.flags, points); got != c.want {
			t.Errorf("got\n%s\nwant\n%s", got, c.want)
		}
	}
}

// A table keeps to the width of the terminal: heads wrap, then columns go by
// their drop, which is said, then rows are stacked. No size is broken.
func TestPrinterWidth(t *testing.T) {
	for _, width := range []int{100, 60, 44, 30, 20} {
		got := printTo(t, []string{fmt.Sprintf("COLUMNS=%d", width), "TZ=UTC"}, outputFlags{}, printedSample(time.UTC))
		for line := range strings.Lines(got) {
			if n := columnsWide(strings.TrimSuffix(line, "\n")); n > width && len(strings.Fields(line)) > 2 {
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
	if got := wrap("head 40 in by 1 1/2 in", 8); strings.Join(got, "|") != "head|40 in by|1 1/2 in" {
		t.Errorf("got %q", got)
	}
}

// Rows are written as they come, and an error ends the list after them.
func TestPrinterStreams(t *testing.T) {
	for _, f := range []outputFlags{{}, {csv: true}, {json: true}} {
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
		err := (&program{stdout: &out}).printer(f, nil).print(tableOf(rows))
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
	records, err := csv.NewReader(strings.NewReader(printTo(t, nil, outputFlags{csv: true}, printedSample(time.UTC)))).ReadAll()
	if err != nil || len(records) != 3 {
		t.Fatalf("%d records, %v", len(records), err)
	}
	v, err := quantity.Parse(records[1][2]+" in", quantity.Length)
	if d := v - 105.356; err != nil || d > 1e-6 || d < -1e-6 {
		t.Errorf("got %v, %v", v, err)
	}
	if text := printTo(t, nil, outputFlags{json: true}, printedSample(time.UTC)); !json.Valid([]byte(text)) {
		t.Errorf("not JSON:\n%s", text)
	}
}

// Both forms at once are wrong usage, found before the command begins.
func TestPrinterFlags(t *testing.T) {
	for _, c := range []struct {
		args []string
		want int
	}{{[]string{"--json"}, 0}, {[]string{"--csv"}, 0}, {[]string{"--json", "--csv"}, exitUsage}, {[]string{"--json", "more"}, exitFailed}} {
		var f outputFlags
		ran := false
		cmd := &cobra.Command{Args: cobra.NoArgs, SilenceErrors: true, SilenceUsage: true, RunE: func(*cobra.Command, []string) error { ran = true; return nil }}
		f.add(cmd)
		cmd.SetArgs(c.args)
		err := cmd.Execute()
		var e *exitError
		code := 0
		if errors.As(err, &e) {
			code = e.code
		} else if err != nil {
			code = exitFailed
		}
		if code != c.want || ran != (err == nil) {
			t.Errorf("%v: exit code %d, ran %v, want %d", c.args, code, ran, c.want)
		}
	}
}
