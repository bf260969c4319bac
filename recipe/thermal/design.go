package thermal

import "math"

// Uncertainty is the standard uncertainty of each input: relative, but of the
// start temperature in K.
type Uncertainty struct {
	Conductance       float64
	BackingEffusivity float64
	Thickness         float64
	Conductivity      float64
	StartTemperature  float64 // K
}

// Design is a dwell that holds at the unfavourable end of the inputs.
type Design struct {
	Seconds float64 // of the design point: what the press should use
	Nominal float64 // s, with every input at its value
	// U is the standard uncertainty of Nominal to first order, s. Seconds cannot
	// be had from it: the dwell is far from a straight line in its inputs.
	U        float64
	Gradient ByInput // logarithmic, at the values; as of Pressing.Dwell
	Distance float64 // of the design point, in standard uncertainties
}

// Conductances up to wellKnown, relative, are designed for at a distance that
// keeps the chance of a short dwell below 2 %, those up to mostUnknown at one
// that keeps it below 3 %.
const (
	wellKnown    = 0.20
	mostUnknown  = 0.30
	nearDistance = 2.2
	farDistance  = 2.3
	slack        = 1e-9 // for uncertainties that were reckoned from others
)

// leastLeft is the smallest share of an input that a downward shift leaves.
const leastLeft = 0.05

// Design is the dwell at the design point of a target: the point at a distance
// from the values, in standard uncertainties, towards where the dwell grows
// fastest. Adding multiples of the uncertainty to the dwell is unfit from a
// conductance uncertain by 5 % on. The error is a Fault; NotCalibrated above
// a relative uncertainty of the conductance of 30 %.
func (p Pressing) Design(t Target, u Uncertainty) (d Design, err error) {
	if f := p.fault(t); f != 0 {
		return d, f
	}
	by := ByInput{u.Conductance, u.BackingEffusivity, u.Thickness, u.Conductivity, u.StartTemperature / (p.Start + zeroCelsius)}
	for _, v := range by {
		if !(v >= 0 && v <= math.MaxFloat64) {
			return d, BadUncertainty
		}
	}
	switch {
	case u.Conductance <= wellKnown+slack:
		d.Distance = nearDistance
	case u.Conductance <= mostUnknown+slack:
		d.Distance = farDistance
	default:
		return d, NotCalibrated
	}
	nominal, ok := p.reach(t, 1)
	if !ok {
		return d, NoTime
	}
	towards, length := by.direction(nominal.gradient)
	d.Nominal, d.U, d.Gradient = nominal.seconds, nominal.seconds*length, nominal.gradient

	factor := by.shift(towards, d.Distance)
	first, ok := p.moved(factor).reach(t, nominal.missed)
	if !ok {
		return d, NoTime
	}
	for i, f := range factor {
		// The derivative by the shift: downward it is straight in the input
		// itself, upward in its logarithm.
		if f < 1 {
			first.gradient[i] /= f
		}
	}
	towards, _ = by.direction(first.gradient)
	second, ok := p.moved(by.shift(towards, d.Distance)).reach(t, first.missed)
	if !ok {
		return d, NoTime
	}
	d.Seconds = second.seconds
	return d, nil
}

// direction is the unit vector along which the dwell grows fastest for inputs
// of these relative uncertainties, and the growth along it; both are 0 where
// nothing is uncertain.
func (u ByInput) direction(gradient ByInput) (d ByInput, length float64) {
	for i, g := range gradient {
		d[i] = g * u[i]
		length += d[i] * d[i]
	}
	length = math.Sqrt(length)
	if length == 0 {
		return d, 0
	}
	for i := range d {
		d[i] /= length
	}
	return d, length
}

// shift is the factor on each input at a distance along a direction. Downward
// it is straight, upward exponential: both are the worse of the two.
func (u ByInput) shift(direction ByInput, distance float64) (f ByInput) {
	for i, v := range direction {
		if z := distance * v; z < 0 {
			f[i] = math.Max(1+z*u[i], leastLeft)
		} else {
			f[i] = exp(z * u[i])
		}
	}
	return f
}

// moved is the pressing with a factor on each input.
func (p Pressing) moved(f ByInput) Pressing {
	p.Head.Conductance *= f[Conductance]
	p.Backing.Effusivity *= f[BackingEffusivity]
	p.Head.Thickness *= f[Thickness]
	p.Head.Conductivity *= f[Conductivity]
	p.Start = (p.Start+zeroCelsius)*f[StartTemperature] - zeroCelsius
	return p
}
