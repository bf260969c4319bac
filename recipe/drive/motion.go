package drive

import "math"

// Move is a move from rest to rest along a path with a greatest speed and
// constant ramps, SI.
type Move struct {
	Path  float64 // m
	Speed float64 // m/s
	Accel float64 // m/s²
	Decel float64 // m/s²
}

// Time is the duration of the move in seconds and the highest speed that it
// reaches: the trapezoid S/v + v/2·(1/a + 1/d), or the triangle
// √(2S(a+d)/(ad)) when the path is too short for the speed. ok is false when a
// quantity is not a number in range: a negative path, or a speed or ramp that
// is not above zero, or an infinite speed.
func (m Move) Time() (seconds, peak float64, ok bool) {
	if !(m.Path >= 0 && m.Speed > 0 && m.Speed <= math.MaxFloat64 && m.Accel > 0 && m.Decel > 0) {
		return 0, 0, false
	}
	ramps := 1/m.Accel + 1/m.Decel
	if m.Path >= m.Speed*m.Speed/2*ramps {
		seconds, peak = m.Path/m.Speed+m.Speed/2*ramps, m.Speed
	} else {
		peak = math.Sqrt(2 * m.Path / ramps)
		seconds = peak * ramps
	}
	return seconds, peak, !math.IsNaN(seconds) && !math.IsInf(seconds, 0)
}
