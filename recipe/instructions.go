package recipe

import (
	"fmt"
	"strconv"

	"lapgate/recipe/quantity"
)

// Instructions tells the operator in plain sentences what to do at the manual
// stations of a line for one roll, in the order of the work and in the units
// that the line prefers. It is empty for a line without manual stations, and
// leaves out what could not be computed.
func Instructions(line *Line, roll *Roll, stand *Stand) []string {
	w := instructor{line: line, modes: line.Equipment}
	if !w.modes.anyManual() {
		return nil
	}
	// The same computation, as if the manual stations took setpoints. The
	// stand stays as it is: there the operator's word decides.
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
	w.centring()
	w.innerHeads()
	w.slot()
	w.wrap()
	w.crimp()
	w.outerHeads()
	w.press()
	w.scale()
	return w.list
}

func (e *Equipment) anyManual() bool {
	for _, m := range [...]Mode{e.Centring, e.Stand, e.Wrap, e.Crimp, e.Glue, e.Vacuum, e.Heads, e.Header, e.Scale, e.Drives} {
		if m == Manual {
			return true
		}
	}
	return false
}

// instructor writes the sentences.
type instructor struct {
	line  *Line
	modes Equipment
	j     job
	list  []string
}

func (w *instructor) say(format string, args ...any) {
	w.list = append(w.list, fmt.Sprintf(format, args...))
}

func (w *instructor) write(v float64, d quantity.Dimension) string { return w.line.Write(v, d) }

func (w *instructor) centring() {
	sp := &w.j.out.Setpoints
	if w.modes.Centring != Manual || !sp.Groups.Has(GroupCentre) {
		return
	}
	if sp.CentringOffset == 0 {
		w.say("Put the middle of the roll on the line centre, within %s.", w.write(w.line.Centring.Tolerance, quantity.Length))
		return
	}
	side := "towards the drive side"
	off := sp.CentringOffset
	if off < 0 {
		side, off = "away from the drive side", -off
	}
	w.say("Put the middle of the roll %s off the line centre %s, within %s.",
		w.write(off, quantity.Length), side, w.write(w.line.Centring.Tolerance, quantity.Length))
}

func (w *instructor) slot() {
	if w.modes.Stand != Manual || w.j.chosen == nil {
		return
	}
	s := w.j.chosen
	w.say("Take the wrapper %s, %s wide, at slot %d, and confirm the slot at the panel.", s.Paper, w.write(s.Width, quantity.Length), s.Number)
}

func (w *instructor) wrap() {
	sp := &w.j.out.Setpoints
	if w.modes.Drives == Manual && sp.Groups.Has(GroupDrives) && sp.TurningHz > 0 {
		w.say("Set the turning rolls to %s and the feed rolls to %s for wrapping.", w.write(sp.TurningHz, quantity.Frequency), w.write(sp.FeedHz, quantity.Frequency))
	}
	if !sp.Groups.Has(GroupWrap) {
		return
	}
	if w.modes.Vacuum == Manual {
		w.say("Open the vacuum zones: %s.", zoneList(sp.VacuumZones))
	}
	if w.modes.Wrap == Manual {
		w.say("Feed %s of wrapper: %s layers with an overlap of %s. Keep hands clear of the nips.",
			w.write(sp.FeedLength, quantity.Length), strconv.FormatFloat(sp.Layers, 'f', -1, 64), w.write(sp.Overlap, quantity.Length))
	}
}

func (w *instructor) crimp() {
	sp := &w.j.out.Setpoints
	if w.modes.Drives == Manual && sp.Groups.Has(GroupDrives) && sp.CrimpTurningHz > 0 {
		crimpers := ""
		if sp.CrimperHz > 0 {
			crimpers = " and the crimpers to " + w.write(sp.CrimperHz, quantity.Frequency)
		}
		w.say("Set the turning rolls to %s%s for crimping.", w.write(sp.CrimpTurningHz, quantity.Frequency), crimpers)
	}
	if w.modes.Crimp == Manual && sp.Groups.Has(GroupCrimp) {
		w.say("Fold in the overhang of %s at both ends: %s turns, crimper tips %s from the axis of the roll. Keep hands clear of the nips.",
			w.write(w.overhang(), quantity.Length), strconv.FormatFloat(sp.CrimpTurns, 'f', -1, 64), w.write(sp.CrimperPosition, quantity.Length))
	}
	if w.modes.Glue == Manual && sp.Groups.Has(GroupGlue) && sp.GlueMass > 0 {
		w.say("Lay %s of glue on both ends, as a ring of %s under the edge of the outer head.",
			w.write(sp.GlueMass, quantity.Mass), w.write(w.line.Glue.Band, quantity.Length))
	}
}

func (w *instructor) overhang() float64 {
	if w.j.chosen == nil {
		return w.j.spec.Overhang.Optimum
	}
	return (w.j.chosen.Width - w.j.roll.Width) / 2
}

func (w *instructor) innerHeads() {
	size := w.j.out.Setpoints.InnerHead
	if w.modes.Heads != Manual || size == 0 {
		return
	}
	plug := ""
	if core := w.line.Materials.Core(w.j.roll.Core); core != nil {
		if p := w.line.Heads.Plug(core); p > 0 {
			plug = ", with core plugs of " + w.write(p, quantity.Length)
		}
	}
	w.say("Before wrapping, put inner heads of %s, %s across, on both ends%s.", w.j.inner.Name, w.write(size, quantity.Length), plug)
}

func (w *instructor) outerHeads() {
	size := w.j.out.Setpoints.OuterHead
	if w.modes.Heads != Manual || size == 0 {
		return
	}
	w.say("After crimping, put outer heads of %s, %s across, on both ends.", w.j.head.Name, w.write(size, quantity.Length))
}

func (w *instructor) press() {
	sp := &w.j.out.Setpoints
	if w.modes.Header != Manual || !sp.Groups.Has(GroupHeader) {
		return
	}
	w.say("Press both ends with platens at %s for %s. The platens are hot: keep clear until they are open.",
		w.write(sp.HeaderTemperature, quantity.Temperature), w.write(sp.HeaderDwell, quantity.Time))
}

func (w *instructor) scale() {
	sp := &w.j.out.Setpoints
	if w.modes.Scale != Manual || !sp.Groups.Has(GroupWeigh) {
		return
	}
	w.say("Weigh the roll: %s gross are expected, within %s. The tare is %s.",
		w.write(sp.Gross, quantity.Mass), w.write(sp.Gross*sp.ScaleTolerance, quantity.Mass), w.write(sp.Tare, quantity.Mass))
}
