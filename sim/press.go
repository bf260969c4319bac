package sim

import (
	"math"

	"lapgate/sim/physics"
)

// usualDwell is the dwell that an operator has learnt to be enough: what the
// nominal press needs for its bond and to dry the glue, and half as much again.
func (c *Config) usualDwell() float64 {
	if c.Habit.Dwell > 0 {
		return c.Habit.Dwell
	}
	const step, longest = 0.05, 240
	h := &c.Header
	p := physics.NewPress(h.Contact.At(0), h.pack(truth{conductivity: 1, thickness: 1, effusivity: 1}))
	needed := 0.0
	for needed < longest && (p.Bond() < c.Accept.Bond || !p.Dry()) {
		p.Step(step, c.Habit.Temperature)
		needed += step
	}
	return 1.5 * needed
}

// pack is what the press closes on, as it truly is.
func (h *Header) pack(v truth) physics.Pack {
	head := h.Head
	head.Conductivity *= v.conductivity
	effusivity := h.Effusivity * v.effusivity
	if v.damp > 0 {
		dry := head.HeatCapacity
		head.HeatCapacity = physics.Damp(dry, v.damp)
		effusivity *= math.Sqrt(head.HeatCapacity / dry)
	}
	return physics.Pack{
		Head: head, Thickness: h.Thickness * v.thickness, Effusivity: effusivity, Resistance: h.Resistance,
		Start: h.Ambient + v.start, Water: h.Water, Evaporation: h.Dries,
	}
}

// wantsToClose reports whether the line would close the press. Told the least and
// the greatest temperature for it, it leaves that to the interlock; else both
// platens must be near their setpoint.
func (s *station) wantsToClose() bool {
	j := &s.job
	if s.stage != heating {
		return false
	}
	if j.closeLeast > 0 || j.closeGreatest > 0 {
		return true
	}
	cooler, hotter := s.platenTemperatures()
	ready := s.cfg.Header.Ready
	return cooler >= j.temperature-ready && hotter <= j.temperature+ready
}

// platenTemperatures are those of the cooler and of the hotter platen, as their
// sensors read them.
func (s *station) platenTemperatures() (cooler, hotter float64) {
	return min(s.sensors[0], s.sensors[1]), max(s.sensors[0], s.sensors[1])
}

// sense lets the sensor of a platen follow it.
func (s *station) sense(i int, dt float64) {
	reads := s.platens[i].Temperature + s.trouble.reads[i]
	if lag := s.cfg.Header.Lag; lag > 0 {
		reads = s.sensors[i] + (reads-s.sensors[i])*(1-math.Exp(-dt/lag))
	}
	s.sensors[i] = reads
}

// hydraulic is the pressure in the cylinders of the press, Pa; 0 not measured.
func (s *station) hydraulic() float64 { return s.cfg.Header.Hydraulic * (1 - s.trouble.pressure) }

// steps is a temperature in the steps of the wire.
func steps(celsius float64) uint16 { return uint16(max(celsius, 0)*10 + 0.5) }

// heat keeps the press open until it may close: at the word of the controller's
// program, and on a bench without one by the same interlock.
func (s *station) heat(dt float64) {
	late := s.timer(dt)
	if s.guided {
		s.stuck = late
	} else {
		s.closes = s.closesByItself(dt)
		if late && !s.closes {
			s.defects = append(s.defects, Defect{Kind: PressFailed, What: "platens did not come to a temperature at which the press may close"})
			s.closes = true
		}
	}
	if s.closes {
		s.close()
	}
}

// closesByItself is the interlock of a bench, at which an operator presses start
// some time after the platens are where they should be.
func (s *station) closesByItself(dt float64) bool {
	if !s.wantsToClose() {
		return false
	}
	j := &s.job
	if j.closeLeast == 0 && j.closeGreatest == 0 {
		return true
	}
	cooler, hotter := s.platenTemperatures()
	s.pressed -= dt
	may := s.interlock.May(uint32(steps(j.closeLeast)), uint32(steps(j.closeGreatest)), uint32(steps(cooler)), uint32(steps(hotter)), s.pressed <= 0)
	if !s.interlock.Within {
		s.pressed = s.cfg.Operator.React
	}
	return may
}

// close puts the platens on the heads.
func (s *station) close() {
	h, v := &s.cfg.Header, &s.truth
	pressure := 0.0
	if area := s.ringArea(); h.Force > 0 && area > 0 {
		pressure = h.Force * (1 - s.trouble.pressure) / area
	}
	s.figures.RingPressure = pressure
	if flat := s.cfg.Accept.Flat; pressure > 0 {
		// The end of a roll is not even: what is not pressed flat has no bond.
		s.figures.Unbonded = max(0, 1-pressure/flat)
	}
	for i := range s.press {
		conductance := physics.AirGap(h.Contact.At(pressure)*v.conductance, s.trouble.gap[i])
		s.press[i] = physics.NewPress(conductance, h.pack(*v))
	}
	s.held, s.dose, s.closes = 0, [2]float64{}, false
	s.stage, s.left = pressing, s.job.dwell
}

// ringArea is the area of a roll end that carries the platen.
func (s *station) ringArea() float64 {
	overhang := (s.sheetWidth() - s.roll.Width) / 2
	edge := min(s.job.outerHead, s.cfg.Header.Platen) / 2
	return physics.RingArea(s.outer()/2, overhang, s.cfg.core(s.roll.Core).Diameter/2, edge)
}

// ringShare is the share of a platen that the ring covers.
func (s *station) ringShare() float64 {
	return s.ringArea() / (math.Pi / 4 * s.cfg.Header.Platen * s.cfg.Header.Platen)
}

// pressHeads follows bond and faces through a step of the dwell, and ends it. The
// heat itself flows in equipment.
func (s *station) pressHeads(dt float64) {
	f := &s.figures
	bond := min(s.press[0].Bond(), s.press[1].Bond())
	f.BondTemperature = max(f.BondTemperature, bond)
	for i := range s.press {
		face := s.press[i].Face(s.platens[i].Temperature)
		f.FaceTemperature = max(f.FaceTemperature, face)
		s.dose[i] += physics.DoseRate(face) * dt
	}
	if bond >= s.cfg.Accept.Bond {
		s.held += dt
	}
	if !s.timer(dt) {
		return
	}
	f.BondHeld, f.ScorchDose = s.held, max(s.dose[0], s.dose[1])
	f.Dry = s.press[0].Dry() && s.press[1].Dry()
	s.stage, s.left = ejecting, s.cfg.Times.Eject
}
