package present_test

import (
	"strings"
	"testing"

	"lapgate/gateway/present"
	"lapgate/recipe"
)

func TestClean(t *testing.T) {
	for text, want := range map[string]string{
		"R2026-001190":          "R2026-001190",
		"Größe 5 °C, 12 µm · ½": "Größe 5 °C, 12 µm · ½",
		"a\x1b[31mred":          `a\x1b[31mred`,
		"one\ntwo\r":            `one\ntwo\r`,
		"\u202egnp.exe":         `\u202egnp.exe`,
		"\u009b1A":              `\u009b1A`,
		"x\x9F":                 `x\x9f`,
		"\u2028next":            `\u2028next`,
		"a\tb\x00":              `a\tb\x00`,
	} {
		if got := present.Clean(text); got != want {
			t.Errorf("%q: got %s, want %s", text, got, want)
		}
	}
	if got := present.CleanLines("one\ntwo\x1b"); got != "one\ntwo\\x1b" {
		t.Errorf("got %q", got)
	}
}

// A tag, name or reason from outside is printed as it is shown, in text and in CSV, and
// a spreadsheet that opens the CSV runs none of it.
func TestHostileCells(t *testing.T) {
	type row struct {
		Tag    string   `json:"tag"`
		Reason string   `json:"reason" print:"below"`
		Parts  []string `json:"parts"`
		Change float64  `json:"change"`
		Number string   `json:"number"`
	}
	rows := []row{
		{"=cmd|'/c calc'!A1", "be\x1b[2Jlow", []string{"@SUM(1)", "x\n"}, -5, "-5"},
		{"+1+1", "", []string{"-1+1"}, 1, "plain"},
	}
	for _, csv := range []bool{false, true} {
		var b strings.Builder
		w := present.New(&b, &recipe.Line{})
		w.Form.CSV = csv
		if err := w.Print(rows); err != nil {
			t.Fatal(err)
		}
		got := b.String()
		if strings.ContainsAny(got, "\x1b\r") || strings.Count(got, "\n") > 5 {
			t.Errorf("csv %v: control characters are printed: %q", csv, got)
		}
		if !csv {
			continue
		}
		for _, want := range []string{"'=cmd|", "'+1+1", "'@SUM(1) x\\n", "'-1+1", ",-5,-5\n"} {
			if !strings.Contains(got, want) {
				t.Errorf("no %s in %s", want, got)
			}
		}
	}
}
