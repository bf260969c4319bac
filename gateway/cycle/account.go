package cycle

import (
	"math"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/reel"
)

// account is what the journal tells of the wrapper roll of one slot. It holds
// diameters and no lengths, so that the caliper in force makes a length of
// them. The zero account is none.
type account struct {
	hung  record.HungRoll
	outer float64 // when the account began, m; 0 without an account
	drawn float64 // since, by the encoder, m
	last  float64 // newest outer diameter that was reported, m
}

// mostDrawn is a reading of the encoder, m, that no roll takes.
const mostDrawn = 1000

// books begins the accounts of a request, and takes its diameters.
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

// draw books what a roll took of its wrapper. A roll that may have been
// wrapped without a reading ends the account of its slot, and of all slots
// when its slot is not known: what hangs there is known again from the next
// outer diameter on. A roll that was removed without a reading took nothing.
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

// ledger is the account as lengths. ok is false without an account, or when
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

// byDiameter is the wrapper of a slot by its outer diameter, m.
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

// anew tells that another wrapper roll hangs than the account is of: the
// diameter jumped up, and tells more than the account leaves. Either alone
// does not do. A sensor that stands still makes no jump while the account
// falls, and one that comes back from a bad reading tells no more than the
// account.
func (a *account) anew(line *recipe.Line, slot *recipe.SlotSpec, outer float64) bool {
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

// countStand sets what consumption leaves in each slot, and returns the wrapper
// rolls whose accounts begin with this view. A slot from which nothing was
// drawn since its diameter was taken has no count beside a diameter: that
// would be the same reading twice.
func (m *Machine) countStand(stand *recipe.Stand) []record.HungRoll {
	stand.Counted = [6]reel.Estimate{}
	if !m.line.Equipment.Stand.Present() {
		return nil
	}
	var hung []record.HungRoll
	for i := range m.line.Stand.Slots {
		slot := &m.line.Stand.Slots[i]
		if slot.Number < 1 || slot.Number > len(m.mem.accounts) {
			continue
		}
		a, outer := &m.mem.accounts[slot.Number-1], stand.Outer[slot.Number-1]
		if _, ok := byDiameter(m.line, slot, outer); ok && a.anew(m.line, slot, outer) {
			hung = append(hung, hungIn(slot))
			continue
		}
		if l, ok := a.ledger(m.line, slot); ok && (l.Drawn > 0 || outer == 0) {
			stand.Counted[slot.Number-1] = l.Left(m.line.Wrap.FeedSlipU)
		}
	}
	return hung
}
