package controller

import (
	"math/bits"

	"lapgate/sim/registers"
)

// Limit is the controller's own limit on one setpoint, by the name of its field
// in the payload, in the steps of its register, inclusive.
type Limit struct {
	Field    string
	Min, Max uint32
	Zero     bool // zero is legal beside the interval: none
}

func (l *Limit) field() *registers.Field { return registers.Payload.Shape().Field(l.Field) }

// Reason is the reason of a rejection by this limit.
func (l *Limit) Reason() uint16 {
	return uint16(ReasonLimit + l.field().Register - registers.FirstSetpoint)
}

// hottest is the step of 200.0 °C, above which no platen is heated, whatever
// limit is entered.
const hottest = 2000

// DefaultLimits are the limits that a line's controller is delivered with:
// wide, and on every setpoint that moves or heats something.
func DefaultLimits() []Limit {
	return []Limit{
		{Field: "slot", Min: 1, Max: 6},
		{Field: "wrapper_width", Min: 2000, Max: 40000},
		{Field: "feed_length", Min: 5000, Max: 700000},
		{Field: "feed_counts", Min: 100, Max: 10000000},
		{Field: "layers", Min: 100, Max: 1200},
		{Field: "overlap", Min: 0, Max: 10000},
		{Field: "wrap_speed", Min: 50, Max: 2000},
		{Field: "turning_frequency", Min: 100, Max: 9000},
		{Field: "feed_frequency", Min: 100, Max: 9000},
		{Field: "crimp_turns", Min: 50, Max: 800},
		{Field: "crimp_time", Min: 50, Max: 15000},
		{Field: "crimp_turning_frequency", Min: 100, Max: 9000},
		{Field: "crimper_frequency", Min: 100, Max: 9000, Zero: true},
		{Field: "crimper_pressure", Min: 0, Max: 16000},
		{Field: "roll_centre", Min: 500, Max: 20000, Zero: true},
		{Field: "crimper_position", Min: 0, Max: 20000},
		{Field: "platen_stroke", Min: 0, Max: 40000},
		{Field: "contact_pressure", Min: 0, Max: 5000},
		{Field: "header_temperature", Min: 400, Max: hottest},
		{Field: "header_dwell", Min: 20, Max: 9000},
		{Field: "inner_head", Min: 150, Max: 2500, Zero: true},
		{Field: "outer_head", Min: 150, Max: 2500, Zero: true},
		{Field: "glue", Min: 0, Max: 3000},
		{Field: "closing_least", Min: 400, Max: 2000, Zero: true},
		{Field: "closing_greatest", Min: 400, Max: 2050, Zero: true},
		{Field: "gross_mass", Min: 100, Max: 200000},
		{Field: "tare", Min: 0, Max: 20000},
		{Field: "scale_tolerance", Min: 1, Max: 2000},
	}
}

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
	for i := range c.cfg.Limits {
		if l := &c.cfg.Limits[i]; !l.keeps(p) {
			return Rejected, l.Reason()
		}
	}
	return Accepted, 0
}

// keeps reports whether a payload keeps the limit, or the group of the setpoint
// is not in force.
func (l *Limit) keeps(p registers.View) bool {
	if g := l.field().Group; g != registers.Always && p.Get("groups")>>g&1 == 0 {
		return true
	}
	v := p.Get(l.Field)
	return l.Zero && v == 0 || v >= l.Min && v <= l.Max
}
