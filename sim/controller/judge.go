package controller

import "math/bits"

// Limit is the controller's own limit on one setpoint, in the units of the
// wire, inclusive. Group is the group it belongs to, -1 for always in force.
type Limit struct {
	Name     string
	Reg      int  // first register in the payload
	Double   bool // two registers
	Group    int
	Min, Max uint32
	Zero     bool // zero is legal beside the interval: none
}

// Reason is the reason of a rejection by this limit.
func (l Limit) Reason() uint16 { return uint16(ReasonLimit + l.Reg - firstSetpointField) }

// DefaultLimits are the limits that a line's controller is delivered with:
// wide, and on every setpoint that moves or heats something.
func DefaultLimits() []Limit {
	return []Limit{
		{Name: "wrapper slot", Reg: 33, Group: GroupStand, Min: 1, Max: 6},
		{Name: "wrapper width", Reg: 34, Group: GroupStand, Min: 2000, Max: 40000},
		{Name: "feed length", Reg: 35, Double: true, Group: GroupWrap, Min: 5000, Max: 700000},
		{Name: "feed counts", Reg: 37, Double: true, Group: GroupWrap, Min: 100, Max: 10000000},
		{Name: "layers", Reg: 39, Group: GroupWrap, Min: 100, Max: 1200},
		{Name: "overlap", Reg: 40, Group: GroupWrap, Min: 0, Max: 10000},
		{Name: "wrap speed", Reg: 41, Group: GroupWrap, Min: 50, Max: 2000},
		{Name: "turning drive, wrapping", Reg: 42, Group: GroupDrives, Min: 100, Max: 9000},
		{Name: "feed drive", Reg: 43, Group: GroupDrives, Min: 100, Max: 9000},
		{Name: "crimp turns", Reg: 44, Group: GroupCrimp, Min: 50, Max: 800},
		{Name: "crimp time", Reg: 45, Group: GroupCrimp, Min: 50, Max: 15000},
		{Name: "turning drive, crimping", Reg: 46, Group: GroupDrives, Min: 100, Max: 9000},
		{Name: "crimper drive", Reg: 47, Group: GroupDrives, Min: 100, Max: 9000, Zero: true},
		{Name: "crimper pressure", Reg: 48, Group: GroupCrimp, Min: 0, Max: 16000},
		{Name: "roll centre height", Reg: 49, Group: GroupCrimp, Min: 500, Max: 20000, Zero: true},
		{Name: "crimper position", Reg: 50, Group: GroupCrimp, Min: 0, Max: 20000},
		{Name: "platen stroke", Reg: 51, Group: GroupHeader, Min: 0, Max: 40000},
		{Name: "platen contact pressure", Reg: 52, Group: GroupHeader, Min: 0, Max: 5000},
		{Name: "header temperature", Reg: 53, Group: GroupHeader, Min: 400, Max: 2100},
		{Name: "header dwell", Reg: 54, Group: GroupHeader, Min: 20, Max: 9000},
		{Name: "inner head", Reg: 55, Group: -1, Min: 150, Max: 2500, Zero: true},
		{Name: "outer head", Reg: 56, Group: -1, Min: 150, Max: 2500, Zero: true},
		{Name: "glue", Reg: 58, Group: GroupGlue, Min: 0, Max: 3000},
		{Name: "gross mass", Reg: 60, Double: true, Group: GroupWeigh, Min: 100, Max: 200000},
		{Name: "tare", Reg: 62, Double: true, Group: GroupWeigh, Min: 0, Max: 20000},
		{Name: "scale tolerance", Reg: 64, Group: GroupWeigh, Min: 1, Max: 2000},
	}
}

// kinds of an offer.
const (
	kindRecipe = 1
	kindHold   = 2
)

// judge decides on the offer that the commit names. Whatever the verdict, the
// offer is used up and the result shows it.
func (c *Controller) judge(tick uint32, area *Area, in *Inputs) {
	m, p := area.Commit[:], area.Payload[:]
	verdict, reason := c.verdict(tick, m, p, in.Permissives)
	c.lastOffer = m[1]
	c.mem.Result = result{
		Req: c.mem.Req, Session: c.active, Offer: m[1],
		Verdict: verdict, Reason: reason, CRC: long(p, payloadLen-2),
	}
	e := Event{
		Kind: EventJudged, Roll: c.mem.Roll, Req: c.mem.Req, Session: c.active, Offer: m[1],
		Verdict: verdict, Reason: reason, Tick: tick, Echoed: long(m, 10), On: in.Permissives,
		Payload: area.Payload,
	}
	switch verdict {
	case Accepted:
		c.mem.Payload = area.Payload
		c.mem.Phase = Run
		c.mem.RunStart = tick
	case HeldByRecipe:
		c.mem.Phase = Held
		c.mem.Hold = p[14]
		e.Hold = p[14]
	}
	c.note(e)
}

func (c *Controller) verdict(tick uint32, m, p []uint16, permissives uint32) (Verdict, uint16) {
	own := &c.mem
	switch {
	case !whole(p, typePayload) || p[1] != layoutVersion || long(p, payloadLen-2) != long(m, 8),
		p[13] != kindRecipe && p[13] != kindHold:
		return Rejected, ReasonDamaged
	case sessionAt(p, 2) != c.active, long(p, 6) != own.Boot, long(p, 8) != own.Req,
		long(p, 10) != own.Roll, p[12] != m[1]:
		return Rejected, ReasonOtherOffer
	case tagAt(p, 21) != own.Roll1.Tag, long(p, 29) != own.Roll1.Diameter, long(p, 31) != own.Roll1.Width:
		return Rejected, ReasonWrongData
	case tick-long(m, 10) > ticks(c.cfg.CommitTTL):
		return Rejected, ReasonTooLate
	case !c.alive:
		return Rejected, ReasonNotAlive
	case p[13] == kindHold:
		return HeldByRecipe, 0
	}
	if off := c.cfg.Permissives &^ permissives; off != 0 {
		return Rejected, uint16(ReasonPermissive + bits.TrailingZeros32(off))
	}
	for _, l := range c.cfg.Limits {
		if l.Group >= 0 && p[66]>>l.Group&1 == 0 {
			continue
		}
		v := uint32(p[l.Reg])
		if l.Double {
			v = long(p, l.Reg)
		}
		if l.Zero && v == 0 {
			continue
		}
		if v < l.Min || v > l.Max {
			return Rejected, l.Reason()
		}
	}
	return Accepted, 0
}
