package calibrate

import (
	"errors"
	"fmt"
	"math"

	"lapgate/recipe/thermal"
)

// Point of a curve.
type Point struct {
	Seconds float64
	Bond    float64 // °C
}

// Press is what is known of a pressing whose bond line was measured.
// Uncertainties are standard ones; those of the head are relative.
type Press struct {
	Head     thermal.Head // its conductance is not looked at
	Start    float64      // °C
	Platen   float64      // °C, as measured
	StartU   float64      // K
	PlatenU  float64      // K
	ClockU   float64      // s, of the moment at which the press closed
	HeadU    float64      // of the thickness of the head
	ConductU float64      // of its conductivity
}

// What is taken where nobody tells more (J): the uncertainties of a sensor, of a
// clock that a person starts, and of a board's data.
const (
	usualStartU   = 2
	usualPlatenU  = 2
	usualClockU   = 0.1
	usualHeadU    = 0.05
	usualConductU = 0.08
)

// Known is a pressing with the usual uncertainties.
func Known(head thermal.Head, start, platen float64) Press {
	return Press{Head: head, Start: start, Platen: platen, StartU: usualStartU, PlatenU: usualPlatenU, ClockU: usualClockU, HeadU: usualHeadU, ConductU: usualConductU}
}

// Heat is what one curve tells.
type Heat struct {
	Conductance Estimate // W/m²K, at the pressure of that pressing
	Backing     Estimate // effusivity, J/(m²·K·√s)
	Correlation float64  // of the logarithms of both
	Scatter     float64  // K, of the points about the curve
}

// parameters of a fit, in their order: logarithms but for the moment of closing,
// s, and the platen, K.
const (
	conductance = iota
	backing
	thickness
	conductivity
	start // logarithm of the absolute temperature
	closing
	platen
	parameters
)

const (
	fewestPoints = 12
	leastRise    = 0.3  // of the way to the platen that a curve has to show
	mostScatter  = 0.05 // of the rise: beyond, it is no such curve
	leastScatter = 0.1  // K, below which no thermocouple is believed
)

// FitHeat fits head and backing to a curve by Gauss and Newton's method. What is
// known of the pressing enters with its uncertainty, so that the result carries
// it.
func FitHeat(points []Point, known Press) (Heat, error) {
	if err := checkCurve(points, &known); err != nil {
		return Heat{}, err
	}
	f := fit{points: points, known: known}
	best, cost := [parameters]float64{}, math.Inf(1)
	for _, h := range []float64{60, 150, 400, 1000} {
		for _, e := range []float64{250, 500, 900} {
			x := f.at(h, e)
			if c, ok := f.cost(x, 1); ok && c < cost {
				best, cost = x, c
			}
		}
	}
	x, _, err := f.minimize(best, 1)
	if err != nil {
		return Heat{}, err
	}
	// Points that follow one another err alike: they count for as many as are
	// independent.
	scatter, alike := f.residuals(x)
	if scatter > mostScatter*(known.Platen-known.Start) {
		return Heat{}, fmt.Errorf("the points lie %.1f K about the best curve: %w", scatter, errNoFit)
	}
	sigma := math.Max(scatter, leastScatter) * math.Sqrt((1+alike)/(1-alike))
	x, covariance, err := f.minimize(x, sigma)
	if err != nil {
		return Heat{}, err
	}
	uh, ue := math.Sqrt(covariance[conductance][conductance]), math.Sqrt(covariance[backing][backing])
	h, e := math.Exp(x[conductance]), math.Exp(x[backing])
	return Heat{
		Conductance: Estimate{h, h * uh, 1}, Backing: Estimate{e, e * ue, 1},
		Correlation: covariance[conductance][backing] / (uh * ue), Scatter: scatter,
	}, nil
}

func checkCurve(points []Point, known *Press) error {
	if len(points) < fewestPoints {
		return tooFew(len(points), fewestPoints, "points of the curve")
	}
	for i, p := range points {
		if !(math.Abs(p.Seconds) < 1e6) || !(math.Abs(p.Bond) < 1e4) || i > 0 && p.Seconds <= points[i-1].Seconds {
			return fmt.Errorf("point %d of the curve: time %g s, bond %g °C: want numbers, and times that rise", i+1, p.Seconds, p.Bond)
		}
	}
	if !(known.Platen > known.Start) {
		return fmt.Errorf("platen %g °C, start %g °C: want the platen hotter", known.Platen, known.Start)
	}
	for _, u := range []float64{known.StartU, known.PlatenU, known.ClockU, known.HeadU, known.ConductU} {
		if !positive(u) {
			return errors.New("an uncertainty of the pressing is not above zero")
		}
	}
	most := points[0].Bond
	for _, p := range points {
		most = math.Max(most, p.Bond)
	}
	if most-known.Start < leastRise*(known.Platen-known.Start) {
		return fmt.Errorf("the bond line reaches %.1f °C, less than %.0f %% of the way to the platen: press longer, for the backing shows late", most, 100*leastRise)
	}
	return nil
}

// fit is one fit under way.
type fit struct {
	points []Point
	known  Press
}

// at is a place in the parameters for a conductance and a backing.
func (f *fit) at(h, e float64) [parameters]float64 {
	x := f.prior()
	x[conductance], x[backing] = math.Log(h), math.Log(e)
	return x
}

// prior is what is known before the curve.
func (f *fit) prior() (x [parameters]float64) {
	k := &f.known
	x[thickness], x[conductivity] = math.Log(k.Head.Thickness), math.Log(k.Head.Conductivity)
	x[start], x[platen] = math.Log(k.Start+zeroCelsius), k.Platen
	return x
}

const zeroCelsius = 273.15

// weights of the prior, 1/u².
func (f *fit) weights() (w [parameters]float64) {
	k := &f.known
	w[thickness], w[conductivity] = 1/square(k.HeadU), 1/square(k.ConductU)
	w[start], w[closing], w[platen] = square((k.Start+zeroCelsius)/k.StartU), 1/square(k.ClockU), 1/square(k.PlatenU)
	return w
}

// bond is the temperature at a time and its derivatives by the parameters.
func (f *fit) bond(x *[parameters]float64, seconds float64) (v float64, d [parameters]float64, ok bool) {
	p := thermal.Pressing{Head: f.known.Head, Backing: thermal.Backing{Effusivity: math.Exp(x[backing])}, Start: math.Exp(x[start]) - zeroCelsius, Platen: x[platen]}
	p.Head.Conductance, p.Head.Thickness, p.Head.Conductivity = math.Exp(x[conductance]), math.Exp(x[thickness]), math.Exp(x[conductivity])
	since := seconds - x[closing]
	v, g, byTime, err := p.Bond(since)
	if err != nil {
		return 0, d, false
	}
	d[conductance], d[backing] = g[thermal.Conductance], g[thermal.BackingEffusivity]
	d[thickness], d[conductivity], d[start] = g[thermal.Thickness], g[thermal.Conductivity], g[thermal.StartTemperature]
	if byTime != 0 {
		d[closing] = -byTime / since
	}
	d[platen] = (v - p.Start) / (p.Platen - p.Start)
	return v, d, true
}

// cost is the sum of squares in standard uncertainties.
func (f *fit) cost(x [parameters]float64, sigma float64) (sum float64, ok bool) {
	prior, w := f.prior(), f.weights()
	for i := range w {
		sum += w[i] * square(x[i]-prior[i])
	}
	for _, p := range f.points {
		v, _, ok := f.bond(&x, p.Seconds)
		if !ok {
			return 0, false
		}
		sum += square((p.Bond - v) / sigma)
	}
	return sum, !math.IsNaN(sum)
}

// minimize finds the least cost from x, and the covariance there.
func (f *fit) minimize(x [parameters]float64, sigma float64) ([parameters]float64, [][]float64, error) {
	cost, ok := f.cost(x, sigma)
	if !ok {
		return x, nil, errSingular
	}
	damp := 1e-3
	for range 100 {
		a, b := f.normal(&x, sigma)
		for i := range a {
			a[i][i] *= 1 + damp
		}
		step, _, err := solve(a, b)
		if err != nil {
			return x, nil, errNoFit
		}
		to, longest := x, 0.0
		for i, s := range step {
			to[i] += s
			longest = math.Max(longest, math.Abs(s))
		}
		c, ok := f.cost(to, sigma)
		switch {
		case !ok || c > cost:
			if damp *= 10; damp > 1e9 {
				return x, nil, errNoFit
			}
			continue
		case longest < 1e-6 || cost-c < 1e-9*cost:
			a, b := f.normal(&to, sigma)
			_, covariance, err := solve(a, b)
			return to, covariance, err
		}
		x, cost, damp = to, c, math.Max(damp/10, 1e-9)
	}
	return x, nil, errNoFit
}

var errNoFit = errors.New("no curve of a head on a backing fits the points: check that the thermocouple is at the bond line, the press stayed closed and time 0 is its closing")

// normal are the normal equations at x.
func (f *fit) normal(x *[parameters]float64, sigma float64) (a [][]float64, b []float64) {
	prior, w := f.prior(), f.weights()
	b = make([]float64, parameters)
	for i := range parameters {
		a = append(a, make([]float64, parameters))
		a[i][i], b[i] = w[i], w[i]*(prior[i]-x[i])
	}
	per := 1 / square(sigma)
	for _, p := range f.points {
		v, d, ok := f.bond(x, p.Seconds)
		if !ok {
			continue
		}
		for i := range parameters {
			b[i] += d[i] * (p.Bond - v) * per
			for j := range parameters {
				a[i][j] += d[i] * d[j] * per
			}
		}
	}
	return a, b
}

// residuals are the standard deviation of the points about the curve, and how
// much one is like the next: their correlation, from 0 to below 1.
func (f *fit) residuals(x [parameters]float64) (scatter, alike float64) {
	var sum, product, last float64
	for i, p := range f.points {
		v, _, _ := f.bond(&x, p.Seconds)
		r := p.Bond - v
		sum += r * r
		if i > 0 {
			product += r * last
		}
		last = r
	}
	if sum > 0 {
		alike = math.Min(math.Max(product/sum, 0), 0.99)
	}
	return math.Sqrt(sum / float64(len(f.points)-2)), alike
}

// Mean of what several curves of like pressings tell. What differs from curve to
// curve averages out; what each fit took as known does not.
func Mean(curves []Estimate) (Estimate, error) {
	if len(curves) == 0 {
		return Estimate{}, tooFew(0, 1, "estimates")
	}
	var sum, u float64
	for _, c := range curves {
		if !positive(c.Value) || !positive(c.U) {
			return Estimate{}, errors.New("an estimate is not above zero")
		}
		sum += math.Log(c.Value)
		u += c.U / c.Value
	}
	n := float64(len(curves))
	mean, spread := sum/n, 0.0
	for _, c := range curves {
		spread += square(math.Log(c.Value) - mean)
	}
	out := Estimate{Value: math.Exp(mean), Rolls: len(curves)}
	if n > 1 {
		spread /= n * (n - 1)
	}
	out.U = out.Value * math.Hypot(u/n, math.Sqrt(spread))
	return out, nil
}
