package recipe

import (
	"fmt"
	"math"
	"strings"

	"lapgate/recipe/cradle"
	"lapgate/recipe/wording"
)

func (j *job) explainSeat(steps []Step) []Step {
	if !j.seated {
		return steps
	}
	c := j.line.Cradle.Geometry()
	s := Step{
		Title:   say("step.seat"),
		Formula: say("formula.seat"),
		Inputs: []Named{
			{say("quantity.wrapped-diameter"), j.wrapped, "m"},
			{say("quantity.width"), j.roll.Width, "m"},
			{say("quantity.turning-rolls"), c.RollDiameter, "m"},
			{say("quantity.spacing-of-their-axes"), c.Spacing, "m"},
			{say("quantity.friction"), c.Friction, ""},
			{say("quantity.safety-factor"), c.Safety, ""},
		},
		Result: []Named{
			{wording.Phrase{Said: SetpointOf("roll_centre_height_m").Said()}, j.seat.Height, "m"},
			{say("quantity.contact-angle-in-degrees"), j.seat.Angle * 180 / math.Pi, ""},
			{say("quantity.greatest-acceleration"), j.seat.Accel, "m/s2"},
			{say("quantity.greatest-deceleration"), j.seat.Decel, "m/s2"},
		},
		Decided: say("decided.seat"),
	}
	if t, err := c.Tilt(j.wrapped, j.roll.Width, j.line.Stance()); err == nil {
		s.Result = append(s.Result, Named{say("quantity.tips-at-degrees"), t.Angle * 180 / math.Pi, ""}, Named{say("quantity.width-over-diameter"), t.Ratio, ""})
		if t.Flags&(cradle.Narrow|cradle.Tippy) != 0 {
			s.Decided = say("decided.seat.tips", "what", s.Decided.Said)
		}
	}
	return append(steps, s)
}

func (j *job) explainDrives(steps []Step) []Step {
	sp := &j.out.Setpoints
	if !sp.Groups.Has(GroupDrives) {
		return steps
	}
	d := &j.line.Drives
	one := func(title, decided wording.Phrase, m *Drive, speed float64, setpoint string) {
		hz := j.told(setpoint)
		if hz.Value == 0 {
			return
		}
		motor := m.Motor()
		if m.Compensate {
			decided = say("decided.drive.compensates", "what", decided.Said)
		}
		steps = append(steps, Step{
			Title:   title,
			Formula: say("formula.drive"),
			Inputs: []Named{
				{say("quantity.surface-speed"), speed, "m/s"},
				{say("quantity.driven-diameter"), m.Diameter, "m"},
				{say("quantity.gear"), m.Gear, ""},
				{say("quantity.poles"), float64(m.Poles), ""},
				{say("quantity.slip"), motor.Slip(), "r/s"},
			},
			Result:  []Named{hz},
			Decided: decided,
		})
	}
	one(say("step.turning-drive"), say("decided.speed", "setting", "wrap.speed"), &d.Turning, j.line.Wrap.Speed, "turning_hz")
	one(say("step.feed-drive"), say("decided.speed.draw", "setting", "wrap.draw"), &d.Feed, j.power.FeedRoll, "feed_hz")
	one(say("step.turning-drive.crimp"), say("decided.speed.crimp"), &d.Turning, j.crimp.Move.Speed, "crimp_turning_hz")
	one(say("step.crimper-drive"), say("decided.speed.pleats"), &d.Crimper, j.crimp.Strike, "crimper_hz")
	return steps
}

// explainPleats tells the fold that the crimpers make.
func (j *job) explainPleats(steps []Step) []Step {
	overhang := j.spec.Overhang.Optimum
	if j.chosen != nil {
		overhang = (j.chosen.Width - j.roll.Width) / 2
	}
	pleats, ok := j.line.Pleats(j.spec, j.wrapped, overhang)
	if !ok {
		return steps
	}
	return append(steps, Step{
		Title:   say("step.pleats"),
		Formula: say("formula.pleats"),
		Inputs: []Named{
			{say("quantity.pitch-on-the-rim"), j.spec.PleatPitch, "m"},
			{say("quantity.blades"), float64(j.line.Crimp.Blades), ""},
			{say("quantity.crimper-wheel"), j.line.Drives.Crimper.Diameter, "m"},
			{say("quantity.overhang"), overhang, "m"},
			{say("quantity.layers"), j.spec.Layers, ""},
		},
		Result: []Named{
			{say("quantity.crimper-over-roll-speed"), j.crimp.Ratio, ""},
			{say("quantity.pleats-in-one-turn"), pleats.PerTurn, ""},
			{say("quantity.length-taken-up-in-one-turn"), pleats.Gathered, "m"},
			{say("quantity.thicknesses-at-the-fold-in-the-mean"), pleats.Mean, ""},
			{say("quantity.thicknesses-at-the-most"), pleats.Most, ""},
		},
		Decided: say("decided.pleats", "setting", "pleat_pitch"),
	})
}

func (j *job) explainGlue(steps []Step) []Step {
	sp, g := &j.out.Setpoints, &j.line.Glue
	if !sp.Groups.Has(GroupGlue) {
		return steps
	}
	s := Step{
		Title:   say("step.glue"),
		Formula: say("formula.glue"),
		Inputs: []Named{
			j.told("outer_head_m"),
			{say("quantity.band"), g.Band, "m"},
			{say("quantity.coverage"), g.Coverage, "kg/m2"},
		},
		Result:  []Named{j.told("glue_mass_kg")},
		Decided: say("decided.glue"),
	}
	if j.head.Method == Fused {
		s.Decided = say("decided.glue.none")
	}
	return append(steps, s)
}

func (j *job) explainZones(steps []Step) []Step {
	sp := &j.out.Setpoints
	if !j.line.Equipment.Vacuum.Powered() || !sp.Groups.Has(GroupWrap) {
		return steps
	}
	return append(steps, Step{
		Title:   say("step.zones"),
		Formula: say("formula.zones"),
		Inputs:  []Named{{say("quantity.half-the-wrapper"), j.chosen.Width / 2, "m"}},
		Result:  []Named{j.told("vacuum_zones")},
		Decided: zonesOn(sp.VacuumZones),
	})
}

// zonesOn tells which zones are on.
func zonesOn(zones uint16) wording.Phrase {
	if zones == 0 {
		return say("decided.zones.none")
	}
	return say("decided.zones", "zones", zoneList(zones))
}

// zoneList names the zones that are on, from 1.
func zoneList(zones uint16) string {
	var on []string
	for i := range MaxZones {
		if zones>>i&1 == 1 {
			on = append(on, fmt.Sprint(i+1))
		}
	}
	if len(on) == 0 {
		return "none"
	}
	return strings.Join(on, ", ")
}

func (j *job) explainMass(steps []Step) []Step {
	sp := &j.out.Setpoints
	if !sp.Groups.Has(GroupWeigh) {
		return steps
	}
	p, x := &j.mass, &j.item
	return append(steps, Step{
		Title:   say("step.mass"),
		Formula: say("formula.mass"),
		Inputs: []Named{
			{say("quantity.diameter"), x.Diameter, "m"},
			{say("quantity.core"), x.Core.Diameter, "m"},
			{say("quantity.width"), x.Width, "m"},
			{say("quantity.density"), x.Density, "kg/m3"},
			{say("quantity.wrapper"), p.Wrapper, "kg"},
			{say("quantity.core-mass"), p.Core, "kg"},
			{say("quantity.inner-heads"), p.Inner, "kg"},
			{say("quantity.outer-heads"), p.Outer, "kg"},
			{say("quantity.glue"), p.Glue, "kg"},
			{say("quantity.tolerance-of-the-scale"), j.line.Scale.Tolerance, ""},
			{say("quantity.coverage-factor"), j.line.Limits.GuardK, ""},
		},
		Result: []Named{
			{say("quantity.net"), p.Net(), "kg"},
			j.told("tare_kg"),
			j.told("gross_kg"),
			{say("quantity.standard-uncertainty"), p.U, "kg"},
			j.told("scale_tolerance"),
		},
		Decided: say("decided.mass"),
		Largest: j.massU.text(),
	})
}

// explainRisk tells the chance of each kind of bad wrap and its margin to the
// rule that it breaks.
func (j *job) explainRisk(steps []Step) []Step {
	for k := range j.out.Risk {
		c := &j.out.Risk[k]
		if !c.Known {
			continue
		}
		unit := RiskKind(k).Unit()
		formula := say("formula.risk")
		switch RiskKind(k) {
		case RiskBond:
			formula = say("formula.risk.bond")
		case RiskScorch:
			formula = say("formula.risk.scorch", "share", doseU)
		}
		steps = append(steps, Step{
			Title:   say("step.risk", "what", RiskKind(k).Said()),
			Formula: formula,
			Inputs:  []Named{{say("quantity.margin-to-the-rule"), c.Margin, unit}, {say("quantity.its-standard-uncertainty"), c.U, unit}},
			Result:  []Named{{say("quantity.chance"), c.P, ""}},
			Decided: say("decided.risk"),
		})
	}
	return steps
}
