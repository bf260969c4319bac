package controller

import "lapgate/sim/registers"

// Bases are the first registers of the blocks, zero-based.
type Bases struct {
	Req, Out, Heartbeat, Hello, Payload, Commit, Ack, Limits uint16
}

// DefaultBases are the bases that the description of the handshake proposes.
func DefaultBases() Bases {
	at := func(b registers.Block) uint16 { return b.Shape().Base }
	return Bases{
		Req: at(registers.Request), Out: at(registers.Outcome), Heartbeat: at(registers.Heartbeat), Hello: at(registers.Hello),
		Payload: at(registers.Payload), Commit: at(registers.Commit), Ack: at(registers.Ack), Limits: at(registers.Limits),
	}
}

// Of is the first register of a block.
func (b Bases) Of(block registers.Block) uint16 {
	switch block {
	case registers.Request:
		return b.Req
	case registers.Outcome:
		return b.Out
	case registers.Heartbeat:
		return b.Heartbeat
	case registers.Hello:
		return b.Hello
	case registers.Payload:
		return b.Payload
	case registers.Commit:
		return b.Commit
	case registers.Limits:
		return b.Limits
	}
	return b.Ack
}

// Area is one private copy of all that the gateway writes.
type Area struct {
	Heartbeat [registers.HeartbeatWords]uint16
	Hello     [registers.HelloWords]uint16
	Payload   [registers.PayloadWords]uint16
	Commit    [registers.CommitWords]uint16
	Ack       [registers.AckWords]uint16
}

// ReqWords is the request block as published.
type ReqWords = [registers.RequestWords]uint16

// PayloadWords is an offer.
type PayloadWords = [registers.PayloadWords]uint16

// LimitsWords is the block of the controller's own limits.
type LimitsWords = [registers.LimitsWords]uint16

// OutWords is one entry of the outcome ring.
type OutWords = [registers.OutcomeWords]uint16

// Session names one session of the gateway: the epoch gives the order, both
// give the identity. The zero value is no session.
type Session struct{ Epoch, Nonce uint32 }

// sessionIn reads the session that a block names.
func sessionIn(v registers.View) Session { return Session{v.Get("epoch"), v.Get("nonce")} }

// Tag is a roll's text, zero padded.
type Tag [registers.TagLetters]byte

// TagOf cuts and pads a text.
func TagOf(s string) (t Tag) { copy(t[:], s); return t }

func (t Tag) String() string {
	n := 0
	for n < len(t) && t[n] != 0 {
		n++
	}
	return string(t[:n])
}

// Recipe is an accepted payload as the line's equipment takes it, in SI with
// temperatures in °C. A field of a group that is not in force is zero.
type Recipe struct {
	Groups uint16

	Slot            int
	WrapperWidth    float64
	FeedLength      float64
	FeedCounts      uint32
	Layers          float64
	Overlap         float64
	WrapSpeed       float64
	TurningHz       float64
	FeedHz          float64
	CrimpTurns      float64
	CrimpTime       float64
	CrimpTurningHz  float64
	CrimperHz       float64
	CentreHeight    float64
	Temperature     float64
	Dwell           float64
	CloseLeast      float64 // temperature of the cooler platen from which the press may close; 0 for none told
	CloseGreatest   float64 // of the hotter one up to which it may
	InnerHead       float64
	OuterHead       float64
	Glue            float64 // kg
	Gross           float64
	ScaleTolerance  float64 // relative
	Centring        float64 // m, signed
	ContactPressure float64 // Pa
}

// Has reports whether a group is in force.
func (r *Recipe) Has(g registers.Group) bool { return r.Groups>>g&1 == 1 }

// RecipeOf reads the setpoints of a whole payload, as the program does when it
// accepts one. ok is false when the block is damaged or holds no recipe.
func RecipeOf(payload []uint16) (r Recipe, ok bool) {
	if len(payload) != registers.PayloadWords {
		return Recipe{}, false
	}
	p := registers.In(registers.Payload, payload)
	if !p.Whole() || p.Get("kind") != kindRecipe {
		return Recipe{}, false
	}
	return recipeOf(p), true
}

// recipeOf reads the setpoints of a payload.
func recipeOf(p registers.View) Recipe {
	r := Recipe{
		Groups:    uint16(p.Get("groups")),
		InnerHead: p.SI("inner_head"),
		OuterHead: p.SI("outer_head"),
	}
	if r.Has(registers.GroupStand) {
		r.Slot, r.WrapperWidth = int(p.Get("slot")), p.SI("wrapper_width")
	}
	if r.Has(registers.GroupWrap) {
		r.FeedLength, r.FeedCounts = p.SI("feed_length"), p.Get("feed_counts")
		r.Layers, r.Overlap, r.WrapSpeed = p.SI("layers"), p.SI("overlap"), p.SI("wrap_speed")
	}
	if r.Has(registers.GroupDrives) {
		r.TurningHz, r.FeedHz = p.SI("turning_frequency"), p.SI("feed_frequency")
		r.CrimpTurningHz, r.CrimperHz = p.SI("crimp_turning_frequency"), p.SI("crimper_frequency")
	}
	if r.Has(registers.GroupCrimp) {
		r.CrimpTurns, r.CrimpTime = p.SI("crimp_turns"), p.SI("crimp_time")
		r.CentreHeight = p.SI("roll_centre")
	}
	if r.Has(registers.GroupHeader) {
		r.ContactPressure = p.SI("contact_pressure")
		r.Temperature, r.Dwell = p.SI("header_temperature"), p.SI("header_dwell")
		r.CloseLeast, r.CloseGreatest = p.SI("closing_least"), p.SI("closing_greatest")
	}
	if r.Has(registers.GroupGlue) {
		r.Glue = p.SI("glue")
	}
	if r.Has(registers.GroupWeigh) {
		r.Gross, r.ScaleTolerance = p.SI("gross_mass"), p.SI("scale_tolerance")
	}
	if r.Has(registers.GroupCentre) {
		r.Centring = p.SI("centring_offset")
	}
	return r
}
