package thermal

import "math"

// Bond is the temperature, °C, on the colder side of the bond line after a
// time, to 1e-6 of the rise, and its derivatives by the logarithm of each input
// and by that of time, K. The start temperature counts in K. It is the inverse
// of Dwell without water, for a curve that was measured. The error is a Fault.
func (p Pressing) Bond(seconds float64) (celsius float64, gradient ByInput, byTime float64, err error) {
	switch f := p.unsound(); {
	case f != 0:
		return 0, ByInput{}, 0, f
	case math.IsNaN(seconds):
		return 0, ByInput{}, 0, NoTime
	}
	rise := p.Platen - p.Start
	fo := math.Min(seconds/p.Head.timeScale(), forEver)
	if fo < leastFourier {
		return p.Start, ByInput{StartTemperature: p.Start + zeroCelsius}, 0, nil
	}
	r := p.Head.on(p.Backing).at(fo)
	return p.Start + rise*r.theta, ByInput{
		Conductance:       rise * r.byBiot,
		BackingEffusivity: rise * r.byBeta,
		Thickness:         rise * (r.byBiot - r.byBond - 2*r.byTime),
		Conductivity:      rise * (r.byTime + r.byBond - r.byBiot - r.byBeta/2),
		StartTemperature:  (1 - r.theta) * (p.Start + zeroCelsius),
	}, rise * r.byTime, nil
}
