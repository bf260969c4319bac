package present_test

import (
	"encoding/json"
	"reflect"
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

// hostile are the characters that are obeyed and not shown: C0, DEL, C1, line and
// paragraph breaks, and all that turn the direction of writing or hide in it.
func hostile() (out []rune) {
	for _, span := range [][2]rune{{0, 0x1f}, {0x7f, 0x9f}, {0x200b, 0x200f}, {0x2028, 0x202e}, {0x2060, 0x2064}, {0x2066, 0x2069}, {0xad, 0xad}, {0x61c, 0x61c}, {0xfeff, 0xfeff}, {0xe0001, 0xe0001}} {
		for r := span[0]; r <= span[1]; r++ {
			out = append(out, r)
		}
	}
	return out
}

// JSON shows every such character as an escape, in values, names and rows, and says the
// same to a program that reads it.
func TestHostileJSON(t *testing.T) {
	type row struct {
		Tag string `json:"tag"`
	}
	type object struct {
		Reason string            `json:"reason"`
		Extra  map[string]string `json:"extra"`
		Rows   []row             `json:"rows"`
	}
	for _, c := range hostile() {
		text := "a" + string(c) + "b"
		v := object{Reason: text, Extra: map[string]string{text: text}, Rows: []row{{text}}}
		for name, value := range map[string]any{"object": v, "list": v.Rows} {
			var b strings.Builder
			w := present.New(&b, &recipe.Line{})
			w.Form.JSON = true
			if err := w.Print(value); err != nil {
				t.Fatal(err)
			}
			got := b.String()
			if strings.ContainsFunc(strings.ReplaceAll(got, "\n", ""), func(r rune) bool { return r < 0x20 || r > 0x7e }) {
				t.Errorf("%U in an %s: printed is %q", c, name, got)
			}
			if name == "list" {
				var back row
				if err := json.Unmarshal([]byte(got), &back); err != nil || back.Tag != text {
					t.Errorf("%U: read back is %q, %v", c, back.Tag, err)
				}
				continue
			}
			var back object
			if err := json.Unmarshal([]byte(got), &back); err != nil || !reflect.DeepEqual(back, v) {
				t.Errorf("%U: read back is %+v, %v", c, back, err)
			}
		}
	}
	plain := []byte("{\n  \"tag\": \"Größe 5 °C\"\n}")
	if got := present.CleanJSON(plain); string(got) != string(plain) {
		t.Errorf("got %s", got)
	}
}
