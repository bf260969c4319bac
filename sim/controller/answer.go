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
	c.lastOffer = offer
	c.mem.Result = result{
		Req: c.mem.Req, Session: c.active, Offer: offer,
		Verdict: verdict, Reason: reason, CRC: p.Sum(),
	}
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
		c.mem.Phase = PhaseHeld
		c.mem.Hold = uint16(p.Get("hold_reason"))
		e.Hold = c.mem.Hold
	}
	c.note(e)
}

// verdict goes through the checks of the description in their order.
func (c *Controller) verdict(tick uint32, m, p registers.View, permissives uint32) (OfferVerdict, uint16) {
	own := &c.mem
	kind := p.Get("kind")
	switch {
	case !p.Whole() || !p.LayoutKnown() || p.Sum() != m.Get("payload_crc"),
		kind != kindRecipe && kind != kindHold:
		return Rejected, ReasonDamaged
	case sessionIn(p) != c.active, p.Get("boot_id") != own.Boot, p.Get("req_id") != own.Req,
		p.Get("roll_no") != own.Roll, p.Get("offer") != m.Get("offer"):
		return Rejected, ReasonOtherOffer
	case p.Letters("roll_tag") != own.Roll1.Tag, p.Get("diameter") != own.Roll1.Diameter, p.Get("width") != own.Roll1.Width:
		return Rejected, ReasonWrongData
	case tick-m.Get("tick") > ticks(c.cfg.CommitTTL):
		return Rejected, ReasonTooLate
	case !c.alive:
		return Rejected, ReasonNotAlive
	case kind == kindHold:
		return HeldByRecipe, 0
	}
	if off := c.cfg.Permissives &^ permissives; off != 0 {
		return Rejected, uint16(ReasonPermissive + bits.TrailingZeros32(off))
	}
	if broken := limitBroken(c.cfg.Limits, p); broken != 0 {
		return Rejected, broken
	}
	return Accepted, 0
}
