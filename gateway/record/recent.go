package record

import (
	"slices"

	"lapgate/gateway/handshake"
)

// How much Recent keeps: a shift of eight hours at the pace of a fast line, and
// what people changed in the weeks before.
const (
	recentRolls = 600
	recentActs  = 200
)

// Recent is the one fold of a journal for people: its newest rolls, and what was
// changed on the line. The zero value is ready. It is for one goroutine.
type Recent struct {
	// Want chooses the rolls that are kept, however many they are, with all that was
	// ever changed. Nil keeps the newest.
	Want func(*Roll) bool

	history History
	rolls   []*Roll
	acts    []Stored
	mode    *Stored
	newest  Stamp
}

// Newest is what Recent tells at one moment. Nothing changes it any more.
type Newest struct {
	Rolls []*Roll  // in their order; those that may still change last
	Acts  []Stored // what was changed on the line as a whole, in order
	Mode  *Stored  // the newest record that allowed or forbade writing; nil for none
	At    Stamp    // of the newest record
}

// Add takes the next record. The error is that of History.
func (r *Recent) Add(s Stored) error {
	finished, err := r.history.Add(s)
	if err != nil {
		return err
	}
	r.newest = s.Stamp()
	for _, roll := range finished {
		r.keep(roll)
	}
	switch x := s.Record.(type) {
	case Mode:
		r.mode = &s
	case Carry:
		if x.Mode != nil {
			r.mode = &Stored{Seq: s.Seq, At: s.At, Record: *x.Mode}
		}
	}
	if OfLine(s.Record) {
		if c, ok := s.Record.(Config); ok {
			c.Text, c.Values = "", nil // long, and nothing that changed
			s.Record = c
		}
		r.acts = append(r.acts, s)
	}
	if r.Want == nil {
		r.rolls, r.acts = last(r.rolls, recentRolls), last(r.acts, recentActs)
	}
	return nil
}

func (r *Recent) keep(roll *Roll) {
	if r.Want == nil || r.Want(roll) {
		r.rolls = append(r.rolls, roll)
	}
}

// OfLine tells whether a record changed the line as a whole. The business of the link
// and of the journal is none of it.
func OfLine(r Record) bool {
	switch r.(type) {
	case Session, Frame, Origin, Carry, Published, Register:
		return false
	}
	return r.RollNo() == 0
}

// last drops what is more than n at the front of a list.
func last[T any](list []T, n int) []T {
	if extra := len(list) - n; extra > 0 {
		return slices.Delete(list, 0, extra)
	}
	return list
}

// Newest tells what the records so far tell.
func (r *Recent) Newest() *Newest {
	out := &Newest{Rolls: slices.Clone(r.rolls), Acts: slices.Clone(r.acts), Mode: r.mode, At: r.newest}
	for _, roll := range r.history.rolls {
		if r.Want == nil || r.Want(roll) {
			c := *roll
			c.Rounds = slices.Clone(roll.Rounds)
			out.Rolls = append(out.Rolls, &c)
		}
	}
	return out
}

// Find is the newest roll of a number, nil where none is kept.
func (n *Newest) Find(number uint32) *Roll {
	for _, r := range slices.Backward(n.Rolls) {
		if r.Number == number {
			return r
		}
	}
	return nil
}

// Before are the changes that stood before a record, the newest first, n at most.
func (n *Newest) Before(at Stamp, most int) []Stored {
	var out []Stored
	for _, s := range slices.Backward(n.Acts) {
		if s.Stamp().before(at) && len(out) < most {
			out = append(out, s)
		}
	}
	return out
}

// Round is the newest round of the roll, nil for one without.
func (r *Roll) Round() *Round {
	if len(r.Rounds) == 0 {
		return nil
	}
	return &r.Rounds[len(r.Rounds)-1]
}

// Used is the newest round of the request that the outcome names, for a rejected offer
// is followed by another for the same; without one it is the newest of all, and nil for
// a roll without a round.
func (r *Roll) Used() *Round {
	if r.Outcome != nil {
		of := handshake.Token{Boot: r.Outcome.Outcome.Boot, Req: r.Outcome.Outcome.Req}
		for i := range slices.Backward(r.Rounds) {
			if r.Rounds[i].Request.Token == of {
				return &r.Rounds[i]
			}
		}
	}
	return r.Round()
}
