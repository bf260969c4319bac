// Package physics is how the simulated line really behaves: heat, motion,
// paper on a roll, motors. It is written from first principles and by other
// means than a recipe is computed by, finite volumes and step-by-step motion in
// place of closed forms, so that the one can judge the other. Quantities are
// SI, temperatures in °C.
package physics

import "math"

// Solid is a material that heat passes through.
type Solid struct {
	Conductivity float64 // W/mK
	Density      float64 // kg/m³
	HeatCapacity float64 // J/kgK
}

// Pack is what a platen presses: a head on a backing, which is the folded
// wrapper and the ends of the sheets.
type Pack struct {
	Head      Solid
	Thickness float64 // m of the head
	// Effusivity is that of the backing, √(kρc), J/(m²·K·√s). All that heat
	// can tell of a thick backing is in it. 0 for an insulated head.
	Effusivity float64
	Resistance float64 // m²K/W between head and backing
	Start      float64 // temperature of all at first

	// Water is what must be driven out of the glue at the bond line, kg/m²,
	// and Evaporation the temperature at which it leaves. No water for a head
	// that fuses.
	Water, Evaporation float64
}

// Press is a platen on a pack: one-dimensional conduction from a contact
// conductance at the face through the head, over the bond line, into the
// backing. It is solved by finite volumes and an implicit step of second order,
// which is stable for any step.
type Press struct {
	pack Pack
	h    float64   // contact conductance, W/m²K
	half []float64 // resistance from the centre of a cell to its face, m²K/W
	c    []float64 // heat capacity of a cell, J/m²K
	t    []float64 // temperature of a cell
	bond int       // first cell of the backing

	water  float64 // kg/m² still in the glue
	pinned bool    // the bond line boils and keeps its temperature

	stage, a, b []float64 // scratch
}

const (
	// headCells resolve the head so that the time to a bond temperature is
	// within 0.1 % of the analytic solution.
	headCells = 20
	// backingCells grow by backingGrowth each and reach as far as heat comes
	// in some minutes.
	backingCells  = 64
	backingGrowth = 1.08
	// anyConductivity of the backing: with its effusivity given, the bond line
	// cannot tell one from another.
	anyConductivity = 0.15
)

// NewPress returns a press at rest, with the contact conductance to the platen.
func NewPress(conductance float64, pack Pack) *Press {
	p := &Press{pack: pack, h: conductance, bond: headCells, water: pack.Water}
	add := func(dx, conductivity, capacity float64) {
		p.half = append(p.half, dx/(2*conductivity))
		p.c = append(p.c, capacity*dx)
		p.t = append(p.t, pack.Start)
	}
	head := pack.Head
	dx := pack.Thickness / headCells
	for range headCells {
		add(dx, head.Conductivity, head.Density*head.HeatCapacity)
	}
	if pack.Effusivity > 0 {
		capacity := pack.Effusivity * pack.Effusivity / anyConductivity
		// As far as heat comes in the same time as through a cell of the head.
		dx *= math.Sqrt(anyConductivity / capacity * head.Density * head.HeatCapacity / head.Conductivity)
		for range backingCells {
			add(dx, anyConductivity, capacity)
			dx *= backingGrowth
		}
	}
	p.stage, p.a, p.b = make([]float64, len(p.t)), make([]float64, len(p.t)), make([]float64, len(p.t))
	return p
}

// platenPath is the conductance from the platen to the first cell.
func (p *Press) platenPath() float64 { return 1 / (1/p.h + p.half[0]) }

// path is the conductance from cell i to the next, apart from a bond line that
// is pinned.
func (p *Press) path(i int) float64 {
	r := p.half[i] + p.half[i+1]
	if i == p.bond-1 {
		r += p.pack.Resistance
	}
	return 1 / r
}

// bondPaths are the conductances from the cells before and behind the bond line
// to its colder side, where the water is.
func (p *Press) bondPaths() (before, behind float64) {
	behind = 0 // insulated
	if p.bond < len(p.t) {
		behind = 1 / p.half[p.bond]
	}
	return 1 / (p.half[p.bond-1] + p.pack.Resistance), behind
}

// sdirk is the fraction of a step that each of its two stages takes.
var sdirk = 1 - 1/math.Sqrt2

// Step presses for dt seconds with a platen at the temperature given and
// returns the heat taken from the platen, J/m².
func (p *Press) Step(dt, platen float64) float64 {
	// Two implicit stages of the same length; the second starts from where the
	// slope of the first leads.
	first := sdirk * dt
	start := p.stage
	copy(start, p.t)
	p.solve(first, platen, start)
	heat := 0.5 * p.platenPath() * (platen - p.t[0])
	boiled := p.excess()
	for i := range start {
		start[i] += (1 - sdirk) / sdirk * (p.t[i] - start[i])
	}
	p.solve(first, platen, start)
	// The weights of the stages are 1−γ and γ.
	heat = (2*(1-sdirk)*heat + sdirk*p.platenPath()*(platen-p.t[0])) * dt
	p.boil(((1-sdirk)*boiled + sdirk*p.excess()) * dt)
	return heat
}

// solve advances from the temperatures given by one implicit stage: elimination
// of (C/dt + G) T = C/dt from + sources.
func (p *Press) solve(dt, platen float64, from []float64) {
	n := len(p.t)
	before, behind := p.bondPaths()
	for i := range n {
		var lo, hi, source, at float64
		if i == 0 {
			source, at = p.platenPath(), platen
		} else if !(p.pinned && i == p.bond) {
			lo = p.path(i - 1)
		}
		if i < n-1 && !(p.pinned && i == p.bond-1) {
			hi = p.path(i)
		}
		diag := p.c[i]/dt + lo + hi + source
		rhs := p.c[i]/dt*from[i] + source*at
		if p.pinned && i == p.bond-1 {
			diag, rhs = diag+before, rhs+before*p.pack.Evaporation
		}
		if p.pinned && i == p.bond {
			diag, rhs = diag+behind, rhs+behind*p.pack.Evaporation
		}
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
}

// excess is the heat that stays at a bond line that boils, W/m².
func (p *Press) excess() float64 {
	if !p.pinned {
		return 0
	}
	before, behind := p.bondPaths()
	e := before * (p.t[p.bond-1] - p.pack.Evaporation)
	if p.bond < len(p.t) {
		e -= behind * (p.pack.Evaporation - p.t[p.bond])
	}
	return e
}

// boil takes the water that heat drives out, and pins the bond line while
// there is any left.
func (p *Press) boil(heat float64) {
	if p.pinned {
		p.water -= heat / Evaporation(p.pack.Evaporation)
	}
	p.pinned = p.water > 0 && (p.pinned || p.Bond() >= p.pack.Evaporation)
}

// Evaporation is the heat that a kilogram of water takes to leave at a
// temperature, J/kg: 2.26 MJ/kg at 100 °C, 2.36 at 60 °C.
func Evaporation(celsius float64) float64 { return 2.26e6 + 2.5e3*(100-celsius) }

// Bond is the temperature at the bond line, on its colder side.
func (p *Press) Bond() float64 {
	n := p.bond - 1
	if p.bond >= len(p.t) {
		// No heat flows there: a parabola with its end on the bond line.
		return p.t[n] + (p.t[n]-p.t[n-1])/8
	}
	if p.pinned {
		return p.pack.Evaporation
	}
	return p.t[p.bond] + p.half[p.bond]*p.path(n)*(p.t[n]-p.t[p.bond])
}

// Dry reports whether no water is left in the glue.
func (p *Press) Dry() bool { return p.water <= 0 }

// Face is the temperature of the head under the platen, at a platen of the
// temperature given.
func (p *Press) Face(platen float64) float64 {
	return platen - p.platenPath()/p.h*(platen-p.t[0])
}

// Scorching: cellulose yellows by a reaction with an activation energy of
// 120 kJ/mol, told in seconds at 180 °C.
const (
	activation  = 120e3  // J/mol
	gasConstant = 8.3145 // J/(mol·K)
	scorchedAt  = 453.15 // K
	zeroCelsius = 273.15
)

// DoseRate is how many seconds at 180 °C one second at a temperature is worth.
func DoseRate(celsius float64) float64 {
	return math.Exp(-activation / gasConstant * (1/(celsius+zeroCelsius) - 1/scorchedAt))
}
