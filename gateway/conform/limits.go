package conform

import (
	"fmt"

	"lapgate/gateway/handshake"
	"lapgate/recipe"
)

// worked are the setpoints of the worked example of the handshake, as numbers of
// their fields. A recipe of the proof has them, moved inside the controller's
// limits.
var worked = handshake.Payload{
	Kind: handshake.KindRecipe,
	Slot: 2, WrapperWidth: 18500, FeedLength: 119433, FeedCounts: 23887, Layers: 300, Overlap: 1500, WrapSpeed: 600,
	TurningHz: 2554, FeedHz: 3120, CrimpTurns: 125, CrimpTime: 1190, CrimpTurningHz: 1702, CrimperHz: 2890, CrimperPressure: 6900,
	RollCentre: 7668, CrimperPosition: 6252, PlatenStroke: 4100, ContactPressure: 103, Temperature: 1767, Dwell: 650,
	InnerHead: 1250, OuterHead: 1219, Zones: 0x3F, Glue: 85, CloseMin: 1680, CloseMax: 1850,
	Gross: 15712, Tare: 231, ScaleTolerance: 150, Centring: -12, Groups: 0xFF,
}

// limits reads the controller's limits. ok is false where it publishes none.
func (t *trial) limits() (l handshake.Limits, ok bool) {
	if r := t.look(); t.err != nil || r.Flags&handshake.LimitsPublished == 0 {
		return l, false
	}
	words := t.read(handshake.LIMITS, 0)
	if t.err != nil {
		return l, false
	}
	t.readOther = &Frame{handshake.LIMITS.String(), "read", words}
	if err := handshake.DecodeLimits(words, &l); err != nil {
		t.fail("flag 7 of REQ says that LIMITS is published: %v", err)
		return l, false
	}
	return l, true
}

// published reads the limits, and ends the case where there are none.
func (t *trial) published() handshake.Limits {
	l, ok := t.limits()
	if !ok {
		t.skip("the controller does not publish LIMITS (flag 7 is off), so that its limits are not known here")
	}
	return l
}

// recipe makes an offer of a recipe that is inside every limit.
func (t *trial) recipe() offer { return t.recipeOf(worked) }

// recipeOf makes an offer of setpoints, each moved inside its limit.
func (t *trial) recipeOf(p handshake.Payload) offer {
	if l, ok := t.limits(); ok {
		if p.Groups &= l.Greatest.Groups; p.Groups == 0 {
			t.skip("the controller's limits have no group in force: nothing was entered yet")
		}
		for _, f := range handshake.SetpointFields() {
			least, greatest := f.Get(&l.Least), f.Get(&l.Greatest)
			switch {
			case !inForce(&f, p.Groups):
				f.Put(&p, 0)
			case least > greatest:
				t.skip("the limit of %s was not entered at the controller yet: every recipe is rejected", f.Name)
			case f.Bits:
				f.Put(&p, f.Get(&p)&greatest)
			default:
				f.Put(&p, min(max(f.Get(&p), least), greatest))
			}
		}
		if p.CloseMin = min(p.CloseMin, p.CloseMax); p.Temperature == 0 {
			p.CloseMin, p.CloseMax = 0, 0
		}
	}
	r := t.look()
	return t.make(&p, &r)
}

// inForce reports whether a setpoint counts while so many groups are.
func inForce(f *handshake.SetpointField, groups uint16) bool {
	group := recipe.SetpointOf(f.Setpoint).Group
	return group == recipe.Ungrouped || groups>>group&1 == 1
}

// broken is one number that a limit does not allow.
type broken struct {
	field   string
	n       int64
	reasons []uint16
}

// limitReason is the reason of a field that is outside its limit.
func limitReason(field string) uint16 {
	return handshake.RejectLimit + uint16(handshake.FieldOf(handshake.PAYLOAD, field).Register-handshake.FirstSetpoint)
}

// beyond lists for each limit the next number on either side of it.
func beyond(l *handshake.Limits, groups uint16) (out []broken) {
	for _, f := range handshake.SetpointFields() {
		if !inForce(&f, groups) {
			continue
		}
		least, greatest := f.Get(&l.Least), f.Get(&l.Greatest)
		bottom, top := f.Range()
		reasons := []uint16{limitReason(f.Name)}
		add := func(n int64) { out = append(out, broken{f.Name, n, reasons}) }
		if f.Bits {
			if bit := missing(greatest); bit != 0 {
				add(bit)
			}
			continue
		}
		if f.Name == "closing_least" || f.Name == "closing_greatest" { // the two go together
			reasons = []uint16{limitReason("closing_least"), limitReason("closing_greatest")}
		}
		if least > bottom && (f.Name != "header_temperature" || least > 1) {
			add(least - 1)
		}
		if greatest < top {
			add(greatest + 1)
		}
	}
	if bit := missing(int64(l.Greatest.Groups)); bit != 0 {
		out = append(out, broken{"groups", int64(groups) | bit, []uint16{limitReason("groups")}})
	}
	return out
}

// missing is the lowest bit of a register that is not among those that exist.
func missing(exist int64) int64 {
	for bit := int64(1); bit <= 0x8000; bit <<= 1 {
		if exist&bit == 0 {
			return bit
		}
	}
	return 0
}

func (b *broken) String() string { return fmt.Sprintf("a recipe with %s %d", b.field, b.n) }
