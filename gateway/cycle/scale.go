package cycle

import (
	"lapgate/gateway/block"
	"lapgate/recipe"
	"lapgate/recipe/mass"
)

// wrapping is the roll whose recipe was accepted last: what its scale reading
// is judged by when it leaves. It is not known after a restart of this
// process, and then the reading is only recorded.
type wrapping struct {
	roll      uint32
	line      *recipe.Line
	measured  recipe.Roll
	setpoints recipe.Setpoints
}

// judgeScale compares the scale reading of an outcome with the mass that the
// accepted recipe predicts. A mismatch is told, and changes nothing: the roll
// has left the station.
func (m *Machine) judgeScale(o *block.Outcome) {
	w := &m.wrapping
	if o.Scale == 0 || o.Outcome != block.Wrapped || w.line == nil || w.roll != o.RollNo {
		return
	}
	const perKilo = 10
	v := recipe.Weigh(w.line, &w.measured, &w.setpoints, float64(o.Scale)/perKilo)
	switch v.Verdict {
	case mass.Good:
		m.count("scale/good")
	case mass.Doubtful:
		m.count("scale/doubtful")
	case mass.Wrong:
		m.count("scale/wrong")
		m.tell(noteScale, Warning, v.Text(w.line),
			Field{"roll_no", o.RollNo}, Field{"reading_kg", v.Reading}, Field{"gross_kg", v.Gross}, Field{"delta_kg", v.Delta})
	}
}
