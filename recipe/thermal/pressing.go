package thermal

import "math"

// zeroCelsius is 0 °C in K.
const zeroCelsius = 273.15

// Pressing is a head between a platen and its backing.
type Pressing struct {
	Head    Head
	Backing Backing
	Start   float64 // °C, of head and backing
	Platen  float64 // °C
}

// Target is what a pressing has to do: bring the bond line to a temperature
// and drive water out there.
type Target struct {
	bond  float64 // °C
	water float64 // kg/m²
}

// Fuse is the target of a head whose own coating bonds at a temperature, °C.
func Fuse(bond float64) Target { return Target{bond: bond} }

// Bond is the temperature, °C, that the bond line has to reach.
func (t Target) Bond() float64 { return t.bond }

// Input is a quantity that makes a dwell uncertain.
type Input int

// Inputs. Density, heat capacity and the temperature of the bond are taken as
// exact; the platen is given with its own allowance.
const (
	Conductance Input = iota // of the contact with the platen
	BackingEffusivity
	Thickness            // of the head
	Conductivity         // of the head
	StartTemperature     // absolute
	inputs           int = iota
)

// ByInput is one number for each Input.
type ByInput [inputs]float64

// solution is a dwell and what it is made of.
type solution struct {
	seconds  float64
	heat     float64 // s, of seconds: until the bond line is warm
	gradient ByInput // ∂ln(seconds)/∂ln(input)
	// missed is the heating time over its guess. It hardly changes between like
	// pressings, so it makes the guess for the next one good.
	missed float64
}

// Dwell is the time in seconds until the target is reached on the colder side
// of the bond line, and its logarithmic gradient: ∂ln t/∂ln of each input, the
// start temperature in K. Less than a thousandth of the rise counts as a
// thousandth. The error is a Fault.
func (p Pressing) Dwell(t Target) (seconds float64, gradient ByInput, err error) {
	if f := p.fault(t); f != 0 {
		return 0, ByInput{}, f
	}
	s, ok := p.reach(t, 1)
	if !ok {
		return 0, ByInput{}, NoTime
	}
	return s.seconds, s.gradient, nil
}

// unsound is what is wrong with the pressing itself, 0 for nothing.
func (p Pressing) unsound() Fault {
	switch {
	case !p.Head.valid() || !p.Backing.valid() || !p.Head.on(p.Backing).sound():
		return BadBody
	case !isTemperature(p.Start) || !isTemperature(p.Platen):
		return BadTemperature
	}
	return 0
}

func isTemperature(v float64) bool { return v > -zeroCelsius && v <= math.MaxFloat64 }

// fault is why there is no dwell, 0 for none.
func (p Pressing) fault(t Target) Fault {
	f := p.unsound()
	switch {
	case f != 0:
		return f
	case !isTemperature(t.bond):
		return BadTemperature
	case !(t.water >= 0 && t.water <= math.MaxFloat64):
		return BadWater
	case !(t.bond < p.Platen):
		return PlatenTooCold
	case !(t.bond > p.Start):
		return AlreadyWarm
	}
	return 0
}

// reach solves for the target. missed is that of a like pressing, or 1.
func (p Pressing) reach(t Target, missed float64) (solution, bool) {
	s, ok := p.warm(t.bond, missed)
	if ok && t.water > 0 {
		s = p.dry(t, s)
	}
	return s, ok && finite(s.seconds)
}

// warm is the time until the colder side of the bond line has a temperature.
func (p Pressing) warm(bond, missed float64) (s solution, ok bool) {
	rise := p.Platen - p.Start
	share := (bond - p.Start) / rise
	if !(share <= mostShare) {
		return s, false
	}
	l := p.Head.on(p.Backing)
	least := math.Max(share, leastShare)
	guess := l.guess(least)
	fo, r, ok := l.solve(least, guess*missed)
	if !ok {
		return s, false
	}
	if p.Backing.Effusivity == 0 {
		if s.seconds, ok = p.Head.Fast(least); !ok {
			return s, false
		}
	} else {
		s.seconds = fo * p.Head.timeScale()
	}
	s.heat, s.missed = s.seconds, fo/guess
	biot, beta, resistance := -r.byBiot/r.byTime, -r.byBeta/r.byTime, -r.byBond/r.byTime
	// The scale of time goes with L²/k, Bi with hL/k, the effusivity of the
	// head with √k, the resistance at the bond with k/L.
	s.gradient = ByInput{
		Conductance:       biot,
		BackingEffusivity: beta,
		Thickness:         2 + biot - resistance,
		Conductivity:      -1 - biot - beta/2 + resistance,
		StartTemperature:  -(1 - share) / rise * (p.Start + zeroCelsius) / r.byTime,
	}
	return s, true
}
