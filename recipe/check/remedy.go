package check

import (
	"math"
	"strconv"
	"strings"

	"lapgate/recipe"
	"lapgate/recipe/caution"
	"lapgate/recipe/quantity"
)

// Remedy is what a person at the line does about a hold, in one sentence, and
// the caution that belongs to the act.
type Remedy struct {
	Do      string
	Caution string // empty where no hand goes near the machine
}

// Cautions that belong to an act.
var (
	cautionStand  = caution.Overhead.String()
	cautionGuard  = caution.ReachIn.String()
	cautionRoll   = caution.Roll.String()
	cautionPlaten = caution.Press.String()
	cautionHeads  = caution.Ends.String()
)

const (
	retry     = ", then press retry at the controller."
	again     = "Measure the roll again" + retry
	wrapElse  = "Take the roll off and wrap it by hand, or correct the setting named"
	toSetting = "Have the setting named here corrected and the configuration reloaded" + retry
)

// remedies tells for every code that holds a roll what to do about it.
var remedies = map[recipe.Code]Remedy{
	OperatorHold:                {"Find out from whoever holds the line why, and end the hold when the reason is gone: lapgate hold --off.", ""},
	ValueOpen:                   {"Wrap the roll as the line does without lapgate, and have the values measured that the configuration leaves open: lapgate check tells which and how.", ""},
	RollDuplicate:               {"Correct the roll number at the controller: it must only go up" + retry, ""},
	ScanStale:                   {again, ""},
	ScanQuality:                 {"Clean the scanner's windows and measure the roll again" + retry, cautionGuard},
	ScanOvality:                 {"Look at the roll: where it is out of round, take it off; else measure it again" + retry, cautionRoll},
	ScanWidthSpread:             {"Look at both ends of the roll: where one stands out, take the roll off; else measure it again" + retry, cautionRoll},
	ScanTelescoped:              {"Look at both ends of the roll: where one is telescoped, have it pushed flat or take the roll off; then measure it again and press retry at the controller.", cautionRoll},
	ScannerTwoRolls:             {"Scan this roll again, so that its reading is of no other" + retry, ""},
	ScannerDiffers:              {"Scan the roll once more and see that its label is its own" + retry, ""},
	DiameterRange:               {"Take the roll off: its diameter is not one that this line wraps. Where the measurement is wrong, measure it again" + retry, cautionRoll},
	WidthRange:                  {"Take the roll off: its width is not one that this line wraps. Where the measurement is wrong, measure it again" + retry, cautionRoll},
	OrderWidth:                  {"Compare the label with the roll: correct the order, or measure the roll again" + retry, ""},
	OrderDiameter:               {"Compare the label with the roll: correct the order, or measure the roll again" + retry, ""},
	PermissiveOff:               {"See at the controller which permissive is off, bring it back" + retry, cautionGuard},
	UnitMode:                    {"Put the unit back into production mode when everybody is clear of it" + retry, cautionGuard},
	recipe.RollInvalid:          {again, ""},
	recipe.GradeUnknown:         {"Correct the grade code at the controller, or have the grade added to the configuration" + retry, ""},
	recipe.CoreUnknown:          {"Correct the core code at the controller, or have the core added to the configuration" + retry, ""},
	recipe.SpecMissing:          {"Enter the grade at the controller or have the order sent" + retry, ""},
	recipe.SpecUnknown:          {"Correct the name of the wrap specification in the order, or have it added to the configuration" + retry, ""},
	recipe.HeadUnknown:          {toSetting, ""},
	recipe.NoHeadSize:           {"Bring a smaller outer head and have its size added to the configuration, or wrap the roll by hand.", cautionHeads},
	recipe.InnerHeadUnknown:     {toSetting, ""},
	recipe.NoInnerHeadSize:      {"Bring a smaller inner head and have its size added to the configuration, or wrap the roll by hand.", cautionHeads},
	recipe.NoWindow:             {"Choose another wrap specification or head size for the roll, or wrap it by hand.", cautionHeads},
	recipe.NoSlot:               {"Hang a wrapper that fits" + retry, cautionStand},
	NewWrapper:                  {"Read on the wrapper roll what hangs, say so at the panel or with lapgate confirm --finding new-wrapper" + retry, cautionStand},
	recipe.SlotUnconfirmed:      {"Hang the wrapper named, confirm its slot at the panel" + retry, cautionStand},
	recipe.SlotUnfit:            {"Hang a wrapper that fits, confirm its slot at the panel" + retry, cautionStand},
	recipe.CradleRefuses:        {wrapElse + retry, cautionRoll},
	recipe.GripUnknown:          {"Enter the grade at the controller, so that the density of the roll is known" + retry, ""},
	recipe.NoGrip:               {"Ease the brake of the stand or the crimpers, and have their settings corrected" + retry, cautionGuard},
	recipe.WrapIncalculable:     {toSetting, ""},
	recipe.CrimpIncalculable:    {toSetting, ""},
	recipe.DriveIncalculable:    {toSetting, ""},
	recipe.PressNotMeasured:     {"Have the press measured with a thermocouple at a bond line, and its conductance entered" + retry, cautionPlaten},
	recipe.BondAbovePlaten:      {"Wait until the platens are warm" + retry, cautionPlaten},
	recipe.ContactIncalculable:  {toSetting, ""},
	recipe.HeaderIncalculable:   {toSetting, ""},
	recipe.GlueIncalculable:     {toSetting, ""},
	recipe.CentringIncalculable: {toSetting, ""},
	recipe.MassIncalculable:     {toSetting, ""},
	SlotWidth:                   {"Correct the override: slot, wrapper width and overhang have to agree.", ""},
	OverhangRange:               {"Hang a wrapper that fits, or choose another specification" + retry, cautionStand},
	FeedLengthRange:             {toSetting, ""},
	FeedLayers:                  {"Correct the override: feed length, layers and circumference have to agree.", ""},
	FeedCounts:                  {"Correct the override: feed length and encoder counts have to agree.", ""},
	OverlapShort:                {"Measure the roll again, or have a longer overlap set in the specification" + retry, ""},
	WrapTimeRange:               {toSetting, ""},
	WrapTimeSpeed:               {"Correct the override: the wrap time is too short for feed length and speed.", ""},
	ContactAngle:                {"Take the roll off: it rests too steeply on the turning rolls to be wrapped here.", cautionRoll},
	TooNarrow:                   {"Take the roll off: nothing steadies so narrow a roll on this line.", cautionRoll},
	NarrowRoll:                  {"Chock or steady the roll, say so with lapgate confirm --finding narrow-roll" + retry, cautionRoll},
	CrimpTurnsRange:             {toSetting, ""},
	CrimpTimeRange:              {toSetting, ""},
	CrimperPosition:             {toSetting, ""},
	CrimperPressure:             {toSetting, ""},
	CentreHeight:                {toSetting, ""},
	CrimpTimeTurns:              {"Correct the override: the crimp time is too short for turns and speed.", ""},
	DriveRange:                  {toSetting, ""},
	TurningSpeed:                {"Correct the override: turning frequency and wrap speed have to agree.", ""},
	FeedTurning:                 {"Correct the override: feed rolls and turning rolls have to run at one speed, with the draw stated.", ""},
	HeadSize:                    {"Bring a smaller head, or measure the roll again" + retry, cautionHeads},
	HeadLap:                     {"Hang a wider wrapper or bring a larger outer head" + retry, cautionStand},
	CorePlug:                    {"Bring a core plug that fits the core and have it added to the configuration" + retry, cautionHeads},
	GlueRange:                   {toSetting, ""},
	HeaderTemperature:           {toSetting, ""},
	DwellRange:                  {toSetting, ""},
	StrokeRange:                 {toSetting, ""},
	ContactRange:                {toSetting, ""},
	PlatenUnknown:               {"Have the platen's temperature sensor put right" + retry, cautionPlaten},
	PlatenHot:                   {"Switch the platen heating off, let nobody near, and find out why it overheats.", cautionPlaten},
	PlatenOrder:                 {"Have the two temperature signals of the platens put the right way round" + retry, cautionPlaten},
	DwellShort:                  {"Wait until the platens are warm, or have the setting named here corrected" + retry, cautionPlaten},
	BondSide:                    {"Choose a specification whose head bonds to the side of this wrapper, or hang another wrapper" + retry, cautionStand},
	ScorchDose:                  {toSetting, cautionPlaten},
	StuckPress:                  {toSetting, cautionPlaten},
	CentringRange:               {toSetting, ""},
	GrossRange:                  {"Compare grade and core at the controller with the label of the roll, and measure it again" + retry, cautionRoll},
}

// RemedyOf is what to do about a code that holds the roll; ok is false for any
// other code.
func RemedyOf(code recipe.Code) (r Remedy, ok bool) {
	r, ok = remedies[code]
	return r, ok
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
	slot, tellFirst := "slot "+strconv.Itoa(c.Slot.Number), ", telling it first with "+hangCommand(c.Slot.Number)
	switch {
	case c.Fit == recipe.BeingHung: // with a width that the slot does not have yet
		out.Do = "End the work at " + slot + " and make it ready" + retry
	case outside(c.Slot.Width, w.Widths) > 0, c.Fit == recipe.NotAllowed:
		out.Do = "Hang " + strings.Join(r.spec.Papers, " or ") + ", " + r.inside(w.Widths) + " wide, in " + slot + tellFirst + retry
	case c.Fit == recipe.Empty, c.Fit == recipe.OutOfService:
		out.Do = "Hang " + strings.Join(r.spec.Papers, " or ") + ", " + r.inside(w.Widths) + " wide, in " + slot + tellFirst + retry
	case c.Fit == recipe.NotReady:
		out.Do = "Make " + slot + " ready" + retry
	case c.Fit == recipe.TooShort:
		out.Do = "Hang a new wrapper roll, " + r.write(metres, c.Slot.Width) + " wide, in " + slot + tellFirst + retry
	}
	return out, ok
}

// inside is an interval of lengths to a tenth of what people read, rounded so that both
// ends still lie in it.
func (r *run) inside(s recipe.Range) string {
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
	return strings.TrimSuffix(r.write(metres, from), " "+unit) + " to " + r.write(metres, to)
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
