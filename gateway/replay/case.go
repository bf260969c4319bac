package replay

import (
	"fmt"
	"slices"

	"lapgate/gateway/cycle"
	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
)

// Side is what is offered for a request: a recipe, or a hold with its reason.
type Side struct {
	Held     bool
	Reason   handshake.HoldReason
	Words    []uint16 // the payload
	Findings []recipe.Finding
}

// Verdict is go or hold.
func (s *Side) Verdict() string {
	if s.Held {
		return "hold"
	}
	return "go"
}

// Case is one request with all that a decision on it rests on.
type Case struct {
	Number  uint32 // of the roll, 0 for one of a list
	Tag     string
	Request record.Request
	Basis   record.Basis

	// Recorded is what was offered, nil where there is no record of it.
	Recorded   *Side
	Override   bool // a person chose the setpoints recorded
	ConfigHash handshake.ConfigHash
	Shadow     bool // it was recorded while the line was not armed
}

// CaseOf is the case of a roll of a list, without a controller and without a
// roll before it.
func CaseOf(roll recipe.Roll, stand recipe.Stand) *Case {
	return &Case{Tag: roll.Tag, Request: cycle.RequestOf(roll, stand)}
}

// Cases returns a case for each request of a roll, in their order. Of several
// offers for one request the last counts. An error means a recorded payload
// that cannot be read.
func Cases(roll *record.Roll) ([]*Case, error) {
	var out []*Case
	for i := range roll.Rounds {
		c, err := caseOf(&roll.Rounds[i])
		if err != nil {
			return nil, fmt.Errorf("roll %d: %w", roll.Number, err)
		}
		last := len(out) - 1
		switch {
		case last < 0 || out[last].Request.Token != c.Request.Token:
			out = append(out, c)
		case c.Recorded != nil || out[last].Recorded == nil:
			out[last] = c
		}
	}
	return out, nil
}

func caseOf(r *record.Round) (*Case, error) {
	c := &Case{Number: r.Request.Roll, Tag: r.Request.Measured.Tag, Request: r.Request, Basis: r.Basis}
	words, findings, ok := r.Decided()
	if !ok {
		return c, nil
	}
	var p handshake.Payload
	if err := handshake.DecodeStoredPayload(words, &p); err != nil {
		return nil, fmt.Errorf("the payload recorded after record %d: %w", r.RequestAt.Seq, err)
	}
	c.Recorded = &Side{Held: p.Kind == handshake.KindHold, Reason: p.HoldReason, Words: words, Findings: findings}
	c.ConfigHash, c.Override, c.Shadow = handshake.ConfigHash(p.ConfigHash), p.Origin == handshake.Override, r.Offer == nil
	if r.Offer != nil {
		c.ConfigHash = handshake.ConfigHash(r.Offer.ConfigHash)
	}
	return c, nil
}

// Decide returns what the gateway would offer for the case, as if the line had
// had this configuration at the roll before too. A person's override is left
// out. known is false where that depends on what the record does not tell: a
// record of an earlier version has not the controller's flags.
func Decide(line *recipe.Line, c *Case) (side *Side, known bool, err error) {
	sides := [2]*Side{}
	for i, r := range c.requests() {
		if sides[i], err = c.decide(line, r); err != nil {
			return nil, false, fmt.Errorf("roll %d: %w", c.Number, err)
		}
	}
	return sides[0], sides[1] == nil || sides[0].same(sides[1]), nil
}

func (c *Case) decide(line *recipe.Line, r *record.Request) (*Side, error) {
	basis := &c.Basis
	if o := basis.Previous; o != nil && o.Origin == handshake.Computed && handshake.ConfigHash(o.ConfigHash) == c.ConfigHash {
		anew, previous := c.Basis, *o
		previous.Payload = nil // computed anew, by this configuration
		anew.Previous = &previous
		basis = &anew
	}
	d := cycle.Decide(line, r, basis, nil)
	words, err := d.Words()
	if err != nil {
		return nil, err
	}
	return &Side{Held: d.Held(), Reason: d.Payload.HoldReason, Words: words, Findings: d.Findings}, nil
}

// requests is the request, or the two that fit what the record tells of it: one for each of
// the flags.
func (c *Case) requests() []*record.Request {
	if c.Request.Flags != nil {
		return []*record.Request{&c.Request}
	}
	var out []*record.Request
	for _, flags := range c.flags() {
		r := c.Request
		r.Flags = &flags
		out = append(out, &r)
	}
	return out
}

// flags are the greatest and the least set of the controller's flags that fit what the
// record tells of them, or the one that does. What was not found at the time tells that a
// flag was set.
func (c *Case) flags() []handshake.Flags {
	const both = handshake.AllPermissives | handshake.DimensionsValid
	least := handshake.Flags(0)
	if c.Recorded != nil {
		if !c.heldFor(handshake.HoldPermissive) {
			least |= handshake.AllPermissives
		}
		if !c.heldFor(handshake.HoldMeasurement) {
			least |= handshake.DimensionsValid
		}
	}
	if least == both {
		return []handshake.Flags{both}
	}
	return []handshake.Flags{both, least}
}

// heldFor reports whether a recorded finding held the roll for a reason.
func (c *Case) heldFor(reason handshake.HoldReason) bool {
	return slices.ContainsFunc(c.Recorded.Findings, func(f recipe.Finding) bool {
		return f.Severity == recipe.Hold && cycle.HoldReason(f.Code) == reason
	})
}

func (s *Side) same(o *Side) bool {
	return slices.Equal(s.Words, o.Words) && slices.EqualFunc(s.Findings, o.Findings, recipe.Finding.Same)
}
