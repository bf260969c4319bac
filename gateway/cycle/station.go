package cycle

import (
	"slices"
	"strings"

	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/wording"
)

func byHandKey(station string) string  { return condByHand + "/" + station }
func overdueKey(station string) string { return condOverdue + "/" + station }

// askStation answers whether a station can be worked as a person wants it. Unless
// only that was asked, it is recorded.
func (m *Machine) askStation(e SetStation) {
	a := StationAnswer{Problems: m.stationProblems(&e)}
	if len(a.Problems) == 0 {
		a.Next = "from the next request on it is worked as configured and moves by itself again: keep everybody clear of it"
		if e.ByHand {
			a.Next = "from the next request on it is worked by hand, gets no setpoints, and stays so until it is told otherwise"
		}
	}
	m.do(a)
	switch {
	case len(a.Problems) > 0:
		m.tell(noteStationRefused, wording.Say("told.station-refused", "by", e.By, "station", e.Station, "why", a.Problems[0]), Field{"station", e.Station}, Field{"by", e.By}, Field{"user", e.User})
		return
	case e.Preview:
		return
	}
	r := record.Station{Station: e.Station, Mode: record.AsConfigured, By: e.By, User: e.User, Reason: e.Reason}
	if e.ByHand {
		r.Mode, r.Until = record.ByHand, e.Until.UTC().Round(0)
	}
	m.journal(r)
	m.tell(noteStation, wording.Say("told.station-told", "station", e.Station, "mode", r.Mode, "by", e.By), Field{"station", e.Station}, Field{"mode", r.Mode}, Field{"by", e.By}, Field{"user", e.User})
	m.end(overdueKey(e.Station))
	if !e.ByHand {
		m.end(byHandKey(e.Station))
	}
}

// stationProblems lists why a station cannot be worked so.
func (m *Machine) stationProblems(e *SetStation) (problems problems) {
	problems.say(e.By == "", "changing a station needs the name of a person")
	keys := recipe.StationKeys()
	if !slices.Contains(keys, e.Station) {
		problems.say(true, "no station is named %q; it is one of %s", e.Station, strings.Join(keys, ", "))
		return problems
	}
	configured, told := *m.line.Equipment.Mode(e.Station), m.mem.Acts.Station(e.Station)
	problems.say(e.ByHand && !configured.Powered(), "%s is %s in the configuration; only one that is semi or auto can be worked by hand for a while", e.Station, configured)
	problems.say(!e.ByHand && told == nil, "%s is worked as configured already, %s", e.Station, configured)
	problems.say(e.ByHand && !e.Until.IsZero() && !e.Until.After(m.now.Wall), "the time until which %s is worked by hand is over", e.Station)
	return problems
}

// ageStations has people told which stations are worked by hand, and of one whose
// time is over. Nothing changes back by itself.
func (m *Machine) ageStations() {
	for i := range m.mem.Acts.Stations {
		s := &m.mem.Acts.Stations[i]
		if m.standing(byHandKey(s.Station)) < 0 {
			m.raise(byHandKey(s.Station), wording.Say("told.station-by-hand", "station", s.Station, "by", s.By), Field{"station", s.Station}, Field{"by", s.By}, Field{"user", s.User})
		}
		if s.Overdue(m.now.Wall) && m.standing(overdueKey(s.Station)) < 0 {
			m.raise(overdueKey(s.Station), wording.Say("told.station-overdue", "station", s.Station, "until", s.Until.Format("2006-01-02 15:04 MST")),
				Field{"station", s.Station}, Field{"by", s.By}, Field{"user", s.User}, Field{"until", s.Until})
		}
	}
}
