// Package physics is how the simulated line really behaves: heat, motion,
// paper on a roll, motors. It is written from first principles and by other
// means than a recipe is computed by, finite differences and step-by-step
// motion in place of closed forms, so that the one can judge the other.
// Quantities are SI, temperatures in °C.
package physics

import "math"

// Solid is a material that heat passes through.
type Solid struct {
	Conductivity float64 // W/mK
	Density      float64 // kg/m³
	HeatCapacity float64 // J/kgK
}

// Press is a platen against a head that lies on a backing: one-dimensional
// conduction from a contact conductance at the face through the head, over the
// bond line, into the backing, whose far side is insulated. It is solved by
// finite volumes with an implicit step, which is stable for any step.
type Press struct {
	h    float64   // contact conductance, W/m²K
	dx   []float64 // cell sizes
	k    []float64
	c    []float64 // heat capacity of a cell per area, J/m²K
	t    []float64 // cell temperatures
	bond int       // first cell of the backing
	a, b []float64 // scratch of the elimination
}

// headCells resolve the head; with twelve the bond temperature is within a few
// hundredths of a kelvin of the analytic solution.
const headCells = 12

// NewPress returns a press at rest. Depth is the thickness of the backing
// that counts; zero means that the head itself is insulated behind.
func NewPress(conductance float64, head Solid, thickness float64, backing Solid, depth, start float64) *Press {
	p := &Press{h: conductance, bond: headCells}
	add := func(s Solid, dx float64) {
		p.dx = append(p.dx, dx)
		p.k = append(p.k, s.Conductivity)
		p.c = append(p.c, s.Density*s.HeatCapacity*dx)
		p.t = append(p.t, start)
	}
	dx := thickness / headCells
	for range headCells {
		add(head, dx)
	}
	for left := depth; left > 0; dx *= 1.12 {
		d := math.Min(dx, left)
		add(backing, d)
		left -= d
	}
	p.a, p.b = make([]float64, len(p.t)), make([]float64, len(p.t))
	return p
}

// between is the conductance of the path between the centres of cells i and
// i+1.
func (p *Press) between(i int) float64 {
	return 1 / (p.dx[i]/(2*p.k[i]) + p.dx[i+1]/(2*p.k[i+1]))
}

// face is the conductance from the platen to the centre of the first cell.
func (p *Press) face() float64 { return 1 / (1/p.h + p.dx[0]/(2*p.k[0])) }

// Step presses for dt seconds with a platen at the temperature given and
// returns the heat taken from the platen, J/m².
func (p *Press) Step(dt, platen float64) float64 {
	n := len(p.t)
	// Thomas elimination of (C/dt + G) T' = C/dt T + source.
	for i := range n {
		var lo, hi, src float64
		if i > 0 {
			lo = p.between(i - 1)
		} else {
			src = p.face()
		}
		if i < n-1 {
			hi = p.between(i)
		}
		diag := p.c[i]/dt + lo + hi + src
		rhs := p.c[i]/dt*p.t[i] + src*platen
		if i > 0 {
			diag -= lo * p.a[i-1]
			rhs += lo * p.b[i-1]
		}
		p.a[i], p.b[i] = hi/diag, rhs/diag
	}
	for i := n - 1; i >= 0; i-- {
		p.t[i] = p.b[i]
		if i < n-1 {
			p.t[i] += p.a[i] * p.t[i+1]
		}
	}
	return p.face() * (platen - p.t[0]) * dt
}

// Bond is the temperature at the bond line.
func (p *Press) Bond() float64 {
	i := p.bond
	if i >= len(p.t) {
		return p.t[i-1] // insulated: no gradient at the end
	}
	front, back := 2*p.k[i-1]/p.dx[i-1], 2*p.k[i]/p.dx[i]
	return (front*p.t[i-1] + back*p.t[i]) / (front + back)
}

// Face is the temperature of the head under the platen, at a platen of the
// temperature given.
func (p *Press) Face(platen float64) float64 {
	in := 2 * p.k[0] / p.dx[0]
	return (p.h*platen + in*p.t[0]) / (p.h + in)
}

// Platen is a heated plate of some thermal mass under a thermostat.
type Platen struct {
	Mass        float64 // J/K
	Power       float64 // W, of the heater at full
	Loss        float64 // W/K to the surroundings
	Temperature float64
	Setpoint    float64
}

// thermostatGain turns the heater full on at this many kelvin below setpoint.
const thermostatGain = 3.0

// Step heats and cools for dt seconds; drawn is the heat taken by the press,
// in J.
func (p *Platen) Step(dt, ambient, drawn float64) {
	loss := p.Loss * (p.Temperature - ambient)
	hold := p.Loss * (p.Setpoint - ambient)
	want := hold + p.Power*(p.Setpoint-p.Temperature)/thermostatGain
	p.Temperature += ((min(max(want, 0), p.Power)-loss)*dt - drawn) / p.Mass
}
