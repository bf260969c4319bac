package cycle

import "lapgate/gateway/record"

// memory is what the journal holds of the line, as far as the machine rests
// on it. It changes by records alone.
type memory struct {
	record.Past
	accounts [6]account // of the slots
}

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
