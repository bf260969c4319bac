package cycle

import (
	"fmt"
	"strings"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe/wording"
)

// doubt is what a view said against what is known, until another publication says
// the same. A view can be whole and false.
type doubt struct {
	about     string // empty without any
	gen       uint16 // of the publication that said so first
	confirmed bool
}

// confirmed reports whether a view may be believed: it contradicts nothing, or
// another publication contradicted the same before it. Until then nothing is
// journaled, offered or acknowledged.
func (m *Machine) confirmed(r *handshake.Request) bool {
	m.vacancy(r)
	d := &m.doubt
	about := m.contradicts(r)
	if about == d.about {
		d.confirmed = d.confirmed || d.about != "" && r.GenHead != d.gen
		return about == "" || d.confirmed
	}
	if about == "" && !d.confirmed {
		m.count("views-false")
		m.tell(noteFalseView, wording.Say("told.view-false", "said", d.about), Field{"said", d.about})
	}
	*d = doubt{about: about, gen: r.GenHead}
	return about == ""
}

// contradicts tells what a view says that would be final, and is not what is to be
// expected by the journal. It is empty for nearly every view. It names the numbers:
// a start that two publications told of does not make a false number after it true.
func (m *Machine) contradicts(r *handshake.Request) string {
	known := &m.mem
	if r.Flags&handshake.MemoryLost != 0 {
		if known.LostBoot == r.Boot {
			return ""
		}
		return "the controller lost its memory"
	}
	var says []string
	say := func(so bool, format string, args ...any) {
		if so {
			says = append(says, fmt.Sprintf(format, args...))
		}
	}
	back := m.wentBack(r)
	say(back == causeMemory, "the epoch floor %d or the boot number %d is that of a controller that lost its memory", r.Floor, r.Boot)
	say(back != "" && back != causeMemory, "%s", back)
	say(r.Boot > max(known.Boot, m.view.boot), "the controller was started again, as number %d", r.Boot)
	own := r.Active == m.ses.name && r.Floor == r.Active.Epoch
	say(r.Floor > max(known.Floor, m.view.floor) && !own, "another gateway opened a newer session, of epoch %d", r.Floor)
	say(r.RollNo < known.Covered, "the roll number went back to %d", r.RollNo)
	missing, acked := m.missing(r), min(r.Acked, r.Produced)
	say(missing > known.Covered, "rolls up to %d left without an outcome", missing)
	unread := r.Produced - min(known.Outcomes, r.Produced)
	say(unread > 0 && r.RollNo > known.Covered+unread+1, "roll %d follows rolls that left without an outcome", r.RollNo)
	say(acked > known.Outcomes, "outcomes up to %d were acknowledged that the journal does not hold", acked)
	say(r.Produced > known.Outcomes+handshake.OutEntries, "%d outcomes were produced, more than the ring holds", r.Produced)
	return strings.Join(says, ", and ")
}

// vacancy counts the publications in which the station is empty and the newest roll
// has no outcome.
func (m *Machine) vacancy(r *handshake.Request) {
	about := ""
	if r.Produced == m.mem.Outcomes && r.Phase == handshake.Empty && r.RollNo > m.mem.Covered {
		about = fmt.Sprintf("roll %d", r.RollNo)
	}
	m.leftSo = m.empty.stands(r, about, newerPublications)
}

// missing is the greatest roll number of which no outcome will come any more, by a
// view; 0 while outcomes are still to be read. All outcomes produced are journaled
// then, so every roll before the one at the station has left without one. That the
// newest has left too is believed only of a station that stays empty: a phase may
// lag the roll that it is of, as a result may.
func (m *Machine) missing(r *handshake.Request) uint32 {
	switch {
	case r.Produced != m.mem.Outcomes || r.RollNo == 0:
		return 0
	case r.Phase == handshake.Empty && m.leftSo:
		return r.RollNo
	}
	return r.RollNo - 1
}

// wentBack tells why the controller must count from the start again although it
// does not say that it lost its memory, or not any more, because the operator
// acknowledged the loss while no gateway was connected. The epoch floor and the
// counters are retained, so a lower one is proof. Before the first session the
// floor is 0 and proves nothing. Then the boot number does: a restart adds 1 to it,
// a loss of memory sets it from the clock. A lower roll number alone is no loss.
func (m *Machine) wentBack(r *handshake.Request) string {
	known := &m.mem
	switch {
	case r.Floor < max(known.Floor, m.view.floor), r.Boot < known.Boot, r.Floor == 0 && known.Boot != 0 && r.Boot-known.Boot > bootJump:
		return causeMemory
	case r.Produced < known.Outcomes:
		return fmt.Sprintf("the count of outcomes went back from %d to %d", known.Outcomes, r.Produced)
	}
	return ""
}

// lost writes the gap that a loss of the controller's memory leaves.
func (m *Machine) lost(r *handshake.Request, cause string) {
	g := record.Gap{Boot: r.Boot, Cause: cause, FromIndex: m.mem.Outcomes + 1}
	if m.view.newest > m.mem.Covered {
		g.FromRoll, g.ToRoll = m.mem.Covered+1, m.view.newest
	}
	m.view.newest, m.view.floor, m.view.boot = 0, 0, r.Boot
	m.gap(g)
}
