package cycle

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/check"
	"lapgate/recipe/quantity"
	"lapgate/recipe/wording"
)

// greatestOuter is the outer diameter, m, above which no wrapper roll is believed.
const greatestOuter = 3

// sameWidth is how far a width may be from one that may be hung to mean that, m: a
// rounding, and no tolerance of the paper.
const sameWidth = 1e-4

// asTold is the line with what persons told of it.
func (m *Machine) asTold() *recipe.Line { return m.mem.Acts.Line(m.line) }

// askHang answers whether a person's word on a slot can be taken, and what is to
// be done for it to take effect. Unless only that was asked, it is recorded.
func (m *Machine) askHang(e HangWrapper) {
	h := record.Hang{No: m.mem.Acts.Hangs + 1, Slot: e.Slot, State: e.State, Width: e.Width, Paper: e.Paper,
		Outer: e.Outer, Length: e.Length, Corrects: e.Corrects, By: e.By, User: e.User}
	a := HangAnswer{No: h.No}
	if a.Problems = m.hangProblems(&h); len(a.Problems) > 0 {
		m.do(a)
		m.tell(noteHangRefused, wording.Say("told.wrapper-refused", "by", h.By, "slot", h.Slot, "why", a.Problems[0]),
			Field{"slot", h.Slot}, Field{"by", h.By}, Field{"user", h.User})
		return
	}
	slot := &m.mem.Acts.Slots[h.Slot-1]
	atOnce, why := h.State == record.Empty || h.State == record.OutOfService, "nothing is taken from it"
	if h.Corrects != 0 && slot.InForce != nil && slot.InForce.No == h.Corrects {
		atOnce, why = true, "it corrects what is in force"
	}
	next := m.afterHang(&h, atOnce)
	a.Next = next
	m.do(a)
	if e.Preview {
		return
	}
	m.journal(h)
	if atOnce {
		m.journal(record.Hung{No: h.No, Slot: h.Slot, Step: record.InForce, Evidence: why})
	}
	m.end(contradictedKey(h.Slot))
	m.tell(noteHang, wording.Say("told.wrapper-told", "slot", h.Slot, "by", h.By, "what", m.hangWords(&h), "next", next), Field{"act", h.No}, Field{"slot", h.Slot}, Field{"by", h.By}, Field{"user", h.User})
}

// hangProblems lists why a person's word on a slot cannot be taken, and fills in
// what follows from the configuration.
func (m *Machine) hangProblems(h *record.Hang) (problems problems) {
	problems.add(h.By == "", wording.Say("refused.hang.name"))
	stand := &m.line.Stand
	i := slices.IndexFunc(stand.Slots, func(s recipe.SlotSpec) bool { return s.Number == h.Slot })
	if i < 0 || h.Slot < 1 || h.Slot > len(m.mem.Acts.Slots) || !m.line.Equipment.Stand.Present() {
		return append(problems, m.noSlot(h.Slot))
	}
	h.Over = record.OverOf(&stand.Slots[i])
	busy := m.takesFrom(h.Slot)
	problems.add(busy != 0 && h.State != record.AsBefore, wording.Say("refused.hang.busy", "roll", busy, "slot", h.Slot))
	m.correctable(h, &problems)
	if h.State == record.Hangs {
		m.wrapperProblems(h, &problems)
	} else {
		problems.add(h.Width != 0 || h.Paper != "" || h.Outer != 0 || h.Length != 0, wording.Say("refused.hang.bare", "state", slotState(h.State)))
	}
	return problems
}

// correctable tells whether the act that is corrected is the newest of its slot.
func (m *Machine) correctable(h *record.Hang, problems *problems) {
	s := &m.mem.Acts.Slots[h.Slot-1]
	newest := s.Told
	if newest == nil {
		newest = s.InForce
	}
	switch {
	case h.State == record.AsBefore:
		problems.add(s.Told == nil || s.Told.No != h.Corrects, wording.Say("refused.hang.done", "act", h.Corrects, "slot", h.Slot))
	case h.Corrects == 0:
	case newest == nil:
		problems.add(true, wording.Say("refused.hang.nothing", "slot", h.Slot))
	default:
		problems.add(newest.No != h.Corrects, wording.Say("refused.hang.newest", "slot", h.Slot, "act", newest.No))
	}
}

// wrapperProblems lists what is wrong with the wrapper told.
func (m *Machine) wrapperProblems(h *record.Hang, problems *problems) {
	widths, papers := m.line.Stand.MayHang(h.Slot)
	write := func(v float64) string { return m.line.Write(v, quantity.Length) }
	i := slices.IndexFunc(widths, func(w float64) bool { return math.Abs(w-h.Width) <= sameWidth })
	if i >= 0 {
		h.Width = widths[i]
	}
	var allowed []string
	for _, w := range widths {
		allowed = append(allowed, write(w))
	}
	problems.add(i < 0, wording.Say("refused.hang.width", "width", write(h.Width), "slot", h.Slot, "choices", strings.Join(allowed, ", ")))
	problems.add(!slices.Contains(papers, h.Paper), wording.Say("refused.hang.paper", "paper", strconv.Quote(h.Paper), "slot", h.Slot, "choices", strings.Join(papers, ", ")))
	core := m.line.Stand.CoreDiameter
	if h.Length > 0 && h.Outer == 0 {
		if paper := m.line.Materials.Paper(h.Paper); paper != nil {
			h.Outer = math.Sqrt(4*h.Length*paper.Caliper/math.Pi + core*core)
		}
	}
	problems.add(h.Outer != 0 && !(h.Outer > core && h.Outer <= greatestOuter), wording.Say("refused.hang.outer", "got", write(h.Outer), "bore", write(core), "limit", write(greatestOuter)))
	problems.add(h.Length < 0 || math.IsNaN(h.Length), wording.Say("refused.hang.length", "length", fmt.Sprintf("%v m", h.Length)))
}

// noSlot says that a slot is none, and which there are.
func (m *Machine) noSlot(slot int) wording.Said {
	var names []string
	for _, s := range m.line.Stand.Slots {
		names = append(names, strconv.Itoa(s.Number))
	}
	if names == nil || !m.line.Equipment.Stand.Present() {
		return wording.Say("refused.hang.slot.none", "slot", slot)
	}
	return wording.Say("refused.hang.slot", "slot", slot, "choices", strings.Join(names, ", "))
}

// takesFrom is the roll that takes from a slot, or is about to: of the open offer,
// or of the recipe that was accepted last for as long as its roll has no outcome and
// no other roll came. It is 0 where there is none.
func (m *Machine) takesFrom(slot int) uint32 {
	for _, o := range []*record.Offer{m.mem.Open, m.mem.Accepted} {
		if o == nil || o != m.mem.Open && (o.Losses != m.mem.Losses || o.Outcome != nil || m.view.seen && m.view.roll != o.Roll) {
			continue
		}
		var p handshake.Payload
		if handshake.DecodeStoredPayload(o.Payload, &p) == nil && p.Kind == handshake.KindRecipe && int(p.Slot) == slot {
			return o.Roll
		}
	}
	return 0
}

// afterHang tells a person what comes next.
func (m *Machine) afterHang(h *record.Hang, atOnce bool) wording.Said {
	switch {
	case h.State == record.AsBefore:
		return wording.Say("hang.taken-back", "act", h.Corrects, "slot", h.Slot)
	case atOnce && h.State == record.Hangs:
		return wording.Say("hang.at-once")
	case atOnce:
		return wording.Say("hang.at-once.nothing")
	case m.line.Equipment.Stand.Powered():
		return wording.Say("hang.when-ready")
	}
	return wording.Say("hang.when-confirmed")
}

func (m *Machine) hangWords(h *record.Hang) wording.Said {
	if h.State != record.Hangs {
		return slotState(h.State)
	}
	return wording.Say("hang.hangs", "width", m.line.Write(h.Width, quantity.Length), "paper", h.Paper)
}

// slotState is what a slot is in which nothing hangs.
func slotState(s record.HangState) wording.Said {
	switch s {
	case record.Empty:
		return wording.Say("fit.empty")
	case record.OutOfService:
		return wording.Say("fit.out-of-service")
	}
	return wording.Plain(string(s))
}

// watchSlots looks whether an act of hanging takes effect: a slot with a contact was
// not ready and is ready again, and one without is confirmed at the panel after it
// was not.
func (m *Machine) watchSlots(r *handshake.Request) {
	for i := range m.mem.Acts.Slots {
		s := &m.mem.Acts.Slots[i]
		if s.Told == nil {
			continue
		}
		h := *s.Told
		on, was, is := r.SlotsReady>>i&1 == 1, "seen not ready", "seen ready after it was not"
		if !m.line.Equipment.Stand.Powered() {
			on, was, is = int(r.SlotConfirmed) == i+1, "seen not confirmed", "confirmed at the panel"
		}
		switch {
		case !on && !s.Open:
			m.journal(record.Hung{No: h.No, Slot: h.Slot, Step: record.Opened, Evidence: was})
		case on && s.Open:
			m.journal(record.Hung{No: h.No, Slot: h.Slot, Step: record.InForce, Evidence: is})
			m.end(runsOutKey(h.Slot))
			m.tell(noteHung, wording.Say("told.wrapper-hung", "slot", h.Slot, "what", m.hangWords(&h), "by", h.By), Field{"act", h.No}, Field{"slot", h.Slot}, Field{"by", h.By}, Field{"user", h.User})
		}
	}
}

// endHangs ends the acts that no longer count, because the configuration says
// something else of their slot than it did.
func (m *Machine) endHangs() {
	for _, h := range m.mem.Acts.Stale(m.line) {
		m.journal(record.Hung{No: h.No, Slot: h.Slot, Step: record.Ended, Evidence: "the configuration says something else of the slot"})
		m.tell(noteHangEnded, wording.Say("told.wrapper-configured", "by", h.By, "slot", h.Slot), Field{"act", h.No}, Field{"slot", h.Slot})
	}
}

func runsOutKey(slot int) string      { return condRunsOut + "/slot " + strconv.Itoa(slot) }
func contradictedKey(slot int) string { return condWrapper + "/slot " + strconv.Itoa(slot) }

// tellStock tells of a wrapper roll that lasts for few rolls more, as long as rolls
// of its slot find it so.
func (m *Machine) tellStock(d *Decision) {
	m.tellHeads()
	slot := d.Setpoints.Slot
	if slot == 0 {
		return
	}
	for i := range d.Findings {
		if f := &d.Findings[i]; f.Code == check.StockLow {
			m.raise(runsOutKey(slot), f.Told(), Field{"slot", slot}, Field{"lasts_for", f.Got})
			return
		}
	}
	m.end(runsOutKey(slot))
}

// contradictsK is by how many standard uncertainties a measured overhang has to be off
// to contradict a wrapper (J).
const contradictsK = 3

// tellsOverhang is the standard uncertainty of an overhang as the controller
// measures it, m (J).
const tellsOverhang = 0.002

// lookAtWrapper compares what was measured of a wrapped roll with the wrapper that a
// person told of. A scale that is off says so too, where it is the first to weigh a
// roll in that wrapper or the overhang is not measured.
func (m *Machine) lookAtWrapper(o *handshake.Outcome, w *record.Weighing) {
	on, ok := m.wrapped(o)
	if !ok || o.Outcome != handshake.Wrapped || int(o.Slot) != on.setpoints.Slot || o.Slot == 0 {
		return
	}
	slot := int(o.Slot)
	told := m.mem.Acts.Slots[slot-1].InForce
	if told == nil || told.State != record.Hangs {
		return
	}
	const perMetre = 10000
	write := func(v float64) string { return on.line.Write(v, quantity.Length) }
	key, fields := contradictedKey(slot), []Field{{"slot", slot}, {"roll_no", o.RollNo}, {"by", told.By}, {"act", told.No}}
	measured, expected := float64(o.Overhang)/perMetre, on.setpoints.Overhang
	band := contradictsK * math.Hypot(on.overhangU, tellsOverhang)
	switch {
	case o.Overhang != 0 && math.Abs(measured-expected) > band:
		m.raise(key, wording.Say("told.wrapper-contradicted", "roll", o.RollNo, "got", write(measured), "by", told.By, "slot", slot, "expected", write(expected), "tolerance", write(band), "width", write(on.measured.Width+2*measured)), fields...)
	case w != nil && w.Verdict == "wrong":
		m.raise(key, wording.Say("told.wrapper-contradicted.scale", "roll", o.RollNo, "by", told.By, "slot", slot, "weighing", w.Told()), fields...)
	case o.Overhang != 0 || w != nil && w.Verdict == "good":
		m.end(key)
	}
}
