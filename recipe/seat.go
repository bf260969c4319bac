package recipe

import (
	"errors"
	"math"

	"lapgate/recipe/cradle"
)

// Geometry is the cradle as package cradle takes it.
func (c *Cradle) Geometry() cradle.Cradle {
	g := cradle.Cradle{RollDiameter: c.RollDiameter, Spacing: c.Spacing, Friction: c.Friction, Safety: c.Safety}
	switch c.Driven {
	case "rising":
		g.Driven = cradle.Rising
	case "sinking":
		g.Driven = cradle.Sinking
	}
	return g
}

// Stance is the limits below which a roll is warned of.
func (l *Line) Stance() cradle.Stance {
	return cradle.Stance{
		MinRatio:       l.Cradle.MinRatio,
		MinAngle:       l.Cradle.MinTip * math.Pi / 180,
		CrimperSpacing: l.Crimp.Spacing,
	}
}

// findSeat lays the wrapped roll on the turning rolls, whose grip limits every
// ramp of the surface.
func (j *job) findSeat() {
	e := &j.line.Equipment
	turned := e.Wrap.Powered() || e.Crimp.Powered() || e.Drives.Powered()
	if j.paper == nil || !turned {
		return
	}
	j.wrapped = j.roll.Diameter + 2*j.spec.Layers*j.paper.Caliper
	bore := 0.0
	if j.core != nil {
		bore = j.core.Diameter
	}
	c := j.line.Cradle.Geometry()
	seat, err := c.Seat(j.wrapped, bore)
	if err != nil {
		var fault cradle.Fault
		errors.As(err, &fault)
		j.problem(CradleRefuses, j.wrapped, 0, int(fault))
		return
	}
	j.seat, j.seated = seat, true
}
