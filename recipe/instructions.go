package recipe

import (
	"fmt"
	"slices"
	"strconv"

	"lapgate/recipe/caution"
	"lapgate/recipe/quantity"
)

// Instructions tells the operator in plain sentences what to do at the manual
// stations of a line for one roll, in the order of the work and in the units
// that the line prefers. It is empty for a line without manual stations, and
// leaves out what could not be computed.
func Instructions(line *Line, roll *Roll, stand *Stand) []string {
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
	var list []string
	for _, p := range rows {
		if text := p.instruct(&w); text != "" {
			list = append(list, text)
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
// stations took setpoints. A sentence is empty where there is nothing to do.
type instructor struct {
	line *Line
	j    job
}

func (w *instructor) write(v float64, d quantity.Dimension) string { return w.line.Write(v, d) }

func (w *instructor) centring() string {
	sp := &w.j.out.Setpoints
	if !sp.Groups.Has(GroupCentre) {
		return ""
	}
	within := w.write(w.line.Centring.Tolerance, quantity.Length)
	if sp.CentringOffset == 0 {
		return fmt.Sprintf("Put the middle of the roll on the line centre, within %s.", within)
	}
	side := "towards the drive side"
	off := sp.CentringOffset
	if off < 0 {
		side, off = "away from the drive side", -off
	}
	return fmt.Sprintf("Put the middle of the roll %s off the line centre %s, within %s.", w.write(off, quantity.Length), side, within)
}

func (w *instructor) slot() string {
	s := w.j.chosen
	if s == nil {
		return ""
	}
	return fmt.Sprintf("Take the wrapper %s, %s wide, at slot %d, and confirm the slot at the panel.", s.Paper, w.write(s.Width, quantity.Length), s.Number)
}

func (w *instructor) wrapDrives() string {
	sp := &w.j.out.Setpoints
	if !sp.Groups.Has(GroupDrives) || sp.TurningHz == 0 {
		return ""
	}
	return fmt.Sprintf("Set the turning rolls to %s and the feed rolls to %s for wrapping.", w.write(sp.TurningHz, quantity.Frequency), w.write(sp.FeedHz, quantity.Frequency))
}

func (w *instructor) zones() string {
	sp := &w.j.out.Setpoints
	if !sp.Groups.Has(GroupWrap) {
		return ""
	}
	return fmt.Sprintf("Open the vacuum zones: %s.", zoneList(sp.VacuumZones))
}

func (w *instructor) wrap() string {
	sp := &w.j.out.Setpoints
	if !sp.Groups.Has(GroupWrap) {
		return ""
	}
	return fmt.Sprintf("Feed %s of wrapper: %s layers with an overlap of %s. Keep hands clear of the nips.",
		w.write(sp.FeedLength, quantity.Length), strconv.FormatFloat(sp.Layers, 'f', -1, 64), w.write(sp.Overlap, quantity.Length))
}

func (w *instructor) crimpDrives() string {
	sp := &w.j.out.Setpoints
	if !sp.Groups.Has(GroupDrives) || sp.CrimpTurningHz == 0 {
		return ""
	}
	crimpers := ""
	if sp.CrimperHz > 0 {
		crimpers = " and the crimpers to " + w.write(sp.CrimperHz, quantity.Frequency)
	}
	return fmt.Sprintf("Set the turning rolls to %s%s for crimping.", w.write(sp.CrimpTurningHz, quantity.Frequency), crimpers)
}

func (w *instructor) crimp() string {
	sp := &w.j.out.Setpoints
	if !sp.Groups.Has(GroupCrimp) {
		return ""
	}
	pressure := ""
	if sp.CrimperPressure > 0 {
		pressure = " at " + w.write(sp.CrimperPressure, quantity.Pressure)
	}
	return fmt.Sprintf("Fold in the overhang of %s at both ends: %s turns, crimper tips %s from the axis of the roll%s. Keep hands clear of the nips.",
		w.write(w.overhang(), quantity.Length), strconv.FormatFloat(sp.CrimpTurns, 'f', -1, 64), w.write(sp.CrimperPosition, quantity.Length), pressure)
}

func (w *instructor) glue() string {
	sp := &w.j.out.Setpoints
	if !sp.Groups.Has(GroupGlue) || sp.GlueMass == 0 {
		return ""
	}
	return fmt.Sprintf("Lay %s of glue on both ends, as a ring of %s under the edge of the outer head.",
		w.write(sp.GlueMass, quantity.Mass), w.write(w.line.Glue.Band, quantity.Length))
}

func (w *instructor) overhang() float64 {
	if w.j.chosen == nil {
		return w.j.spec.Overhang.Optimum
	}
	return (w.j.chosen.Width - w.j.roll.Width) / 2
}

func (w *instructor) innerHeads() string {
	size := w.j.out.Setpoints.InnerHead
	if size == 0 {
		return ""
	}
	plug := ""
	if core := w.line.Materials.Core(w.j.roll.Core); core != nil {
		if p := w.line.Heads.Plug(core); p > 0 {
			plug = ", with core plugs of " + w.write(p, quantity.Length)
		}
	}
	return fmt.Sprintf("Before wrapping, put inner heads of %s, %s across, on both ends%s. %s", w.j.inner.Name, w.write(size, quantity.Length), plug, caution.Ends)
}

func (w *instructor) outerHeads() string {
	size := w.j.out.Setpoints.OuterHead
	if size == 0 {
		return ""
	}
	return fmt.Sprintf("After crimping, put outer heads of %s, %s across, on both ends. %s", w.j.head.Name, w.write(size, quantity.Length), caution.Ends)
}

func (w *instructor) press() string {
	sp := &w.j.out.Setpoints
	if !sp.Groups.Has(GroupHeader) {
		return ""
	}
	pressure := ""
	if sp.ContactPressure > 0 {
		pressure = ", " + w.write(sp.ContactPressure, quantity.Pressure) + " on the head"
	}
	return fmt.Sprintf("Press both ends with platens at %s for %s%s. The platens are hot: keep clear until they are open.",
		w.write(sp.HeaderTemperature, quantity.Temperature), w.write(sp.HeaderDwell, quantity.Time), pressure)
}

func (w *instructor) scale() string {
	sp := &w.j.out.Setpoints
	if !sp.Groups.Has(GroupWeigh) {
		return ""
	}
	return fmt.Sprintf("Weigh the roll: %s gross are expected, within %s. The tare is %s.",
		w.write(sp.Gross, quantity.Mass), w.write(sp.Gross*sp.ScaleTolerance, quantity.Mass), w.write(sp.Tare, quantity.Mass))
}
