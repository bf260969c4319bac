package wording_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"lapgate/configs"
	"lapgate/recipe/wording"
	"lapgate/recipe/wording/wordingtest"
)

// Every placeholder of the table has a row that says what it is, and every row is used.
func TestPlaceholders(t *testing.T) {
	used := map[string]bool{}
	for _, e := range wording.Entries() {
		if e.English == "" || strings.TrimSpace(e.English) != e.English || strings.Count(e.English, "{") != strings.Count(e.English, "}") {
			t.Errorf("%s: %q", e.Key, e.English)
		}
		if strings.ToLower(e.Key) != e.Key || strings.ContainsAny(e.Key, " _,") {
			t.Errorf("key %q: want small letters, hyphens and dots", e.Key)
		}
		for _, name := range wording.Places(e.English) {
			used[name] = true
		}
	}
	known := map[string]bool{}
	for _, p := range wording.Placeholders() {
		if known[p.Name] || !used[p.Name] || p.Meaning == "" {
			t.Errorf("placeholder %s: stands twice, is not used or has no meaning", p.Name)
		}
		known[p.Name] = true
	}
	for name := range used {
		if !known[name] {
			t.Errorf("placeholder %s has no row", name)
		}
	}
}

// A command that is to be given otherwise is told from one that something stands against,
// however deep in the error the sentence is.
func TestMisuse(t *testing.T) {
	onLine := func(s wording.Said) wording.Said { return wording.Say("reply.line", "line", "north", "text", s) }
	wrong, stands := wording.Say("refused.hang.slot", "slot", 9, "choices", "1, 2"), wording.Say("refused.shadow")
	for _, c := range []struct {
		err  error
		want bool
	}{
		{wording.Refuse(wrong), true},
		{wording.Refuse(stands), false},
		{wording.Refuse(onLine(wrong)), true},
		{wording.Refuse(onLine(stands)), false},
		{errors.Join(wording.Refuse(stands), wording.Refuse(wrong)), true},
		{errors.Join(wording.Refuse(stands), wording.Refuse(onLine(stands))), false},
		{wording.RefuseIn(onLine, errors.Join(wording.Refuse(stands), wording.Refuse(wrong))), true},
		{wording.RefuseIn(onLine, wording.Refuse(stands)), false},
		{fmt.Errorf("around it: %w", wording.Refuse(wrong)), true},
		{errors.New(wrong.String()), false},
		{nil, false},
	} {
		if got := wording.Misuse(c.err); got != c.want {
			t.Errorf("%v: got %t, want %t", c.err, got, c.want)
		}
	}
}

// What is said is the same in JSON, and English where a translation has nothing.
func TestSaid(t *testing.T) {
	said := wording.Say("finding.no-slot",
		"widths", wording.Say("span", "from", "50 in", "to", "58 in"),
		"slots", wording.Join("list.comma", []wording.Said{wording.Plain("A"), wording.Plain("B"), wording.Plain("C")}),
		"nearest", wording.Say("finding.no-slot.nearest", "slot", 3), "relief", wording.Said{})
	const english = "no wrapper fits; a width of 50 in to 58 in would do: A, B, C. Slot 3 is the nearest to serve"
	if got := said.String(); got != english {
		t.Errorf("said %q, want %q", got, english)
	}
	text, err := json.Marshal(said)
	if err != nil {
		t.Fatal(err)
	}
	var back wording.Said
	if err := json.Unmarshal(text, &back); err != nil || back.String() != english {
		t.Errorf("%v: %s read as %q", err, text, back)
	}
	w, _, err := wording.Read("x", strings.NewReader("key,translation\nspan,\"{to} abwärts bis {from}\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	if got, want := w.Text(said), strings.Replace(english, "50 in to 58 in", "58 in abwärts bis 50 in", 1); got != want {
		t.Errorf("translated %q, want %q", got, want)
	}
	if got := wording.Say("finding.scan-stale", "age", "9 s").String(); !strings.Contains(got, "9 s old, allowed is {limit}") {
		t.Errorf("a place without argument: %q", got)
	}
	if got := wording.Say("of.another.version").String(); got != "of.another.version" {
		t.Errorf("an unknown key: %q", got)
	}
}

// All that is wrong with a translation is told at once, with its place.
func TestReadFindsAll(t *testing.T) {
	_, _, err := wording.Read("words.csv", strings.NewReader(`key,translation
meaning.scan-stall,die Messung ist zu alt
finding.scan-stale,die Messung ist {age} alt
span,{from} bis {to} in {unit}
angle,"{degrees} Grad {"
meaning.scan-stale,"die Messung`+"\u202e"+` ist zu alt"
now.held,angehalten: {why}
now.held,noch einmal: {why}
`))
	if err == nil {
		t.Fatal("no error")
	}
	for _, want := range []string{
		"words.csv:2:1", "meaning.scan-stale", // the nearest
		"words.csv:3:", "{limit}", "the limit",
		"words.csv:4:", "{unit}", "{from}, {to}",
		"words.csv:5:", "a brace stands alone",
		"words.csv:6:", `\u202e`,
		"words.csv:8:",
	} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("the error does not say %q:\n%v", want, err)
		}
	}
}

// What is not translated, or was translated from another sentence, is told and is no
// error.
func TestLacks(t *testing.T) {
	var b strings.Builder
	var missing []string
	b.WriteString("key,english,translation\n")
	for i, e := range wording.Entries() {
		english, text := e.English, "x "+e.English
		switch i {
		case 3:
			text = ""
			missing = append(missing, e.Key)
		case 4:
			missing = append(missing, e.Key)
			continue
		case 5:
			english = "another sentence"
		}
		b.WriteString(e.Key + `,"` + strings.ReplaceAll(english, `"`, `""`) + `","` + strings.ReplaceAll(text, `"`, `""`) + "\"\n")
	}
	w, lacks, err := wording.Read("x", strings.NewReader(b.String()))
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(lacks.Missing, missing) || !reflect.DeepEqual(lacks.Changed, []string{wording.Entries()[5].Key}) {
		t.Errorf("lacks %+v, want %v missing", lacks, missing)
	}
	if e := wording.Entries()[3]; w.Of(e.Key) != e.English {
		t.Errorf("%q stands in for %q", w.Of(e.Key), e.English)
	}
}

// The sample translates every sentence, and each from the one that is in the table.
func TestSample(t *testing.T) {
	_, lacks, err := wording.Read("words-de.csv", strings.NewReader(string(configs.German())))
	if err != nil || len(lacks.Missing)+len(lacks.Changed) > 0 {
		t.Errorf("%v, missing %v, changed %v", err, lacks.Missing, lacks.Changed)
	}
	w := wordingtest.German(t)
	if w.Language() != "de" {
		t.Errorf("language %q", w.Language())
	}
	for _, e := range wording.Entries() {
		if keys := wordingtest.EnglishIn(w, w.Of(e.Key)); len(keys) > 0 {
			t.Errorf("%s: %q has the English of %v", e.Key, w.Of(e.Key), keys)
		}
	}
}

// What Template prints can be read again, and lacks everything.
func TestTemplate(t *testing.T) {
	w, lacks, err := wording.Read("x", strings.NewReader(wording.Template()))
	if err != nil || len(lacks.Missing) != len(wording.Entries()) || len(lacks.Changed) != 0 {
		t.Fatalf("%v: %d of %d missing", err, len(lacks.Missing), len(wording.Entries()))
	}
	if got := w.Of("meaning.scan-stale"); got != "the scan is too old" {
		t.Errorf("%q", got)
	}
}
