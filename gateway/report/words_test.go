package report_test

import (
	"encoding/json"
	"regexp"
	"strings"
	"testing"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/gateway/report"
	"lapgate/recipe/wording/wordingtest"
)

// eventful is a shift in which everything happened that its report tells of.
func eventful(t *testing.T) *report.Shift {
	t.Helper()
	b := &book{t: t}
	minute := func(n int) time.Time { return evening.Add(time.Duration(n) * time.Minute) }
	b.add(minute(-9), record.Origin{Line: "north"}, record.Config{Hash: 7, Start: true, By: "lapgate", File: "mill.yaml"},
		record.Mode{Armed: true, By: "kim", User: "shift", Reason: "Nachtschicht"}, record.Session{Session: handshake.Session{Epoch: 1, Nonce: 7}, Boot: 1, Cause: "start"})
	b.add(minute(1), record.Hang{No: 1, Slot: 2, State: record.Hangs, Width: 1.27, Paper: "kraft", By: "kim"}, record.Hung{No: 1, Slot: 2, Step: record.InForce, Evidence: "x"})
	b.add(minute(2), record.Hang{No: 2, Slot: 3, State: record.Empty, Corrects: 1, By: "kim"}, record.Station{Station: "header", Mode: record.ByHand, By: "kim", Reason: "x"},
		record.Heads{Material: "board", Diameter: 1, Count: 9, By: "kim"})
	b.add(minute(3), record.Hold{On: true, By: "ola", Reason: "Papier"}, record.Hold{By: "ola", Reason: "weiter"}, record.Accept{By: "kim", Reason: "x"},
		record.Alarm{Alarm: "link-down", Act: "raised"}, record.Alarm{Alarm: "link-down", Act: "acknowledged", By: "ola"},
		record.Alarm{Alarm: "certificate-ends/own", Act: "shelved", By: "ola", Reason: "x", Until: minute(9)})
	b.add(minute(4), record.Config{Hash: 8, By: "kim", File: "mill.yaml", Changes: []record.ConfigChange{{Key: "specs.0.layers", Old: "3", New: "4", Where: "mill.yaml:61"}, {Key: "specs.1.name", Old: "x"}}},
		record.Config{Hash: 9, By: "kim", Start: true, Changes: []record.ConfigChange{{Key: "a", Old: "1", New: "2"}}}, record.Config{Hash: 9, By: "kim"}, record.Session{Session: handshake.Session{Epoch: 2, Nonce: 7}, Boot: 1, Cause: "start"})
	b.roll(minute(5), 1, "R-1", handshake.Outcome{Outcome: handshake.Aborted})
	b.roll(minute(6), 2, "", handshake.Outcome{Outcome: handshake.Lost, Slot: 2, EncoderUsed: 123_456})
	b.roll(minute(7), 3, "R-3", handshake.Outcome{CrimpTime: 900, Dwell: 1200, Start: 100, Ended: 9000, Slot: 2, Scale: 9000})
	b.add(minute(8), record.Gap{FromRoll: 4, ToRoll: 5, FromIndex: 4, Cause: "no outcome of these rolls is known"}, record.Correction{Seq: uint64(len(b.list)), By: "kim", Reason: "neu gewogen"})
	b.add(minute(9), record.Session{Session: handshake.Session{Epoch: 3, Nonce: 7}, Boot: 1, Cause: "controller restarted"}, record.Alarm{Alarm: "link-down", Act: "raised"}, record.Mode{By: "ola", Reason: "Schluss"})
	return b.shift(evening, minute(30))
}

// plain is the text of a page without its marks.
func plain(page string) string {
	text := regexp.MustCompile(`(?s)<style>.*</style>|<[^>]*aria-label="([^"]*)"[^>]*>|<[^>]*>`).ReplaceAllString(page, "$1\n")
	return strings.NewReplacer("&#39;", "'", "&#34;", `"`, "&amp;", "&").Replace(text)
}

// A mill that reads German reads its shift report in German; what is left of English are
// names, codes and what people wrote.
func TestShiftReportInGerman(t *testing.T) {
	w, s := wordingtest.German(t), eventful(t)
	text, err := report.Page([]*report.Shift{s}, time.UTC, w)
	if err != nil {
		t.Fatal(err)
	}
	if keys := wordingtest.EnglishIn(w, plain(string(text))); len(keys) > 0 {
		t.Errorf("the page has the English of %v", keys)
	}
	for _, want := range []string{
		`<html lang="de">`, "Schichtbericht, Linie north", "Von Mi 25. Nov. 2026 22:00 UTC bis Mi 25. Nov. 2026 22:30 UTC, 0 h 30 min",
		"1 Rolle abgebrochen: die Rolle ansehen.", "▲ abgebrochen", "<td>Steuerung neu gestartet</td>", "<td>scharf</td><td>kim (Benutzer shift)</td>",
		"ola hat jede Rolle anhalten lassen: Papier", "kim hat zu Platz 2 angegeben: Packpapier hängt", "ola zum Alarm link-down: quittiert",
		"hat specs.1.name von x auf nichts geändert", "Lücke: Ergebnisse ab 4, Rollen 4 bis 5: von diesen Rollen ist kein Ergebnis bekannt",
		"Angabe 2 zu Platz 3: leer, berichtigt Angabe 1, von kim", ">Rolle 2</a>", "<th scope=\"row\">Falten</th>", "<td>Steuerung</td>",
	} {
		if !strings.Contains(string(text), want) {
			t.Errorf("the page lacks %s", want)
		}
	}
}

// A shift of which nothing is to be told says so in German too, and so does one of many
// days.
func TestEmptyReportInGerman(t *testing.T) {
	w := wordingtest.German(t)
	empty := (&book{t: t}).shift(time.Time{}, time.Time{})
	long := (&book{t: t}).shift(evening, evening.AddDate(0, 0, 3))
	text, err := report.Page([]*report.Shift{empty, long}, time.UTC, w)
	if err != nil {
		t.Fatal(err)
	}
	if keys := wordingtest.EnglishIn(w, plain(string(text))); len(keys) > 0 || !strings.Contains(string(text), "Die ganze Aufzeichnung.") {
		t.Errorf("the page has the English of %v:\n%s", keys, plain(string(text)))
	}
}

// What programs read of a report is English whatever people read.
func TestReportForProgramsIsEnglish(t *testing.T) {
	text, err := json.Marshal(eventful(t))
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`"what":"ola held every roll: Papier"`, `"what":"gap: outcomes from 4 on, rolls 4 to 5: no outcome of these rolls is known"`, `"cause":"controller restarted"`, `"state":"armed"`} {
		if !strings.Contains(string(text), want) {
			t.Errorf("the report lacks %s", want)
		}
	}
}
