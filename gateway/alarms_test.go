package gateway_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway"
	"lapgate/gateway/alarm"
	"lapgate/gateway/config"
	"lapgate/gateway/connect"
	"lapgate/gateway/control"
	"lapgate/gateway/cycle"
	"lapgate/gateway/record"
)

// alarmsOf lists the alarms of a line as its status tells them.
func alarmsOf(g *gateway.Gateway, line int) string {
	var out []string
	for _, a := range g.Lines()[line].Alarms {
		out = append(out, a.Key+" "+a.State.String())
	}
	return strings.Join(out, ", ")
}

// TestAlarmsByCommand: a certificate that ends soon becomes an alarm. A person shelves
// it, the end of the shift brings it back, another acknowledges it; the journal has all
// of it, a restart knows it, and the line wraps its rolls meanwhile as if nothing were.
func TestAlarmsByCommand(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(fitting(1), fitting(2), fitting(3))
		s := newShop(t, b, map[string]string{"shifts.starts": "06:00, 18:00"})
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		go b.run(ctx)
		begun := time.Now()
		o := s.options()
		o.Certificates = func(*config.Line) []connect.CertificateEnd {
			return []connect.CertificateEnd{
				{Name: "own", Text: "the certificate of lapgate", Ends: begun.Add(14*24*time.Hour + 10*time.Minute)},
				{Name: "authority", Text: "the authority", Ends: begun.Add(400 * 24 * time.Hour)},
			}
		}
		g, stop := s.start(o)
		operator := &gateway.Operator{Gateway: g}
		do := func(r control.Request) control.Reply {
			r.Command = control.Alarms
			return operator.Handle(t.Context(), r)
		}
		until(t, time.Minute, "the certificate is an alarm", func() bool { return alarmsOf(g, 0) == "certificate-ends/own unacknowledged" })
		if s.logged("ends soon") != 1 {
			t.Errorf("the log tells %d times of the certificate", s.logged("ends soon"))
		}
		list := do(control.Request{})
		if len(list.Alarms) != 1 || list.Alarms[0].Line != "north" || len(list.Alarms[0].Alarms) != 1 || list.Alarms[0].Alarms[0].Remedy == "" {
			t.Errorf("listed %+v", list)
		}

		shelve := control.Request{Alarm: "certificate-ends", Act: alarm.Shelve, By: "kim", Reason: "a new one is ordered"}
		late := shelve
		late.End = begun.Add(48 * time.Hour)
		if got := do(late); got.Outcome != control.Usage || !strings.Contains(got.Error, "with the shift at the latest") {
			t.Errorf("a shelf of two days: %+v", got)
		}
		if got := do(shelve); got.Outcome != control.Done || len(got.Text) != 1 {
			t.Fatalf("shelving: %+v", got)
		}
		synctest.Wait() // until the line has published it
		if got := alarmsOf(g, 0); got != "certificate-ends/own shelved" {
			t.Errorf("after shelving: %s", got)
		}
		end := g.Lines()[0].Alarms[0].Until
		if h := end.Hour(); h != 6 && h != 18 || end.Sub(begun) > 12*time.Hour || end.Minute() != 0 {
			t.Errorf("shelved until %s, want the start of the next shift", end)
		}
		firm := control.Request{Alarm: "memory-lost", Act: alarm.Shelve, By: "kim", Reason: "noise"}
		if got := do(firm); got.Outcome != control.Refused || !strings.Contains(got.Error, "cannot be shelved") {
			t.Errorf("shelving what is firm: %+v", got)
		}

		// It becomes worse after ten minutes, which ends the shelf.
		until(t, 3*time.Hour, "it calls again", func() bool { return alarmsOf(g, 0) == "certificate-ends/own unacknowledged" })
		if got := do(control.Request{Alarm: "certificate-ends/own", Act: alarm.Ack, By: "ola"}); got.Outcome != control.Done {
			t.Errorf("acknowledging: %+v", got)
		}
		if got := do(control.Request{Alarm: "certificate-ends/own", Act: alarm.Ack, By: "ola"}); got.Outcome != control.Refused {
			t.Errorf("acknowledging twice: %+v", got)
		}
		if err := stop(); err != nil {
			t.Error(err)
		}
		if n := s.count(record.KindOutcome); n != 3 {
			t.Errorf("%d rolls left the line, want 3", n)
		}
		var acts []string
		for _, r := range s.verify() {
			if a, ok := r.Record.(record.Alarm); ok {
				acts = append(acts, fmt.Sprintf("%s %s by %q, stage %d", a.Alarm, a.Act, a.By, a.Stage))
			}
		}
		if want := []string{
			`certificate-ends/own raised by "", stage 1`, `certificate-ends/own shelved by "kim", stage 0`,
			`certificate-ends/own raised by "", stage 2`, `certificate-ends/own acknowledged by "ola", stage 0`,
		}; !slices.Equal(acts, want) {
			t.Errorf("the journal has\n%s\nwant\n%s", strings.Join(acts, "\n"), strings.Join(want, "\n"))
		}

		// A restart knows who has seen it; a certificate that was renewed is no alarm.
		o.Certificates = nil
		again, stop := s.start(o)
		until(t, time.Minute, "the alarm is known", func() bool { return alarmsOf(again, 0) == "certificate-ends/own acknowledged" })
		until(t, time.Minute, "the alarm is gone", func() bool { return alarmsOf(again, 0) == "" })
		if err := stop(); err != nil {
			t.Error(err)
		}
		cancel()
	})
}

// TestAlarmsOfEndedLine: a line whose journal failed shows that as an alarm which cannot be
// shelved, nobody can act on it before it is served again, and then it waits to be
// acknowledged.
func TestAlarmsOfEndedLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		p := newPair(ctx, t)
		var fault atomic.Pointer[error]
		p.southFails(&fault)
		g, stop := p.start(p.options)
		o := &gateway.Operator{Gateway: g}
		until(t, 10*time.Minute, "south wraps", func() bool { return p.counts["south"].Load() > 0 })
		broken := errors.New("the disk is broken")
		fault.Store(&broken)
		const ended = "line-ended unacknowledged, journal-failed returned"
		until(t, 10*time.Minute, "south ends with its alarms", func() bool { return g.Lines()[1].Ended && alarmsOf(g, 1) == ended })
		act := control.Request{Command: control.Alarms, Line: "south", Alarm: "journal-failed", Act: alarm.Ack, By: "kim"}
		if got := o.Handle(t.Context(), act); got.Outcome != control.Refused || !strings.Contains(got.Error, "has ended") {
			t.Errorf("acknowledging at a line that has ended: %+v", got)
		}
		nowhere := act
		nowhere.Line = ""
		if got := o.Handle(t.Context(), nowhere); got.Outcome != control.Usage || !strings.Contains(got.Error, "--line; it is one of north, south") {
			t.Errorf("acknowledging without a line: %+v", got)
		}
		fault.Store(nil)
		if err := g.Restart(t.Context(), "south", gateway.Person{By: "kim"}, "new disk"); err != nil {
			t.Fatal(err)
		}
		until(t, time.Minute, "south is served and its alarms wait", func() bool {
			return !g.Lines()[1].Ended && strings.Contains(alarmsOf(g, 1), "journal-failed returned") && strings.Contains(alarmsOf(g, 1), cycle.ConditionEnded+" returned")
		})
		if got := o.Handle(t.Context(), act); got.Outcome != control.Done {
			t.Errorf("acknowledging: %+v", got)
		}
		synctest.Wait() // until the line has published it
		if got := alarmsOf(g, 1); strings.Contains(got, "journal-failed") {
			t.Errorf("after it was acknowledged: %s", got)
		}
		if err := stop(); err != nil {
			t.Error(err)
		}
		cancel()
	})
}
