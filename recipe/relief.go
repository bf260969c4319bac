package recipe

import (
	"math"

	"lapgate/recipe/quantity"
	"lapgate/recipe/wording"
)

// Relief is one change that alone would give a roll its heads and its wrapper.
type Relief struct {
	What      wording.Said
	Dimension quantity.Dimension
	From, To  float64 // To is the most that would do
}

// relieved is one quantity of roll or line that could be made smaller.
type relieved struct {
	what      string // its key
	dimension quantity.Dimension
	step      float64 // to which people read it
	get       func(*Line, *Roll) float64
	scale     func(l *Line, r *Roll, share float64) // to a share of itself
}

var relievedBy = [...]relieved{
	{"relief.spread-of-the-width", quantity.Length, 1e-4,
		func(_ *Line, r *Roll) float64 { x := r.Extent(); return x.Widest - x.Narrowest },
		func(_ *Line, r *Roll, share float64) {
			x := r.Extent()
			r.WidthMin, r.WidthMax = r.Width+(x.Narrowest-r.Width)*share, r.Width+(x.Widest-r.Width)*share
		}},
	{"relief.out-of-round", quantity.Length, 1e-4,
		func(_ *Line, r *Roll) float64 { x := r.Extent(); return x.Largest - x.Smallest },
		func(_ *Line, r *Roll, share float64) {
			x := r.Extent()
			r.DiameterMin, r.DiameterMax = r.Diameter+(x.Smallest-r.Diameter)*share, r.Diameter+(x.Largest-r.Diameter)*share
		}},
	{"relief.uncertainty-of-the-width", quantity.Length, 1e-5,
		func(_ *Line, r *Roll) float64 { return r.WidthU },
		func(_ *Line, r *Roll, share float64) { r.WidthU *= share }},
	{"relief.uncertainty-of-the-diameter", quantity.Length, 1e-5,
		func(_ *Line, r *Roll) float64 { return r.DiameterU },
		func(_ *Line, r *Roll, share float64) { r.DiameterU *= share }},
	{"relief.uncertainty-of-the-wrapper-width", quantity.Length, 1e-5,
		func(l *Line, _ *Roll) float64 { return l.Stand.WidthU },
		func(l *Line, _ *Roll, share float64) { l.Stand.WidthU *= share }},
	{"relief.centring-error", quantity.Length, 1e-4,
		func(l *Line, _ *Roll) float64 { return l.Centring.Tolerance },
		func(l *Line, _ *Roll, share float64) { l.Centring.Tolerance *= share }},
	{"relief.placement-of-the-head", quantity.Length, 1e-4,
		func(l *Line, _ *Roll) float64 { return l.Heads.Placement },
		func(l *Line, _ *Roll, share float64) { l.Heads.Placement *= share }},
}

// Reliefs are the changes any one of which would give a roll, that has no
// heads or no wrapper, both. It is for holds; it computes the recipe a hundred
// times.
func Reliefs(line *Line, roll *Roll, stand *Stand) []Relief {
	var out []Relief
	var l Line // of the recipe computed last, as r and rec
	var r Roll
	var rec Recipe
	for i := range relievedBy {
		k := &relievedBy[i]
		from := k.get(line, roll)
		serves := func(share float64) bool {
			l, r = *line, *roll
			k.scale(&l, &r, share)
			Compute(&l, &r, stand, &rec)
			for _, code := range [...]Code{NoSlot, NoWindow, NoHeadSize, NoInnerHeadSize, SlotUnfit} {
				if rec.Has(code) {
					return false
				}
			}
			return rec.N == 0 || rec.Has(SlotUnconfirmed)
		}
		if !(from > 0) || serves(1) || !serves(0) {
			continue
		}
		low, high := 0.0, 1.0
		for range 16 {
			if mid := (low + high) / 2; serves(mid) {
				low = mid
			} else {
				high = mid
			}
		}
		to := math.Floor(from*low/k.step) * k.step
		out = append(out, Relief{wording.Say(k.what), k.dimension, from, to})
	}
	return out
}
