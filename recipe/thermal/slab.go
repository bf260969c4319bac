package thermal

import "math"

// shortTime is the Fourier number up to which the first reflection describes
// the slab to double precision; above it the series needs few terms.
const shortTime = 0.025

// maxTerms covers the series at shortTime: eigenvalue 16 is above 15π, and
// exp(−(15π)²·0.025) is 1e-24.
const maxTerms = 16

// Eigenvalue is the n-th root ζ, from 1, of ζ·tan ζ = Bi for Bi > 0; Bi = +Inf
// gives (n − ½)π.
func Eigenvalue(biot float64, n int) float64 {
	base := float64(n-1) * math.Pi
	if biot > bigBiot {
		return base + math.Pi/2
	}
	var z float64
	if n == 1 {
		// Exact at both ends of the Biot number, within 2 % between.
		z = math.Sqrt(1 / (1/biot + 4/(math.Pi*math.Pi)))
	} else {
		z = base + math.Atan(biot/(base+math.Pi/4))
	}
	// ζ − (n−1)π = atan(Bi/ζ) has no poles. Halley's method is of third order,
	// so a step of 1e-5 leaves nothing.
	for range 20 {
		r := 1 / (z*z + biot*biot)
		miss := z - base - math.Atan(biot/z)
		slope := 1 + biot*r
		bend := -2 * z * biot * r * r
		step := miss / (slope - miss*bend/(2*slope))
		z -= step
		if math.Abs(step) <= 1e-5*z {
			break
		}
	}
	return z
}

// Coefficient is the factor C of the n-th term of the series of a plane wall,
// 4·sin ζ/(2ζ + sin 2ζ), for the eigenvalue that belongs to biot. It needs no
// sine: at an eigenvalue sin ζ = ±Bi/√(ζ²+Bi²).
func Coefficient(biot, zeta float64, n int) float64 {
	c := 2 / zeta
	if biot <= bigBiot {
		r := zeta / biot
		c = 2 * math.Sqrt(1+r*r) / (zeta * (1 + r*r + 1/biot))
	}
	if n%2 == 0 {
		return -c
	}
	return c
}

// Slab is θ in a slab that is heated on one face through a contact of Biot
// number hL/k and insulated on the other, at Fourier number αt/L². place is
// the distance from the insulated face as a share of the thickness, 0 to 1.
// Biot +Inf is a face held at the platen's temperature.
func Slab(biot, fourier, place float64) float64 {
	if fourier <= 0 || biot <= 0 {
		return 0
	}
	if fourier <= shortTime {
		// First reflection of the semi-infinite body at the insulated face.
		s := math.Sqrt(fourier)
		return SemiInfinite((1-place)/(2*s), biot*s) + SemiInfinite((1+place)/(2*s), biot*s)
	}
	rest := 0.0
	for n := 1; n <= maxTerms; n++ {
		z := Eigenvalue(biot, n)
		e := z * z * fourier
		rest += Coefficient(biot, z, n) * math.Exp(-e) * math.Cos(z*place)
		if e > 40 {
			break
		}
	}
	return 1 - rest
}

// solveSlab finds the Fourier number at which the insulated face reaches
// theta, for 0 < theta < 1 and a Biot number above 0.
func solveSlab(theta, biot float64) (float64, bool) {
	// At shortTime the face of a perfect contact has 1.55e-5, so only smaller
	// targets can fall into the short time.
	if theta < 1.6e-5 && theta <= Slab(biot, shortTime, 0) {
		x, ok := solveSemi(theta/2, biot)
		return 0.25 / (x * x), ok
	}
	rest := 1 - theta
	var zz, c [maxTerms]float64
	z := Eigenvalue(biot, 1)
	zz[0], c[0] = z*z, Coefficient(biot, z, 1)
	fo := math.Max(math.Log(c[0]/rest)/zz[0], shortTime)
	// One term alone errs late, by less than 0.21·exp(−π²·Fo).
	least := fo - 0.005
	if fo < 0.6 {
		least = math.Max(fo-0.21, shortTime)
	}
	terms := 1
	// Term n+1 has an eigenvalue above nπ; exp(−34) is lost in rounding.
	for terms < maxTerms && float64(terms*terms)*math.Pi*math.Pi*least < 34 {
		z = Eigenvalue(biot, terms+1)
		zz[terms], c[terms] = z*z, Coefficient(biot, z, terms+1)
		terms++
	}
	for range 100 {
		sum, slope := 0.0, 0.0
		for n := range terms {
			t := c[n] * exp(-zz[n]*fo)
			sum += t
			slope += zz[n] * t
		}
		// Newton's method on the logarithm, which is nearly straight.
		step := math.Log(sum/rest) * sum / slope
		if !(math.Abs(step) < math.Inf(1)) {
			return 0, false
		}
		fo += step
		if math.Abs(step) <= stepDone*fo {
			return fo, true
		}
		if fo < shortTime {
			fo = shortTime
		}
	}
	return 0, false
}
