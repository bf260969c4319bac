package recipe

import (
	"errors"
	"math"

	"lapgate/recipe/cradle"
	"lapgate/recipe/mass"
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

// Stance is the limits below which a roll may tip or is short.
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

// grip is the greatest acceleration of the surface under a drag, N. ok is
// false when the drag leaves none, or the mass that holds against it is not
// known; the problem is told.
func (j *job) grip(drag float64) (accel float64, ok bool) {
	if drag == 0 {
		return j.seat.Accel, true
	}
	rho, u, known := j.line.density(j.roll)
	core := 0.0
	if j.core != nil {
		core = j.core.Diameter
	}
	kilos := mass.Solid(j.roll.Diameter, core, j.roll.Width, rho-j.line.Limits.GuardK*u)
	if !known || !positive(kilos) {
		if !j.out.Has(GripUnknown) && !j.out.Has(GradeUnknown) {
			j.problem(GripUnknown, drag, 0, -1)
		}
		return 0, false
	}
	accel, err := j.seat.Pulled(drag / kilos)
	if err != nil {
		if !j.out.Has(NoGrip) {
			j.problem(NoGrip, drag, kilos, -1)
		}
		return 0, false
	}
	return accel, true
}

// heightU is the standard uncertainty of the height of the roll centre, and
// around that of the diameter of the wrapped roll, m.
func (j *job) heightU() (u, around float64) {
	layers := 2 * j.spec.Layers * j.paper.CaliperU
	around = math.Hypot(j.roll.DiameterU, layers)
	return (j.wrapped + j.line.Cradle.RollDiameter) / (4 * j.seat.Height) * around, around
}
