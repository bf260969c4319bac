package recipe

import "lapgate/recipe/thermal"

// headerPlan is the pressing of the outer heads.
type headerPlan struct {
	Head  thermal.Head
	Share float64 // of the rise from start to platen that the bond line needs
	Slow  float64 // s, bond line inside a semi-infinite body
	Fast  float64 // s, bond line insulated behind
	Dry   float64 // s, at bond temperature, for a glued head
}

// HeaderTarget is the head as package thermal takes it, and the share of the
// rise from the start temperature to the platen's that its bond line must
// reach; 1 or more means never.
func HeaderTarget(h *Header, m *HeadMaterial, platen float64) (thermal.Head, float64) {
	return thermal.Head{
		Thickness:    m.Thickness,
		Conductivity: m.Conductivity,
		Density:      m.Density,
		HeatCapacity: m.HeatCapacity,
		Conductance:  h.Conductance,
	}, (m.BondTarget - h.Start) / (platen - h.Start)
}

// planHeader sets platen temperature and dwell. The dwell is the conservative
// bound with its margin, and the drying time of a glued head.
func (j *job) planHeader() {
	if !j.line.Equipment.Header.Powered() || j.head == nil || j.out.Setpoints.OuterHead == 0 {
		return
	}
	h, m := &j.line.Header, j.head
	if !(m.BondTarget < m.Setpoint && h.Start < m.Setpoint) {
		j.problem(BondAbovePlaten, m.BondTarget, m.Setpoint, -1)
		return
	}
	p := &j.header
	p.Head, p.Share = HeaderTarget(h, m, m.Setpoint)
	if m.Method == Glued {
		p.Dry = h.DryTime
	}
	var perConductance float64
	var slowOK, fastOK bool
	p.Slow, perConductance, slowOK = p.Head.Slow(p.Share)
	p.Fast, fastOK = p.Head.Fast(p.Share)
	dwell := p.Slow*h.Margin + p.Dry
	u := -perConductance * h.ConductanceU * h.Margin
	if !slowOK || !fastOK || !(dwell >= p.Slow) || !finite(dwell) || !finite(u) || !finite(m.Setpoint) {
		j.problem(HeaderIncalculable, p.Share, 0, -1)
		return
	}
	sp := &j.out.Setpoints
	sp.Groups |= 1 << GroupHeader
	sp.HeaderTemperature = m.Setpoint
	sp.HeaderDwell = dwell
	sp.HeaderDwellSlow = p.Slow + p.Dry
	sp.HeaderDwellFast = p.Fast + p.Dry
	j.out.Uncertainty.Dwell = u
}
