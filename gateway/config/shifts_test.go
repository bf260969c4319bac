package config_test

import (
	"testing"
	"time"

	"lapgate/gateway/config"
)

// A shift ends by the clock of the mill, whatever that of the machine, and on the nights
// too on which clocks are changed: in Berlin those of 2026-03-29 and 2026-10-25.
func TestShiftEndsByTheClockOfTheMill(t *testing.T) {
	for _, c := range []struct{ zone, now, want string }{
		{"", "2026-11-25T21:30:00Z", "2026-11-25T22:00:00Z"},
		{"Europe/Berlin", "2026-11-25T21:30:00Z", "2026-11-26T05:00:00Z"},
		{"Europe/Berlin", "2026-03-28T21:30:00Z", "2026-03-29T04:00:00Z"},
		{"Europe/Berlin", "2026-10-24T20:30:00Z", "2026-10-25T05:00:00Z"},
		{"America/Chicago", "2026-11-25T21:30:00Z", "2026-11-26T04:00:00Z"},
	} {
		now, err := time.Parse(time.RFC3339, c.now)
		if err != nil {
			t.Fatal(err)
		}
		s := config.Shifts{Starts: "06:00, 14:00, 22:00", Zone: c.zone}
		if got := s.End(now.UTC()).UTC().Format(time.RFC3339); got != c.want {
			t.Errorf("in %q the shift at %s ends %s, want %s", c.zone, c.now, got, c.want)
		}
	}
}
