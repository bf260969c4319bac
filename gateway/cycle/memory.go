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
	case record.Request:
		m.books(&r)
	case record.Outcome:
		m.draw(&r.Outcome)
	case record.Gap:
		m.accounts = [6]account{} // a roll that nobody knows of may have drawn
	}
	return nil
}
