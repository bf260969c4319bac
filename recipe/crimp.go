package recipe

import (
	"math"

	"lapgate/recipe/drive"
)

// crimpPlan is the turning of the roll under the crimpers, and the pleats that
// they strike.
type crimpPlan struct {
	Move    drive.Move
	Peak    float64 // m/s, reached
	Moving  float64 // s
	Seconds float64 // with engaging and retracting
	Ratio   float64 // of crimper tips to roll surface; 0 without a wheel
	Strike  float64 // surface speed of the crimper tips, m/s
}

// planCrimp sets the turns and the time of the crimp, where the crimpers stand
// and how hard they press. The surface of the wrapped roll moves n·π(D + 2Nt)
// from rest to rest; the time has the crimpers' way in and out in it too.
func (j *job) planCrimp() {
	e := &j.line.Equipment
	if !e.Crimp.Present() || !j.seated || !e.Crimp.Powered() && !e.Drives.Powered() {
		return
	}
	c := &j.line.Crimp
	p := &j.crimp
	good := true
	if c.Blades > 0 {
		p.Ratio, good = strikeRatio(j.line.Drives.Crimper.Diameter, c.Blades, j.spec.PleatPitch)
	}
	grip, gripped := j.grip(c.Drag)
	if !gripped {
		return
	}
	p.Move = drive.Move{
		Path:  j.spec.CrimpTurns * math.Pi * j.wrapped,
		Speed: j.crimpSpeed(p.Ratio),
		Accel: math.Min(c.Accel, grip),
		Decel: math.Min(c.Decel, j.seat.Decel),
	}
	p.Strike = p.Ratio * p.Move.Speed
	var ok bool
	p.Moving, p.Peak, ok = p.Move.Time()
	p.Seconds = c.Engage + p.Moving + c.Retract
	position := j.wrapped/2 + c.Standoff
	if !good || !ok || !positive(p.Seconds) || !positive(j.spec.CrimpTurns) || !(c.Engage >= 0 && c.Retract >= 0) ||
		!finite(p.Strike) || !positive(position) || !(c.Pressure >= 0 && finite(c.Pressure)) {
		p.Move.Speed = 0
		j.problem(CrimpIncalculable, p.Move.Path, 0, -1)
		return
	}
	if !e.Crimp.Powered() {
		return
	}
	u, around := j.heightU()
	timeU := j.spec.CrimpTurns * math.Pi / p.Move.Speed * around
	if !finite(u) || !finite(timeU) {
		p.Move.Speed = 0
		j.problem(CrimpIncalculable, p.Move.Path, 0, -1)
		return
	}
	sp := &j.out.Setpoints
	sp.Groups |= 1 << GroupCrimp
	sp.CrimpTurns = j.spec.CrimpTurns
	sp.CrimpTime = p.Seconds
	sp.RollCentreHeight = j.seat.Height
	sp.CrimperPosition = position
	sp.CrimperPressure = c.Pressure
	j.out.Uncertainty.CentreHeight = u
	j.out.Uncertainty.CrimpTime = timeU
}
