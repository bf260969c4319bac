package recipe

import (
	"slices"
	"strconv"

	"lapgate/recipe/caution"
	"lapgate/recipe/quantity"
	"lapgate/recipe/wording"
)

// Instructions tells the operator in plain sentences what to do at the manual
// stations of a line for one roll, in the order of the work and in the units
// that the line prefers. It is empty for a line without manual stations, and
// leaves out what could not be computed.
func Instructions(line *Line, roll *Roll, stand *Stand) []wording.Said {
	if !line.Equipment.anyManual() {
		return nil
	}
	w := instructor{line: line}
	// The same computation, as if the manual stations took setpoints. The stand
	// stays manual: there the slot counts that the operator confirmed.
	powered := *line
	e := &powered.Equipment
	for _, m := range []*Mode{&e.Centring, &e.Wrap, &e.Crimp, &e.Glue, &e.Vacuum, &e.Header, &e.Scale, &e.Drives} {
		if *m == Manual {
			*m = Semi
		}
	}
	var out Recipe
	w.j = job{line: &powered, roll: roll, stand: stand, out: &out}
	w.j.run()
	if w.j.spec == nil {
		return nil
	}
	var rows []*Setpoint
	for i := range setpoints {
		if p := &setpoints[i]; p.instruct != nil && p.mode(&line.Equipment) == Manual {
			rows = append(rows, p)
		}
	}
	slices.SortFunc(rows, func(a, b *Setpoint) int { return a.work - b.work })
	var list []wording.Said
	for _, p := range rows {
		if said := p.instruct(&w); !said.IsZero() {
			list = append(list, said)
		}
	}
	return list
}

func (e *Equipment) anyManual() bool {
	for i := range setpoints {
		if p := &setpoints[i]; p.mode != nil && p.mode(e) == Manual {
			return true
		}
	}
	return false
}

// instructor writes the sentences, from a job computed as if the manual
// stations took setpoints. One says nothing where there is nothing to do.
type instructor struct {
	line *Line
	j    job
}

func (w *instructor) write(v float64, d quantity.Dimension) string { return w.line.Write(v, d) }

func (w *instructor) centring() wording.Said {
	sp := &w.j.out.Setpoints
	if !sp.Groups.Has(GroupCentre) {
		return wording.Said{}
	}
	within := w.write(w.line.Centring.Tolerance, quantity.Length)
	if sp.CentringOffset == 0 {
		return wording.Say("instruct.centring", "tolerance", within)
	}
	if off := sp.CentringOffset; off < 0 {
		return wording.Say("instruct.centring.away", "offset", w.write(-off, quantity.Length), "tolerance", within)
	}
	return wording.Say("instruct.centring.towards", "offset", w.write(sp.CentringOffset, quantity.Length), "tolerance", within)
}

func (w *instructor) slot() wording.Said {
	s := w.j.chosen
	if s == nil {
		return wording.Said{}
	}
	return wording.Say("instruct.slot", "paper", s.Paper, "width", w.write(s.Width, quantity.Length), "slot", s.Number)
}

func (w *instructor) wrapDrives() wording.Said {
	sp := &w.j.out.Setpoints
	if !sp.Groups.Has(GroupDrives) || sp.TurningHz == 0 {
		return wording.Said{}
	}
	return wording.Say("instruct.wrap-drives", "turning", w.write(sp.TurningHz, quantity.Frequency), "feed", w.write(sp.FeedHz, quantity.Frequency))
}

func (w *instructor) zones() wording.Said {
	sp := &w.j.out.Setpoints
	if !sp.Groups.Has(GroupWrap) {
		return wording.Said{}
	}
	return wording.Say("instruct.zones", "zones", zoneList(sp.VacuumZones))
}

func (w *instructor) wrap() wording.Said {
	sp := &w.j.out.Setpoints
	if !sp.Groups.Has(GroupWrap) {
		return wording.Said{}
	}
	return wording.Say("instruct.wrap", "length", w.write(sp.FeedLength, quantity.Length), "layers", strconv.FormatFloat(sp.Layers, 'f', -1, 64), "overlap", w.write(sp.Overlap, quantity.Length))
}

func (w *instructor) crimpDrives() wording.Said {
	sp := &w.j.out.Setpoints
	if !sp.Groups.Has(GroupDrives) || sp.CrimpTurningHz == 0 {
		return wording.Said{}
	}
	turning := w.write(sp.CrimpTurningHz, quantity.Frequency)
	if sp.CrimperHz > 0 {
		return wording.Say("instruct.crimp-drives.both", "turning", turning, "crimpers", w.write(sp.CrimperHz, quantity.Frequency))
	}
	return wording.Say("instruct.crimp-drives", "turning", turning)
}

func (w *instructor) crimp() wording.Said {
	sp := &w.j.out.Setpoints
	if !sp.Groups.Has(GroupCrimp) {
		return wording.Said{}
	}
	overhang, turns := w.write(w.overhang(), quantity.Length), strconv.FormatFloat(sp.CrimpTurns, 'f', -1, 64)
	position := w.write(sp.CrimperPosition, quantity.Length)
	if sp.CrimperPressure > 0 {
		return wording.Say("instruct.crimp.pressure", "overhang", overhang, "turns", turns, "position", position, "pressure", w.write(sp.CrimperPressure, quantity.Pressure))
	}
	return wording.Say("instruct.crimp", "overhang", overhang, "turns", turns, "position", position)
}

func (w *instructor) glue() wording.Said {
	sp := &w.j.out.Setpoints
	if !sp.Groups.Has(GroupGlue) || sp.GlueMass == 0 {
		return wording.Said{}
	}
	return wording.Say("instruct.glue", "mass", w.write(sp.GlueMass, quantity.Mass), "band", w.write(w.line.Glue.Band, quantity.Length))
}

func (w *instructor) overhang() float64 {
	if w.j.chosen == nil {
		return w.j.spec.Overhang.Optimum
	}
	return (w.j.chosen.Width - w.j.roll.Width) / 2
}

func (w *instructor) innerHeads() wording.Said {
	size := w.j.out.Setpoints.InnerHead
	if size == 0 {
		return wording.Said{}
	}
	if core := w.line.Materials.Core(w.j.roll.Core); core != nil {
		if p := w.line.Heads.Plug(core); p > 0 {
			return wording.Say("instruct.inner-heads.plugs", "head", w.j.inner.Name, "size", w.write(size, quantity.Length), "plug", w.write(p, quantity.Length), "caution", caution.Ends.Said())
		}
	}
	return wording.Say("instruct.inner-heads", "head", w.j.inner.Name, "size", w.write(size, quantity.Length), "caution", caution.Ends.Said())
}

func (w *instructor) outerHeads() wording.Said {
	size := w.j.out.Setpoints.OuterHead
	if size == 0 {
		return wording.Said{}
	}
	return wording.Say("instruct.outer-heads", "head", w.j.head.Name, "size", w.write(size, quantity.Length), "caution", caution.Ends.Said())
}

func (w *instructor) press() wording.Said {
	sp := &w.j.out.Setpoints
	if !sp.Groups.Has(GroupHeader) {
		return wording.Said{}
	}
	temperature, dwell := w.write(sp.HeaderTemperature, quantity.Temperature), w.write(sp.HeaderDwell, quantity.Time)
	if sp.ContactPressure > 0 {
		return wording.Say("instruct.press.pressure", "temperature", temperature, "dwell", dwell, "pressure", w.write(sp.ContactPressure, quantity.Pressure))
	}
	return wording.Say("instruct.press", "temperature", temperature, "dwell", dwell)
}

func (w *instructor) scale() wording.Said {
	sp := &w.j.out.Setpoints
	if !sp.Groups.Has(GroupWeigh) {
		return wording.Said{}
	}
	return wording.Say("instruct.scale", "mass", w.write(sp.Gross, quantity.Mass), "tolerance", w.write(sp.Gross*sp.ScaleTolerance, quantity.Mass), "tare", w.write(sp.Tare, quantity.Mass))
}
