package heads

import "math"

// Ring is what carries a platen: the crimped overhang folded over a roll end,
// with the outer head on it. The rest of the face lies lower and bears
// nothing. Lengths in m.
type Ring struct {
	Roll     float64 // mean diameter of the roll
	Overhang float64 // nominal; less its tolerance for the greatest pressure, plus it for the least
	Head     float64 // diameter of the outer head
	Platen   float64 // diameter
	Core     float64 // outside diameter, 0 without a core
}

// Area of the ring, m²: from the end of the fold, or the core where the fold
// would reach over it, to the edge of the head or of the platen, whichever is
// smaller. The error is NoRing when nothing is left, BadArea when a dimension
// is not a number in range.
func (r Ring) Area() (float64, error) {
	if !positive(r.Roll) || !positive(r.Overhang) || !positive(r.Head) || !positive(r.Platen) || !(r.Core >= 0) || !finite(r.Core) {
		return 0, BadArea
	}
	outer := math.Min(r.Head, r.Platen) / 2
	inner := math.Max(r.Roll/2-r.Overhang, r.Core/2)
	if !(outer > inner) {
		return 0, NoRing
	}
	return math.Pi * (outer - inner) * (outer + inner), nil
}

// Pressure is the mean pressure on the ring, Pa, under a force, N. The error
// is BadForce, or that of Area.
func (r Ring) Pressure(force float64) (float64, error) {
	if !(force >= 0) || !finite(force) {
		return 0, BadForce
	}
	area, err := r.Area()
	if err != nil {
		return 0, err
	}
	return force / area, nil
}

// Contact is a thermal contact of platen and head as it was calibrated.
type Contact struct {
	Conductance float64 // W/(m²·K) at Reference
	Reference   float64 // Pa
	Exponent    float64 // power with which it follows the pressure, from 0
	Least, Most float64 // Pa, the pressures over which the exponent was found
}

// At is the conductance at a pressure, W/(m²·K). Outside the calibrated
// pressures it is that of the nearer end; outside tells so. The error is
// BadContact or BadPressure.
func (c Contact) At(pressure float64) (conductance float64, outside bool, err error) {
	switch {
	case !positive(c.Conductance) || !positive(c.Reference) || !(c.Exponent >= 0) || !finite(c.Exponent) ||
		!positive(c.Least) || !(c.Most >= c.Least) || !finite(c.Most):
		return 0, false, BadContact
	case !positive(pressure):
		return 0, false, BadPressure
	}
	within := math.Max(c.Least, math.Min(pressure, c.Most))
	return c.Conductance * math.Pow(within/c.Reference, c.Exponent), within != pressure, nil
}
