package thermal

import "math"

// expParts is into how many parts the table divides a doubling.
const expParts = 64

// powers are 2^(i/64).
var powers = func() (p [expParts]float64) {
	for i := range p {
		p[i] = math.Exp2(float64(i) / expParts)
	}
	return p
}()

// exp is e^x to 7e-16 of it, and that of the library beyond ±700. The dwell calls nothing more
// often, and this takes about half the time.
//
// With k the whole number next to 64x/ln 2 and r what is left of x, it is 2^(k/64)·e^r, and r
// is so small that six terms of the series do.
func exp(x float64) float64 {
	if !(math.Abs(x) < 700) {
		return math.Exp(x)
	}
	// ln 2/64 in two parts: the product with the first is exact. Adding and taking away the
	// shift rounds to a whole number.
	const perPart, partHigh, partLow, shift = expParts / math.Ln2, 0x1.62e42fefap-07, 0x1.cf79abc9e3b3p-46, 0x1.8p52
	k := (x*perPart + shift) - shift
	r := (x - k*partHigh) - k*partLow
	series := 1 + r*(1+r*(1.0/2+r*(1.0/6+r*(1.0/24+r*(1.0/120)))))
	part := int(k) & (expParts - 1)
	doublings := (int(k) - part) / expParts
	return series * powers[part] * math.Float64frombits(uint64(1023+doublings)<<52)
}
