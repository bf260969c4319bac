package recipe

import "math"

// GlueMass is the wet glue on both ends of a roll, kg: on each a ring as wide as
// the band, under the edge of an outer head of that diameter, m.
func (g *Glue) GlueMass(head float64) float64 {
	outer := head / 2
	inner := math.Max(0, outer-g.Band)
	return 2 * g.Coverage * math.Pi * (outer - inner) * (outer + inner)
}

// layGlue sets the edge glue. A fused head brings its own coating, so the
// station is told to lay none.
func (j *job) layGlue() {
	if !j.line.Equipment.Glue.Powered() || j.head == nil || j.out.Setpoints.OuterHead == 0 {
		return
	}
	mass := 0.0
	if j.head.Method == Glued {
		mass = j.line.Glue.GlueMass(j.out.Setpoints.OuterHead)
	}
	if !(mass >= 0) || !finite(mass) {
		j.problem(GlueIncalculable, mass, 0, -1)
		return
	}
	j.out.Setpoints.Groups |= 1 << GroupGlue
	j.out.Setpoints.GlueMass = mass
}
