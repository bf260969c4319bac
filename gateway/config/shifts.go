package config

import (
	"cmp"
	"slices"
	"strings"
	"time"
)

// Shifts tell when people take over from each other, and by which clock.
type Shifts struct {
	Starts string `cfg:"starts" default:"06:00, 14:00, 22:00" doc:"times of the day at which a shift begins, by the clock of the mill; a shelved alarm comes back at the next one at the latest"`
	Zone   string `cfg:"zone" default:"" restart:"restart the daemon to change it" doc:"time zone of the mill by its name, as Europe/Berlin, for shifts and for every time that people read or write; empty for that of the machine"`
}

// timeOfDay is how a start is written.
const timeOfDay = "15:04"

// times are the starts since midnight, in order. ok is false where one is no time
// of the day, or none is given.
func (s Shifts) times() (out []time.Duration, ok bool) {
	for text := range strings.SplitSeq(s.Starts, ",") {
		t, err := time.Parse(timeOfDay, strings.TrimSpace(text))
		if err != nil {
			return nil, false
		}
		out = append(out, time.Duration(t.Hour())*time.Hour+time.Duration(t.Minute())*time.Minute)
	}
	slices.SortFunc(out, cmp.Compare[time.Duration])
	return slices.Compact(out), true
}

// Location is the time zone of the mill, the machine's where none is configured.
func (s Shifts) Location(machine *time.Location) *time.Location {
	if s.Zone == "" {
		return machine
	}
	zone, err := time.LoadLocation(s.Zone)
	if err != nil { // the check of the configuration found it
		return machine
	}
	return zone
}

// End is when the shift ends that runs at a time: the first start after it, by the
// clock on the wall of the mill.
func (s Shifts) End(now time.Time) time.Time {
	starts, _ := s.times()
	now = now.In(s.Location(now.Location()))
	y, m, d := now.Date()
	for days := range 3 { // a day on which the clock is put forward may have none
		for _, at := range starts {
			end := time.Date(y, m, d+days, int(at/time.Hour), int(at%time.Hour/time.Minute), 0, 0, now.Location())
			if end.After(now) {
				return end
			}
		}
	}
	return now
}

func (d *decoder) checkShifts(s Shifts) {
	const key, zone = "shifts.starts", "shifts.zone"
	if _, ok := s.times(); d.good(key) && !ok {
		d.problem(d.where(key), key, "not times of the day", quoted(s.Starts), "times from 00:00 to 23:59 with commas between", "write them as in 06:00, 14:00, 22:00")
	}
	if _, err := time.LoadLocation(s.Zone); d.good(zone) && err != nil {
		d.problem(d.where(zone), zone, "no time zone that is known", quoted(s.Zone), "a name of the time zone database", "write it as in Europe/Berlin or America/Chicago, or leave it out for the zone of the machine")
	}
}
