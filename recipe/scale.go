package recipe

import (
	"errors"
	"math"

	"lapgate/recipe/mass"
)

// density of a roll and its standard uncertainty, kg/m³: the order's before
// its grade's. The order's is taken to be as uncertain as the grade's, or 1 %
// without one. ok is false when nobody tells.
func (l *Line) density(roll *Roll) (rho, u float64, ok bool) {
	const unknownGrade = 0.01
	g := l.Materials.Grade(roll.gradeCode())
	if o := roll.Order; o != nil && o.Density > 0 {
		if g != nil {
			return o.Density, g.DensityU, true
		}
		return o.Density, unknownGrade * o.Density, true
	}
	if g == nil {
		return 0, 0, false
	}
	return g.Density, g.DensityU, true
}

// weighed is a wrapped roll as package mass takes it.
func (l *Line) weighed(roll *Roll, slotWidth float64, paper *Paper, used float64, spec *Spec, outer, inner, glue float64) (mass.Item, bool) {
	rho, u, ok := l.density(roll)
	if !ok {
		return mass.Item{}, false
	}
	width := roll.WidthMedian
	if !(width > 0) {
		width = roll.Width
	}
	x := mass.Item{
		Diameter: roll.Diameter, DiameterU: roll.DiameterU,
		Width: width, WidthU: roll.WidthU,
		Density: rho, DensityU: u,
		Wrapper: mass.Sheet{Length: used, Width: slotWidth, BasisWeight: paper.BasisWeight},
		Glue:    glue,
	}
	if core := l.Materials.Core(roll.Core); core != nil {
		x.Core = mass.Core{Diameter: core.Diameter, Linear: core.Mass}
	} else if roll.Core == 0 {
		l.Materials.anyCore(&x)
	}
	if m := l.Materials.Head(spec.Head); m != nil {
		x.Outer = mass.Head{Diameter: outer, BasisWeight: m.BasisWeight}
	}
	if m := l.Materials.Head(spec.InnerHead); m != nil {
		x.Inner = mass.Head{Diameter: inner, BasisWeight: m.BasisWeight}
	}
	return x, true
}

// anyCore gives a roll whose core is not known the mean section and the mean mass
// of all cores. What it weighs may lie anywhere between the lightest and the
// heaviest of them (JCGM 100, 4.3.7).
func (m *Materials) anyCore(x *mass.Item) {
	n := float64(len(m.Cores))
	if n == 0 {
		return
	}
	least, most := math.Inf(1), math.Inf(-1)
	squares := 0.0
	for i := range m.Cores {
		c := &m.Cores[i]
		squares += c.Diameter * c.Diameter / n
		// How much more the core weighs than paper in its place.
		more := c.Mass*x.Width - mass.Solid(c.Diameter, 0, x.Width, x.Density)
		least, most = math.Min(least, more), math.Max(most, more)
	}
	x.Core = mass.Core{Diameter: math.Sqrt(squares), Linear: m.CoreMass(0)}
	x.CoreU = (most - least) / math.Sqrt(12)
}

// CoreMass is the mass per length of the core of a code, kg/m; for code 0 the
// mean of all cores, and 0 for a code that is not known.
func (m *Materials) CoreMass(code int) float64 {
	if core := m.Core(code); core != nil {
		return core.Mass
	}
	sum := 0.0
	for i := range m.Cores {
		if code == 0 {
			sum += m.Cores[i].Mass / float64(len(m.Cores))
		}
	}
	return sum
}

// predictMass sets gross, tare and the tolerance for the scale: that of the
// line, widened by k·u of the prediction so that the line does not stop for
// what the scan may have got wrong (guarded rejection, JCGM 106).
func (j *job) predictMass() {
	if !j.line.Equipment.Scale.Powered() || j.paper == nil {
		return
	}
	sp := &j.out.Setpoints
	used := feedLength(j.roll.Diameter, j.paper.Caliper, j.spec, 0).Used
	x, ok := j.line.weighed(j.roll, j.chosen.Width, j.paper, used, j.spec, sp.OuterHead, sp.InnerHead, sp.GlueMass)
	if !ok {
		return // package check says that the density is not known
	}
	parts, err := x.Weigh()
	gross := parts.Gross()
	tolerance := j.line.Scale.Tolerance + j.line.Limits.GuardK*parts.U/gross
	if err != nil || !positive(gross) || !finite(parts.U) || !finite(tolerance) {
		var fault mass.Fault
		errors.As(err, &fault)
		j.problem(MassIncalculable, float64(fault), 0, -1)
		return
	}
	j.mass, j.item = parts, x
	j.massU.add("diameter of the roll", parts.Paper*2*x.Diameter*x.DiameterU/((x.Diameter-x.Core.Diameter)*(x.Diameter+x.Core.Diameter)))
	j.massU.add("width of the roll", parts.Paper*x.WidthU/x.Width)
	j.massU.add("density of the roll", parts.Paper*x.DensityU/x.Density)
	j.massU.add("core that is not known", x.CoreU)
	sp.Groups |= 1 << GroupWeigh
	sp.Gross = gross
	sp.Tare = parts.Tare()
	sp.ScaleTolerance = tolerance
	j.out.Uncertainty.Gross = math.Min(parts.U, math.MaxFloat64)
}
