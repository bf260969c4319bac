package thermal

import "math"

// Head is what lies between the platen and the bond line, SI. Conductance is
// of the contact with the platen; +Inf is perfect contact.
type Head struct {
	Thickness    float64 // m
	Conductivity float64 // W/mK
	Density      float64 // kg/m³
	HeatCapacity float64 // J/kgK
	Conductance  float64 // W/m²K
}

// valid reports whether all quantities are above zero and, but for the
// conductance, finite. NaN fails every comparison.
func (h Head) valid() bool {
	const most = math.MaxFloat64
	return h.Thickness > 0 && h.Thickness <= most &&
		h.Conductivity > 0 && h.Conductivity <= most &&
		h.Density > 0 && h.Density <= most &&
		h.HeatCapacity > 0 && h.HeatCapacity <= most &&
		h.Conductance > 0
}

// Biot is hL/k of the head.
func (h Head) Biot() float64 { return h.Conductance * h.Thickness / h.Conductivity }

// timeScale is L²/α, the time of Fourier number 1, in seconds.
func (h Head) timeScale() float64 {
	return h.Thickness * h.Thickness * h.Density * h.HeatCapacity / h.Conductivity
}

// Slow is the time in seconds for the bond line to reach theta when it lies
// inside a semi-infinite body: the conservative bound. perConductance is its
// derivative by the contact conductance, in seconds per W/m²K, at most 0.
//
// ok is false when there is no such time: theta is 1 or more, or an input is
// not a positive number. A theta of 0 or less takes no time.
func (h Head) Slow(theta float64) (seconds, perConductance float64, ok bool) {
	if !h.valid() || !(theta < 1) {
		return 0, 0, false
	}
	if theta <= 0 {
		return 0, 0, true
	}
	x, e, ok := solveSemi(theta, h.Biot())
	if !ok {
		return 0, 0, false
	}
	seconds = h.timeScale() / (4 * x * x)
	if h.Biot() <= bigBiot {
		perConductance = e.lnTime * seconds / h.Conductance
	}
	return seconds, perConductance, finite(seconds) && finite(perConductance)
}

// Fast is the time in seconds for the bond line to reach theta when the head
// is insulated behind it: the fast bound. ok is as for Slow.
func (h Head) Fast(theta float64) (seconds float64, ok bool) {
	if !h.valid() || !(theta < 1) {
		return 0, false
	}
	if theta <= 0 {
		return 0, true
	}
	fo, ok := solveSlab(theta, h.Biot())
	if !ok {
		return 0, false
	}
	seconds = fo * h.timeScale()
	return seconds, finite(seconds)
}

// Reached is θ of the bond line after a time by the conservative bound, 0
// where the inputs are not positive numbers.
func (h Head) Reached(seconds float64) float64 {
	if !h.valid() || !(seconds > 0) {
		return 0
	}
	s := math.Sqrt(seconds / h.timeScale())
	if !(s > 0 && finite(s) && h.Biot() > 0) {
		return 0
	}
	return SemiInfinite(0.5/s, h.Biot()*s)
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
