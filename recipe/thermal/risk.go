package thermal

import "math"

// Risk is the chance that a dwell, s, falls short of the target: from one half
// at the nominal dwell to that of the distance of the design point there. In
// between and beyond, the logarithm of the dwell is taken as straight in the
// distance.
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
