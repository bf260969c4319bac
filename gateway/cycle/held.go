package cycle

import (
	"lapgate/gateway/record"
	"lapgate/recipe/wording"
)

// What the other machine of a pair acknowledged stands in its journal and not in this
// one. Here it is a gap that says so, which is filled when the store has the records of
// the other machine.

// tellOfOther tells of a gap over outcomes that the other machine holds.
func (m *Machine) tellOfOther(g record.Gap, fields []Field) {
	m.count("gaps-of-other")
	if g.ToIndex == 0 { // their rolls
		return
	}
	m.tell(noteOther, wording.Say("told.gap-of-other", "from", g.FromIndex, "to", g.ToIndex), fields...)
	m.watchHeld()
}

// watchHeld tells of outcomes that the other machine holds as long as the store has not
// got them.
func (m *Machine) watchHeld() {
	switch {
	case m.mem.Held == 0 || m.filled():
		m.end(condUnfilled)
	case m.pair && m.standing(condUnfilled) < 0:
		m.raise(condUnfilled, wording.Say("told.gap-unfilled", "to", m.mem.Held), Field{"to_index", m.mem.Held})
	}
}

// filled tells whether the store has the records of the other machine over all that
// this journal leaves to it. An outcome of before the controller lost its memory has a
// number that means another one since.
func (m *Machine) filled() bool {
	o := m.stored.Other
	return o != nil && o.UpTo >= m.mem.Held && o.Boot >= m.mem.LostBoot
}

// causeOfRolls is why rolls have no outcome in this journal: that of the gap over the
// outcomes before them, where the other machine holds those.
func (m *Machine) causeOfRolls() string {
	if m.mem.Held > 0 && m.mem.Held == m.mem.Outcomes {
		return record.HeldByOther
	}
	return gapRolls
}

// otherHead is the newest record of the other machine's journal that is known, nil for
// none.
func (m *Machine) otherHead() *record.JournalHead {
	if m.stored.Other == nil {
		return nil
	}
	head := m.stored.Other.Head
	return &head
}
