package recipe

import "math"

// Extent is how far the dimensions of a roll reach, m: ovality, taper and
// uneven ends are in it, the uncertainty of the scan is not.
type Extent struct {
	Smallest, Largest float64 // diameter
	Narrowest, Widest float64 // width
}

// Extent is the least and the greatest of the samples. Without samples a
// dimension is taken to reach half of its ovality or spread to either side of
// the mean.
func (r *Roll) Extent() Extent {
	x := Extent{
		Smallest:  r.Diameter * (1 - r.Ovality/2),
		Largest:   r.Diameter * (1 + r.Ovality/2),
		Narrowest: r.Width - r.WidthSpread/2,
		Widest:    r.Width + r.WidthSpread/2,
	}
	if r.DiameterMin != 0 {
		x.Smallest = math.Min(r.Diameter, r.DiameterMin)
	}
	if r.DiameterMax != 0 {
		x.Largest = math.Max(r.Diameter, r.DiameterMax)
	}
	if r.WidthMin != 0 {
		x.Narrowest = math.Min(r.Width, r.WidthMin)
	}
	if r.WidthMax != 0 {
		x.Widest = math.Max(r.Width, r.WidthMax)
	}
	return x
}

// SmallestSure is the smallest diameter of the roll less the guard band of the
// scan, m.
func (l *Line) SmallestSure(roll *Roll) float64 {
	return roll.Extent().Smallest - l.Limits.GuardK*roll.DiameterU
}
