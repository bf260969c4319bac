package cycle

import (
	"math"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/reel"
)

// account counts what was drawn from the wrapper roll of one slot, by the
// journal. It holds the outer diameter at its beginning and not a length, because
// the length follows from the caliper that is configured now. The zero value is no
// account.
type account struct {
	hung  record.HungRoll
	outer float64 // when the account began, m; 0 without an account
	drawn float64 // since, by the encoder, m
	last  float64 // newest outer diameter that was reported, m
}

// mostDrawn is more wrapper, m, than any roll takes: an encoder that says so is
// not believed.
const mostDrawn = 1000

// books begins the accounts that a request begins, and keeps its diameters.
func (m *memory) books(r *record.Request) {
	for _, h := range r.Hung {
		if h.Slot >= 1 && h.Slot <= len(m.accounts) {
			m.accounts[h.Slot-1] = account{hung: h, outer: r.Stand.Outer[h.Slot-1]}
		}
	}
	for i := range m.accounts {
		if a := &m.accounts[i]; a.outer > 0 && r.Stand.Outer[i] > 0 {
			a.last = r.Stand.Outer[i]
		}
	}
}

// hung begins the account of a slot anew when an act of hanging takes effect: with
// the outer diameter that was told, or with the next one that is measured.
func (m *memory) hung(r *record.Hung) {
	if r.Step != record.InForce || r.Slot < 1 || r.Slot > len(m.accounts) {
		return
	}
	a := &m.accounts[r.Slot-1]
	*a = account{}
	if h := m.Acts.Slots[r.Slot-1].InForce; h != nil && h.State == record.Hangs && h.Outer > 0 {
		*a = account{hung: record.HungRoll{Slot: h.Slot, Width: h.Width, Paper: h.Paper}, outer: h.Outer, last: h.Outer}
	}
}

// draw books what a roll took of its wrapper. A roll that may have been
// wrapped, but came without a reading, ends the account of its slot, or of every
// slot when its own is not known. The next outer diameter begins another. A roll
// that was removed without a reading took nothing.
func (m *memory) draw(o *handshake.Outcome) {
	const perMetre = 10000
	length := float64(o.EncoderUsed) / perMetre
	known := o.Slot >= 1 && int(o.Slot) <= len(m.accounts)
	switch {
	case length == 0 && o.Outcome == handshake.Removed:
	case !known:
		m.accounts = [6]account{}
	case length == 0 || length > mostDrawn:
		m.accounts[o.Slot-1] = account{}
	case m.accounts[o.Slot-1].outer > 0:
		m.accounts[o.Slot-1].drawn += length
	}
}

// ledger returns the account as lengths. ok is false without an account, or when
// another wrapper is configured than the one that was hung.
func (a *account) ledger(line *recipe.Line, slot *recipe.SlotSpec) (l reel.Ledger, ok bool) {
	if !(a.outer > 0) || a.hung != hungIn(slot) {
		return reel.Ledger{}, false
	}
	start, ok := byDiameter(line, slot, a.outer)
	return reel.Ledger{Start: start, Drawn: a.drawn}, ok
}

func hungIn(slot *recipe.SlotSpec) record.HungRoll {
	return record.HungRoll{Slot: slot.Number, Width: slot.Width, Paper: slot.Paper}
}

// byDiameter is the length left on the wrapper roll of a slot by its outer
// diameter, m.
func byDiameter(line *recipe.Line, slot *recipe.SlotSpec, outer float64) (reel.Estimate, bool) {
	paper := line.Materials.Paper(slot.Paper)
	if paper == nil || !(outer > 0) {
		return reel.Estimate{}, false
	}
	s := &line.Stand
	w := reel.Winding{Outer: outer, OuterU: s.OuterU, Core: s.CoreDiameter, Caliper: paper.Caliper, CaliperU: paper.CaliperU}
	e, err := w.Left()
	return e, err == nil
}

// replaced reports whether a new wrapper roll was hung since the account began.
// Two things must come together: the diameter has grown since the last reading,
// and it stands for more wrapper than the account has left. A sensor that is stuck
// shows no growth although the account falls. A sensor that recovers from a bad
// reading shows growth, but no more than the account has left.
func (a *account) replaced(line *recipe.Line, slot *recipe.SlotSpec, outer float64) bool {
	l, ok := a.ledger(line, slot)
	if !ok {
		return true
	}
	k := line.Limits.GuardK
	if !(outer-a.last > k*math.Sqrt2*line.Stand.OuterU) {
		return false
	}
	seen, ok := byDiameter(line, slot, outer)
	if !ok {
		return false
	}
	_, changed, err := l.See(seen, line.Wrap.FeedSlipU, k)
	return err == nil && changed
}

// countStand sets the wrapper that the accounts leave in each slot, and returns the
// wrapper rolls whose accounts begin with this view. As long as nothing was drawn,
// the account says what its diameter said, so a slot with a diameter gets no count
// beside it.
func (m *Machine) countStand(stand *recipe.Stand) []record.HungRoll {
	stand.Counted = [6]reel.Estimate{}
	line := m.asTold()
	if !line.Equipment.Stand.Present() {
		return nil
	}
	var hung []record.HungRoll
	for i := range line.Stand.Slots {
		slot := &line.Stand.Slots[i]
		if slot.Number < 1 || slot.Number > len(m.mem.accounts) {
			continue
		}
		a, outer := &m.mem.accounts[slot.Number-1], stand.Outer[slot.Number-1]
		if _, ok := byDiameter(line, slot, outer); ok && a.replaced(line, slot, outer) {
			hung = append(hung, hungIn(slot))
			continue
		}
		if l, ok := a.ledger(line, slot); ok && (l.Drawn > 0 || outer == 0) {
			stand.Counted[slot.Number-1] = l.Left(line.Wrap.FeedSlipU)
		}
	}
	return hung
}
