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

// Fast is the time in seconds for the bond line to reach theta when the head
// is insulated behind it: no backing is faster. A theta of 0 or less takes no
// time.
//
// ok is false when there is no such time: theta is 1 or more, or an input is
// not a positive number.
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

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
