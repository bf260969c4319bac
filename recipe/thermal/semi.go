// Package thermal is transient conduction through a head pressed by a hot
// platen: how warm a place gets in a time, how long a bond line takes to get
// warm and dry, how far to trust that time, and what the face suffers.
//
// Temperatures are shares of the rise: θ is 0 at the start temperature and 1
// at the temperature of the platen. The head lies on a backing with properties
// of its own, whose far side stays cold (Pressing). Two bodies have closed
// forms. The semi-infinite body is a backing like the head; a backing of a
// higher effusivity is slower still. In the slab nothing lies behind the bond
// line, which no backing beats.
//
// The closed forms are those of Carslaw and Jaeger, Conduction of Heat in
// Solids, 2.7 and 3.11, as textbooks of heat transfer give them.
package thermal

import "math"

// bigBiot is the Biot number above which a contact is perfect: the next term
// is its inverse, below the precision of a float64.
const bigBiot = 1e17

// asymptotic is the argument from which differences of the scaled error
// function are taken from its series, because subtraction would lose them.
const asymptotic = 1e3

// stepDone is the relative Newton step that ends an iteration: the error after
// it is the square of the step times a factor of order ten.
const stepDone = 1e-7

// SemiInfinite is θ at depth x in a semi-infinite body whose face is heated
// through a contact conductance h, by X = x/(2√(αt)) and H = h√(αt)/k, both
// at least 0. H = +Inf is a face held at the platen's temperature.
func SemiInfinite(x, h float64) float64 {
	if h > bigBiot {
		return gauss(x) * Erfcx(x)
	}
	// exp(H²+2XH)·erfc(X+H) is exp(−X²)·erfcx(X+H), which cannot overflow.
	return gauss(x) * (Erfcx(x) - Erfcx(x+h))
}

// semiAt is θ of the semi-infinite body and its derivative by X at a fixed Biot
// number hx/k = 2XH.
func semiAt(x, biot float64) (theta, slope float64) {
	g := gauss(x)
	if biot > bigBiot {
		return g * Erfcx(x), -2 * invSqrtPi * g
	}
	h := 0.5 * biot / x
	z := x + h
	w := Erfcx(z)
	a := invSqrtPi - h*w // vanishes for large z
	if z > asymptotic {
		y := 0.5 / z / z
		a = invSqrtPi * (x + y*(1-3*y)*h) / z
	}
	return g * (Erfcx(x) - w), -2 * h / x * g * a
}

// solveSemi finds X with θ(X) = theta for 0 < theta < 1 and a Biot number
// above 0. In X the curve is nearly straight near θ = 1 and convex elsewhere,
// so Newton's method converges in a few steps from the guess below; a bracket
// keeps it safe.
func solveSemi(theta, biot float64) (x float64, ok bool) {
	lo, hi := 0.0, math.Inf(1)
	x = math.Erfinv(1 - theta)
	if math.IsInf(x, 1) {
		x = math.Sqrt(-math.Log(theta))
	}
	if biot < bigBiot {
		// A contact acts much like 1/Biot more depth.
		x *= biot / (1 + biot)
	}
	for range 200 {
		got, slope := semiAt(x, biot)
		d := got - theta
		if d > 0 {
			lo = x
		} else {
			hi = x
		}
		next := x - d/slope
		if math.Abs(next-x) <= stepDone*x {
			return next, true
		}
		if !(next > lo && next < hi) {
			switch {
			case math.IsInf(hi, 1):
				next = 2 * x
			case lo == 0:
				next = x / 2
			default:
				next = lo + (hi-lo)/2
			}
			if next == x || hi-lo <= 1e-15*hi {
				return x, true // as near as rounding lets it come
			}
			if next == 0 || math.IsInf(next, 1) {
				break
			}
		}
		x = next
	}
	return 0, false
}
