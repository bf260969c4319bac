package thermal_test

import (
	"math"

	"lapgate/recipe/thermal"
)

func paper(conductance float64) thermal.Head {
	return thermal.Head{Thickness: 0.3e-3, Conductivity: 0.12, Density: 750, HeatCapacity: 1400, Conductance: conductance}
}

// network is a head on its backing in finite differences: nodes with a heat
// capacity, J/m²K, that stand on the faces and between them, joined by
// conductances, W/m²K. It knows nothing of the package's transform. u is θ.
type network struct {
	capacity, link []float64 // link[i] joins node i to the next
	platen         float64   // W/m²K to node 0
	bond, behind   int       // bond line on the head's and the backing's side
	fixed          int       // node that is kept at its temperature, -1 for none
	u, half, rhs   []float64
	upper          []float64
}

// newNetwork cuts the head into cells layers and the backing into as many
// again and half, which grow with depth and reach so deep that the far end
// stays cold for the time.
func newNetwork(h thermal.Head, b thermal.Backing, cells int, seconds float64) *network {
	n := &network{platen: h.Conductance, fixed: -1, bond: cells, behind: cells}
	alpha := h.Conductivity / (h.Density * h.HeatCapacity)
	n.capacity = make([]float64, cells+1)
	join := func(capacity, conductance float64) {
		n.capacity[len(n.capacity)-1] += capacity / 2
		n.capacity = append(n.capacity, capacity/2)
		n.link = append(n.link, conductance)
	}
	n.capacity = n.capacity[:1]
	d := h.Thickness / float64(cells)
	for range cells {
		join(h.Density*h.HeatCapacity*d, h.Conductivity/d)
	}
	if b.Resistance > 0 {
		n.capacity = append(n.capacity, 0)
		n.link = append(n.link, 1/b.Resistance)
		n.behind++
	}
	// A backing of the effusivity asked for with the diffusivity of the head.
	const growth = 6
	deep := 10*math.Sqrt(alpha*seconds) + h.Thickness
	layers := cells + cells/2
	depth := func(i int) float64 { return deep * math.Expm1(growth*float64(i)/float64(layers)) / math.Expm1(growth) }
	for i := range layers {
		d := depth(i+1) - depth(i)
		join(b.Effusivity/math.Sqrt(alpha)*d, b.Effusivity*math.Sqrt(alpha)/d)
	}
	n.u = make([]float64, len(n.capacity))
	n.half, n.rhs, n.upper = make([]float64, len(n.u)), make([]float64, len(n.u)), make([]float64, len(n.u))
	return n
}

// flow into node i, W/m², with the platen at θ = 1.
func (n *network) flow(i int) float64 {
	q := 0.0
	if i == 0 {
		q = n.platen * (1 - n.u[0])
	} else {
		q = n.link[i-1] * (n.u[i-1] - n.u[i])
	}
	if i < len(n.link) {
		q += n.link[i] * (n.u[i+1] - n.u[i])
	}
	return q
}

// solve puts into u the solution of (C + w·K)u = rhs + w·source.
func (n *network) solve(w float64) {
	last := 0.0
	for i, c := range n.capacity {
		before, after := n.platen, 0.0
		if i > 0 {
			before = n.link[i-1]
		}
		if i < len(n.link) {
			after = n.link[i]
		}
		diagonal, lower, r := c+w*(before+after), -w*before, n.rhs[i]
		if i == 0 {
			r, lower = r+w*before, 0
		}
		if i == n.fixed {
			diagonal, lower, after, r = 1, 0, 0, n.u[i]
		}
		up := 0.0
		if i > 0 {
			up = n.upper[i-1]
		}
		pivot := diagonal - lower*up
		n.upper[i] = -w * after / pivot
		last = (r - lower*last) / pivot
		n.half[i] = last
	}
	for i := len(n.u) - 1; i >= 0; i-- {
		n.u[i] = n.half[i]
		if i < len(n.link) {
			n.u[i] -= n.upper[i] * n.u[i+1]
		}
	}
}

// step goes on by a time, s, by the trapezoidal rule and a backward difference
// (TR-BDF2), which damps what the first contact sets off.
func (n *network) step(dt float64, old []float64) {
	gamma := 2 - math.Sqrt2
	w := gamma / 2 * dt
	copy(old, n.u)
	for i, c := range n.capacity {
		n.rhs[i] = c*n.u[i] + w*n.flow(i)
	}
	n.solve(w)
	for i, c := range n.capacity {
		n.rhs[i] = c * (n.u[i]/(gamma*(2-gamma)) - old[i]*(1-gamma)*(1-gamma)/(gamma*(2-gamma)))
	}
	n.solve(w)
}

// series is θ at face and bond line at the fifths of a time, reached in steps
// that grow with time.
func (n *network) series(seconds float64, steps int) (s [5]thermal.Shares) {
	old := make([]float64, len(n.u))
	at := func(i int) float64 { return seconds * math.Pow(float64(i)/float64(steps), 2) }
	for i := range steps {
		n.step(at(i+1)-at(i), old)
		if (i+1)%(steps/5) == 0 {
			s[(i+1)/(steps/5)-1] = thermal.Shares{Face: n.u[0], Bond: n.u[n.bond], Backing: n.u[n.behind]}
		}
	}
	return s
}

// warm goes on until the backing's side of the bond line has reached theta and
// returns the time, s; u is left there.
func (n *network) warm(theta, start float64) float64 {
	old := make([]float64, len(n.u))
	at := 0.0
	for dt := start; ; dt = max(start, 0.004*at) {
		n.step(dt, old)
		at += dt
		if n.u[n.behind] < theta {
			continue
		}
		share := (theta - old[n.behind]) / (n.u[n.behind] - old[n.behind])
		for i := range n.u {
			n.u[i] = old[i] + share*(n.u[i]-old[i])
		}
		return at - dt*(1-share)
	}
}

// dry keeps the bond line at its temperature until the heat that it takes up,
// in J/m² per unit of θ, has come in, and returns the time, s.
func (n *network) dry(heat, dt float64) float64 {
	old := make([]float64, len(n.u))
	n.fixed = n.bond
	taken, at, before := 0.0, 0.0, math.Max(0, n.flow(n.bond))
	for {
		n.step(dt, old)
		after := n.flow(n.bond)
		more := (before + after) / 2 * dt
		if taken+more >= heat {
			return at + dt*(heat-taken)/more
		}
		taken, at, before = taken+more, at+dt, after
	}
}
