package recipe

import (
	"math"

	"lapgate/recipe/heads"
)

// chooseHeads picks both heads from the stock. A line without heads has none,
// and then no lap to keep.
func (j *job) chooseHeads() {
	if !j.line.Equipment.Heads.Present() && !j.line.Equipment.Header.Present() {
		return
	}
	m, h := &j.line.Materials, &j.line.Heads
	j.head = m.Head(j.spec.Head)
	if j.head == nil {
		j.problem(HeadUnknown, 0, 0, -1)
	} else {
		j.out.Setpoints.OuterHead = j.headSize(j.head, h.MostOuter(j.line, j.roll), NoHeadSize)
	}
	if j.spec.InnerHead == "" {
		return
	}
	j.inner = m.Head(j.spec.InnerHead)
	if j.inner == nil {
		j.problem(InnerHeadUnknown, 0, 0, -1)
	} else {
		j.out.Setpoints.InnerHead = j.headSize(j.inner, h.MostInner(j.line, j.roll), NoInnerHeadSize)
	}
}

// MostOuter is the largest outer head that surely stays inside the edge of a
// roll, m: by its smallest diameter, with the head off its place.
func (h *Heads) MostOuter(line *Line, roll *Roll) float64 {
	return h.most(line, roll, h.OuterEdge+h.Placement)
}

// MostInner is the same for an inner head, which the core plug centres.
func (h *Heads) MostInner(line *Line, roll *Roll) float64 {
	return h.most(line, roll, h.InnerEdge)
}

func (h *Heads) most(line *Line, roll *Roll, edge float64) float64 {
	return roll.Extent().Smallest - 2*edge - line.Limits.GuardK*math.Hypot(roll.DiameterU, h.SizeU)
}

// headSize is the largest size in stock that is no larger than most, m, 0 when
// there is none. How much a head must cover is decided elsewhere: the window of
// the overhang asks for the lap on the outer head, and package check looks at
// the ring that an inner one leaves bare.
func (j *job) headSize(m *HeadMaterial, most float64, none Code) float64 {
	choice, err := heads.Choose(m.Diameters, heads.Window{Most: most})
	if err != nil {
		j.problem(none, most, choice.Above, -1)
		return 0
	}
	return choice.Diameter
}

// Plug is the diameter of the core plug that holds an inner head in a core, m:
// the largest at hand whose play is within its limits, 0 when none is.
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
