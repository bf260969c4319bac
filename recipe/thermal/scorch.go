package thermal

import "math"

// Discolouring of cellulose follows an activation energy of 118 to 125 kJ/mol
// between 90 and 180 °C (J. Wood Sci. 2011).
const (
	activation  = 120e3       // J/mol
	gasConstant = 8.314462618 // J/(mol·K)
	doseAt      = 180         // °C, at which a second counts as one
)

// scorchRate is how many seconds at 180 °C a second at a temperature is worth.
func scorchRate(celsius float64) float64 {
	return exp(-activation / gasConstant * (1/(celsius+zeroCelsius) - 1/(doseAt+zeroCelsius)))
}

// gauss5 is the rule of Gauss and Legendre with five points on 0 to 1.
var gauss5 = [...]struct{ place, weight float64 }{
	{0.04691007703066800, 0.11846344252809454},
	{0.23076534494715845, 0.23931433524968324},
	{0.5, 0.28444444444444444},
	{0.76923465505284155, 0.23931433524968324},
	{0.95308992296933200, 0.11846344252809454},
}

// ScorchDose is what the face of the head suffers in a time, in seconds at
// 180 °C, to 0.3 %; 0 where an input makes no sense. Give the platen at its
// hottest.
func (p Pressing) ScorchDose(seconds float64) float64 {
	if f := p.unsound(); f != 0 || !(seconds > 0 && finite(seconds)) {
		return 0
	}
	l, scale, dose := p.Head.on(p.Backing), p.Head.timeScale(), 0.0
	for _, g := range gauss5 {
		// In the root of time the temperature rises nearly straight at first.
		share := 0.0
		if fo := math.Min(g.place*g.place*seconds/scale, forEver); fo > atOnce {
			share = l.face(fo)
		}
		dose += 2 * g.place * g.weight * scorchRate(p.Start+(p.Platen-p.Start)*share)
	}
	return dose * seconds
}

// StuckDose is the dose of a face that has the temperature of the platen, °C,
// for a time, s: a press that does not open tends to it.
func StuckDose(platen, seconds float64) float64 { return seconds * scorchRate(platen) }
