package controller

import (
	"math/bits"

	"lapgate/sim/registers"
)

// kinds of an offer.
const (
	kindRecipe = 1
	kindHold   = 2
)

// answer decides on the offer that the commit names. Whatever the verdict, the
// offer is used up and the result shows it.
func (c *Controller) answer(tick uint32, area *Area, in *Inputs) {
	m, p := registers.In(registers.Commit, area.Commit[:]), registers.In(registers.Payload, area.Payload[:])
	verdict, reason := c.verdict(tick, m, p, in.Permissives)
	offer := uint16(m.Get("offer"))
	if !c.cfg.breaks(RuleResultOffer) || verdict != Rejected {
		c.lastOffer = offer
	}
	c.mem.Result = result{
		Req: c.mem.Req, Session: c.active, Offer: offer,
		Verdict: verdict, Reason: reason, CRC: p.Sum(),
	}
	c.spoilResult()
	e := Event{
		Kind: EventVerdict, Roll: c.mem.Roll, Req: c.mem.Req, Session: c.active, Offer: offer,
		Verdict: verdict, Reason: reason, Tick: tick, Echoed: m.Get("tick"), On: in.Permissives,
		Payload: area.Payload,
	}
	switch verdict {
	case Accepted:
		c.mem.Payload = area.Payload
		c.mem.Phase = PhaseRun
		c.mem.RunStart = tick
	case HeldByRecipe:
		if !c.cfg.breaks(RuleHoldHeld) {
			c.mem.Phase = PhaseHeld
		}
		c.mem.Hold = uint16(p.Get("hold_reason"))
		e.Hold = c.mem.Hold
	}
	c.note(e)
}

// verdict goes through the checks of the description in their order.
func (c *Controller) verdict(tick uint32, m, p registers.View, permissives uint32) (OfferVerdict, uint16) {
	own, keeps := &c.mem, func(r Rule) bool { return !c.cfg.breaks(r) }
	kind := p.Get("kind")
	wrongRoll := p.Letters("roll_tag") != own.Roll1.Tag && keeps(RuleJudgeTag) ||
		p.Get("diameter") != own.Roll1.Diameter && keeps(RuleJudgeDiameter) || p.Get("width") != own.Roll1.Width && keeps(RuleJudgeWidth)
	age := tick - m.Get("tick")
	switch {
	case !p.Whole() && keeps(RuleJudgeCRC), !p.LayoutKnown() && keeps(RuleJudgeLayout), p.Sum() != m.Get("payload_crc") && keeps(RuleJudgeCommitted),
		kind != kindRecipe && kind != kindHold && keeps(RuleJudgeKind):
		return Rejected, ReasonDamaged
	case wrongRoll && !keeps(RuleJudgeOrder):
		return Rejected, ReasonWrongData
	case sessionIn(p) != c.active && keeps(RuleJudgeSession), p.Get("boot_id") != own.Boot && keeps(RuleJudgeBoot), p.Get("req_id") != own.Req && keeps(RuleJudgeRequest),
		p.Get("roll_no") != own.Roll && keeps(RuleJudgeRoll), p.Get("offer") != m.Get("offer") && keeps(RuleJudgeOffer):
		return Rejected, ReasonOtherOffer
	case wrongRoll:
		return Rejected, ReasonWrongData
	case age > ticks(c.cfg.CommitTTL) && keeps(RuleJudgeLate), age > ticks(c.cfg.CommitTTL)/4 && !keeps(RuleJudgeInTime):
		return Rejected, ReasonTooLate
	case !c.alive && keeps(RuleJudgeAlive):
		return Rejected, ReasonNotAlive
	case kind == kindHold && (keeps(RuleHoldAnyhow) || c.cfg.Permissives&^permissives == 0):
		return HeldByRecipe, 0
	}
	if off := c.cfg.Permissives &^ permissives; off != 0 && keeps(RuleJudgePermissive) {
		if !keeps(RulePermissiveNo) {
			return Rejected, ReasonPermissive + 31
		}
		return Rejected, uint16(ReasonPermissive + bits.TrailingZeros32(off))
	}
	if broken := c.cfg.limitBroken(p); broken != 0 {
		return Rejected, broken
	}
	return Accepted, 0
}
