package recipe

import (
	"fmt"
	"math"
	"strings"

	"lapgate/recipe/cradle"
)

func (j *job) explainSeat(steps []Step) []Step {
	if !j.seated {
		return steps
	}
	c := j.line.Cradle.Geometry()
	s := Step{
		Title:   "Roll on the turning rolls",
		Formula: "h = √(((D + d)/2)² − (c/2)²), sin φ = c/(D + d); tips at atan(W/(D·cos φ))",
		Inputs: []Named{
			{"wrapped diameter", j.wrapped, "m"},
			{"width", j.roll.Width, "m"},
			{"turning rolls", c.RollDiameter, "m"},
			{"spacing of their axes", c.Spacing, "m"},
			{"friction", c.Friction, ""},
			{"safety factor", c.Safety, ""},
		},
		Result: []Named{
			{SetpointOf("roll_centre_height_m").Label, j.seat.Height, "m"},
			{"contact angle in degrees", j.seat.Angle * 180 / math.Pi, ""},
			{"greatest acceleration", j.seat.Accel, "m/s2"},
			{"greatest deceleration", j.seat.Decel, "m/s2"},
		},
		Decided: "neither contact slips nor lifts, with the safety factor",
	}
	if t, err := c.Tilt(j.wrapped, j.roll.Width, j.line.Stance()); err == nil {
		s.Result = append(s.Result, Named{"tips at degrees", t.Angle * 180 / math.Pi, ""}, Named{"width over diameter", t.Ratio, ""})
		if t.Flags&(cradle.Narrow|cradle.Tippy) != 0 {
			s.Decided += "; the roll may tip"
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
	one := func(title string, m *Drive, speed float64, setpoint, decided string) {
		hz := j.told(setpoint)
		if hz.Value == 0 {
			return
		}
		motor := m.Motor()
		if m.Compensate {
			decided += "; the converter compensates slip"
		}
		steps = append(steps, Step{
			Title:   title,
			Formula: "f = p/2·(n + s), n = v·gear/(π·d), s = 2·f_base/p − n_rated",
			Inputs: []Named{
				{"surface speed", speed, "m/s"},
				{"driven diameter", m.Diameter, "m"},
				{"gear", m.Gear, ""},
				{"poles", float64(m.Poles), ""},
				{"slip", motor.Slip(), "r/s"},
			},
			Result:  []Named{hz},
			Decided: decided,
		})
	}
	one("Turning drive while wrapping", &d.Turning, j.line.Wrap.Speed, "turning_hz", "speed by wrap.speed")
	one("Feed drive", &d.Feed, j.power.FeedRoll, "feed_hz", "speed of the turning rolls, with wrap.draw")
	one("Turning drive while crimping", &d.Turning, j.crimp.Move.Speed, "crimp_turning_hz", "speed of the crimp")
	one("Crimper drive", &d.Crimper, j.crimp.Strike, "crimper_hz", "speed ratio for the pitch of the pleats")
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
		Title:   "Pleats",
		Formula: "q = π·d/(B·P); at the fold 2π·o is taken up, two thicknesses more where a pleat lies",
		Inputs: []Named{
			{"pitch on the rim", j.spec.PleatPitch, "m"},
			{"blades", float64(j.line.Crimp.Blades), ""},
			{"crimper wheel", j.line.Drives.Crimper.Diameter, "m"},
			{"overhang", overhang, "m"},
			{"layers", j.spec.Layers, ""},
		},
		Result: []Named{
			{"crimper over roll speed", j.crimp.Ratio, ""},
			{"pleats in one turn", pleats.PerTurn, ""},
			{"length taken up in one turn", pleats.Gathered, "m"},
			{"thicknesses at the fold, in the mean", pleats.Mean, ""},
			{"thicknesses at the most", pleats.Most, ""},
		},
		Decided: "pitch by pleat_pitch of the specification",
	})
}

func (j *job) explainGlue(steps []Step) []Step {
	sp, g := &j.out.Setpoints, &j.line.Glue
	if !sp.Groups.Has(GroupGlue) {
		return steps
	}
	s := Step{
		Title:   "Edge glue",
		Formula: "m = 2·coverage·π·(R² − (R − band)²), R of the outer head",
		Inputs: []Named{
			j.told("outer_head_m"),
			{"band", g.Band, "m"},
			{"coverage", g.Coverage, "kg/m2"},
		},
		Result:  []Named{j.told("glue_mass_kg")},
		Decided: "a glued head",
	}
	if j.head.Method == Fused {
		s.Decided = "none: a fused head brings its coating"
	}
	return append(steps, s)
}

func (j *job) explainZones(steps []Step) []Step {
	sp := &j.out.Setpoints
	if !j.line.Equipment.Vacuum.Powered() || !sp.Groups.Has(GroupWrap) {
		return steps
	}
	return append(steps, Step{
		Title:   "Vacuum zones",
		Formula: "a zone is on when half the wrapper reaches its outer edge",
		Inputs:  []Named{{"half the wrapper", j.chosen.Width / 2, "m"}},
		Result:  []Named{j.told("vacuum_zones")},
		Decided: "zones on: " + zoneList(sp.VacuumZones),
	})
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
		Title:   "Mass",
		Formula: "net = π/4·(D² − d²)·W·ρ; tare = core + wrapper + heads + glue; tolerance + k·u/gross",
		Inputs: []Named{
			{"diameter", x.Diameter, "m"},
			{"core", x.Core.Diameter, "m"},
			{"width", x.Width, "m"},
			{"density", x.Density, "kg/m3"},
			{"wrapper", p.Wrapper, "kg"},
			{"core mass", p.Core, "kg"},
			{"inner heads", p.Inner, "kg"},
			{"outer heads", p.Outer, "kg"},
			{"glue", p.Glue, "kg"},
			{"tolerance of the scale", j.line.Scale.Tolerance, ""},
		},
		Result: []Named{
			{"net", p.Net(), "kg"},
			j.told("tare_kg"),
			j.told("gross_kg"),
			{"standard uncertainty", p.U, "kg"},
			j.told("scale_tolerance"),
		},
		Decided: "density of the grade, or of the order where it names one",
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
		steps = append(steps, Step{
			Title:   "Chance of a bad wrap: " + RiskKind(k).Label(),
			Formula: "P(error > margin), measurement normal, centring and placement even within their tolerances",
			Inputs:  []Named{{"margin to the rule", c.Margin, unit}, {"its standard uncertainty", c.U, unit}},
			Result:  []Named{{"chance", c.P, ""}},
			Decided: "at the end of the roll that hurts",
		})
	}
	return steps
}
