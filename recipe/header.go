package recipe

import (
	"errors"
	"math"

	"lapgate/recipe/heads"
	"lapgate/recipe/thermal"
)

// HottestPlaten is the ceiling of a platen, °C, as set and as measured, that no
// configuration can raise (J): the lowest printed temperature at which paper takes
// fire by itself is 218 °C; less 10 K of overshoot, 5 K of a sensor and 3 K. A
// controller's program takes no more either.
const HottestPlaten = 200

// overshoot is how far above setpoint and hotter platen the press may still
// close, K.
const overshoot = 5

// headerPlan is the pressing of the outer heads.
type headerPlan struct {
	At       thermal.Pressing // at the design temperature of the platen
	Target   thermal.Target
	Design   thermal.Design
	Fast     float64 // s, bond line insulated behind
	Water    float64 // kg/m², to be driven out of glue
	Force    float64 // N, of a platen on its head
	Ring     heads.Ring
	Contact  float64 // Pa, mean on the ring, 0 when not known
	Falling  float64 // K that the platen is taken to fall until it presses
	Dose     float64 // s at 180 °C, of the face, at most
	measured bool
}

// contactCurve is the contact of the platens with a head as it was measured.
func (h *Header) contactCurve() heads.Contact {
	return heads.Contact{Conductance: h.Conductance, Reference: h.Reference, Exponent: h.Exponent, Least: h.Calibrated.Min, Most: h.Calibrated.Max}
}

// ConductanceAt is the conductance of the contact under a pressure, Pa. A
// pressure of 0 is one that is not known, and is taken as the reference pressure.
func (h *Header) ConductanceAt(pressure float64) (float64, error) {
	if pressure == 0 {
		return h.Conductance, nil
	}
	v, _, err := h.contactCurve().At(pressure)
	return v, err
}

// ForceOnPlaten is the force of the cylinders on one platen, N, 0 when their
// pressure is not known. The error is a heads.Fault.
func (h *Header) ForceOnPlaten() (float64, error) {
	if h.Pressure == 0 {
		return 0, nil
	}
	return heads.Cylinder{Bore: h.Bore, Efficiency: h.Efficiency, Count: h.Cylinders}.Force(h.Pressure)
}

// Pressing is a head material between its backing and a platen at a temperature,
// °C, that touches it with a conductance, W/(m²·K).
func (h *Header) Pressing(m *HeadMaterial, platen, conductance float64) thermal.Pressing {
	return thermal.Pressing{
		Head: thermal.Head{
			Thickness: m.Thickness, Conductivity: m.Conductivity, Density: m.Density,
			HeatCapacity: m.HeatCapacity, Conductance: conductance,
		},
		Backing: thermal.Backing{Effusivity: h.Backing, Resistance: h.BondResistance},
		Start:   h.Start, Platen: platen,
	}
}

// TargetOf is what a pressing of the material has to reach at the bond line, and
// the water that it has to drive out there, kg/m².
func (l *Line) TargetOf(m *HeadMaterial) (thermal.Target, float64) {
	if m.Method == Fused {
		return thermal.Fuse(m.BondTarget), 0
	}
	water := thermal.GlueWater(l.Glue.Coverage, l.Glue.Solids, m.BasisWeight)
	return thermal.Dry(m.BondTarget, water), water
}

// UncertaintyOf is how well contact, backing, head and start temperature of a
// pressing of the material are known.
func (h *Header) UncertaintyOf(m *HeadMaterial) thermal.Uncertainty {
	return thermal.Uncertainty{
		Conductance: h.ConductanceU / h.Conductance, BackingEffusivity: share(h.BackingU, h.Backing),
		Thickness: m.ThicknessU / m.Thickness, Conductivity: m.ConductivityU / m.Conductivity, StartTemperature: h.StartU,
	}
}

func share(u, v float64) float64 {
	if u == 0 {
		return 0
	}
	return u / v
}

// coldest is the temperature, °C, at which a platen of a setpoint is taken to
// press: the cooler platen as measured, but no more than the setpoint, less
// the allowance and what it is seen to fall until then. measured is false
// where nobody measured it; then the setpoint stands in its place.
func (h *Header) coldest(setpoint float64, s *Stand) (platen, falling float64, measured bool) {
	platen = setpoint
	if measured = s.Platen != 0 && finite(s.Platen); measured {
		platen = math.Min(platen, s.Platen)
		falling = math.Max(0, -s.PlatenRate) * h.Lead
	}
	return platen - h.Allowance - falling, falling, measured
}

// hottest is the temperature, °C, up to which the press may close on a hotter
// platen.
func hottest(setpoint float64, s *Stand) float64 {
	return math.Min(HottestPlaten, math.Max(setpoint, s.Hotter())+overshoot)
}

// Hotter is the hotter platen as measured, °C, 0 where nobody measured. A
// controller or record that tells of one platen alone tells of both.
func (s *Stand) Hotter() float64 {
	switch {
	case s.PlatenHot != 0 && finite(s.PlatenHot):
		return s.PlatenHot
	case finite(s.Platen):
		return s.Platen
	}
	return 0
}

// planHeader sets platen temperature, stroke, dwell and the temperatures at
// which the press may close. Without a slot there is no ring to press.
func (j *job) planHeader() {
	if !j.line.Equipment.Header.Powered() || j.head == nil || j.out.Setpoints.OuterHead == 0 || j.chosen == nil {
		return
	}
	h, m := &j.line.Header, j.head
	p, sp := &j.header, &j.out.Setpoints
	p.Target, p.Water = j.line.TargetOf(m)
	var platen float64
	platen, p.Falling, p.measured = h.coldest(m.Setpoint, j.stand)
	if err := j.press(); err != nil {
		var fault heads.Fault
		errors.As(err, &fault)
		j.problem(ContactIncalculable, float64(fault), 0, -1)
		return
	}
	conductance, err := h.ConductanceAt(p.Contact)
	if err != nil {
		var fault heads.Fault
		errors.As(err, &fault)
		j.problem(ContactIncalculable, float64(fault), 0, -1)
		return
	}
	p.At = h.Pressing(m, platen, conductance)
	p.Design, err = p.At.Design(p.Target, h.UncertaintyOf(m))
	stroke := h.OpenGap + (j.line.Limits.Width.Max-j.roll.Width)/2
	p.Fast, _ = p.At.Head.Fast((p.Target.Bond() - h.Start) / (m.Setpoint - h.Start))
	if err != nil || !finite(stroke+p.Design.Seconds+p.Design.Nominal+p.Design.U+p.Fast+platen+m.Setpoint+p.Contact) {
		j.noDwell(err, platen)
		return
	}
	sp.Groups |= 1 << GroupHeader
	sp.HeaderTemperature = m.Setpoint
	sp.HeaderDwell, sp.HeaderDwellNominal, sp.HeaderDwellFast = p.Design.Seconds, p.Design.Nominal, p.Fast
	// The stroke is negative for a roll wider than the line takes. That roll is
	// held for its width.
	sp.PlatenStroke = math.Max(0, stroke)
	sp.ContactPressure = p.Contact
	sp.CloseMin, sp.CloseMax = platen, hottest(m.Setpoint, j.stand)
	j.out.Designed = sp.Press()
	j.out.Uncertainty.Dwell = p.Design.U
	j.setRisk(RiskBond, p.Design.Risk(sp.HeaderDwell), sp.HeaderDwell-p.Design.Nominal, p.Design.U)
	p.Dose = j.line.ScorchDose(m, conductance, sp.CloseMax, sp.HeaderDwell)
	j.setRisk(RiskScorch, j.line.scorchRisk(p.Dose), j.line.Limits.Dose-p.Dose, doseU*p.Dose)
	j.dwellParts()
}

// doseU is the relative standard uncertainty of a dose (J): a sensor of 5 K
// taken as twice its standard uncertainty, at the 7 % per kelvin of the dose.
const doseU = 0.18

// ScorchDose is what the face of a head suffers in a dwell, s, under a platen at
// a temperature, °C, given as the seconds at 180 °C that would do the same. Every
// property counts at its value, without its uncertainty.
func (l *Line) ScorchDose(m *HeadMaterial, conductance, platen, dwell float64) float64 {
	if stuck := thermal.StuckDose(platen, dwell); stuck <= l.Limits.Dose/4 {
		return stuck // the face is no hotter than the platen, and that is far from the limit
	}
	return l.Header.Pressing(m, platen, conductance).ScorchDose(dwell)
}

// SureDose is a calculated dose, s at 180 °C, with its guard band added: the true
// dose is hardly ever above it.
func (l *Line) SureDose(dose float64) float64 {
	return dose * math.Exp(l.Limits.GuardK*doseU)
}

func (l *Line) scorchRisk(dose float64) float64 {
	if dose <= 0 {
		return 0
	}
	return tail(math.Log(l.Limits.Dose/dose) / doseU)
}

// noDwell tells why there is no dwell.
func (j *job) noDwell(err error, platen float64) {
	var fault thermal.Fault
	errors.As(err, &fault)
	switch h := &j.line.Header; fault {
	case thermal.NotCalibrated:
		j.problem(PressNotMeasured, h.ConductanceU/h.Conductance, 0, -1)
	case thermal.PlatenTooCold, thermal.NoTime:
		j.problem(BondAbovePlaten, j.head.BondTarget, platen, -1)
	default:
		j.problem(HeaderIncalculable, float64(fault), 0, -1)
	}
}

// press finds force and mean pressure on the ring of the fold.
func (j *job) press() error {
	h, p := &j.line.Header, &j.header
	p.Ring = heads.Ring{
		Roll: j.roll.Diameter, Overhang: (j.chosen.Width - j.roll.Width) / 2,
		Head: j.out.Setpoints.OuterHead, Platen: h.Platen,
	}
	if j.core != nil {
		p.Ring.Core = j.core.Diameter
	}
	force, err := h.ForceOnPlaten()
	if err != nil || force == 0 {
		return err
	}
	p.Force = force
	p.Contact, err = p.Ring.Pressure(force)
	return err
}

// dwellParts tells what makes the dwell uncertain.
func (j *job) dwellParts() {
	h, d := &j.line.Header, &j.header.Design
	u := h.UncertaintyOf(j.head)
	t := d.Nominal
	j.dwellU.add("conductance of the contact", t*d.Gradient[thermal.Conductance]*u.Conductance)
	j.dwellU.add("effusivity of the backing", t*d.Gradient[thermal.BackingEffusivity]*u.BackingEffusivity)
	j.dwellU.add("thickness of the head", t*d.Gradient[thermal.Thickness]*u.Thickness)
	j.dwellU.add("conductivity of the head", t*d.Gradient[thermal.Conductivity]*u.Conductivity)
	j.dwellU.add("start temperature", t*d.Gradient[thermal.StartTemperature]*u.StartTemperature/(h.Start+273.15))
}
