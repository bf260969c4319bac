package thermal

import "math"

// Backing is what the head is pressed against: so thick that its far side
// stays cold.
type Backing struct {
	// Effusivity is √(kρc), J/(m²·K·√s); 0 is an insulated bond line. Of a
	// backing in layers the largest effusivity gives the slowest warming.
	Effusivity float64
	Resistance float64 // of the contact at the bond line, m²K/W
}

func (b Backing) valid() bool {
	return b.Effusivity >= 0 && b.Effusivity <= math.MaxFloat64 &&
		b.Resistance >= 0 && b.Resistance <= math.MaxFloat64
}

// Effusivity of the head, √(kρc), J/(m²·K·√s).
func (h Head) Effusivity() float64 {
	return math.Sqrt(h.Conductivity * h.Density * h.HeatCapacity)
}

// node is a point of the contour along which a Laplace transform is inverted.
type node struct {
	z      complex128 // p·t
	root   complex128 // √z
	weight complex128
}

// nodeCount is half the nodes of the contour: the others are their conjugates.
const nodeCount = 6

// contour is Talbot's cotangent contour with the parameters of Trefethen,
// Weideman and Schmelzer, BIT 46 (2006) 653, at twice nodeCount points. The
// inverse of F at t is the sum of the imaginary parts of weight·p·F(p).
var contour = talbot()

func talbot() (nodes [nodeCount]node) {
	const n = 2 * nodeCount
	for k := range nodes {
		theta := math.Pi * float64(2*k+1) / n
		sin, cos := math.Sincos(0.6407 * theta)
		z := complex(n*(0.5017*theta*cos/sin-0.6122), n*0.2645*theta)
		turn := complex(n*0.5017*(cos/sin-0.6407*theta/(sin*sin)), n*0.2645)
		// √z with the real part above 0.
		size := math.Hypot(real(z), imag(z))
		re := math.Sqrt((size + real(z)) / 2)
		sinY, cosY := math.Sincos(imag(z))
		grow := complex(math.Exp(real(z))*cosY, math.Exp(real(z))*sinY)
		nodes[k] = node{z: z, root: complex(re, imag(z)/(2*re)), weight: 2 * grow * turn / (z * n)}
	}
	return nodes
}

// layers is a head on a backing in numbers without units.
type layers struct {
	contact float64 // k/(hL), the inverse of the Biot number
	beta    float64 // effusivity of the backing over that of the head
	bond    float64 // Rk/L, resistance at the bond line over that of the head
}

func (h Head) on(b Backing) layers {
	return layers{
		contact: h.Conductivity / (h.Conductance * h.Thickness),
		beta:    b.Effusivity / h.Effusivity(),
		bond:    b.Resistance * h.Conductivity / h.Thickness,
	}
}

// sound reports whether the numbers are of a size with which the inversion was
// tried; NaN is not.
func (l layers) sound() bool {
	const most = 1e9
	return l.contact <= most && l.beta <= most && l.bond <= most
}

// response is θ on the backing's side of the bond line, the colder one, and
// its derivatives.
type response struct {
	theta          float64
	byTime, bend   float64 // first and second by ln Fo
	byBiot, byBeta float64 // by ln Bi and ln β
	byBond         float64 // by ln Rk/L
}

// at is the response at a Fourier number αt/L². With z = √(p·L²/α), E = e^−z,
// v = 1/(1 + bond·β·z), y = βv and
//
//	D = (1 + z/Bi)(1 + y) + (1 − z/Bi)(1 − y)E²
//
// the transform is 2Ev/(pD); what stands in the logarithm of its factors gives
// the derivatives. Multiplying a transform by p differentiates by time.
func (l layers) at(fo float64) (r response) {
	s := 1 / math.Sqrt(fo)
	for i := range contour {
		n := &contour[i]
		z := complex(real(n.root)*s, imag(n.root)*s)
		e := decay(z)
		ee := e * e
		v, y := complex(1, 0), complex(l.beta, 0)
		if l.bond > 0 {
			w := l.bond * l.beta
			v = invert(complex(1+w*real(z), w*imag(z)))
			y = complex(l.beta*real(v), l.beta*imag(v))
		}
		back := (1 - y) * ee
		zc := complex(real(z)*l.contact, imag(z)*l.contact)
		contact := zc * (1 + y - back)
		d := invert(1 + y + back + contact)
		g := n.weight * e * d
		g += g
		if l.bond > 0 {
			g *= v
		}
		gz, gd := g*n.z, g*d
		r.theta += imag(g)
		r.byTime += imag(gz)
		r.bend += imag(gz * n.z)
		r.byBiot += imag(gd * contact)
		// g times ∂ ln D/∂y · y
		byY := (1 - ee + zc*(1+ee)) * gd
		if l.bond > 0 {
			byY *= y
			r.byBeta -= imag(byY*v + g*(1-v))
			r.byBond += imag((byY - g) * (1 - v))
		} else {
			r.byBeta -= imag(byY) * l.beta
		}
	}
	r.bend += r.byTime
	return r
}

// invert is 1/c without the tests for infinities of a complex division.
func invert(c complex128) complex128 {
	q := 1 / (real(c)*real(c) + imag(c)*imag(c))
	return complex(real(c)*q, -imag(c)*q)
}

// Shares are θ at the three places of a pressed head: its face at the platen,
// and the bond line on the side of the head and on that of the backing. The
// latter two are one where the bond has no resistance.
type Shares struct{ Face, Bond, Backing float64 }

// Reaches is θ at the three places after a time, to 1e-6; all 0 where an input
// makes no sense.
func (h Head) Reaches(b Backing, seconds float64) (s Shares) {
	l, fo := h.on(b), math.Min(seconds/h.timeScale(), forEver)
	if !h.valid() || !b.valid() || !l.sound() || !(fo > atOnce) {
		return s
	}
	s.Face = l.face(fo)
	scale := complex(1/math.Sqrt(fo), 0)
	for i := range contour {
		n := &contour[i]
		z := n.root * scale
		e := decay(z)
		v := invert(1 + complex(l.bond*l.beta, 0)*z)
		y := complex(l.beta, 0) * v
		back := (1 - y) * e * e
		g := 2 * n.weight * e * invert(1+y+back+z*complex(l.contact, 0)*(1+y-back))
		s.Bond += imag(g)
		s.Backing += imag(g * v)
	}
	return s
}

// Fourier numbers between which the inversion was tried. Less is no time at
// all; more counts as forEver, which for a head is thousands of years.
const (
	atOnce  = 1e-30
	forEver = 1e12
)

// face is θ at the platen at a Fourier number from atOnce to forEver.
func (l layers) face(fo float64) (theta float64) {
	scale := 1 / math.Sqrt(fo)
	for i := range contour {
		n := &contour[i]
		z := complex(real(n.root)*scale, imag(n.root)*scale)
		y := complex(l.beta, 0)
		if l.bond > 0 {
			w := l.bond * l.beta
			y *= invert(complex(1+w*real(z), w*imag(z)))
		}
		back := (1 - y) * decay(2*z)
		flux := complex(real(z)*l.contact, imag(z)*l.contact) * (1 + y - back)
		theta += imag(n.weight * (1 + y + back) * invert(1+y+back+flux))
	}
	return theta
}

// decay is e^−z.
func decay(z complex128) complex128 {
	size := exp(-real(z))
	if size == 0 {
		return 0
	}
	sin, cos := math.Sincos(imag(z))
	return complex(size*cos, -size*sin)
}

// leastFourier is the Fourier number below which nothing has reached the bond
// line: erfc(1/(2√Fo)) is below 1e-50.
const leastFourier = 2e-3

// Below leastShare of the rise the error of the inversion would count, so the
// time to leastShare stands for all less; above mostShare the times are beyond
// any press.
const (
	leastShare = 1e-3
	mostShare  = 0.9999
)

// guess is a Fourier number near the one at which the colder side of the bond
// line reaches theta. It is exact for a head without heat capacity and near
// for an insulated one; between them both add like the terms of a heat balance.
func (l layers) guess(theta float64) float64 {
	rest := 1 - theta
	// Without capacity θ = 1 − erfcx(H); erfcx is about 2/(√π·(H + √(H²+4/π))),
	// from where one step of Newton's method is enough.
	h := (1/rest - rest) * invSqrtPi
	w := Erfcx(h)
	h += (w - rest) / (2 * (invSqrtPi - h*w))
	soaked := h * l.beta * (l.contact + 1 + l.bond)
	// The first term of the series of a plane wall.
	first := 1 + 0.273/(1+1.5*l.contact)
	alone := (l.contact + 4/(math.Pi*math.Pi)) * math.Log(first/rest)
	root := soaked/2 + math.Sqrt(soaked*soaked/4+alone)
	return root * root
}

// solve finds the Fourier number at which the colder side of the bond line
// reaches theta, by Halley's method in ln Fo from a guess. The response is the
// one of the last iteration, at most stepLast from there.
func (l layers) solve(theta, guess float64) (fo float64, r response, ok bool) {
	const stepLast = 1e-3 // Halley's method is of third order: 1e-9 is left
	fo = guess
	for range 60 {
		if !(fo < forEver) {
			break
		}
		fo = math.Max(fo, leastFourier)
		r = l.at(fo)
		step := (theta - r.theta) / r.byTime
		if !(r.byTime > 0) {
			step = math.Inf(1) // nothing has arrived yet
		} else if f := 1 + step*r.bend/(2*r.byTime); f > 0.2 {
			step /= f
		}
		if !(math.Abs(step) < math.Inf(1)) {
			step = 1.5
		}
		step = math.Max(-1.5, math.Min(step, 1.5))
		fo *= exp(step)
		if math.Abs(step) <= stepLast {
			return fo, r, true
		}
	}
	return 0, response{}, false
}
