package recipe

import "math"

// MaxZones is the number of vacuum zones that the controller can be told.
const MaxZones = 16

// setZones turns on the vacuum zones that the wrapper covers whole, so that
// none draws air past its edge. Zones lie on both sides of the line centre;
// the wrapper hangs as far off it as the roll is put.
func (j *job) setZones() {
	if !j.line.Equipment.Vacuum.Powered() || !j.out.Setpoints.Groups.Has(GroupWrap) {
		return
	}
	half := j.chosen.Width/2 - math.Abs(j.line.Centring.Target)
	for i, edge := range j.line.Vacuum.Edges {
		if i < MaxZones && edge > 0 && edge <= half+lengthSlack {
			j.out.Setpoints.VacuumZones |= 1 << i
		}
	}
}

// setCentring sets where the roll is put. The wrapper hangs as far off the
// line centre, so that the overhang is the same on both sides but for the
// centring error, for which its window allows.
func (j *job) setCentring() {
	if !j.line.Equipment.Centring.Powered() {
		return
	}
	if !finite(j.line.Centring.Target) {
		j.problem(CentringIncalculable, j.line.Centring.Target, 0, -1)
		return
	}
	j.out.Setpoints.Groups |= 1 << GroupCentre
	j.out.Setpoints.CentringOffset = j.line.Centring.Target
}
