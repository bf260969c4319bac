package replay

import (
	"fmt"
	"slices"

	"lapgate/gateway/cycle"
	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/check"
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

// Base is an earlier roll whose recipe was accepted: the recipe at hand is
// checked for a step from it.
type Base struct {
	Roll  recipe.Roll
	Stand recipe.Stand
	// Override is the payload accepted where a person chose the setpoints.
	Override []uint16
}

// Case is one request with all that a decision on it rests on.
type Case struct {
	Number uint32 // of the roll, 0 for one of a list
	Tag    string
	Token  handshake.Token
	Roll   recipe.Roll
	Stand  recipe.Stand

	LastRoll  uint32 // newest roll that was finished
	Duplicate bool
	HoldAll   bool
	Prev      *Base

	// Recorded is what was offered, nil where there is no record of it.
	Recorded   *Side
	Override   bool // a person chose the setpoints recorded
	ConfigHash ConfigHash
	// Fixed are recorded findings that the controller gave cause for. No
	// configuration changes them, so they stand on either side.
	Fixed []recipe.Finding

	offer record.OfferName
}

// Judge decides on cases by the configuration of one line. It is for one
// goroutine.
type Judge struct {
	line      *recipe.Line
	rec, prev recipe.Recipe
}

// NewJudge returns a judge for a line.
func NewJudge(line *recipe.Line) *Judge { return &Judge{line: line} }

// Decide returns what the gateway would offer for the case.
func (j *Judge) Decide(c *Case) (*Side, error) {
	recipe.Compute(j.line, &c.Roll, &c.Stand, &j.rec)
	ctx := check.Context{LastRoll: c.LastRoll, Duplicate: c.Duplicate, HoldAll: c.HoldAll}
	if c.Prev != nil {
		if err := j.previous(c.Prev); err != nil {
			return nil, err
		}
		ctx.Prev = &j.prev.Setpoints
		_, ctx.PrevSpec = j.line.SpecOf(&c.Prev.Roll)
	}
	s := &Side{Findings: check.Run(j.line, &c.Roll, &c.Stand, &j.rec, &ctx, nil)}
	forced := handshake.NoHold
	for _, f := range c.Fixed {
		reason := cycle.HoldReason(f.Code)
		if ofTheMoment(f.Code) {
			if slices.ContainsFunc(s.Findings, func(o recipe.Finding) bool {
				return o.Severity == recipe.Hold && cycle.HoldReason(o.Code) == reason
			}) {
				continue // the check says it already
			}
		} else {
			forced = reason
		}
		s.Findings = append(s.Findings, f)
	}
	for i := range s.Findings {
		if f := &s.Findings[i]; f.Severity == recipe.Hold {
			s.Reason = cycle.HoldReason(f.Code)
			break
		}
	}
	if forced != handshake.NoHold {
		s.Reason = forced
	}
	p := handshake.Payload{Kind: handshake.KindRecipe, Origin: handshake.Computed}
	if s.Reason == handshake.NoHold {
		if bad := cycle.Fill(&p, &j.rec.Setpoints); len(bad) > 0 {
			s.Findings = append(s.Findings, bad...)
			s.Reason = handshake.HoldConfigFault
		}
	}
	if s.Reason != handshake.NoHold {
		s.Held = true
		p = handshake.Payload{Kind: handshake.KindHold, HoldReason: s.Reason, Origin: handshake.Computed}
	}
	s.Words = make([]uint16, handshake.PayloadWords)
	if err := p.Encode(s.Words); err != nil {
		return nil, fmt.Errorf("roll %d: %w", c.Number, err)
	}
	return s, nil
}

// previous computes the recipe of the roll before by this configuration. Where
// a person chose it, what the payload says of it holds instead.
func (j *Judge) previous(b *Base) error {
	recipe.Compute(j.line, &b.Roll, &b.Stand, &j.prev)
	if b.Override == nil {
		return nil
	}
	var p handshake.Payload
	if err := handshake.DecodePayload(b.Override, &p); err != nil {
		return fmt.Errorf("roll %d: recorded payload: %w", b.Roll.Number, err)
	}
	told := cycle.SetpointsOf(&p)
	told.WrapTime = j.prev.Setpoints.WrapTime // not in the payload
	j.prev.Setpoints = told
	return nil
}

// fixed reports whether a finding came from the controller.
func fixed(c recipe.Code) bool {
	switch c {
	case cycle.CodePermissives, cycle.CodeMeasurement, cycle.CodeRollData, cycle.CodeControllerLimit, cycle.CodeControllerOther:
		return true
	}
	return false
}

// ofTheMoment reports whether a finding of the controller repeats what a check
// may have found too.
func ofTheMoment(c recipe.Code) bool {
	return c == cycle.CodePermissives || c == cycle.CodeMeasurement
}
