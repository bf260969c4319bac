package main

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"lapgate/gateway/control"
	"lapgate/gateway/present"
	"lapgate/gateway/report"
	"lapgate/gateway/status"
	"lapgate/recipe/rate"
	"lapgate/recipe/wording/wordingtest"
)

// englishHeads are the heads of a type of which a terminal shows the English.
func englishHeads(t *testing.T, shown reflect.Type, text string) (out []string) {
	w := wordingtest.German(t)
	for _, c := range present.Titled(shown) {
		title := c.Title()
		if w.Word("head", cmp.Or(c.Head, title)) != title && regexp.MustCompile(`(?m)(^ *|  )`+regexp.QuoteMeta(title)+`( \(|  |$)`).MatchString(text) {
			out = append(out, title)
		}
	}
	return out
}

// In a terminal the names of rows and columns and the words in them are in the language
// of the mill; what programs read keeps its names.
func TestTerminalInGerman(t *testing.T) {
	german, err := filepath.Abs("../../configs/words-de.csv")
	if err != nil {
		t.Fatal(err)
	}
	path, demo := mixedJournal(t), demoFile(t, "demo.yaml")
	why := []string{"why", "1", path, "--config", demo, "--set", "words.file=" + german}
	story := lapgate(why...)
	if story.code != 0 || !regexp.MustCompile(`(?m)^Urteil +frei$`).MatchString(story.out) || !strings.Contains(story.out, "Sollwert ") {
		t.Errorf("why ended with %d: %s\n%s", story.code, story.errors, story.out)
	}
	if keys := wordingtest.EnglishIn(wordingtest.German(t), story.out); len(keys) > 0 || !strings.Contains(story.out, "Rolle und Packvorschrift") {
		t.Errorf("why has the English of %v:\n%s", keys, story.out)
	}
	if heads := englishHeads(t, reflect.TypeFor[report.Story](), story.out); len(heads) > 0 {
		t.Errorf("why shows %v in English:\n%s", heads, story.out)
	}
	if ours, english := lapgate(append(why, "--json")...).out, lapgate(append(why[:5:5], "--json")...).out; ours != english || !strings.Contains(ours, `"verdict": "go"`) {
		t.Errorf("JSON is %s\nand without a translation %s", ours, english)
	}

	overhang, few := 0.04, 3
	var program atomic.Bool
	view, err := json.Marshal(status.View{Lines: []status.LineView{{
		Line: "north", At: time.Now(), Now: status.Now{State: "Leer", Do: "Erst.", Code: "x", Steps: []string{"Erst.", "Dann.", "Zuletzt."}},
		Standing: []status.Standing{{Code: "link-down", Level: "warning", Meaning: "weg"}},
		Roll:     &status.RollAt{Number: 1, Tag: "R-1", Width: 1, Diameter: 1, Verdict: "hold"},
		Stand:    []report.Candidate{{Slot: 1, Width: 1, Paper: "kraft", Left: &overhang, More: &few, Chosen: true}},
		Rolls:    []status.RollRow{{Number: 1, Tag: "R-1", Verdict: "go, in shadow", Outcome: "wrapped by hand", Overhang: &overhang, Weighed: "doubtful"}},
	}}})
	if err != nil {
		t.Fatal(err)
	}
	socket := filepath.Join(t.TempDir(), "s")
	daemon, err := control.Listen(t.Context(), socket, func(_ context.Context, r control.Request) control.Reply {
		program.Store(r.Program)
		return control.Reply{Outcome: control.Done, Status: view}
	})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = daemon.Close() }()
	ours := demoFile(t, "ours.yaml", "\nlines:\n", fmt.Sprintf("\nwords: {file: %q}\ncontrol: {socket: %q}\nlines:\n", german, socket))
	asks := []string{"status", "--config", ours}
	shown := lapgate(asks...)
	for _, want := range []string{"Warnung", "frei, im Schattenbetrieb", "von Hand", "zweifelhaft", "angehalten", " ja"} {
		if shown.code != 0 || !strings.Contains(shown.out, want) {
			t.Errorf("status ended with %d and lacks %q: %s\n%s", shown.code, want, shown.errors, shown.out)
		}
	}
	if program.Load() || !regexp.MustCompile(`(?m)^( +tun +)Erst\.\n +danach +Dann\. Zuletzt\.$`).MatchString(shown.out) {
		t.Errorf("a person asked as a program, %v, or the steps after the first do not stand below it:\n%s", program.Load(), shown.out)
	}
	if heads := englishHeads(t, reflect.TypeFor[shownStatus](), shown.out); len(heads) > 0 {
		t.Errorf("status shows %v in English:\n%s", heads, shown.out)
	}
	if out := lapgate(append(asks, "--csv")...).out; !strings.HasPrefix(out, "line,roll no,roll,left at,verdict,outcome") || !strings.Contains(out, `"go, in shadow",wrapped by hand`) {
		t.Errorf("CSV has other names: %s", out)
	}
	if out := lapgate(append(asks, "--json")...).out; !program.Load() || !strings.Contains(out, `"verdict": "hold"`) {
		t.Errorf("JSON is not asked for as a program asks, or has other names: %s", out)
	}
}

// Which machine of a pair acts is told in German in a terminal; what programs read is as ever.
func TestPairInGerman(t *testing.T) {
	german, err := filepath.Abs("../../configs/words-de.csv")
	if err != nil {
		t.Fatal(err)
	}
	north := control.PairLine{
		Line: "north", Machine: "a", Role: "ACTIVE", Acts: true, Armed: true, TakesOver: true, Records: 9, Arrived: 7, Untold: []string{"disarm", "hold-off"},
		Other: "b", OtherThere: true, OtherRole: "STANDBY", OtherArmed: true, OtherTakesOver: true,
	}
	asks := func(change func(*control.PairLine), form ...string) ran {
		l := north
		change(&l)
		socket := answering(t, control.Reply{Outcome: control.Done, Pair: []control.PairLine{l}})
		ours := demoFile(t, "ours.yaml", "\nlines:\n", fmt.Sprintf("\nwords: {file: %q}\ncontrol: {socket: %q}\nlines:\n", german, socket))
		return lapgate(append([]string{"pair", "--config", ours}, form...)...)
	}
	w := wordingtest.German(t)
	for _, c := range []struct {
		change func(*control.PairLine)
		want   string // parted by |
	}{
		{func(*control.PairLine) {}, "bedient die Linie|a hat die Führung|b ist da|steht bereit; scharf, übernimmt scharf|unscharf schalten, Anhalten beenden|die Einträge von a nach 7, insgesamt 2, bis"},
		{func(l *control.PairLine) { l.Untold, l.Arrived, l.OtherThere = nil, 9, false }, "nichts: Die Datenbank hat alle Einträge von a|b ist nicht da|noch nicht mitgeteilt nichts"},
		{func(l *control.PairLine) { l.Role, l.Holder, l.Silent, l.OtherTakesOver = "UNPROVEN", "a", "x", false }, "während die Datenbank schweigt|als die Datenbank zuletzt antwortete, und ihr Schweigen beweist nichts: x|hatte bis Eintrag 9|nur für sich scharf"},
		{func(l *control.PairLine) { l.Role, l.Acts, l.Silent = "STANDBY", false, "x" }, "übernimmt nie, nur weil die Datenbank schweigt: x"},
		{func(l *control.PairLine) { l.Role, l.Acts, l.Armed, l.OtherRecords = "STANDBY", false, false, 5 }, "die Linie ist hier im Schattenbetrieb|alle Einträge von b, insgesamt 5"},
		{func(l *control.PairLine) { l.Acts, l.Holder, l.OtherRole, l.Role = false, "b", "", "STANDBY" }, "b hat die Führung|der andere meldet nichts"},
		{func(l *control.PairLine) { l.Role, l.Acts, l.Holder = "FENCED", false, "b" }, "abgelöst: Ein anderes Gateway|jenes Gateway finden und anhalten"},
		{func(l *control.PairLine) { l.Role, l.Acts, l.Silent = "FENCED", false, "x" }, "abgelöst: Ein anderes Gateway"},
		{func(l *control.PairLine) { l.Role, l.Acts, l.Armed = "FENCED", false, false }, "abgelöst: Ein anderes Gateway"},
		{func(l *control.PairLine) { l.Role, l.Acts, l.Other, l.OtherThere = "TAKING", false, "", false }, "übernimmt die Linie|niemand hat die Führung|nicht bekannt: Kein anderer Rechner"},
	} {
		shown := asks(c.change)
		for want := range strings.SplitSeq(c.want, "|") {
			if shown.code != 0 || !strings.Contains(strings.Join(strings.Fields(shown.out), " "), strings.Join(strings.Fields(want), " ")) {
				t.Errorf("pair ended with %d and lacks %q: %s\n%s", shown.code, want, shown.errors, shown.out)
			}
		}
		if keys, heads := wordingtest.EnglishIn(w, shown.out), englishHeads(t, reflect.TypeFor[shownPair](), shown.out); len(keys) > 0 || len(heads) > 0 {
			t.Errorf("pair has the English of %v and %v:\n%s", keys, heads, shown.out)
		}
	}
	same := func(*control.PairLine) {}
	if out := asks(same, "--csv").out; !strings.HasPrefix(out, "line,machine,role,") || !strings.Contains(out, ",ACTIVE,") || !strings.Contains(out, "a holds the lease,") || !strings.Contains(out, ",disarm hold-off,") {
		t.Errorf("CSV has other names: %s", out)
	}
	if out := asks(same, "--json").out; !strings.Contains(out, `"role":"ACTIVE"`) || !strings.Contains(out, `"not_told":["disarm","hold-off"]`) {
		t.Errorf("JSON has other names: %s", out)
	}
}

// The report of a shift is German in a terminal and as a page; what programs read of it, and
// the table beside the page, is as ever.
func TestReportInGerman(t *testing.T) {
	german, err := filepath.Abs("../../configs/words-de.csv")
	if err != nil {
		t.Fatal(err)
	}
	w, page := wordingtest.German(t), filepath.Join(t.TempDir(), "shift.html")
	english := []string{"report", mixedJournal(t), "--config", demoFile(t, "demo.yaml")}
	ours := slices.Concat(english, []string{"--set", "words.file=" + german})
	told := lapgate(append(ours[:6:6], "--html", page)...)
	if heads := englishHeads(t, reflect.TypeFor[report.Shift](), told.out); told.code != 0 || len(heads) > 0 {
		t.Errorf("report ended with %d: %s, and shows %v in English:\n%s", told.code, told.errors, heads, told.out)
	}
	text, err := os.ReadFile(page)
	if err != nil {
		t.Fatal(err)
	}
	body := regexp.MustCompile(`(?s)<style>.*</style>`).ReplaceAllString(string(text), "")
	for what, text := range map[string]string{"the terminal": told.out, "the page": strings.NewReplacer("&#39;", "'", "&#34;", `"`).Replace(body)} {
		if keys := wordingtest.EnglishIn(w, text); len(keys) > 0 {
			t.Errorf("%s has the English of %v", what, keys)
		}
		for _, want := range []string{"von Hand eingepackt", "no-slot", "Anfrage bis Entscheidung"} {
			if !strings.Contains(text, want) {
				t.Errorf("%s lacks %s:\n%.4000s", what, want, text)
			}
		}
	}
	for _, form := range []string{"--json", "--csv"} {
		if got, want := lapgate(append(ours[:6:6], form)...), lapgate(append(english[:4:4], form)...); got.code != 0 || got.out != want.out {
			t.Errorf("%s is %.3000s\nand without a translation %.3000s", form, got.out, want.out)
		}
	}
}

// The rate of a line is German in a terminal and on its sheet, and a mill that reads inches
// reads areas in ft2.
func TestRateInGerman(t *testing.T) {
	german, err := filepath.Abs("../../configs/words-de.csv")
	if err != nil {
		t.Fatal(err)
	}
	w, dir := wordingtest.German(t), t.TempDir()
	week, sheet := filepath.Join(dir, "week.csv"), filepath.Join(dir, "sheet.html")
	if err := os.WriteFile(week, []byte("roll,width (in),diameter (in),grade,core,count\nA,24,40,1,1,8\nB,62,50,2,1,4\nC,56,50,1,1,3\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	english := []string{"rate", week, "--config", demoFile(t, "demo.yaml")}
	ours := slices.Concat(english, []string{"--set", "words.file=" + german})
	told := lapgate(append(ours[:6:6], "--report", sheet)...)
	page, err := os.ReadFile(sheet)
	if err != nil {
		t.Fatal(err)
	}
	if heads := englishHeads(t, reflect.TypeFor[rate.Summary](), told.out); len(heads) > 0 {
		t.Errorf("rate shows %v in English:\n%s", heads, told.out)
	}
	text := strings.NewReplacer("&#39;", "'", "&#34;", `"`).Replace(regexp.MustCompile(`(?s)<style>.*?</style>`).ReplaceAllString(string(page), ""))
	for what, text := range map[string]string{"the terminal": told.out, "the sheet": text} {
		if keys := wordingtest.EnglishIn(w, text); len(keys) > 0 {
			t.Errorf("%s has the English of %v:\n%s", what, keys, text)
		}
		if regexp.MustCompile(`[ (]m2\b`).MatchString(text) || !strings.Contains(text, "ft2") || !strings.Contains(text, "Halbautomatik") {
			t.Errorf("%s has areas in m2, or lacks the modes in German:\n%s", what, text)
		}
	}
	for _, form := range []string{"--json", "--csv"} {
		if got, want := lapgate(append(ours[:6:6], form)...), lapgate(append(english[:4:4], form)...); got.out == "" || got.out != want.out {
			t.Errorf("%s is %.3000s\nand without a translation %.3000s", form, got.out, want.out)
		}
	}
}
