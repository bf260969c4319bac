package alarm_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"lapgate/gateway/alarm"
	"lapgate/recipe/wording"
)

func rules(code string) (alarm.Rule, bool) {
	for _, r := range []alarm.Rule{
		{Code: "quick", Class: alarm.Class{Priority: alarm.Low}},
		{Code: "slow", Class: alarm.Class{Priority: alarm.Medium, On: 10 * time.Second, Off: 20 * time.Second}},
		{Code: "firm", Remedy: wording.Plain("Stop."), Class: alarm.Class{Priority: alarm.High, On: time.Hour, Off: time.Hour, Firm: true}},
		{Code: "told"},
	} {
		if r.Code == code {
			return r, true
		}
	}
	return alarm.Rule{}, false
}

// board is a list with its clock.
type board struct {
	t    *testing.T
	list *alarm.List
	now  time.Time
}

func newBoard(t *testing.T) *board {
	return &board{t, alarm.New(rules), time.Date(2026, 3, 1, 22, 0, 0, 0, time.UTC)}
}

func (b *board) shiftEnd() time.Time { return time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC) }

// see lets time pass and looks at what stands; want are the changes.
func (b *board) see(after time.Duration, standing, want string) {
	b.t.Helper()
	b.now = b.now.Add(after)
	var conditions []alarm.Condition
	for _, key := range strings.Fields(standing) {
		c := alarm.Condition{}
		if n, _ := fmt.Sscanf(strings.Replace(key, "@", " ", 1), "%s %d", &c.Key, &c.Stage); n == 0 {
			b.t.Fatal(key)
		}
		conditions = append(conditions, c)
	}
	b.check(b.list.See(b.now, conditions, nil), want)
}

func (b *board) check(events []alarm.Event, want string) {
	b.t.Helper()
	var got []string
	for _, e := range events {
		got = append(got, e.Key+" "+string(e.Act))
	}
	if text := strings.Join(got, ", "); text != want {
		b.t.Errorf("at %s changed %q, want %q", b.now.Format(time.TimeOnly), text, want)
	}
}

func (b *board) do(e alarm.Event, want string) {
	b.t.Helper()
	events, err := b.list.Do(b.now, e, b.shiftEnd())
	if err != nil {
		b.t.Errorf("%s of %s: %v", e.Act, e.Key, err)
	}
	b.check(events, want)
}

func (b *board) refused(e alarm.Event, want string) {
	b.t.Helper()
	before := fmt.Sprint(b.list.Alarms())
	events, err := b.list.Do(b.now, e, b.shiftEnd())
	if err == nil || len(events) > 0 || !strings.Contains(err.Error(), want) {
		b.t.Errorf("%s of %s: %v, %v, want it refused with %q", e.Act, e.Key, events, err, want)
	}
	if after := fmt.Sprint(b.list.Alarms()); after != before {
		b.t.Errorf("%s of %s was refused and changed\n%s to\n%s", e.Act, e.Key, before, after)
	}
}

func (b *board) stands(want string) {
	b.t.Helper()
	var got []string
	for _, a := range b.list.Alarms() {
		got = append(got, a.Key+" "+a.State.String())
	}
	if text := strings.Join(got, ", "); text != want {
		b.t.Errorf("the list is %q, want %q", text, want)
	}
}

func ack(key string) alarm.Event {
	return alarm.Event{Key: key, Act: alarm.Ack, By: "kim"}
}

// The states of IEC 62682, 5: the four of an alarm that is not suppressed, in both
// orders.
func TestStates(t *testing.T) {
	b := newBoard(t)
	b.stands("")
	b.see(0, "quick told nothing", "quick raised")
	b.stands("quick unacknowledged")
	b.do(ack("quick"), "quick acknowledged")
	b.stands("quick acknowledged")
	b.refused(ack("quick"), "is acknowledged by kim")
	b.see(time.Minute, "quick", "")
	b.see(time.Minute, "", "quick cleared")
	b.stands("")
	b.see(time.Minute, "quick", "quick raised")
	b.see(time.Minute, "", "quick cleared")
	b.stands("quick returned")
	b.see(time.Minute, "quick", "quick raised")
	b.stands("quick unacknowledged")
	b.see(time.Minute, "", "quick cleared")
	b.do(ack("quick"), "quick acknowledged")
	b.stands("")
	b.refused(ack("quick"), "no alarm now")
	b.refused(ack("told"), "there is no alarm")
	b.refused(alarm.Event{Key: "quick", Act: alarm.Ack}, "name of a person")
}

func TestDelays(t *testing.T) {
	b := newBoard(t)
	b.see(0, "slow firm", "firm raised")
	b.see(9*time.Second, "slow firm", "")
	b.see(500*time.Millisecond, "firm", "") // gone before the delay has passed
	b.see(500*time.Millisecond, "slow", "firm cleared")
	b.see(9*time.Second, "slow", "")
	b.see(time.Second, "slow", "slow raised")
	b.see(time.Second, "", "")
	b.see(19*time.Second, "slow", "") // back before the delay has passed
	b.see(time.Second, "", "")
	b.see(20*time.Second, "", "slow cleared")
	b.stands("firm returned, slow returned")
}

func TestShelf(t *testing.T) {
	b := newBoard(t)
	shelve := alarm.Event{Key: "quick", Act: alarm.Shelve, By: "kim", Reason: "loose plug", Until: b.now.Add(time.Hour)}
	b.see(0, "quick", "quick raised")
	b.do(shelve, "quick shelved")
	b.stands("quick shelved")
	b.refused(ack("quick"), "is shelved by kim")
	b.see(time.Minute, "", "quick cleared")
	b.see(time.Minute, "quick", "quick raised")
	b.stands("quick shelved")
	b.see(time.Hour, "quick", "quick unshelved")
	b.stands("quick unacknowledged")

	shelve.Until = b.shiftEnd()
	b.do(shelve, "quick shelved")
	b.do(alarm.Event{Key: "quick", Act: alarm.Unshelve, By: "ola"}, "quick unshelved")
	b.stands("quick unacknowledged")
	b.refused(alarm.Event{Key: "quick", Act: alarm.Unshelve, By: "ola"}, "not shelved")

	late := shelve
	late.Until = b.shiftEnd().Add(time.Second)
	b.refused(late, "with the shift at the latest, at 2026-03-02 06:00:00")
	late.Until = b.now
	b.refused(late, "has passed")
	late = shelve
	late.Reason = ""
	b.refused(late, "for a reason")
	late.By = ""
	b.refused(late, "name of a person")

	shelve.Key = "slow" // one that comes and goes, while it is gone
	b.do(shelve, "slow shelved")
	b.see(time.Minute, "quick slow", "")
	b.see(time.Minute, "quick slow", "slow raised")
	b.stands("quick unacknowledged, slow shelved")
	shelve.Key = "no-such"
	b.refused(shelve, "no alarm")
}

// What may hurt somebody, or what nobody can vouch for, calls until it is seen.
func TestFirm(t *testing.T) {
	b := newBoard(t)
	b.see(0, "firm", "firm raised")
	b.refused(alarm.Event{Key: "firm", Act: alarm.Shelve, By: "kim", Reason: "noise", Until: b.now.Add(time.Hour)}, "cannot be shelved")
	b.refused(alarm.Event{Key: "firm", Act: alarm.Retire, By: "kim", Reason: "noise"}, "cannot be taken out of service")
	b.do(ack("firm"), "firm acknowledged")
	b.see(0, "", "firm cleared")
	b.refused(alarm.Event{Key: "firm", Act: alarm.Retire, By: "kim", Reason: "noise"}, "cannot be taken out of service")
}

func TestOutOfService(t *testing.T) {
	b := newBoard(t)
	b.do(alarm.Event{Key: "quick", Act: alarm.Retire, By: "kim", Reason: "sensor is gone"}, "quick out-of-service")
	b.see(time.Hour, "quick", "quick raised")
	b.see(24*time.Hour, "quick", "")
	b.stands("quick out-of-service")
	b.do(alarm.Event{Key: "quick", Act: alarm.Reactivate, By: "ola"}, "quick in-service")
	b.stands("quick unacknowledged")
	b.refused(alarm.Event{Key: "quick", Act: alarm.Reactivate, By: "ola"}, "not out of service")
	b.refused(alarm.Event{Key: "quick", Act: alarm.Raise, By: "ola"}, "nothing that a person does")
}

// What becomes worse calls again, also whoever has acknowledged or shelved it.
func TestStages(t *testing.T) {
	b := newBoard(t)
	b.see(0, "quick/own@1", "quick/own raised")
	b.do(ack("quick"), "quick/own acknowledged")
	b.see(time.Minute, "quick/own@1", "")
	b.see(time.Minute, "quick/own@2", "quick/own raised")
	b.stands("quick/own unacknowledged")
	b.do(alarm.Event{Key: "quick/own", Act: alarm.Shelve, By: "kim", Reason: "ordered", Until: b.shiftEnd()}, "quick/own shelved")
	b.see(time.Minute, "quick/own@3", "quick/own raised")
	b.stands("quick/own unacknowledged")
	b.see(time.Minute, "quick/own@1", "")
}

func TestOnce(t *testing.T) {
	b := newBoard(t)
	b.check(b.list.See(b.now, nil, []string{"firm", "told"}), "firm raised, firm cleared")
	b.stands("firm returned")
	b.see(0, "quick/a quick/b firm", "quick/a raised, quick/b raised, firm raised")
	b.check(b.list.See(b.now, []alarm.Condition{{Key: "firm"}}, []string{"firm"}), "quick/a cleared, quick/b cleared")
	b.do(ack("quick/a"), "quick/a acknowledged")
	b.stands("firm unacknowledged, quick/b returned")
	b.see(0, "quick/a quick/b firm", "quick/a raised, quick/b raised")
	b.do(ack("quick/b"), "quick/b acknowledged")
	b.do(ack("quick"), "quick/a acknowledged")
}

// The changes that were recorded, or the few that are carried over to a new file, bring the same list about in another process, and
// what stood before it is not called gone before anybody has looked.
func TestRecovered(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		keys := []string{"quick", "quick/x", "slow", "firm"}
		list, copied := alarm.New(rules), alarm.New(rules)
		now := time.Date(2026, 3, 1, 22, 0, 0, 0, time.UTC)
		for range rapid.IntRange(1, 40).Draw(rt, "steps") {
			now = now.Add(time.Duration(rapid.IntRange(0, 30).Draw(rt, "seconds")) * time.Second)
			var events []alarm.Event
			switch rapid.IntRange(0, 2).Draw(rt, "what") {
			case 0:
				var standing []alarm.Condition
				for _, key := range keys {
					if rapid.Bool().Draw(rt, key) {
						standing = append(standing, alarm.Condition{Key: key, Stage: rapid.IntRange(0, 2).Draw(rt, "stage")})
					}
				}
				events = list.See(now, standing, nil)
			case 1:
				events = list.See(now, nil, []string{rapid.SampledFrom(keys).Draw(rt, "once")})
			default:
				act := rapid.SampledFrom([]alarm.Act{alarm.Ack, alarm.Shelve, alarm.Unshelve, alarm.Retire, alarm.Reactivate}).Draw(rt, "act")
				events, _ = list.Do(now, alarm.Event{Key: rapid.SampledFrom(keys).Draw(rt, "key"), Act: act, By: "kim", Reason: "r", Until: now.Add(time.Minute)}, now.Add(time.Hour))
			}
			for _, e := range events {
				copied.Recover(now, e)
			}
			if got, want := copied.Alarms(), list.Alarms(); !slices.Equal(got, want) {
				rt.Fatalf("recovered\n%v, want\n%v", got, want)
			}
			carried := alarm.New(rules)
			for at, e := range list.Changes() {
				carried.Recover(at, e)
			}
			if got, want := carried.Alarms(), list.Alarms(); !slices.Equal(got, want) {
				rt.Fatalf("carried over\n%v, want\n%v", got, want)
			}
			for _, a := range list.Alarms() {
				if r, _ := rules(alarm.CodeOf(a.Key)); r.Firm && (a.State == alarm.Shelved || a.State == alarm.OutOfService) {
					rt.Fatalf("%s is %s", a.Key, a.State)
				}
			}
		}
	})

	b := newBoard(t)
	b.list.Recover(b.now, alarm.Event{Key: "firm", Act: alarm.Raise})
	b.list.Recover(b.now, ack("firm"))
	b.see(0, "", "")
	b.stands("firm acknowledged")
	b.see(29*time.Second, "", "")
	b.see(time.Second, "", "firm cleared")
}

func TestWords(t *testing.T) {
	for s := alarm.Normal; s <= alarm.OutOfService; s++ {
		var back alarm.State
		if b, _ := s.MarshalText(); back.UnmarshalText(b) != nil || back != s {
			t.Errorf("%s comes back as %s", s, back)
		}
	}
	for p := alarm.None; p <= alarm.High; p++ {
		var back alarm.Priority
		if b, _ := p.MarshalText(); back.UnmarshalText(b) != nil || back != p {
			t.Errorf("%s comes back as %s", p, back)
		}
	}
	var s alarm.State
	if s.UnmarshalText([]byte("asleep")) == nil {
		t.Error("took a word that is none")
	}
}
