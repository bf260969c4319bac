package gateway_test

import (
	"context"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway"
	"lapgate/gateway/alarm"
	"lapgate/gateway/control"
	"lapgate/gateway/handshake"
	"lapgate/recipe/wording/wordingtest"
	"lapgate/sim/controller"
)

// Whoever asks something of the daemon is answered in the language of the mill, with
// what was done and with why it is not done.
func TestAnswersInGerman(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(fitting(1))
		b.wrap = 2 * time.Minute
		s := newShop(t, b, nil)
		s.snapshot.Words = wordingtest.German(t)
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		go b.run(ctx)
		g, stop := s.start(s.options())
		defer g.Stop()
		o := &gateway.Operator{Gateway: g}
		ask := func(r control.Request, want ...string) {
			t.Helper()
			if r.Caller.User == "" {
				r.Caller = control.Daemon()
			}
			got := o.Handle(t.Context(), r)
			text := strings.Join(append(got.Text, got.Error), "\n")
			if p := got.Proposal; p != nil {
				text += p.Finding
				for _, c := range p.Changes {
					text += c.Setpoint
				}
			}
			for _, w := range want {
				if !strings.Contains(text, w) {
					t.Errorf("%s: got %q, want %q", r.Command, text, w)
				}
			}
			if keys := wordingtest.EnglishIn(s.snapshot.Words, text); len(keys) > 0 {
				t.Errorf("%s: %q has the English of %v", r.Command, text, keys)
			}
		}
		<-time.After(time.Second) // of virtual time, in which the gateway sees the roll

		stranger := control.Caller{User: "ola"}
		ask(control.Request{Command: control.Arm, Caller: stranger, By: "ola"}, "ola darf das nicht: control.groups.arm nennt keine Gruppe")
		ask(control.Request{Command: control.Hang, Line: "east"}, `keine Linie heißt "east"; der Dienst bedient north`)
		ask(control.Request{Command: control.Arm}, "zum Scharfschalten sind der Name")
		ask(control.Request{Command: control.Arm, By: "kim", Reason: "Nacht"}, "Linie north: war schon scharf; jetzt von kim: Nacht; bis der Dienst endet")
		ask(control.Request{Command: control.Arm, By: "kim", Reason: "Nacht", For: time.Hour, Rolls: 3}, "auch über einen Neustart, bis 20", ", für 3 Rollen")
		ask(control.Request{Command: control.Hang, By: "kim", Agreed: true, Wrapper: &control.Wrapper{Slot: 3, Empty: true}}, "Linie north: Platz 3, Angabe 1, ist eingetragen: es gilt sofort")
		until(t, time.Minute, "the roll is held", func() bool {
			return b.judged(func(e controller.Event) bool { return e.Verdict == controller.HeldByRecipe }) == 1
		})
		<-time.After(time.Second)
		ask(control.Request{Command: control.Hang, Wrapper: &control.Wrapper{Slot: 2, Width: "48 in", Paper: "silk"}},
			"der Name einer Person nötig", "kein Packpapier von 48 in zu; erlaubt sind 34 in", `kein "silk" zu`)
		ask(control.Request{Command: control.Hang, Wrapper: &control.Wrapper{Slot: 2, OutOfService: true, Width: "48 in"}}, "mit dem Zustand „außer Betrieb“")
		ask(control.Request{Command: control.Override, Roll: 9, By: "kim", Shown: &handshake.Token{Boot: 7}}, "nicht Rolle 9, sondern Rolle 1", "hat sich geändert", "wenigstens einen Sollwert")
		ask(control.Request{Command: control.Confirm, By: "kim", Finding: "no-slot"}, "no-slot ist kein Befund")
		ask(control.Request{Command: control.Stock, By: "kim", Heads: &control.Heads{Material: "silk", Size: "40 in"}}, `kein Werkstoff für Stirndeckel heißt "silk"`)
		ask(control.Request{Command: control.Station, By: "kim", Station: "oven", Mode: "manual"}, `keine Station heißt "oven"`)
		ask(control.Request{Command: control.Station, By: "kim", Station: "crimp", Mode: "manual", Agreed: true}, "crimp, ist eingetragen: ab der nächsten Anfrage")
		ask(control.Request{Command: control.Hold, By: "kim", Reason: "Messer"}, "jede Rolle wird angehalten. ")
		ask(control.Request{Command: control.Hold, By: "kim", Off: true}, "das Anhalten aller Rollen ist beendet")
		ask(control.Request{Command: control.Correct, By: "kim", Reason: "Zahl", Record: 99999}, "Linie north: das Journal hat keinen Eintrag 99999")
		ask(control.Request{Command: control.Correct, By: "kim", Reason: "Zahl", Record: 1}, "Eintrag 1 ist als falsch vermerkt")
		ask(control.Request{Command: control.AcceptJournal, By: "kim", Reason: "gesehen"}, "wird nichts bezweifelt")
		ask(control.Request{Command: control.Alarms, Alarm: "memory-lost", Act: alarm.Shelve, By: "kim", Reason: "Lärm"}, "Linie north: memory-lost kann nicht zurückgestellt werden")
		ask(control.Request{Command: control.Alarms, Alarm: "nonsense", Act: alarm.Ack}, "Linie north: der Name einer Person ist nötig\n", `es gibt keinen Alarm "nonsense"`)
		ask(control.Request{Command: control.Alarms, Alarm: "station-by-hand", Act: alarm.Shelve, By: "kim", Reason: "bekannt"})
		ask(control.Request{Command: control.Restart, By: "kim"}, "Linie north: wird bedient; nur")
		ask(control.Request{Command: control.Disarm, By: "kim"}, "nicht mehr scharf geschaltet")
		if err := stop(); err != nil {
			t.Error(err)
		}
		ask(control.Request{Command: control.Hold, By: "kim"}, "Linie north: wird nicht mehr bedient; die Ursache beheben")
	})
}
