package rehearse

import (
	"fmt"
	"math"
	"slices"

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

	if err := setStand(&c, r); err != nil {
		return c, err
	}
	setMaterials(&c, r)
	setSizes(&c, r)
	setHeader(&c, &r.Header)
	setUncertainties(&c, r)
	c.Headless = !r.Equipment.Heads.Present()
	c.Centring.Error = r.Centring.Tolerance
	c.Centring.Offset = r.Centring.Target
	c.Cradle = sim.Cradle{Diameter: r.Cradle.RollDiameter, Spacing: r.Cradle.Spacing}
	c.Wrap.CountsPerMetre, c.Wrap.Accel, c.Wrap.Decel = r.Wrap.CountsPerMetre, r.Wrap.Accel, r.Wrap.Decel
	c.Crimp.Accel, c.Crimp.Decel = r.Crimp.Accel, r.Crimp.Decel
	c.Crimp.Engage, c.Crimp.Retract = r.Crimp.Engage, r.Crimp.Retract
	c.Habit.WrapSpeed, c.Habit.CrimpSpeed = r.Wrap.Speed, r.Crimp.Speed
	c.Drives = sim.Drives{Turning: motorOf(r.Drives.Turning), Feed: motorOf(r.Drives.Feed), Crimper: motorOf(r.Drives.Crimper)}
	return c, nil
}

// setMaterials gives the simulated line the grades and cores of the configured one,
// and how each grade is wrapped. Where the configuration has none, the simulator's own
// stand for rolls of which the mill knows nothing.
func setMaterials(c *sim.Config, r *recipe.Line) {
	m := &r.Materials
	if len(m.Grades) > 0 {
		c.Grades = nil
	}
	for _, g := range m.Grades {
		c.Grades = append(c.Grades, sim.Grade{Code: g.Code, Name: g.Name, Density: g.Density, Wrap: wrappingOf(r, m.Spec(g.Spec))})
	}
	if len(m.Cores) > 0 {
		c.Cores = nil
	}
	for _, k := range m.Cores {
		c.Cores = append(c.Cores, sim.Core{Code: k.Code, Name: k.Name, Diameter: k.Diameter, Mass: k.Mass})
	}
	if len(m.Specs) == 0 {
		return
	}
	w := wrappingOf(r, &m.Specs[0])
	if len(m.Grades) == 0 {
		for i := range c.Grades {
			c.Grades[i].Wrap = w
		}
	}
	if w == nil {
		return
	}
	c.Header.Head, c.Header.Thickness, c.Header.HeadWeight, c.Header.Inner = w.Head, w.Thickness, w.HeadWeight, w.Inner
	c.Header.Start, c.Heads, c.Accept.Bond = w.Temperature, w.Heads, w.Bond
	c.Habit.Temperature, c.Habit.Overhang = w.Temperature, w.Overhang
}

// wrappingOf is how rolls of a specification are wrapped on a line, nil without one.
func wrappingOf(r *recipe.Line, s *recipe.Spec) *sim.Wrapping {
	if s == nil {
		return nil
	}
	h := r.Materials.Head(s.Head)
	if h == nil {
		return nil
	}
	_, water := r.TargetOf(h)
	w := &sim.Wrapping{
		Slots:     []int{},
		Head:      physics.Solid{Conductivity: h.Conductivity, Density: h.Density, HeatCapacity: h.HeatCapacity},
		Thickness: h.Thickness, HeadWeight: h.BasisWeight, Heads: h.Diameters,
		Water: water, Dries: h.BondTarget, Bond: h.BondTarget, Temperature: h.Setpoint,
		Layers: s.Layers, Overlap: s.Overlap, CrimpTurns: s.CrimpTurns, CrimpSpeed: s.CrimpSpeed, Overhang: s.Overhang.Optimum,
		OverhangMin: s.Overhang.Min, OverhangMax: s.Overhang.Max, LapMin: s.MinLap,
	}
	if h.Method == recipe.Glued {
		w.Bond = math.Min(w.Bond, wetBondHottest)
		w.Dries = w.Bond
	}
	if inner := r.Materials.Head(s.InnerHead); inner != nil {
		w.Inner = inner.BasisWeight
	}
	for _, slot := range r.Stand.Slots {
		if slices.Contains(s.Papers, slot.Paper) {
			w.Slots = append(w.Slots, slot.Number)
		}
	}
	if len(r.Stand.Slots) == 0 {
		w.Slots = nil
	}
	return w
}

// wetBondHottest is the temperature, °C, that glue with water in it does not pass.
const wetBondHottest = 100

// setSizes gives the sizes of rolls that are made up: within the limits of the line,
// and such that a head of the stock and a wrapper at the stand are about right.
func setSizes(c *sim.Config, r *recipe.Line) {
	const inner = 0.02 // of the least and the greatest, so that the scanner's noise is within
	limits := &r.Limits
	c.Sizes = sim.Sizes{
		DiameterMin: limits.Diameter.Min * (1 + inner), DiameterMax: limits.Diameter.Max * (1 - inner),
		WidthMin: limits.Width.Min * (1 + inner), WidthMax: limits.Width.Max * (1 - inner),
	}
	for _, g := range c.Grades {
		w := g.Wrap
		if w == nil || len(w.Heads) == 0 || !r.Equipment.Heads.Present() {
			continue
		}
		c.Sizes.DiameterMin = max(c.Sizes.DiameterMin, w.Heads[0]*(1+inner))
		c.Sizes.DiameterMax = min(c.Sizes.DiameterMax, w.Heads[len(w.Heads)-1]+w.OverhangMin-w.LapMin)
	}
	c.Sizes.DiameterMax = max(c.Sizes.DiameterMin, c.Sizes.DiameterMax)
	c.Sizes.WidthMax = max(c.Sizes.WidthMin, c.Sizes.WidthMax)
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

// setStand hangs the configured wrappers, and where a person hangs what each roll
// needs, some that go over the widths of the line.
func setStand(c *sim.Config, r *recipe.Line) error {
	c.Stand.Slots = nil
	c.Stand.Core = r.Stand.CoreDiameter
	if len(r.Stand.Slots) == 0 {
		c.Stand.Slots = anySlots(r)
	}
	for _, s := range r.Stand.Slots {
		paper := r.Materials.Paper(s.Paper)
		if paper == nil {
			return fmt.Errorf("slot %d: paper %q is not among the papers of the configuration", s.Number, s.Paper)
		}
		c.Stand.Slots = append(c.Stand.Slots, slotOf(s.Number, s.Width, paper))
	}
	return nil
}

// anySlots are wrappers of the first specification whose widths go evenly over those
// that the rolls of the line need.
func anySlots(r *recipe.Line) (slots []sim.Slot) {
	const most = 6
	m := &r.Materials
	if len(m.Specs) == 0 || len(m.Specs[0].Papers) == 0 {
		return nil
	}
	s := &m.Specs[0]
	paper := m.Paper(s.Papers[0])
	if paper == nil {
		return nil
	}
	for n := range most {
		width := r.Limits.Width.Min + (r.Limits.Width.Max-r.Limits.Width.Min)*(float64(n)+0.5)/most
		slots = append(slots, slotOf(n+1, width+2*s.Overhang.Optimum, paper))
	}
	return slots
}

func slotOf(number int, width float64, p *recipe.Paper) sim.Slot {
	return sim.Slot{
		Number: number, Width: width, Caliper: p.Caliper, BasisWeight: p.BasisWeight, Coated: p.CoatedSide != recipe.Uncoated,
	}
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
