package widths

import (
	"iter"

	"lapgate/recipe"
)

// Ordered are equal rolls of a row of the schedule.
type Ordered struct {
	Name            string // of the roll, or its row
	Diameter, Width float64
	Spec            string
	Grade, Core     int // codes, 0 where none is told
	Count           int
}

// Schedule gives the rows of the schedule in their order.
func (p *Plan) Schedule() iter.Seq[Ordered] {
	return func(yield func(Ordered) bool) {
		for i := range p.rows {
			r := &p.rows[i]
			l := &p.lots[r.lot]
			if !yield(Ordered{Name: r.name(), Diameter: l.diameter, Width: l.width, Spec: p.spec(int(l.spec)), Grade: int(r.grade), Core: int(l.core), Count: int(r.count)}) {
				return
			}
		}
	}
}

// Hung are the slots of a solved plan when its set hangs, without those that are left
// empty.
func (p *Plan) Hung() []recipe.SlotSpec {
	var out []recipe.SlotSpec
	for i := range p.Result.Slots {
		w := p.Result.Slots[i].Next
		if w.Width == 0 || w.Paper < 0 {
			continue
		}
		out = append(out, recipe.SlotSpec{Number: p.numbers[i], Width: w.Width, Paper: p.line.Materials.Papers[w.Paper].Name})
	}
	return out
}
