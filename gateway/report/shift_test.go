package report_test

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/gateway/report"
	"lapgate/gateway/report/reporttest"
	"lapgate/recipe"
)

// book writes records one after the other.
type book struct {
	t    *testing.T
	list []record.Stored
}

func (b *book) add(at time.Time, records ...record.Record) {
	for _, r := range records {
		b.list = append(b.list, record.Stored{Seq: uint64(len(b.list) + 1), At: at, Record: r})
	}
}

// roll adds a roll in shadow that leaves a minute after it came.
func (b *book) roll(at time.Time, number uint32, tag string, o handshake.Outcome) {
	token := handshake.Token{Boot: 1, Req: number}
	b.add(at, record.Request{Token: token, Roll: number, Measured: recipe.Roll{Tag: tag, Diameter: 1, Width: 1}})
	o.Index, o.RollNo, o.Boot, o.Req = number, number, 1, number
	if o.Outcome == 0 {
		o.Outcome = handshake.Wrapped
	}
	b.add(at.Add(time.Minute), record.Outcome{Outcome: o})
}

// shift reports what was written.
func (b *book) shift(since, until time.Time) *report.Shift {
	b.t.Helper()
	s := report.NewShift(report.Of{Line: "north", Journals: []report.Journal{{Name: "north.db"}}, Units: &recipe.Line{}}, since, until)
	for _, r := range b.list {
		if err := s.Add(r); err != nil {
			b.t.Fatal(err)
		}
	}
	if err := s.Finish(); err != nil {
		b.t.Fatal(err)
	}
	return s
}

var evening = time.Date(2026, 11, 25, 22, 0, 0, 0, time.UTC)

// Who armed a line is told from before the report on, breaks of the link as far as they
// lie in it, and each with what the record can tell.
func TestShiftTellsOfTheLine(t *testing.T) {
	b := &book{t: t}
	minute := func(n int) time.Time { return evening.Add(time.Duration(n) * time.Minute) }
	session := func(epoch uint32, cause string) record.Session {
		return record.Session{Session: handshake.Session{Epoch: epoch, Nonce: 7}, Boot: 1, Cause: cause}
	}
	b.add(minute(-90), record.Origin{Line: "north"}, record.Config{Start: true, By: "lapgate"}, record.Mode{Armed: true, By: "kim", Reason: "night"}, session(1, "start"))
	b.add(minute(-10), record.Alarm{Alarm: "link-down", Act: "raised"})
	b.add(minute(5), session(2, "link"), record.Alarm{Alarm: "link-down", Act: "cleared"})
	b.add(minute(20), record.Mode{By: "ola", User: "shift", Reason: "jam"}, record.Alarm{Alarm: "link-down", Act: "acknowledged", By: "ola"})
	b.add(minute(60), record.Mode{By: "lapgate", Cause: record.CauseRestart})
	b.add(minute(90), record.Config{Start: true, By: "lapgate"})
	b.add(minute(100), record.Alarm{Alarm: "link-down", Act: "raised"})
	b.add(minute(130), record.Mode{Armed: true, By: "lee", Reason: "morning"})
	s := b.shift(evening, minute(120))

	var modes []string
	for _, m := range s.Modes {
		to := "on"
		if m.To != nil {
			to = m.To.Format("15:04")
		}
		modes = append(modes, fmt.Sprintf("%s %s to %s by %s", m.State, m.From.Format("15:04"), to, m.By))
	}
	if want := "[armed 20:30 to 22:20 by kim shadow 22:20 to 23:00 by ola shadow 23:00 to on by lapgate]"; fmt.Sprint(modes) != want {
		t.Errorf("modes %v, want %s", modes, want)
	}
	var breaks []string
	for _, x := range s.Breaks {
		least := ""
		if x.Alarm != nil {
			least = fmt.Sprintf(", %g at least", *x.Alarm/60)
		}
		breaks = append(breaks, fmt.Sprintf("%s %g%s", x.Cause, x.Most/60, least))
	}
	// The first began before the report, the last stands at its end.
	if want := "[link 5, 5 at least the daemon did not run 30 no link 20, 20 at least]"; fmt.Sprint(breaks) != want {
		t.Errorf("breaks %v, want %s", breaks, want)
	}
	var did []string
	for _, c := range s.Changes {
		did = append(did, c.What.String())
	}
	if want := "ola (user shift) put the line into shadow: jam|ola on alarm link-down: acknowledged"; !strings.HasPrefix(strings.Join(did, "|"), want) {
		t.Errorf("changes %q", did)
	}
	page(t, s)
}

// page is the page of reports, well formed but for its head.
func page(t *testing.T, shifts ...*report.Shift) string {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	text, err := report.Page(shifts, zone, nil)
	if err != nil {
		t.Fatal(err)
	}
	_, body, ok := strings.Cut(string(text), "</head>")
	if !ok {
		t.Fatal("the page has no head")
	}
	reporttest.WellFormed(t, "<html>"+body)
	if loads := []string{"http:", "https:", "src=", "@import", "url("}; strings.ContainsAny(string(text), "\x1b") {
		t.Error("the page has control characters")
	} else {
		for _, l := range loads {
			if strings.Contains(string(text), l) {
				t.Errorf("the page loads something: %s", l)
			}
		}
	}
	return string(text)
}

// A day on which clocks are put back has 25 hours, and its times tell which of both
// they are of; one on which they are put forward has 23.
func TestPageOnChangeNights(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		day   time.Time
		hours string
		want  []string
	}{
		{time.Date(2026, 10, 25, 0, 0, 0, 0, zone), "25 h", []string{"25 Oct 02:31:00 CEST", "25 Oct 02:31:00 CET", "CEST (+02:00) and CET (+01:00)", "From Sun 25 Oct 2026 00:00 CEST to Mon 26 Oct 2026 00:00 CET"}},
		{time.Date(2026, 3, 29, 0, 0, 0, 0, zone), "23 h", []string{"29 Mar 01:31:00 CET", "29 Mar 03:31:00 CEST"}},
	} {
		b := &book{t: t}
		first := time.Date(c.day.Year(), c.day.Month(), c.day.Day(), 0, 30, 0, 0, time.UTC) // an hour before the change
		b.roll(first, 1, "R-1", handshake.Outcome{})
		b.roll(first.Add(time.Hour), 2, "R-2", handshake.Outcome{})
		text := page(t, b.shift(c.day, c.day.AddDate(0, 0, 1)))
		for _, want := range append(c.want, ", "+c.hours+"</p>", "<b>2</b>rolls left") {
			if !strings.Contains(strings.ReplaceAll(text, "&#43;", "+"), want) {
				t.Errorf("%s: the page lacks %s", c.hours, want)
			}
		}
	}
}

// What asks for somebody is told in words and with a sign, and what others wrote is
// text.
func TestPageShowsNeeds(t *testing.T) {
	b := &book{t: t}
	b.roll(evening, 1, `<script>alert(1)</script>`, handshake.Outcome{})
	b.roll(evening.Add(time.Minute), 2, "R\x1b[2J-2", handshake.Outcome{Outcome: handshake.Aborted})
	b.roll(evening.Add(2*time.Minute), 3, "R-3", handshake.Outcome{Outcome: handshake.Lost, Slot: 2, EncoderUsed: 123_456, Scale: 9000})
	b.add(evening.Add(4*time.Minute), record.Gap{FromRoll: 4, ToRoll: 5, Cause: "test"}, record.Mode{Armed: true, By: "<b>kim", Reason: "x"})
	s := b.shift(time.Time{}, time.Time{})
	text := page(t, s)
	for _, want := range []string{
		"▲ Needs somebody", "1 roll aborted: look at the roll.", "1 roll of which nobody knows how it left", "The record has gaps",
		`<span class="need">▲ aborted</span>`, "&lt;b&gt;kim", "12 m",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the page lacks %s", want)
		}
	}
	if strings.Contains(text, "<script") {
		t.Error("a tag runs")
	}
	quiet := &book{t: t}
	quiet.roll(evening, 1, "R-1", handshake.Outcome{})
	if text := page(t, quiet.shift(time.Time{}, time.Time{})); strings.Contains(text, "▲") {
		t.Error("the page asks for somebody although nothing does")
	}
}

// A month has sheets of those rolls alone that somebody will ask for, and says so.
func TestPageOfManyRolls(t *testing.T) {
	b := &book{t: t}
	for i := range 1500 {
		o := handshake.Outcome{}
		if i%100 == 7 {
			o.Outcome = handshake.Aborted
		}
		b.roll(evening.Add(time.Duration(2*i)*time.Minute), uint32(i+1), fmt.Sprintf("R-%d", i+1), o)
	}
	text := page(t, b.shift(time.Time{}, time.Time{}))
	if n := strings.Count(text, `<section class="sheet"`); n != 15 {
		t.Errorf("%d sheets, want 15", n)
	}
	if !strings.Contains(text, "lapgate why tells of the other 1485") || strings.Count(text, "R-1500<") != 1 {
		t.Error("the page does not say which rolls have no sheet")
	}
	for _, c := range []int{599, 600} {
		b.list = b.list[:2*c]
		if n := strings.Count(page(t, b.shift(time.Time{}, time.Time{})), `<section class="sheet"`); n != c {
			t.Errorf("%d rolls have %d sheets", c, n)
		}
		b.list = append([]record.Stored(nil), b.list...)
		b.roll(evening.AddDate(0, 1, 0), 600, "R-600", handshake.Outcome{})
	}
}

// The page prints on the paper that is in the printer, A4 or Letter: its style names no
// size.
func TestPrintFollowsThePaper(t *testing.T) {
	style, err := os.ReadFile("shift.css")
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(style), "@page { margin:") || strings.Contains(string(style), "size: A4") {
		t.Error("the style of a page that prints names a size of paper, or no margin")
	}
}
