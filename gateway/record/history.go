package record

import (
	"fmt"
	"slices"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/recipe"
)

// Roll is all that a journal tells of one roll.
type Roll struct {
	Number uint32
	Boot   uint32  // start of the controller under which it was last heard of
	Tag    string  // empty where nothing tells it, as for a roll wrapped by hand
	Rounds []Round // in their order; empty for a roll without a request

	Outcome   *Outcome // nil where none is known
	OutcomeAt Stamp
	Acts      *Acts // of persons at the line when it left; nil without an outcome
	// Gap is why there is no outcome, where the journal says so: the cause of
	// the gap that covers the roll.
	Gap string

	losses uint32 // of the controller's memory, before the roll came
	done   bool   // no outcome will come
}

// Stamp is where a record stands in the journal.
type Stamp struct {
	Seq     uint64
	At      time.Time
	Journal int // as that of Stored
}

// Stamp is where the record stands.
func (s *Stored) Stamp() Stamp { return Stamp{s.Seq, s.At, s.Journal} }

// before reports whether one record stands before another. Those of several journals are
// compared by their time.
func (s Stamp) before(t Stamp) bool {
	if s.Journal == t.Journal {
		return s.Seq < t.Seq
	}
	return s.At.Before(t.At)
}

// Round is one request for a recipe and what came of it. A roll has one for
// each offer that was made for it, and one for each shadow recipe.
type Round struct {
	RequestAt Stamp
	Request   Request
	Basis     Basis // on which the decision rests besides the request

	Override *Override // given for this round, whether or not it was refused
	Offer    *Intent   // nil where nothing was offered
	OfferAt  Stamp
	Shadow   *Shadow // nil while the line was armed
	ShadowAt Stamp

	Committed bool
	Verdict   *Verdict // nil without one
	VerdictAt Stamp
	Void      string // evidence that nothing of the offer was or will be used
	Unknown   string // cause of the gap that closed the offer: nothing tells its fate
}

// Decided returns the payload and the findings that were recorded for the
// round. ok is false when it has neither an offer nor a shadow recipe.
func (r *Round) Decided() (payload []uint16, findings []recipe.Finding, ok bool) {
	switch {
	case r.Offer != nil:
		return r.Offer.Payload, r.Offer.Findings, true
	case r.Shadow != nil:
		return r.Shadow.Payload, r.Shadow.Findings, true
	}
	return nil, nil, false
}

// mostRolls bounds the rolls that wait for an outcome: twice what the
// controller's ring holds. A roll beyond it is given out as it stands.
const mostRolls = 2 * handshake.OutEntries

// History makes rolls of the records of a journal, one record at a time. The
// zero value is ready. It is for one goroutine.
type History struct {
	past  Past
	begun bool
	rolls []*Roll // that may still change, in their order
	gaps  []Gap
}

// Past is the state of the line after the records taken so far. It must not be
// changed.
func (h *History) Past() *Past { return &h.past }

// Gaps are the gaps so far, in their order.
func (h *History) Gaps() []Gap { return h.gaps }

// Add takes the next record, and returns the rolls of which no later record
// tells, in the order in which they came. An error says that the record
// contradicts those before it, and names it.
func (h *History) Add(s Stored) ([]*Roll, error) {
	if !h.begun {
		h.past, h.begun = NewPast(), true
	}
	open := h.past.Open
	err := h.past.Add(s.Record)
	if err == nil {
		err = h.take(s, s.Stamp(), open)
	}
	if err != nil {
		return nil, fmt.Errorf("record %d: %w; prove the journal with lapgate journal verify", s.Seq, err)
	}
	return h.finished(), nil
}

// Rest returns the rolls that are not finished at the end of the journal. The
// history begins anew after it.
func (h *History) Rest() []*Roll {
	rest := h.rolls
	*h = History{}
	return rest
}

// take puts a record where it belongs. open is the offer that was open before
// it.
func (h *History) take(s Stored, at Stamp, open *Offer) error {
	switch r := s.Record.(type) {
	case Request:
		roll := h.roll(r.Roll)
		roll.Boot, roll.Tag = r.Token.Boot, r.Measured.Tag
		roll.Rounds = append(roll.Rounds, Round{RequestAt: at, Request: r, Basis: h.past.Basis(r.Token)})
	case Override:
		if d := h.newest(r.Roll); d != nil && d.Offer == nil {
			d.Override = &r
		}
	case Confirm:
		if d := h.newest(r.Roll); d != nil && d.Request.Token == r.Token {
			d.Basis.Confirms = append(d.Basis.Confirms, r)
		}
	case Intent:
		d := h.newest(r.Roll)
		if d == nil || d.Request.Token != r.Token || d.Offer != nil {
			return fmt.Errorf("INTENT of offer %s has no REQUEST of its own before it", r.Offer)
		}
		d.Offer, d.OfferAt = &r, at
	case Shadow:
		d := h.newest(r.Roll)
		if d == nil || d.Request.Token != r.Token || d.Shadow != nil {
			return fmt.Errorf("SHADOW of roll %d has no REQUEST of its own before it", r.Roll)
		}
		d.Shadow, d.ShadowAt = &r, at
	case Commit:
		if d := h.offered(open); d != nil {
			d.Committed = true
		}
	case Verdict:
		if d := h.offered(open); d != nil {
			d.Verdict, d.VerdictAt = &r, at
		}
	case Void:
		if d := h.offered(open); d != nil {
			d.Void = r.Evidence
		}
	case Outcome:
		roll := h.roll(r.Outcome.RollNo)
		acts := h.past.Acts
		roll.Boot, roll.Outcome, roll.OutcomeAt, roll.Acts = r.Outcome.Boot, &r, at, &acts
		// Outcomes come in the order in which rolls left the station.
		for _, earlier := range h.rolls[:slices.Index(h.rolls, roll)+1] {
			earlier.done = true
		}
	case Gap:
		h.addGap(&r, open)
	}
	return nil
}

func (h *History) addGap(r *Gap, open *Offer) {
	h.gaps = append(h.gaps, *r)
	if d := h.offered(open); d != nil && r.Closed != nil {
		d.Unknown = r.Cause
	}
	for _, roll := range h.rolls {
		covered := roll.losses == h.past.Losses && r.FromRoll != 0 && r.FromRoll <= roll.Number && roll.Number <= r.ToRoll
		// A controller that lost its memory tells of no roll of before.
		if covered || r.Boot != 0 {
			roll.done = true
			if roll.Outcome == nil {
				roll.Gap = r.Cause
			}
		}
	}
}

// roll returns the roll of a number, a new one if there is none that may
// still change.
func (h *History) roll(number uint32) *Roll {
	for _, r := range h.rolls {
		if r.Number == number && r.losses == h.past.Losses && !r.done {
			return r
		}
	}
	r := &Roll{Number: number, losses: h.past.Losses}
	h.rolls = append(h.rolls, r)
	return r
}

// newest returns the newest round of a roll that may still change, or nil.
func (h *History) newest(number uint32) *Round {
	for _, r := range slices.Backward(h.rolls) {
		if r.Number == number && len(r.Rounds) > 0 {
			return &r.Rounds[len(r.Rounds)-1]
		}
	}
	return nil
}

// offered returns the round of an offer, or nil.
func (h *History) offered(o *Offer) *Round {
	if o == nil {
		return nil
	}
	for _, r := range h.rolls {
		for i := range r.Rounds {
			if d := &r.Rounds[i]; d.Offer != nil && d.Offer.Offer == o.Name {
				return d
			}
		}
	}
	return nil
}

// finished takes the rolls from the front that no later record tells of. A
// roll whose offer is open waits for its verdict, also when it has left.
func (h *History) finished() []*Roll {
	n := 0
	for n < len(h.rolls) {
		r := h.rolls[n]
		open := h.past.Open != nil && h.past.Open.Roll == r.Number && h.past.Open.Losses == r.losses
		if (!r.done || open) && len(h.rolls)-n <= mostRolls {
			break
		}
		n++
	}
	out := slices.Clone(h.rolls[:n])
	h.rolls = slices.Delete(h.rolls, 0, n)
	return out
}
