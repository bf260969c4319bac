package recipe

import (
	"errors"
	"math"

	"lapgate/recipe/drive"
)

// The drives of a line, as Problem.Index names them.
const (
	TurningDrive = iota
	FeedDrive
	CrimperDrive
	drives
)

// Motor is the drive as package drive takes it.
func (d *Drive) Motor() drive.Motor {
	return drive.Motor{
		Diameter: d.Diameter, Gear: d.Gear, Poles: d.Poles, Rated: d.RatedSpeed, BaseHz: d.BaseHz,
		MinHz: d.Limits.Min, MaxHz: d.Limits.Max, CoolingHz: d.CoolingHz, Compensates: d.Compensate,
	}
}

// powerPlan is what the drives have to do.
type powerPlan struct {
	ok       bool
	motors   [drives]drive.Motor
	fastest  float64 // surface of the turning rolls at their upper limit, m/s
	strike   float64 // fastest tips of the crimpers, m/s
	FeedRoll float64 // surface speed of the feed rolls, m/s
}

// readyDrives takes the motors of a line whose drives are powered, before the
// stations plan their moves within what the drives can do.
func (j *job) readyDrives() {
	if !j.line.Equipment.Drives.Powered() {
		return
	}
	p := &j.power
	d := &j.line.Drives
	p.motors = [drives]drive.Motor{d.Turning.Motor(), d.Feed.Motor(), d.Crimper.Motor()}
	var fastest [drives]float64
	bad := false
	for i := range p.motors {
		var err error
		if _, fastest[i], err = p.motors[i].Range(); err != nil {
			var fault drive.Fault
			errors.As(err, &fault)
			j.problem(DriveIncalculable, float64(fault), 0, i)
			bad = true
		}
	}
	p.fastest, p.strike = fastest[TurningDrive], fastest[CrimperDrive]
	p.ok = !bad
}

// planDrives sets the frequencies from the surface speeds that the stations
// settled on.
func (j *job) planDrives() {
	if !j.power.ok || !j.seated {
		return
	}
	e, p := &j.line.Equipment, &j.power
	switch {
	case e.Wrap.Present() && !positive(j.line.Wrap.Speed):
		if !j.out.Has(WrapIncalculable) {
			j.problem(DriveIncalculable, float64(drive.BadSpeed), 0, TurningDrive)
		}
		return
	case e.Crimp.Present() && !positive(j.crimp.Move.Speed):
		return // planCrimp told
	}
	var sp Setpoints
	ok := true
	hz := func(i int, speed float64) float64 {
		v, _, err := p.motors[i].Frequency(speed)
		if err != nil || !finite(v) {
			j.problem(DriveIncalculable, float64(drive.BadSpeed), 0, i)
			ok = false
		}
		return v
	}
	if e.Wrap.Present() {
		p.FeedRoll = drive.Feed(j.line.Wrap.Speed, j.line.Wrap.Draw)
		sp.TurningHz = hz(TurningDrive, j.line.Wrap.Speed)
		sp.FeedHz = hz(FeedDrive, p.FeedRoll)
	}
	if e.Crimp.Present() {
		sp.CrimpTurningHz = hz(TurningDrive, j.crimp.Move.Speed)
		if j.crimp.Strike > 0 {
			sp.CrimperHz = hz(CrimperDrive, j.crimp.Strike)
		}
	}
	if !ok {
		return
	}
	out := &j.out.Setpoints
	out.Groups |= 1 << GroupDrives
	out.TurningHz, out.FeedHz = sp.TurningHz, sp.FeedHz
	out.CrimpTurningHz, out.CrimperHz = sp.CrimpTurningHz, sp.CrimperHz
}

// crimpSpeed is the surface speed of the roll under the crimpers: what line
// and specification set, as far as the turning rolls and, at that ratio, the
// crimpers can go.
func (j *job) crimpSpeed(ratio float64) float64 {
	speed := math.Min(j.line.Crimp.Speed, j.spec.CrimpSpeed)
	if j.power.ok {
		speed = math.Min(speed, j.power.fastest)
		if ratio > 0 {
			speed = math.Min(speed, j.power.strike/ratio)
		}
	}
	return speed
}
