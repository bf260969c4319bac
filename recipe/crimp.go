package recipe

import (
	"math"

	"lapgate/recipe/drive"
	"lapgate/recipe/fold"
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

// wheel is the crimper wheel of a line, if it has one.
func (l *Line) wheel() (fold.Crimper, bool) {
	return fold.Crimper{Diameter: l.Drives.Crimper.Diameter, Blades: l.Crimp.Blades}, l.Crimp.Blades > 0
}

// planCrimp sets turns and time of the crimp: a path of n·π(D + 2Nt) on the
// surface of the wrapped roll from rest to rest, and the crimpers' way in
// and out; then where the crimpers stand and how hard they press.
func (j *job) planCrimp() {
	e := &j.line.Equipment
	if !e.Crimp.Present() || !j.seated || !e.Crimp.Powered() && !e.Drives.Powered() {
		return
	}
	c := &j.line.Crimp
	p := &j.crimp
	good := true
	if wheel, ok := j.line.wheel(); ok {
		var err error
		if p.Ratio, err = wheel.Ratio(j.spec.PleatPitch); err != nil {
			good = false
		}
	}
	p.Move = drive.Move{
		Path:  j.spec.CrimpTurns * math.Pi * j.wrapped,
		Speed: j.crimpSpeed(p.Ratio),
		Accel: math.Min(c.Accel, j.seat.Accel),
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
	sp := &j.out.Setpoints
	sp.Groups |= 1 << GroupCrimp
	sp.CrimpTurns = j.spec.CrimpTurns
	sp.CrimpTime = p.Seconds
	sp.RollCentreHeight = j.seat.Height
	sp.CrimperPosition = position
	sp.CrimperPressure = c.Pressure
}

// Pleats is the folded end of a wrapped roll at an overhang, by the pitch of
// its specification. ok is false where the line has no crimper wheel or the
// numbers make no fold.
func (l *Line) Pleats(spec *Spec, diameter, overhang float64) (fold.Pleats, bool) {
	if _, ok := l.wheel(); !ok {
		return fold.Pleats{}, false
	}
	p, err := fold.Fold(diameter/2, overhang, spec.Layers, spec.PleatPitch)
	return p, err == nil
}
