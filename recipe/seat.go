package recipe

import (
	"errors"

	"lapgate/recipe/cradle"
)

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
	c := cradle.Cradle{
		RollDiameter: j.line.Cradle.RollDiameter,
		Spacing:      j.line.Cradle.Spacing,
		Friction:     j.line.Cradle.Friction,
		Safety:       j.line.Cradle.Safety,
	}
	seat, err := c.Seat(j.wrapped, bore)
	if err != nil {
		var fault cradle.Fault
		errors.As(err, &fault)
		j.problem(CradleRefuses, j.wrapped, 0, int(fault))
		return
	}
	j.seat, j.seated = seat, true
}
