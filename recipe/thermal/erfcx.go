package thermal

import "math"

// asymptoticFrom is where the asymptotic series of Erfcx, cut after its
// eleventh power, reaches double precision.
const asymptoticFrom = 10

// invSqrtPi is 1/√π.
const invSqrtPi = 0.564189583547756286948079451560772586

// Erfcx is the scaled complementary error function exp(x²)·erfc(x). Its
// relative error is below 1e-15 for x ≥ 0 and it never overflows there. Below
// x = −26.6 the true value exceeds the largest float64 and +Inf is returned.
//
// Up to x = 10 it is interpolated, from there taken from the asymptotic series
// (Abramowitz and Stegun 7.1.23); below 0 it is 2·exp(x²) − erfcx(−x).
func Erfcx(x float64) float64 {
	switch {
	case x >= asymptoticFrom:
		y := 0.5 / x / x
		return invSqrtPi / x * (1 - y*(1-y*(3-y*(15-y*(105-y*(945-y*(10395-
			y*(135135-y*(2027025-y*(34459425-y*(654729075-y*13749310575)))))))))))
	case x >= 0:
		const first, width = 2.0 / 7, 5.0 / 7 / float64(len(erfcxPieces))
		v := (4/(4+x) - first) / width
		i := min(max(int(v), 0), len(erfcxPieces)-1)
		u := 2*(v-float64(i)) - 1
		c := &erfcxPieces[i]
		// Even and odd powers apart: two short chains instead of a long one.
		q := u * u
		even := c[0] + q*(c[2]+q*(c[4]+q*(c[6]+q*c[8])))
		odd := c[1] + q*(c[3]+q*(c[5]+q*(c[7]+q*c[9])))
		return even + u*odd
	case x < 0:
		sq := x * x
		low := math.FMA(x, x, -sq)
		e := 2 * math.Exp(sq)
		if math.IsInf(e, 1) {
			return e
		}
		return e + e*low - Erfcx(-x)
	}
	return x // NaN
}

// gauss is exp(−x²), without the loss that the rounding of x² would bring.
func gauss(x float64) float64 {
	sq := x * x
	if sq > 800 {
		return 0
	}
	low := math.FMA(x, x, -sq)
	e := math.Exp(-sq)
	return e - e*low
}
