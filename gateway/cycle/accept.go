package cycle

import (
	"slices"
	"strings"

	"lapgate/gateway/record"
	"lapgate/recipe/wording"
)

// doubtJournal takes what speaks against the journal. It is a record, so that it stands also
// after a restart, until a named person accepts it.
func (m *Machine) doubtJournal(texts ...string) {
	var news []string
	for _, t := range texts {
		if !slices.Contains(m.mem.Doubts, t) {
			news = append(news, t)
		}
	}
	if len(news) > 0 {
		m.end(condDoubt) // told anew, with all that is known
		m.journal(record.Doubt{Doubts: news})
		if !m.armed {
			m.forgotHolds()
		}
	}
	if len(m.mem.Doubts) > 0 {
		m.raise(condDoubt, wording.Say("told.journal-doubtful", "why", strings.Join(m.mem.Doubts, "; ")))
	}
}

func (m *Machine) acceptJournal(e AcceptJournal) {
	if len(m.mem.Doubts) == 0 {
		return
	}
	m.journal(record.Accept{By: e.By, User: e.User, Reason: e.Reason, Doubts: slices.Clone(m.mem.Doubts)})
	m.end(condDoubt)
	m.end(condJournal)
}
