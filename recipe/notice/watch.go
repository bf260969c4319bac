package notice

import (
	"math"
	"strconv"
	"time"
)

// Finding is a fault, or the end of one.
type Finding struct {
	Code     Code
	Of       string // the slot or position, as "slot 3"; empty for the line
	Ended    bool
	First    uint32 // roll with which it began, as far as the record can tell
	Last     uint32 // newest roll that was taken
	Rolls    int    // taken from First to Last
	Evidence []Number
}

// Number is one number of the evidence, in SI; its name ends in the unit.
type Number struct {
	Name  string
	Value float64
}

// Slots of a stand and positions of a scanner at most.
const (
	mostSlots     = 6
	mostPositions = 12
)

// Watch takes the rolls of one line in their order. The zero value is ready.
// It is for one goroutine.
type Watch struct {
	platen    side
	platenWas platenSeen
	feed      pair
	feedSlot  [mostSlots]pair
	scale     pair
	wrapper   [mostSlots]pair
	overhang  [mostSlots]pair
	pressure  side
	scanner   [mostPositions]pair
	blind     [mostPositions]side
	caliper   [mostSlots]pair
	reels     [mostSlots]reelSeen
	newest    uint32 // number of the roll before

	out []Finding
}

// hang begins anew with the slots into which a wrapper roll was hung.
func (w *Watch) hang(r *Roll) {
	for _, slot := range r.Hung {
		s, ok := slotOf(slot)
		if !ok {
			continue
		}
		for _, one := range []struct {
			code Code
			*pair
		}{{FeedCounts, &w.feedSlot[s]}, {WrapperWeight, &w.wrapper[s]}, {OverhangOff, &w.overhang[s]}, {CaliperOff, &w.caliper[s]}} {
			for _, side := range []*side{&one.up, &one.down} {
				if side.found {
					w.tell(ended, one.code, slotName(slot), side)
				}
			}
			*one.pair = pair{}
		}
		w.reels[s] = reelSeen{}
	}
}

// Add takes the next roll, and returns the findings that begin or end with it.
// The slice is valid until the next call.
func (w *Watch) Add(r *Roll) []Finding {
	w.out = w.out[:0]
	w.hang(r)
	w.takePlaten(r)
	w.takeFeed(r)
	w.takeWeighing(r)
	w.takeOverhang(r)
	w.takePressure(r)
	w.takeScanner(r)
	w.takeReels(r)
	return w.out
}

// tell tells of a change of a finding.
func (w *Watch) tell(c change, code Code, of string, s *side, evidence ...Number) {
	w.out = append(w.out, Finding{Code: code, Of: of, Ended: c == ended, First: s.first, Last: s.last, Rolls: s.n, Evidence: evidence})
}

// tellPair tells of a comparison in both directions. unit is that of the
// evidence.
func (w *Watch) tellPair(up, down change, code Code, of string, p *pair, unit string, u, allowed float64) {
	for c, s := range sides(up, down, p) {
		w.tell(c, code, of, s, Number{"difference" + unit, s.mean()}, Number{"difference_u" + unit, u / math.Sqrt(float64(s.n))}, Number{"allowed" + unit, allowed})
	}
}

// Limits of the platens (J).
const (
	platenU       = 2 // K, of a reading: sensor and cycling of the heater
	platenRising  = 4 // K from one request to the next: it is heating up
	platenSettles = 10 * time.Minute
)

// platenSeen is the platen at the request before.
type platenSeen struct {
	roll            uint32
	since           time.Time // its setpoint changed; zero while it never did
	setpoint, value float64
}

// takePlaten compares the cooler platen with its setpoint. A platen that heats
// up is not told of, and neither is one on its way to another setpoint.
func (w *Watch) takePlaten(r *Roll) {
	if !finite(r.Setpoint) || !finite(r.Platen) || !finite(r.Allowed) || r.Setpoint == 0 || r.Platen == 0 {
		return
	}
	was := w.platenWas
	now := platenSeen{roll: r.Number, since: was.since, setpoint: r.Setpoint, value: r.Platen}
	if was.setpoint != 0 && was.setpoint != r.Setpoint {
		now.since = r.At
	}
	w.platenWas = now
	lag := r.Setpoint - r.Platen
	rising := was.setpoint != 0 && r.Platen-was.value > platenRising
	settling := !now.since.IsZero() && r.At.Sub(now.since) < platenSettles
	if lag > r.Allowed && (rising || settling) {
		return
	}
	c := w.platen.take(r.Number, min((lag-r.Allowed)/platenU, wild)-slack, lag, limit)
	if w.platen.n == 1 && was.roll != 0 {
		// The roll before was pressed somewhere between its reading and this one.
		w.platen.first = was.roll
	}
	if c != none {
		w.tell(c, PlatenCold, "", &w.platen,
			Number{"setpoint_c", r.Setpoint}, Number{"platen_c", r.Platen}, Number{"below_k", w.platen.mean()}, Number{"allowed_k", r.Allowed})
	}
}

// takeFeed tests the feed rolls over all rolls, and the wrapper of a slot: one
// that slides shows on its own rolls alone.
func (w *Watch) takeFeed(r *Roll) {
	c := &r.Feed
	if !c.known() || !(c.Expected > 0) {
		return
	}
	share, u, allowed := 100*(c.Measured/c.Expected-1), 100*c.U/c.Expected, 200*c.Standing/c.Expected
	up, down := w.feed.take(r.Number, share, u, allowed, limit)
	w.tellPair(up, down, FeedCounts, "", &w.feed, "_percent", u, allowed)

	// What every slot shows is told once, of the line.
	if s, ok := slotOf(r.Slot); ok && !w.feed.up.found && !w.feed.down.found {
		p := &w.feedSlot[s]
		up, down := p.take(r.Number, share, u, allowed, limit)
		w.tellPair(up, down, FeedCounts, slotName(r.Slot), p, "_percent", u, allowed)
	}
}

// takeWeighing tests the scale over all rolls, and the wrapper of a slot where
// another one would make a difference that can be told from the scatter.
func (w *Watch) takeWeighing(r *Roll) {
	c := &r.Weighing
	if !c.known() {
		return
	}
	delta, allowed := c.Measured-c.Expected, 2*c.Standing
	up, down := w.scale.take(r.Number, delta, c.U, allowed, scaleLimit)
	w.tellPair(up, down, ScaleOff, "", &w.scale, "_kg", c.U, allowed)

	s, ok := slotOf(r.Slot)
	if !ok {
		return
	}
	var heavier, lighter float64 // the least difference in each direction that can be told
	for _, d := range r.Others {
		switch {
		case d > 2*c.U+allowed && (heavier == 0 || d < heavier):
			heavier = d
		case -d > 2*c.U+allowed && (lighter == 0 || d > lighter):
			lighter = d
		}
	}
	p := &w.wrapper[s]
	z, a := delta/c.U, allowed/c.U
	if heavier != 0 {
		w.tellWrapper(p.up.take(r.Number, min(z-a, wild)-max(slack, (heavier/c.U-a)/2), delta, limit), r.Slot, &p.up, heavier)
	}
	if lighter != 0 {
		w.tellWrapper(p.down.take(r.Number, min(-z-a, wild)-max(slack, (-lighter/c.U-a)/2), delta, limit), r.Slot, &p.down, lighter)
	}
}

func (w *Watch) tellWrapper(c change, slot int, s *side, other float64) {
	if c != none {
		w.tell(c, WrapperWeight, slotName(slot), s, Number{"difference_kg", s.mean()}, Number{"other_wrapper_kg", other})
	}
}

func (w *Watch) takeOverhang(r *Roll) {
	s, ok := slotOf(r.Slot)
	if c := &r.Overhang; ok && c.known() {
		up, down := w.overhang[s].take(r.Number, c.Measured-c.Expected, c.U, 2*c.Standing, limit)
		w.tellPair(up, down, OverhangOff, slotName(r.Slot), &w.overhang[s], "_m", c.U, 2*c.Standing)
	}
}

func (w *Watch) takePressure(r *Roll) {
	c := &r.Pressure
	if !c.known() {
		return
	}
	short := c.Expected - c.Measured
	if ch := w.pressure.take(r.Number, min((short-2*c.Standing)/c.U, wild)-slack, short, limit); ch != none {
		w.tell(ch, PressureLow, "", &w.pressure, Number{"expected_pa", c.Expected}, Number{"measured_pa", c.Measured}, Number{"short_pa", w.pressure.mean()})
	}
}

// slotOf is the index of a slot.
func slotOf(slot int) (int, bool) { return slot - 1, slot >= 1 && slot <= mostSlots }

func slotName(slot int) string { return "slot " + strconv.Itoa(slot) }
