package main

import (
	"fmt"
	"strings"
	"time"
	_ "time/tzdata" // a small machine beside a controller may have no time zones of its own

	"github.com/spf13/cobra"
)

// zone is the time zone of people: that of the mill where the configuration that was
// read names one, else $TZ, else that of the machine.
func (p *program) zone() *time.Location {
	if p.mill != nil {
		return p.mill
	}
	if name := p.getenv("TZ"); name != "" {
		if z, err := time.LoadLocation(name); err == nil {
			return z
		}
	}
	return time.Local
}

// now is the time, in the zone of people.
func (p *program) now() time.Time { return time.Now().In(p.zone()) }

// windowFlags choose by time.
type windowFlags struct{ since, until string }

func (f *windowFlags) add(cmd *cobra.Command) {
	cmd.Flags().StringVar(&f.since, "since", "", "only from this time on, as 22:00 (the last one), yesterday, 2026-11-25, 'yesterday 22:00' or 2026-03-01T22:00:00Z")
	addUntil(cmd, &f.until)
}

// window reads the times; one not given is zero. A time of the day alone is the last
// one that has passed, and as the end the first one after the beginning.
func (f *windowFlags) window(now time.Time) (from, to time.Time, err error) {
	if f.since != "" {
		if from, err = readTime("since", f.since, now); err != nil {
			return from, to, err
		}
	}
	if f.until == "" {
		return from, to, nil
	}
	if clock, ok := timeOfDay(f.until); ok && !from.IsZero() {
		to = nextClock(clock, from.In(now.Location()))
	} else if to, err = readTime("until", f.until, now); err != nil {
		return from, to, err
	}
	if !to.After(from) {
		return from, to, usageError("--until: the time ends %s, not after it begins, %s", to.Format(time.RFC3339), from.Format(time.RFC3339))
	}
	return from, to, nil
}

// readTime reads the time that a flag names, in the zone of now where it names none.
// A day alone is its beginning, a time of the day alone the last one that has passed.
func readTime(flag, text string, now time.Time) (time.Time, error) {
	if at, err := time.Parse(time.RFC3339, text); err == nil {
		return at, nil
	}
	if clock, ok := timeOfDay(text); ok {
		return lastClock(clock, now), nil
	}
	name, rest, _ := strings.Cut(strings.TrimSpace(text), " ")
	day, ok := readDay(name, now)
	clock, good := time.Duration(0), true
	if rest != "" {
		clock, good = timeOfDay(rest)
	}
	if !ok || !good {
		return time.Time{}, usageError("--%s: got %q, want a time as 22:00, yesterday, 2026-03-01, '2026-03-01 22:00' or 2026-03-01T22:00:00Z", flag, text)
	}
	return day.at(clock, now.Location()), nil
}

// timeOfDay reads what a clock shows, as the time since midnight.
func timeOfDay(text string) (time.Duration, bool) {
	for _, layout := range []string{"15:04", time.TimeOnly} {
		if t, err := time.Parse(layout, strings.TrimSpace(text)); err == nil {
			return time.Duration(t.Hour())*time.Hour + time.Duration(t.Minute())*time.Minute + time.Duration(t.Second())*time.Second, true
		}
	}
	return 0, false
}

// date is a day of the calendar, and how many days later.
type date struct {
	year  int
	month time.Month
	day   int
}

func dateOf(t time.Time, later int) date {
	y, m, d := t.Date()
	return date{y, m, d + later}
}

func readDay(text string, now time.Time) (date, bool) {
	switch text {
	case "today":
		return dateOf(now, 0), true
	case "yesterday":
		return dateOf(now, -1), true
	}
	t, err := time.Parse(time.DateOnly, text)
	return dateOf(t, 0), err == nil
}

// at is the moment of a day at which a clock on the wall of the zone shows a time. In
// the night in which clocks are put back an hour is shown twice, and it is the first of
// them; where they are put forward a time that is not shown is the moment of that.
func (d date) at(clock time.Duration, zone *time.Location) time.Time {
	shown := time.Date(d.year, d.month, d.day, 0, 0, 0, 0, time.UTC).Add(clock)
	const around = 26 * time.Hour // the change lies within, whatever the zone
	var later time.Time
	for _, near := range []time.Time{shown.Add(-around), shown.Add(around)} {
		_, offset := near.In(zone).Zone()
		t := shown.Add(-time.Duration(offset) * time.Second).In(zone)
		if _, now := t.Zone(); now == offset {
			return t
		}
		if t.After(later) {
			later = t
		}
	}
	change, _ := later.ZoneBounds()
	return change
}

// lastClock is the last moment, now at the latest, at which the clock shows a time.
func lastClock(clock time.Duration, now time.Time) time.Time {
	t := dateOf(now, 0).at(clock, now.Location())
	if t.After(now) {
		t = dateOf(now, -1).at(clock, now.Location())
	}
	return t
}

// nextClock is the next moment after now at which the clock shows a time.
func nextClock(clock time.Duration, now time.Time) time.Time {
	t := dateOf(now, 0).at(clock, now.Location())
	if !t.After(now) {
		t = dateOf(now, 1).at(clock, now.Location())
	}
	return t
}

// nextTime is the next time at which the clock shows a time of the day.
func nextTime(text string, now time.Time) (time.Time, error) {
	clock, ok := timeOfDay(text)
	if !ok {
		return time.Time{}, fmt.Errorf("got %q, want a time of the day; write it as 13:30", text)
	}
	return nextClock(clock, now), nil
}

// readEnd reads until when something is to last: a time, or a time of day, which is
// the next one after now.
func readEnd(text string, now time.Time) (time.Time, error) {
	if end, err := nextTime(text, now); err == nil {
		return end, nil
	}
	return readTime("until", text, now)
}
