package recipe

import (
	"errors"
	"math"

	"lapgate/recipe/heads"
	"lapgate/recipe/thermal"
)

// headerPlan is the pressing of the outer heads.
type headerPlan struct {
	Head        thermal.Head
	Share       float64 // of the rise from start to platen that the bond line needs
	Slow        float64 // s, bond line inside a semi-infinite body
	Fast        float64 // s, bond line insulated behind
	Dry         float64 // s, at bond temperature, for a glued head
	Force       float64 // N, of a platen on its head
	Contact     float64 // Pa, mean, 0 when not known
	Conductance float64 // W/m²K, at that pressure
}

// HeaderTarget is the head as package thermal takes it, under a contact
// pressure, and the share of the rise from the start temperature to the
// platen's that its bond line must reach; 1 or more means never.
func HeaderTarget(h *Header, m *HeadMaterial, platen, contact float64) (thermal.Head, float64) {
	return thermal.Head{
		Thickness:    m.Thickness,
		Conductivity: m.Conductivity,
		Density:      m.Density,
		HeatCapacity: m.HeatCapacity,
		Conductance:  h.ConductanceAt(contact),
	}, (m.BondTarget - h.Start) / (platen - h.Start)
}

// ConductanceAt is the conductance of the contact under a pressure, Pa:
// h·(p/p₀)ⁿ between the calibrated pressures, no more above them. It is h
// itself for n = 0 or a pressure that is not known, and 0 when the settings
// make no sense.
func (h *Header) ConductanceAt(pressure float64) float64 {
	if h.Exponent == 0 || pressure == 0 {
		return h.Conductance
	}
	at := func(p float64) heads.Point {
		return heads.Point{Pressure: p, Conductance: h.Conductance * math.Pow(p/h.Reference, h.Exponent)}
	}
	curve := [2]heads.Point{at(h.Calibrated.Min), at(h.Calibrated.Max)}
	n := len(curve)
	if h.Calibrated.Min == h.Calibrated.Max {
		n = 1
	}
	v, _, err := heads.Conductance(curve[:n], pressure)
	if err != nil {
		return 0
	}
	return v
}

// ContactPressure is the force of a platen, N, and its mean pressure, Pa, on a
// head around the bore of a core; both are 0 when the line does not know the
// pressure of its cylinders. The error is a heads.Fault.
func (h *Header) ContactPressure(head, bore float64) (force, pressure float64, err error) {
	if h.Pressure == 0 {
		return 0, 0, nil
	}
	force, err = heads.Cylinder{Bore: h.Bore, Efficiency: h.Efficiency, Count: h.Cylinders}.Force(h.Pressure)
	if err != nil {
		return 0, 0, err
	}
	pressure, err = heads.ContactPressure(force, head, h.Platen, bore)
	return force, pressure, err
}

// planHeader sets platen temperature, stroke and dwell. The dwell is the
// conservative bound with its margin, and the drying time of a glued head.
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
	bore := 0.0
	if j.core != nil {
		bore = j.core.Bore()
	}
	var err error
	if p.Force, p.Contact, err = h.ContactPressure(j.out.Setpoints.OuterHead, bore); err != nil || !finite(p.Contact) {
		var fault heads.Fault
		errors.As(err, &fault)
		j.problem(ContactIncalculable, float64(fault), 0, -1)
		return
	}
	p.Head, p.Share = HeaderTarget(h, m, m.Setpoint, p.Contact)
	p.Conductance = p.Head.Conductance
	if m.Method == Glued {
		p.Dry = h.DryTime
	}
	var perConductance float64
	var slowOK, fastOK bool
	p.Slow, perConductance, slowOK = p.Head.Slow(p.Share)
	p.Fast, fastOK = p.Head.Fast(p.Share)
	dwell := p.Slow*h.Margin + p.Dry
	// The calibration is as uncertain, relatively, at any pressure.
	j.dwellU.add("conductance of the contact", perConductance*h.ConductanceU*(p.Conductance/h.Conductance)*h.Margin)
	u := j.dwellU.total()
	stroke := h.OpenGap + (j.line.Limits.Width.Max-j.roll.Width)/2
	if !slowOK || !fastOK || !(dwell >= p.Slow) || !finite(dwell) || !finite(u) || !finite(m.Setpoint) || !finite(stroke) {
		j.problem(HeaderIncalculable, p.Share, 0, -1)
		return
	}
	sp := &j.out.Setpoints
	sp.Groups |= 1 << GroupHeader
	sp.HeaderTemperature = m.Setpoint
	sp.HeaderDwell = dwell
	sp.HeaderDwellSlow = p.Slow + p.Dry
	sp.HeaderDwellFast = p.Fast + p.Dry
	// Negative for a roll wider than any that the line takes, which its width
	// holds already.
	sp.PlatenStroke = math.Max(0, stroke)
	sp.ContactPressure = p.Contact
	j.out.Uncertainty.Dwell = u
}
