package cycle

import (
	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/mass"
)

// wrapping is the roll whose recipe was accepted last: what its scale reading
// is judged by when it leaves. After a restart of this process it is computed
// again from the journal where that can be done.
type wrapping struct {
	roll      uint32
	offer     record.OfferName
	line      *recipe.Line
	measured  recipe.Roll
	setpoints recipe.Setpoints
	overhangU float64 // standard uncertainty of the overhang, m
}

// wrapped tells what the roll of an outcome was wrapped with. Without it in
// memory it is computed again from its request, if that was done with the
// configuration now in force. A named person's recipe cannot be computed.
func (m *Machine) wrapped(o *handshake.Outcome) (wrapping, bool) {
	if w := m.wrapping; w.line != nil && w.roll == o.RollNo && outcomeNames(o, w.offer) {
		return w, true
	}
	for _, of := range []*record.Offer{m.mem.Accepted, m.mem.Open} {
		if of == nil || of.Losses != m.mem.Losses || of.Roll != o.RollNo || !outcomeNames(o, of.Name) ||
			of.Form != handshake.KindRecipe || of.Origin != handshake.Computed ||
			of.Request == nil || of.ConfigHash != m.hash {
			continue
		}
		w := wrapping{roll: o.RollNo, offer: of.Name, line: m.asTold()}
		var stand recipe.Stand
		w.measured, stand = of.Request.Measurement()
		var rec recipe.Recipe
		recipe.Compute(w.line, &w.measured, &stand, &rec)
		w.setpoints, w.overhangU = rec.Setpoints, rec.Uncertainty.Overhang
		return w, true
	}
	return wrapping{}, false
}

// compareScale compares the scale reading of an outcome with the mass that the
// accepted recipe predicts. It is nil when there is nothing to compare.
func (m *Machine) compareScale(o *handshake.Outcome) *record.Weighing {
	if o.Scale == 0 || o.Outcome != handshake.Wrapped {
		return nil
	}
	w, ok := m.wrapped(o)
	if !ok || !w.line.Equipment.Scale.Present() {
		return nil
	}
	const perKilo = 10
	v := recipe.Weigh(w.line, &w.measured, &w.setpoints, float64(o.Scale)/perKilo)
	said := v.Said(w.line)
	out := &record.Weighing{Verdict: "unreadable", Reading: finite(v.Reading), Gross: finite(v.Gross), Delta: finite(v.Delta), Text: said.String(), Said: &said}
	switch v.Verdict {
	case mass.Good:
		out.Verdict = "good"
	case mass.Doubtful:
		out.Verdict = "doubtful"
	case mass.Wrong:
		out.Verdict = "wrong"
	}
	return out
}

// tellScale counts the results, and tells people of a mismatch. It changes
// nothing else: the roll has left the station.
func (m *Machine) tellScale(o *handshake.Outcome, w *record.Weighing) {
	if w == nil {
		return
	}
	m.count("scale/" + w.Verdict)
	if w.Verdict == "wrong" {
		m.tell(noteScale, w.Told(),
			Field{"roll_no", o.RollNo}, Field{"reading_kg", w.Reading}, Field{"gross_kg", w.Gross}, Field{"delta_kg", w.Delta})
	}
}
