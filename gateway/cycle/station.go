package cycle

import (
	"slices"
	"strconv"
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
		a.Next = wording.Say("reply.station.configured")
		if e.ByHand {
			a.Next = wording.Say("reply.station.by-hand")
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
	problems.add(e.By == "", wording.Say("refused.station.name"))
	keys := recipe.StationKeys()
	if !slices.Contains(keys, e.Station) {
		return append(problems, wording.Say("refused.station.none", "station", strconv.Quote(e.Station), "choices", strings.Join(keys, ", ")))
	}
	configured, told := *m.line.Equipment.Mode(e.Station), m.mem.Acts.Station(e.Station)
	problems.add(e.ByHand && !configured.Powered(), wording.Say("refused.station.unpowered", "station", e.Station, "mode", configured))
	problems.add(!e.ByHand && told == nil, wording.Say("refused.station.already", "station", e.Station, "mode", configured))
	problems.add(e.ByHand && !e.Until.IsZero() && !e.Until.After(m.now.Wall), wording.Say("refused.station.over", "station", e.Station))
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
