package thermal

import "math"

// Risk is the chance that a dwell, s, falls short of the target. It is one half
// at the nominal dwell; at the dwell of the design point it is the chance that
// belongs to the distance of that point. In between and beyond, the logarithm of
// the dwell is taken as a straight line over the distance.
func (d Design) Risk(seconds float64) float64 {
	length := math.Log(d.Seconds / d.Nominal)
	if !(length > 0) {
		// Nothing is uncertain.
		if seconds >= d.Nominal*(1-1e-9) {
			return 0
		}
		return 1
	}
	z := d.Distance * math.Log(seconds/d.Nominal) / length
	return math.Erfc(z/math.Sqrt2) / 2
}
