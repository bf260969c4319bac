package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"path/filepath"
	"reflect"
	"strings"
	"sync/atomic"
	"testing"

	"lapgate/gateway/alarm"
	"lapgate/gateway/control"
	"lapgate/gateway/handshake"
	"lapgate/recipe/wording"
	"lapgate/recipe/wording/wordingtest"
)

// What a command itself says to the person at the line, and asks, is in the language of the
// mill; an alarm that a program reads is in English.
func TestQuestionsInGerman(t *testing.T) {
	german, err := filepath.Abs("../../configs/words-de.csv")
	if err != nil {
		t.Fatal(err)
	}
	w, socket := wordingtest.German(t), filepath.Join(t.TempDir(), "s")
	var program atomic.Bool
	daemon, err := control.Listen(t.Context(), socket, func(_ context.Context, r control.Request) control.Reply {
		program.Store(r.Program)
		return control.Reply{
			Outcome: control.Done, Text: []string{"Linie north: x"},
			Proposal: &control.Proposal{Line: "north", Roll: 7, Tag: "R-7", Token: handshake.Token{Boot: 1}, Finding: "x", Changes: []control.Change{{Setpoint: "Lagen", Old: "3", New: "4"}}},
			Alarms:   []control.LineAlarms{{Line: "north", Alarms: []alarm.Alarm{{Key: "link-down", Priority: alarm.High, State: alarm.Unacknowledged, Active: true, Meaning: "x", Remedy: "x"}}}},
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = daemon.Close() }()
	ours := demoFile(t, "ours.yaml", "\nlines:\n", fmt.Sprintf("\nwords: {file: %q}\ncontrol: {socket: %q}\nlines:\n", german, socket))
	for _, c := range []struct{ args, want string }{
		{"hang --slot 2 --empty --by kim", "ACHTUNG. " + w.Of("caution.overhead") + "|es wurde nichts angegeben: Ohne Terminal braucht diese Angabe den Schalter --yes"},
		{"stock --material m --size s --left 1 --by kim", "ACHTUNG. " + w.Of("caution.ends")},
		{"station header manual --by kim", "ACHTUNG. " + w.Of("caution.reach-in")},
		{"override --value layers=4 --by kim --reason x", "Linie north, Rolle 7 R-7|Sollwert|alt|neu|es wurde nichts geändert: Ohne Terminal braucht eine Handvorgabe"},
		{"confirm --roll 7 --finding narrow-roll --by kim", "Linie north, Rolle 7 R-7|es wurde nichts bestätigt: "},
		{"alarms", "Priorität|hoch|nicht quittiert|1 Alarm nicht quittiert"},
	} {
		r := lapgate(append(strings.Fields(c.args), "--config", ours)...)
		all := r.out + r.errors
		for want := range strings.SplitSeq(c.want, "|") {
			if !strings.Contains(all, want) {
				t.Errorf("%s says %q, want %q", c.args, all, want)
			}
		}
		if keys := wordingtest.EnglishIn(w, all); len(keys) > 0 || program.Load() {
			t.Errorf("%s asked as a program, %v, or has the English of %v: %s", c.args, program.Load(), keys, all)
		}
		for _, shown := range []reflect.Type{reflect.TypeFor[changeRow](), reflect.TypeFor[alarmRow]()} {
			if heads := englishHeads(t, shown, r.out); len(heads) > 0 {
				t.Errorf("%s shows %v in English: %s", c.args, heads, all)
			}
		}
	}
	var row alarmRow
	if r := lapgate("alarms", "--json", "--config", ours); json.Unmarshal([]byte(r.out), &row) != nil || row.State != "unacknowledged" || row.Priority != "high" || !program.Load() {
		t.Errorf("a program reads %s", r.out)
	}
}

// Whoever reads German may say ja, and yes still agrees.
func TestYesInGerman(t *testing.T) {
	w := wordingtest.German(t)
	for answer, want := range map[string]bool{"ja\n": true, "Ja\n": true, "J\n": true, "yes\n": true, "y": true, "nein\n": false, "\n": false, "": false, "jein": false} {
		var out bytes.Buffer
		if got := confirm(w, strings.NewReader(answer), &out, wording.Say("ask.override")); got != want || out.String() != "Diese Werte anbieten? [j/N] " {
			t.Errorf("%q: %v, asked %q", answer, got, out.String())
		}
	}
}
