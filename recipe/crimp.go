package recipe

import (
	"math"

	"lapgate/recipe/drive"
)

// crimpPlan is the turning of the roll under the crimpers.
type crimpPlan struct {
	Move    drive.Move
	Peak    float64 // m/s, reached
	Moving  float64 // s
	Seconds float64 // with engaging and retracting
}

// planCrimp sets turns and time of the crimp: a path of n·π(D + 2Nt) on the
// surface of the wrapped roll from rest to rest, and the crimpers' way in
// and out.
func (j *job) planCrimp() {
	if !j.line.Equipment.Crimp.Powered() || !j.seated {
		return
	}
	c := &j.line.Crimp
	p := &j.crimp
	p.Move = drive.Move{
		Path:  j.spec.CrimpTurns * math.Pi * j.wrapped,
		Speed: math.Min(c.Speed, j.spec.CrimpSpeed),
		Accel: math.Min(c.Accel, j.seat.Accel),
		Decel: math.Min(c.Decel, j.seat.Decel),
	}
	var ok bool
	p.Moving, p.Peak, ok = p.Move.Time()
	p.Seconds = c.Engage + p.Moving + c.Retract
	if !ok || !positive(p.Seconds) || !positive(j.spec.CrimpTurns) || !(c.Engage >= 0 && c.Retract >= 0) {
		j.problem(CrimpIncalculable, p.Move.Path, 0, -1)
		return
	}
	sp := &j.out.Setpoints
	sp.Groups |= 1 << GroupCrimp
	sp.CrimpTurns = j.spec.CrimpTurns
	sp.CrimpTime = p.Seconds
}
