package sim

import (
	"slices"

	"lapgate/sim/physics"
)

// Wrapping is how the rolls of a grade are wrapped, in place of what the line has
// for all: what an operator sets by hand, what the press closes on, and the limits
// that the wrap is judged by.
type Wrapping struct {
	Slots []int // numbers of the slots whose wrapper may be taken; nil for all

	Head         physics.Solid
	Thickness    float64   // m, platen to bond line
	HeadWeight   float64   // kg/m² of an outer head
	Inner        float64   // kg/m² of an inner head
	Heads        []float64 // sizes of outer head in stock, smallest first
	Water, Dries float64   // as in Header
	Bond         float64   // temperature the bond line must reach
	Temperature  float64   // of the platens, by hand

	Layers, Overlap, CrimpTurns, CrimpSpeed, Overhang float64 // by hand
	OverhangMin, OverhangMax, LapMin                  float64
}

// wrapping is the line as it wraps rolls of a grade.
func (c *Config) wrapping(g *Grade) *Config {
	w := g.Wrap
	if w == nil {
		return c
	}
	own := *c
	h, a, by := &own.Header, &own.Accept, &own.Habit
	own.allowed = w.Slots
	own.Heads = w.Heads
	h.Head, h.Thickness, h.HeadWeight, h.Inner, h.Water, h.Dries = w.Head, w.Thickness, w.HeadWeight, w.Inner, w.Water, w.Dries
	a.Bond, a.OverhangMin, a.OverhangMax, a.LapMin = w.Bond, w.OverhangMin, w.OverhangMax, w.LapMin
	by.Temperature, by.Layers, by.Overlap, by.CrimpTurns = w.Temperature, w.Layers, w.Overlap, w.CrimpTurns
	by.CrimpSpeed, by.Overhang = min(by.CrimpSpeed, w.CrimpSpeed), w.Overhang
	return &own
}

// takes reports whether rolls of a grade may be wrapped from a slot.
func (g *Grade) takes(slot int) bool {
	return g.Wrap == nil || g.Wrap.Slots == nil || slices.Contains(g.Wrap.Slots, slot)
}

// may reports whether the roll at hand may be wrapped from a slot.
func (c *Config) may(slot int) bool { return c.allowed == nil || slices.Contains(c.allowed, slot) }
