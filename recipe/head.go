package recipe

import (
	"lapgate/recipe/heads"
)

// chooseHeads picks both heads from the stock. A line without heads has none,
// and then no lap to keep.
func (j *job) chooseHeads() {
	if !j.line.Equipment.Heads.Present() && !j.line.Equipment.Header.Present() {
		return
	}
	m, edge := &j.line.Materials, &j.line.Heads
	j.head = m.Head(j.spec.Head)
	if j.head == nil {
		j.problem(HeadUnknown, 0, 0, -1)
	} else {
		j.out.Setpoints.OuterHead = j.headSize(j.head, edge.OuterEdge, NoHeadSize)
	}
	if j.spec.InnerHead == "" {
		return
	}
	j.inner = m.Head(j.spec.InnerHead)
	if j.inner == nil {
		j.problem(InnerHeadUnknown, 0, 0, -1)
	} else {
		j.out.Setpoints.InnerHead = j.headSize(j.inner, edge.InnerEdge, NoInnerHeadSize)
	}
}

// headSize is the largest size in stock that keeps its distance from the edge
// of the roll, 0 when there is none. What it must cover at least is no matter
// here: the window of the overhang asks for the lap on the outer head, and
// package check looks at the ring that an inner one leaves bare.
func (j *job) headSize(m *HeadMaterial, edge float64, none Code) float64 {
	choice, err := heads.Choose(m.Diameters, heads.Window{Most: j.roll.Diameter - 2*edge})
	if err != nil {
		j.problem(none, j.roll.Diameter-2*edge, choice.Above, -1)
		return 0
	}
	return choice.Diameter
}

// Plug is the core plug at hand that holds an inner head in a core: the
// largest within the play, 0 when none does.
func (h *Heads) Plug(core *Core) float64 {
	w, err := heads.Plug(core.Bore(), h.PlugPlay.Min, h.PlugPlay.Max)
	if err != nil {
		return 0
	}
	choice, err := heads.Choose(h.Plugs, w)
	if err != nil {
		return 0
	}
	return choice.Diameter
}
