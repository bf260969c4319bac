package rate

import (
	"cmp"
	"slices"

	"lapgate/recipe"
)

// Module is a station that is worked with one step of automation more.
type Module struct {
	Station  string
	From, To recipe.Mode
	Saves    float64 // s of the mean cycle; below zero where it takes longer
	PerHour  float64 // rolls an hour with it
}

// Modules are the steps of automation that a line with the equipment e may take next,
// one at a time: from manual to semi-automatic, from semi-automatic to automatic. The
// one that saves most comes first; of equal ones the station that comes first in the
// configuration. A station that the line lacks is none.
func (r *Reckoner) Modules(e *recipe.Equipment) []Module {
	if r.wrapped == 0 {
		return nil
	}
	now := r.Cycle(e).Seconds()
	var out []Module
	for _, key := range recipe.StationKeys() {
		next := *e
		m := next.Mode(key)
		if *m != recipe.Manual && *m != recipe.Semi {
			continue
		}
		from := *m
		*m++
		c := r.Cycle(&next)
		out = append(out, Module{Station: key, From: from, To: *m, Saves: now - c.Seconds(), PerHour: c.PerHour()})
	}
	slices.SortStableFunc(out, func(a, b Module) int { return cmp.Compare(b.Saves, a.Saves) })
	return out
}

// Ladder is the way of the line to an automatic one by the best next step each time.
// It ends where no step saves anything.
func (r *Reckoner) Ladder() []Module {
	var out []Module
	for e := r.line.Equipment; ; {
		next := r.Modules(&e)
		if len(next) == 0 || !(next[0].Saves > 0) {
			return out
		}
		out = append(out, next[0])
		*e.Mode(next[0].Station) = next[0].To
	}
}
