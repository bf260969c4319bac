package rehearse

import (
	"fmt"
	"math"

	"lapgate/gateway/config"
	"lapgate/recipe"
	"lapgate/sim"
	"lapgate/sim/controller"
	"lapgate/sim/physics"
)

// Line makes a simulated line of a configured one, so that the two
// agree on what hangs where and how the drives are geared. What a
// configuration does not say, how well the line really measures, centres and
// heats, comes from the simulator's own line.
func Line(l *config.Line) (sim.Config, error) {
	r := l.Recipe
	c := sim.DefaultConfig()
	c.Scan = l.Controller.Program.Scan
	c.Modbus.Unit = uint8(l.Controller.Unit)
	b := l.Controller.Bases
	c.Bases = controller.Bases{
		Req: b.Request, Out: b.Outcomes, Heartbeat: b.Heartbeat, Hello: b.Hello,
		Payload: b.Payload, Commit: b.Commit, Ack: b.Ack, Limits: b.Limits,
	}
	c.Program.Permissives = r.Limits.Permissives
	c.Program.CommitTTL = l.Controller.Program.CommitTTL
	c.Program.HeartbeatLoss = l.Controller.Program.HeartbeatLoss
	c.Program.Publish = l.Controller.Program.Publication

	setMaterials(&c, &r.Materials)
	if err := setStand(&c, r); err != nil {
		return c, err
	}
	setHeader(&c, &r.Header)
	setUncertainties(&c, r)
	c.Centring.Error = r.Centring.Tolerance
	c.Centring.Offset = r.Centring.Target
	c.Cradle = sim.Cradle{Diameter: r.Cradle.RollDiameter, Spacing: r.Cradle.Spacing}
	c.Wrap.CountsPerMetre, c.Wrap.Accel, c.Wrap.Decel = r.Wrap.CountsPerMetre, r.Wrap.Accel, r.Wrap.Decel
	c.Crimp.Accel, c.Crimp.Decel = r.Crimp.Accel, r.Crimp.Decel
	c.Crimp.Engage, c.Crimp.Retract = r.Crimp.Engage, r.Crimp.Retract
	c.Drives = sim.Drives{Turning: motorOf(r.Drives.Turning), Feed: motorOf(r.Drives.Feed), Crimper: motorOf(r.Drives.Crimper)}
	return c, nil
}

// setMaterials gives the simulated line the grades, cores and heads of the
// configured one.
func setMaterials(c *sim.Config, m *recipe.Materials) {
	c.Grades = nil
	for _, g := range m.Grades {
		c.Grades = append(c.Grades, sim.Grade{Code: g.Code, Name: g.Name, Density: g.Density})
	}
	c.Cores = nil
	for _, k := range m.Cores {
		c.Cores = append(c.Cores, sim.Core{Code: k.Code, Name: k.Name, Diameter: k.Diameter, Mass: k.Mass})
	}
	if h := firstHead(m); h != nil {
		c.Header.Head = physics.Solid{Conductivity: h.Conductivity, Density: h.Density, HeatCapacity: h.HeatCapacity}
		c.Header.Thickness, c.Header.HeadWeight, c.Header.Start = h.Thickness, h.BasisWeight, h.Setpoint
		c.Heads, c.Accept.Bond, c.Habit.Temperature = h.Diameters, h.BondTarget, h.Setpoint
	}
	for i := range m.Specs {
		if h := m.Head(m.Specs[i].InnerHead); h != nil {
			c.Header.Inner = h.BasisWeight
			break
		}
	}
}

// setHeader gives the simulated press the platens and the contact that the
// configuration was calibrated with.
func setHeader(c *sim.Config, h *recipe.Header) {
	c.Header.Contact = physics.Contact{
		Conductance: h.Conductance, Reference: h.Reference, Exponent: h.Exponent, Low: h.Calibrated.Min, High: h.Calibrated.Max,
	}
	c.Header.Hydraulic = h.Pressure
	c.Header.Force = h.Pressure * math.Pi / 4 * h.Bore * h.Bore * float64(h.Cylinders) * h.Efficiency
	c.Header.Platen, c.Header.Effusivity, c.Header.Resistance = h.Platen, h.Backing, h.BondResistance
	c.Header.Ambient = h.Start
}

// setUncertainties lets what is true lie as far from what is known as the
// configuration says, and holds the wrap to the limits of the configuration.
func setUncertainties(c *sim.Config, r *recipe.Line) {
	c.Accept.Dose = r.Limits.Dose
	c.Spread.WrapperWidth = r.Stand.WidthU
	c.Spread.HeadSize, c.Spread.HeadPlacement = r.Heads.SizeU, r.Heads.Placement
	c.Accept.HeadOver = 0
	for i := range r.Materials.Specs {
		s := &r.Materials.Specs[i]
		if i == 0 {
			c.Accept.OverhangMin, c.Accept.OverhangMax, c.Accept.LapMin = s.Overhang.Min, s.Overhang.Max, s.MinLap
		}
		c.Accept.OverhangMin, c.Accept.OverhangMax = min(c.Accept.OverhangMin, s.Overhang.Min), max(c.Accept.OverhangMax, s.Overhang.Max)
		c.Accept.LapMin = min(c.Accept.LapMin, s.MinLap)
	}
}

// SpreadPress lets the press, its heads and what lies behind them be as far from
// what is known of them as the configuration says. About one go in two hundred is
// then short at its bond, as its risk states. A shift that Line alone describes has
// a press as it was calibrated, so that a wrap judged bad there is a fault.
func SpreadPress(c *sim.Config, r *recipe.Line) {
	m := firstHead(&r.Materials)
	if m == nil {
		return
	}
	u := r.Header.UncertaintyOf(m)
	c.Spread.Conductance, c.Spread.Effusivity = u.Conductance, u.BackingEffusivity
	c.Spread.HeadThickness, c.Spread.Conductivity, c.Spread.Start = u.Thickness, u.Conductivity, u.StartTemperature
}

// setStand hangs the configured wrappers.
func setStand(c *sim.Config, r *recipe.Line) error {
	c.Stand.Slots = nil
	c.Stand.Core = r.Stand.CoreDiameter
	for _, s := range r.Stand.Slots {
		paper := r.Materials.Paper(s.Paper)
		if paper == nil {
			return fmt.Errorf("slot %d: paper %q is not among the papers of the configuration", s.Number, s.Paper)
		}
		c.Stand.Slots = append(c.Stand.Slots, sim.Slot{
			Number: s.Number, Width: s.Width, Caliper: paper.Caliper, BasisWeight: paper.BasisWeight,
			Coated: paper.CoatedSide != recipe.Uncoated,
		})
	}
	return nil
}

func motorOf(d recipe.Drive) physics.Motor {
	const secondsPerMinute = 60
	return physics.Motor{
		Diameter: d.Diameter, Gear: d.Gear, Poles: d.Poles,
		Rated: d.RatedSpeed * secondsPerMinute, BaseHz: d.BaseHz, Compensated: d.Compensate,
	}
}

// firstHead is the outer head of the first specification: the simulated press
// knows one material.
func firstHead(m *recipe.Materials) *recipe.HeadMaterial {
	for i := range m.Specs {
		if h := m.Head(m.Specs[i].Head); h != nil {
			return h
		}
	}
	return nil
}
