package physics

import "math"

// Axis is something that moves with ramps: it is stepped, and knows where it
// is.
type Axis struct {
	Accel, Decel float64 // m/s²
	Speed        float64 // m/s
	Travel       float64 // m
}

// toward moves the speed to the target within what the ramps allow in dt.
func (a *Axis) toward(target, dt float64) {
	v := a.Speed
	if target > v {
		v = min(target, v+a.Accel*dt)
	} else {
		v = max(target, v-a.Decel*dt)
	}
	a.Travel += (a.Speed + v) / 2 * dt
	a.Speed = v
}

// ToPosition takes one step of dt towards a place, at no more than the speed
// given, and reports whether it is there at rest.
func (a *Axis) ToPosition(place, speed, dt float64) bool {
	left := place - a.Travel
	if left <= 0 {
		a.Speed = 0
		return true
	}
	// The fastest speed from which it can still stop, looked at from the end
	// of the step.
	brake := a.Decel * dt
	limit := -brake/2 + math.Sqrt(brake*brake/4+2*a.Decel*left)
	target := min(speed, limit)
	if target < a.Speed {
		v := max(target, 0)
		a.Travel += (a.Speed + v) / 2 * dt
		a.Speed = v
	} else {
		a.toward(target, dt)
	}
	if place-a.Travel < 1e-6 || a.Speed < 1e-9 && left < 1e-4 {
		a.Travel = max(a.Travel, place)
		a.Speed = 0
		return true
	}
	return false
}

// ForTime takes one step of dt so that the axis stands again when left seconds
// have passed, at no more than the speed given.
func (a *Axis) ForTime(left, speed, dt float64) {
	// What is left after this step must be enough to stop.
	limit := a.Decel * max(left-dt, 0)
	a.toward(min(speed, limit), dt)
}

// Motor is an induction motor with its gear and the roll that it turns.
type Motor struct {
	Diameter float64 // of the driven roll, m
	Gear     float64 // motor turns per turn of the roll
	Poles    int
	Rated    float64 // rpm at rated load
	BaseHz   float64 // frequency of the rated speed
	// Compensated is whether the converter makes up for the slip itself.
	Compensated bool
}

func (m Motor) slip() float64 {
	if m.Compensated {
		return 0
	}
	return 120*m.BaseHz/float64(m.Poles) - m.Rated
}

// Surface is the surface speed of the roll at a frequency, m/s: the field
// turns at 120 f/p, and at constant load the motor lags by constant rpm.
func (m Motor) Surface(hz float64) float64 {
	rpm := 120*hz/float64(m.Poles) - m.slip()
	return max(rpm, 0) / 60 / m.Gear * math.Pi * m.Diameter
}
