package check

import (
	"math"
	"slices"
	"strings"

	"lapgate/recipe"
	"lapgate/recipe/caution"
	"lapgate/recipe/quantity"
	"lapgate/recipe/wording"
)

// Remedy is what a person at the line does about a hold, in one sentence, and
// the caution that belongs to the act.
type Remedy struct {
	Do      wording.Said
	Caution wording.Said // says nothing where no hand goes near the machine
}

// cautions are those that belong to what is done about a code.
var cautions = map[recipe.Code]caution.Caution{
	ScanQuality:             caution.ReachIn,
	ScanOvality:             caution.Roll,
	ScanWidthSpread:         caution.Roll,
	ScanTelescoped:          caution.Roll,
	DiameterRange:           caution.Roll,
	WidthRange:              caution.Roll,
	PermissiveOff:           caution.ReachIn,
	UnitMode:                caution.ReachIn,
	recipe.NoHeadSize:       caution.Ends,
	recipe.NoInnerHeadSize:  caution.Ends,
	recipe.NoWindow:         caution.Ends,
	recipe.NoSlot:           caution.Overhead,
	NewWrapper:              caution.Overhead,
	recipe.SlotUnconfirmed:  caution.Overhead,
	recipe.SlotUnfit:        caution.Overhead,
	recipe.CradleRefuses:    caution.Roll,
	recipe.NoGrip:           caution.ReachIn,
	recipe.PressNotMeasured: caution.Press,
	recipe.BondAbovePlaten:  caution.Press,
	OverhangRange:           caution.Overhead,
	ContactAngle:            caution.Roll,
	TooNarrow:               caution.Roll,
	NarrowRoll:              caution.Roll,
	HeadSize:                caution.Ends,
	HeadLap:                 caution.Overhead,
	CorePlug:                caution.Ends,
	PlatenUnknown:           caution.Press,
	PlatenHot:               caution.Press,
	PlatenOrder:             caution.Press,
	DwellShort:              caution.Press,
	BondSide:                caution.Overhead,
	ScorchDose:              caution.Press,
	StuckPress:              caution.Press,
	GrossRange:              caution.Roll,
}

// RemedyOf is what to do about a code that holds the roll; ok is false for any
// other code.
func RemedyOf(code recipe.Code) (r Remedy, ok bool) {
	i := slices.IndexFunc(codes[:], func(c CodeInfo) bool { return c.Code == code })
	if i < 0 || codes[i].Severity != recipe.Hold {
		return Remedy{}, false
	}
	r.Do = wording.Say("do." + string(code))
	if c, any := cautions[code]; any {
		r.Caution = c.Said()
	}
	return r, true
}

// RemedyFor is RemedyOf for one roll: where no wrapper fits it names the slot
// and the width that would do.
func RemedyFor(line *recipe.Line, roll *recipe.Roll, stand *recipe.Stand, code recipe.Code) (Remedy, bool) {
	out, ok := RemedyOf(code)
	if code != recipe.NoSlot {
		return out, ok
	}
	w, known := recipe.WrapperWindow(line, roll, 0)
	list := recipe.Candidates(line, roll, stand)
	if !known || len(list) == 0 {
		return out, ok
	}
	r := run{line: line, roll: roll, stand: stand}
	r.spec, r.specName = line.SpecOf(roll)
	c := nearest(list, w.Widths)
	slot, command := c.Slot.Number, hangCommand(c.Slot.Number)
	switch {
	case c.Fit == recipe.BeingHung: // with a width that the slot does not have yet
		out.Do = wording.Say("do.no-slot.end-work", "slot", slot)
	case outside(c.Slot.Width, w.Widths) > 0, c.Fit == recipe.NotAllowed, c.Fit == recipe.Empty, c.Fit == recipe.OutOfService:
		out.Do = wording.Say("do.no-slot.hang", "papers", plainList(r.spec.Papers), "widths", r.inside(w.Widths), "slot", slot, "command", command)
	case c.Fit == recipe.NotReady:
		out.Do = wording.Say("do.no-slot.ready", "slot", slot)
	case c.Fit == recipe.TooShort:
		out.Do = wording.Say("do.no-slot.change-roll", "width", r.write(metres, c.Slot.Width), "slot", slot, "command", command)
	}
	return out, ok
}

// plainList are names, any of which would do.
func plainList(names []string) wording.Said {
	list := make([]wording.Said, len(names))
	for i, n := range names {
		list[i] = wording.Plain(n)
	}
	return wording.Join("list.or", list)
}

// inside is an interval of lengths to a tenth of what people read, rounded so that both
// ends still lie in it.
func (r *run) inside(s recipe.Range) wording.Said {
	unit := r.line.Unit(metres)
	step := quantity.In(1, metres, unit)
	switch unit {
	case "m", "ft", "yd":
		step *= 100
	case "mm":
	default:
		step *= 10
	}
	from, to := math.Ceil(s.Min*step-1e-9)/step, math.Floor(s.Max*step+1e-9)/step
	if from > to {
		return r.span(metres, s)
	}
	return wording.Say("span", "from", strings.TrimSuffix(r.write(metres, from), " "+unit), "to", r.write(metres, to))
}

// nearest is the slot of a stand that is nearest to serve, by its width.
func nearest(list []recipe.Candidate, widths recipe.Range) *recipe.Candidate {
	best := &list[0]
	for i := range list {
		if outside(list[i].Slot.Width, widths) < outside(best.Slot.Width, widths) {
			best = &list[i]
		}
	}
	return best
}
