package replay

import (
	"fmt"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
)

// History makes cases of the records of a journal, in their order. Of several
// offers for one request the last counts.
type History struct {
	finished uint32
	holdAll  bool
	prev     *Base
	pending  *Case
}

// processStart is the cause of the first session of a process, which knows no
// roll before.
const processStart = "start"

// Take takes the next record. It returns a case when the record ends one, else
// nil; an error means a payload recorded that cannot be read.
func (h *History) Take(s record.Stored) (*Case, error) {
	switch r := s.Record.(type) {
	case record.Session:
		if r.Cause == processStart {
			h.prev = nil
		}
	case record.Request:
		var done *Case
		if h.pending != nil && h.pending.Token != r.Token {
			done = h.pending
		}
		h.pending = &Case{
			Number: r.Roll, Tag: r.Measured.Tag, Token: r.Token, Roll: r.Measured, Stand: r.Stand,
			LastRoll: h.finished, Duplicate: r.Roll <= h.finished, HoldAll: h.holdAll, Prev: h.prev,
		}
		return done, nil
	case record.Intent:
		c := h.pending
		if c == nil || c.Token != r.Token {
			return nil, nil
		}
		c.offer, c.Override = r.Offer, r.Origin == handshake.Override
		c.record(r.Form == handshake.KindHold, r.HoldReason, ConfigHash(r.ConfigHash), r.Payload, r.Findings)
		return nil, c.sound(s.Seq)
	case record.Shadow:
		c := h.pending
		if c == nil || c.Token != r.Token {
			return nil, nil
		}
		var p handshake.Payload
		if err := handshake.DecodePayload(r.Payload, &p); err != nil {
			return nil, fmt.Errorf("record %d: %w", s.Seq, err)
		}
		c.record(p.Kind == handshake.KindHold, p.HoldReason, ConfigHash(p.ConfigHash), r.Payload, r.Findings)
	case record.Verdict:
		c := h.pending
		if r.Verdict != handshake.Accepted {
			break
		}
		h.finished = max(h.finished, r.Roll)
		if c != nil && c.Recorded != nil && c.offer == r.Offer && !r.Settled {
			h.prev = &Base{Roll: c.Roll, Stand: c.Stand}
			if c.Override {
				h.prev.Override = c.Recorded.Words
			}
		}
	case record.Outcome:
		h.finished = max(h.finished, r.Outcome.RollNo)
	case record.Gap:
		if r.Boot != 0 {
			h.finished = 0 // the controller counts from the start again
		}
	case record.Hold:
		h.holdAll = r.On
	}
	return nil, nil
}

// Last returns the case that the end of the journal ends, or nil.
func (h *History) Last() *Case {
	c := h.pending
	h.pending = nil
	return c
}

func (c *Case) record(held bool, reason handshake.HoldReason, hash ConfigHash, words []uint16, findings []recipe.Finding) {
	c.Recorded = &Side{Held: held, Reason: reason, Words: words, Findings: findings}
	c.ConfigHash = hash
	c.Fixed = nil
	for _, f := range findings {
		if fixed(f.Code) {
			c.Fixed = append(c.Fixed, f)
		}
	}
}

// sound proves the payload recorded, whose words are compared.
func (c *Case) sound(seq uint64) error {
	if err := handshake.Verify(handshake.PAYLOAD, c.Recorded.Words); err != nil {
		return fmt.Errorf("record %d: %w", seq, err)
	}
	return nil
}
