package cycle

import "lapgate/gateway/record"

// memory is what the journal holds of the line, as far as the machine rests
// on it. It changes by records alone.
type memory struct {
	record.Past
	accounts [6]account // of the slots
}

// Past is what the records of the line tell. It is the machine's own and is only
// read.
func (m *Machine) Past() *record.Past { return &m.mem.Past }

func newMemory() memory { return memory{Past: record.NewPast()} }

// apply takes one record. The errors are contradictions that a sound journal
// does not hold.
func (m *memory) apply(r record.Record) error {
	if err := m.Add(r); err != nil {
		return err
	}
	switch r := r.(type) {
	case record.Carry:
		m.accounts = [6]account{}
		for _, a := range r.Accounts {
			if a.Slot >= 1 && a.Slot <= len(m.accounts) {
				m.accounts[a.Slot-1] = account{hung: a.Hung, outer: a.Outer, drawn: a.Drawn, last: a.Last}
			}
		}
	case record.Request:
		m.books(&r)
	case record.Outcome:
		m.draw(&r.Outcome)
	case record.Hung:
		m.hung(&r)
	case record.Gap:
		m.accounts = [6]account{} // a roll that nobody knows of may have drawn
	}
	return nil
}

// Carry is all that the journal tells and that still counts, for the beginning of a
// new file of it. ok is false while an offer is open or something is on its way: then
// the file is not to be closed off.
func (m *Machine) Carry() (c record.Carry, ok bool) {
	if m.mem.Open != nil || m.state == StateOpen || m.state == StateHalted {
		return c, false
	}
	c.Past = m.mem.Carried()
	for i, a := range m.mem.accounts {
		if a != (account{}) {
			c.Accounts = append(c.Accounts, record.Account{Slot: i + 1, Hung: a.hung, Outer: a.outer, Drawn: a.drawn, Last: a.last})
		}
	}
	return c, true
}
