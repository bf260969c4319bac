package record

import (
	"cmp"
	"slices"

	"lapgate/gateway/handshake"
	"lapgate/recipe/wording"
)

// Union makes rolls of the journals of machines that serve one line by turns. Each journal
// is a chain of its own: what the other acknowledged is a gap in it, which is filled here
// as far as the records of the other are there. It is for one goroutine.
type Union struct {
	chains []chain
	lost   []uint32       // starts of the controller at which its memory was found lost, ascending
	rolls  []*Roll        // told by some chain, held back for what the others tell, in order
	pulled map[*Roll]bool // given out before their own chain was done with them
}

// chain is one journal of a union.
type chain struct {
	history History
	indexes spans // of outcomes that it has
	numbers spans // of their rolls
	held    []Held
}

// Held is a gap over what the other machine holds.
type Held struct {
	At  Stamp // of the gap
	Gap Gap
	// Outcomes and Rolls are what of it has not arrived yet. Nothing of a gap that is
	// filled.
	Outcomes, Rolls []Range
	By              []int // journals that fill some of it
	boot            uint32
}

// Missing names what has not arrived of a gap that is not filled.
func (h *Held) Missing() wording.Said {
	var of []wording.Said
	for _, r := range h.Outcomes {
		of = append(of, r.said(sayOutcomes))
	}
	for _, r := range h.Rolls {
		of = append(of, r.said(sayRolls))
	}
	return wording.Join("list.comma", of)
}

// Filled reports whether all of the gap has arrived.
func (h *Held) Filled() bool { return len(h.Outcomes)+len(h.Rolls) == 0 }

// Range is from one number to another, both among it.
type Range struct{ From, To uint32 }

// heldBack is how many rolls wait for what other journals tell of them. A machine that
// comes back closes the offer that it left open.
const heldBack = 8 * handshake.OutEntries

// NewUnion returns a union of so many journals. That of one tells what History does.
func NewUnion(journals int) *Union {
	return &Union{chains: make([]chain, journals), pulled: map[*Roll]bool{}}
}

// Add takes the next record of one of the journals, numbered from 0, and returns the rolls
// of which nothing more is expected, in the order of the controller. The records of each
// come in their order, and those of all as near as may be to the order of time. Numbers of
// records in a roll are those of the journal that told it. An error says that the record
// contradicts those before it in its journal.
func (u *Union) Add(journal int, s Stored) ([]*Roll, error) {
	s.Journal = journal
	c := &u.chains[journal]
	done, err := c.history.Add(s)
	if err != nil {
		return nil, err
	}
	u.Know(journal, s)
	if r, ok := s.Record.(Gap); ok && r.Cause == HeldByOther {
		c.held = append(c.held, Held{At: s.Stamp(), Gap: r, boot: c.history.past.Boot})
	}
	if len(u.chains) == 1 {
		return done, nil
	}
	u.take(done)
	var out []*Roll
	for len(u.rolls) > heldBack {
		out = append(out, u.first())
	}
	return out, nil
}

// Know takes a record that is not added, as one from before the first that is: outcomes
// fill gaps of the other journals, and losses of the controller's memory tell which.
func (u *Union) Know(journal int, s Stored) {
	c := &u.chains[journal]
	switch r := s.Record.(type) {
	case Outcome:
		c.indexes.add(r.Outcome.Index, r.Outcome.Boot)
		c.numbers.add(r.Outcome.RollNo, r.Outcome.Boot)
	case Gap:
		if r.Boot != 0 && !slices.Contains(u.lost, r.Boot) {
			u.lost = append(u.lost, r.Boot)
			slices.Sort(u.lost)
		}
	}
}

// Past is the state of the line after the records taken so far of a journal. It must not
// be changed.
func (u *Union) Past(journal int) *Past { return u.chains[journal].history.Past() }

// Rest returns the rolls that are left when the journals have ended, in the order of the
// controller.
func (u *Union) Rest() (out []*Roll) {
	for i := range u.chains {
		h := &u.chains[i].history
		if len(u.chains) == 1 {
			return h.Rest()
		}
		u.take(h.rolls)
		h.rolls = nil
	}
	for len(u.rolls) > 0 {
		out = append(out, u.first())
	}
	return out
}

// Held lists the gaps over what another machine holds, and what of them has not arrived.
func (u *Union) Held() (out []Held) {
	for i := range u.chains {
		for _, h := range u.chains[i].held {
			outcomes, rolls := rangeOf(h.Gap.FromIndex, h.Gap.ToIndex), rangeOf(h.Gap.FromRoll, h.Gap.ToRoll)
			for k := range u.chains {
				if k == i {
					continue
				}
				o, r := u.chains[k].indexes.without(outcomes, u, h.boot), u.chains[k].numbers.without(rolls, u, h.boot)
				if !slices.Equal(o, outcomes) || !slices.Equal(r, rolls) {
					h.By = append(h.By, k)
				}
				outcomes, rolls = o, r
			}
			h.Outcomes, h.Rolls = outcomes, rolls
			out = append(out, h)
		}
	}
	return out
}

func rangeOf(from, to uint32) []Range {
	if from == 0 || to < from {
		return nil
	}
	return []Range{{from, to}}
}

// life counts the losses of the controller's memory before one of its starts: numbers of
// rolls and outcomes mean the same within a life only. Starts are numbered upwards, also
// over a loss.
func (u *Union) life(boot uint32) int {
	n, _ := slices.BinarySearch(u.lost, boot+1)
	return n
}

// order is that of the controller.
func (u *Union) order(a, b *Roll) int {
	return cmp.Or(cmp.Compare(u.life(a.Boot), u.life(b.Boot)), cmp.Compare(a.Number, b.Number))
}

// take holds rolls back, each joined with what is known of it.
func (u *Union) take(rolls []*Roll) {
	for _, r := range rolls {
		if u.pulled[r] {
			delete(u.pulled, r)
			continue
		}
		at, there := slices.BinarySearchFunc(u.rolls, r, u.order)
		if there {
			u.rolls[at] = join(u.rolls[at], r)
		} else {
			u.rolls = slices.Insert(u.rolls, at, r)
		}
	}
}

// first gives out the first roll, with what chains tell of it that are not done with it.
func (u *Union) first() *Roll {
	r := u.rolls[0]
	u.rolls = slices.Delete(u.rolls, 0, 1)
	for i := range u.chains {
		for _, other := range u.chains[i].history.rolls {
			if u.order(r, other) == 0 && !u.pulled[other] {
				u.pulled[other] = true
				r = join(r, other)
			}
		}
	}
	return r
}

// join is what two journals tell of one roll.
func join(a, b *Roll) *Roll {
	out := *a
	out.Boot, out.Tag = max(a.Boot, b.Boot), cmp.Or(a.Tag, b.Tag)
	out.Rounds = slices.Concat(a.Rounds, b.Rounds)
	slices.SortStableFunc(out.Rounds, func(x, y Round) int { return x.RequestAt.At.Compare(y.RequestAt.At) })
	// Both have an outcome that was journaled and not acknowledged before the other took over.
	if b.Outcome != nil && (a.Outcome == nil || b.OutcomeAt.At.Before(a.OutcomeAt.At)) {
		out.Outcome, out.OutcomeAt, out.Acts = b.Outcome, b.OutcomeAt, b.Acts
	}
	switch {
	case out.Outcome != nil:
		out.Gap = ""
	case b.Gap == HeldByOther:
		out.Gap = b.Gap
	default:
		out.Gap = cmp.Or(a.Gap, b.Gap)
	}
	return &out
}

// spans are numbers that go up, each with the start of the controller under which it was
// given.
type spans []span

type span struct {
	Range
	boot uint32 // of the first
}

func (s *spans) add(n, boot uint32) {
	if last := len(*s) - 1; last >= 0 && (*s)[last].To+1 == n {
		(*s)[last].To = n
		return
	}
	*s = append(*s, span{Range{n, n}, boot})
}

// without is what of ranges is in no span of the same life.
func (s spans) without(ranges []Range, u *Union, boot uint32) []Range {
	for _, x := range s {
		if len(ranges) == 0 {
			return nil
		}
		if u.life(x.boot) != u.life(boot) {
			continue
		}
		var left []Range
		for _, r := range ranges {
			if x.To < r.From || r.To < x.From {
				left = append(left, r)
				continue
			}
			if r.From < x.From {
				left = append(left, Range{r.From, x.From - 1})
			}
			if x.To < r.To {
				left = append(left, Range{x.To + 1, r.To})
			}
		}
		ranges = left
	}
	return ranges
}
