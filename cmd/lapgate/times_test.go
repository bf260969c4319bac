package main

import (
	"strings"
	"testing"
	"time"
)

func berlin(t *testing.T) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	return zone
}

func atTime(t *testing.T, text string) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339, text)
	if err != nil {
		t.Fatal(err)
	}
	return at
}

// Times are those of the clock on the wall, on the nights too on which it is changed:
// in Berlin the day of 2026-03-29 has 23 hours and that of 2026-10-25 has 25.
func TestWindow(t *testing.T) {
	zone := berlin(t)
	for _, c := range []struct{ now, since, until, from, to string }{
		{"2026-03-02T07:00:00+01:00", "2026-03-01T22:00:00Z", "", "2026-03-01T22:00:00Z", ""},
		{"2026-03-02T07:00:00+01:00", "2026-03-01 22:00", "2026-03-02 06:00:30", "2026-03-01T21:00:00Z", "2026-03-02T05:00:30Z"},
		{"2026-03-02T07:00:00+01:00", "2026-03-01", "", "2026-02-28T23:00:00Z", ""},
		// the last time that has passed, and the first after it
		{"2026-03-02T07:00:00+01:00", "22:00", "06:00", "2026-03-01T21:00:00Z", "2026-03-02T05:00:00Z"},
		{"2026-03-02T23:00:00+01:00", "22:00", "06:00", "2026-03-02T21:00:00Z", "2026-03-03T05:00:00Z"},
		{"2026-03-02T22:00:00+01:00", "22:00", "", "2026-03-02T21:00:00Z", ""},
		{"2026-03-02T07:00:00+01:00", "", "06:00", "", "2026-03-02T05:00:00Z"},
		{"2026-03-02T07:00:00+01:00", "yesterday 22:00", "today 06:00", "2026-03-01T21:00:00Z", "2026-03-02T05:00:00Z"},
		// a day of 23 hours, and one of 25
		{"2026-03-30T07:00:00+02:00", "yesterday", "today", "2026-03-28T23:00:00Z", "2026-03-29T22:00:00Z"},
		{"2026-10-26T07:00:00+01:00", "yesterday", "today", "2026-10-24T22:00:00Z", "2026-10-25T23:00:00Z"},
		// a shift of seven hours over the one night, and of nine over the other
		{"2026-03-29T07:00:00+02:00", "22:00", "06:00", "2026-03-28T21:00:00Z", "2026-03-29T04:00:00Z"},
		{"2026-10-25T07:00:00+01:00", "22:00", "06:00", "2026-10-24T20:00:00Z", "2026-10-25T05:00:00Z"},
		// half past two is left out, and shown twice
		{"2026-03-30T07:00:00+02:00", "2026-03-29 02:30", "", "2026-03-29T01:00:00Z", ""},
		{"2026-10-26T07:00:00+01:00", "2026-10-25 02:30", "2026-10-25 03:00", "2026-10-25T00:30:00Z", "2026-10-25T02:00:00Z"},
		{"2026-10-26T07:00:00+01:00", "2026-10-25T02:30:00+01:00", "", "2026-10-25T01:30:00Z", ""},
		{"2026-10-25T02:40:00+01:00", "02:30", "", "2026-10-25T00:30:00Z", ""},
	} {
		f := windowFlags{c.since, c.until}
		from, to, err := f.window(atTime(t, c.now).In(zone))
		show := func(at time.Time) string {
			if at.IsZero() {
				return ""
			}
			return at.UTC().Format(time.RFC3339)
		}
		if err != nil || show(from) != c.from || show(to) != c.to {
			t.Errorf("at %s, %q to %q: got %s to %s, %v; want %s to %s", c.now, c.since, c.until, show(from), show(to), err, c.from, c.to)
		}
	}
	now := atTime(t, "2026-03-02T07:00:00Z")
	for _, c := range []windowFlags{{since: "tomorrow"}, {until: "2026-13-01"}, {since: "25:00"}, {since: "yesterday noon"}, {since: "today", until: "yesterday"}, {since: "06:00", until: "2026-03-02 06:00"}} {
		if _, _, err := c.window(now); err == nil {
			t.Errorf("%+v is taken", c)
		}
	}
}

// A zone whose clock is put forward at midnight has a day that begins at one.
func TestDayBeginsLater(t *testing.T) {
	zone, err := time.LoadLocation("Africa/Cairo")
	if err != nil {
		t.Fatal(err)
	}
	from, _, err := (&windowFlags{since: "2026-04-24"}).window(time.Date(2026, 5, 1, 7, 0, 0, 0, zone))
	if want := "2026-04-24T01:00:00+03:00"; err != nil || from.Format(time.RFC3339) != want {
		t.Errorf("got %s, %v, want %s", from.Format(time.RFC3339), err, want)
	}
}

// Every quarter of an hour of a year is the moment at which the clock shows it.
func TestClockIsThatOfTheWall(t *testing.T) {
	for _, name := range []string{"Europe/Berlin", "America/Chicago", "Australia/Lord_Howe", "UTC"} {
		zone, err := time.LoadLocation(name)
		if err != nil {
			t.Fatal(err)
		}
		odd := 0
		for day := range 365 {
			d := date{2026, 1, 1 + day}
			var last time.Time
			for quarter := range 96 {
				clock := time.Duration(quarter) * 15 * time.Minute
				at := d.at(clock, zone)
				shown := at.Hour()*60 + at.Minute()
				if shown != quarter*15 {
					odd++ // it is not shown on that day
				}
				if at.Before(last) || at.Location() != zone {
					t.Fatalf("%s: %v at %v is %v, before %v", name, d, clock, at, last)
				}
				if earlier := at.Add(-time.Hour); shown == quarter*15 && earlier.Hour()*60+earlier.Minute() == shown && earlier.Day() == at.Day() {
					t.Errorf("%s: %v is the second showing", name, at)
				}
				last = at
			}
		}
		if want := map[string]int{"Europe/Berlin": 4, "America/Chicago": 4, "Australia/Lord_Howe": 2}[name]; odd != want {
			t.Errorf("%s: %d quarters of an hour are not shown, want %d", name, odd, want)
		}
	}
}

// The zone of the mill stands in its configuration, and is that of every time that
// people read and write; a zone that nobody knows is refused.
func TestZoneOfTheMill(t *testing.T) {
	path := mixedJournal(t)
	mill := demoFile(t, "mill.yaml", "journal:\n", "shifts:\n  zone: Asia/Tokyo\njournal:\n")
	if r := lapgate("journal", "list", path, "--config", mill); !strings.Contains(r.out, " JST ") {
		t.Errorf("no time of Tokyo: %.500s%s", r.out, r.errors)
	}
	mill = demoFile(t, "mill.yaml", "journal:\n", "shifts:\n  zone: Asia/Tokio\njournal:\n")
	if r := lapgate("check", mill); r.code != exitConfig || !strings.Contains(r.errors+r.out, `shifts.zone: no time zone that is known (got "Asia/Tokio"`) {
		t.Errorf("ended with %d: %s%s", r.code, r.out, r.errors)
	}
}
