package check

import (
	"slices"

	"lapgate/recipe"
)

// Codes of the findings that do not come from a problem of Compute.
const (
	OperatorHold      recipe.Code = "operator-hold"
	ValueOpen         recipe.Code = "value-open"
	RollDuplicate     recipe.Code = "roll-duplicate"
	RollOutOfOrder    recipe.Code = "roll-out-of-order"
	RollTagMissing    recipe.Code = "roll-tag-missing"
	ScanStale         recipe.Code = "scan-stale"
	ScanQuality       recipe.Code = "scan-quality"
	ScanOvality       recipe.Code = "scan-ovality"
	ScanWidthSpread   recipe.Code = "scan-width-spread"
	ScanTelescoped    recipe.Code = "scan-telescoped"
	ScannerTwoRolls   recipe.Code = "scanner-two-rolls"
	ScannerDiffers    recipe.Code = "scanner-readings-differ"
	ScannerMissing    recipe.Code = "scanner-missing"
	ScannerNoRoll     recipe.Code = "scanner-no-roll"
	DiameterRange     recipe.Code = "diameter-range"
	WidthRange        recipe.Code = "width-range"
	OrderMissing      recipe.Code = "order-missing"
	OrderWidth        recipe.Code = "order-width"
	OrderDiameter     recipe.Code = "order-diameter"
	OrderGrade        recipe.Code = "order-grade"
	CoreMissing       recipe.Code = "core-missing"
	PermissiveOff     recipe.Code = "permissive-off"
	UnitMode          recipe.Code = "unit-mode"
	UnitModeUnknown   recipe.Code = "unit-mode-unknown"
	UnitState         recipe.Code = "unit-state"
	SlotWidth         recipe.Code = "slot-width"
	OverhangRange     recipe.Code = "overhang-range"
	SlotConfirmed     recipe.Code = "slot-confirmed-differs"
	NewWrapper        recipe.Code = "new-wrapper"
	StockUnknown      recipe.Code = "slot-stock-unknown"
	FeedLengthRange   recipe.Code = "feed-length-range"
	FeedLayers        recipe.Code = "feed-length-layers"
	FeedCounts        recipe.Code = "feed-counts"
	OverlapShort      recipe.Code = "overlap-short"
	WrapTimeRange     recipe.Code = "wrap-time-range"
	WrapTimeSpeed     recipe.Code = "wrap-time-speed"
	StockLow          recipe.Code = "slot-running-out"
	StockDiffers      recipe.Code = "slot-stock-differs"
	NarrowRoll        recipe.Code = "narrow-roll"
	NarrowConfirmed   recipe.Code = "narrow-roll-confirmed"
	TooNarrow         recipe.Code = "roll-too-narrow"
	ContactAngle      recipe.Code = "contact-angle"
	RollShort         recipe.Code = "roll-short"
	CrimperPosition   recipe.Code = "crimper-position-range"
	CrimperPressure   recipe.Code = "crimper-pressure-range"
	CentreHeight      recipe.Code = "roll-centre-height"
	FoldThick         recipe.Code = "fold-thick"
	DriveRange        recipe.Code = "drive-frequency-range"
	DriveCooling      recipe.Code = "drive-cooling"
	DriveAboveBase    recipe.Code = "drive-above-base"
	TurningSpeed      recipe.Code = "turning-speed"
	FeedTurning       recipe.Code = "feed-turning-speed"
	HeadSize          recipe.Code = "head-size"
	HeadLap           recipe.Code = "head-lap"
	InnerHeadBare     recipe.Code = "inner-head-bare"
	CorePlug          recipe.Code = "no-core-plug"
	GlueRange         recipe.Code = "glue-mass-range"
	StrokeRange       recipe.Code = "platen-stroke-range"
	ContactRange      recipe.Code = "contact-pressure-range"
	VacuumNone        recipe.Code = "vacuum-none"
	CentringRange     recipe.Code = "centring-offset-range"
	GrossRange        recipe.Code = "gross-range"
	DensityUnknown    recipe.Code = "density-unknown"
	KnownWeight       recipe.Code = "known-weight-differs"
	CrimpTurnsRange   recipe.Code = "crimp-turns-range"
	CrimpTimeRange    recipe.Code = "crimp-time-range"
	CrimpTimeTurns    recipe.Code = "crimp-time-turns"
	HeaderTemperature recipe.Code = "header-temperature-range"
	DwellRange        recipe.Code = "header-dwell-range"
	DwellShort        recipe.Code = "header-dwell-short"
	PlatenUnknown     recipe.Code = "platen-not-measured"
	PlatenAssumed     recipe.Code = "platen-assumed"
	PlatenHot         recipe.Code = "platen-too-hot"
	PlatenOrder       recipe.Code = "platen-order"
	PlatenTemperature recipe.Code = "platen-temperature"
	BondSide          recipe.Code = "bond-side"
	ScorchDose        recipe.Code = "scorch-dose"
	StuckPress        recipe.Code = "stuck-press"
	StepFromPrevious  recipe.Code = "step-from-previous"
)

// Reason is the number of a hold's reason on the wire.
type Reason = uint16

// Reasons of the handshake for an offer of kind hold.
const (
	noReason         Reason = 0
	noRecipe         Reason = 1
	dimensionLimits  Reason = 2
	implausible      Reason = 3
	measurement      Reason = 4
	interlock        Reason = 5
	permissive       Reason = 6
	supply           Reason = 7
	operator         Reason = 8
	configFault      Reason = 10
	orderDataMissing Reason = 11
)

// CodeInfo is one code with what it means.
type CodeInfo struct {
	Code     recipe.Code
	Severity recipe.Severity
	Reason   Reason // of a hold on the wire; 0 for a warning
	Passed   Passage
	Meaning  string
}

// Passage is how a hold may be passed by a named person.
type Passage uint8

// The ways past a hold.
const (
	never Passage = iota
	// byPerson: a recipe of a person's choice may be offered in spite of it. That
	// is so only for holds on plausibility, where somebody who stands beside the
	// roll knows better than the scan.
	byPerson
	// confirmed: it ends when a person confirms that what it asks for is done.
	confirmed
)

// codes is every code in the order in which Run reports them.
var codes = [...]CodeInfo{
	{OperatorHold, recipe.Hold, operator, never, "an operator asked the gateway to hold every roll"},
	{ValueOpen, recipe.Hold, configFault, never, "the configuration leaves a value open that is to be measured, and its default stands in"},
	{RollDuplicate, recipe.Hold, implausible, never, "the roll number already has an outcome in the journal"},
	{RollOutOfOrder, recipe.Warn, noReason, never, "the roll number is below one seen before"},
	{RollTagMissing, recipe.Warn, noReason, never, "the controller gave no tag for the roll"},
	{ScanStale, recipe.Hold, measurement, never, "the scan is too old"},
	{ScanQuality, recipe.Hold, measurement, never, "the scan is of poor quality"},
	{ScanOvality, recipe.Hold, implausible, byPerson, "the roll is too far out of round"},
	{ScanWidthSpread, recipe.Hold, implausible, byPerson, "the width samples differ too much"},
	{ScanTelescoped, recipe.Hold, implausible, byPerson, "an end of the roll may be telescoped too far for a head to lie flat"},
	{ScannerTwoRolls, recipe.Hold, measurement, never, "a reading of the scanner fits this roll and another, so none is used"},
	{ScannerDiffers, recipe.Hold, measurement, never, "two readings of the scanner contradict each other"},
	{ScannerMissing, recipe.Warn, noReason, never, "no reading of the scanner came for the roll"},
	{ScannerNoRoll, recipe.Warn, noReason, never, "a reading of the scanner fits no roll"},
	{DiameterRange, recipe.Hold, dimensionLimits, never, "the diameter, with its guard band, is outside the limits of the line"},
	{WidthRange, recipe.Hold, dimensionLimits, never, "the width, with its guard band, is outside the limits of the line"},
	{OrderMissing, recipe.Warn, noReason, never, "the mill's orders have none for the roll"},
	{OrderWidth, recipe.Hold, implausible, byPerson, "scanned and ordered width differ too much"},
	{OrderDiameter, recipe.Hold, implausible, byPerson, "scanned and ordered diameter differ too much"},
	{OrderGrade, recipe.Warn, noReason, never, "controller and order name different grades"},
	{CoreMissing, recipe.Warn, noReason, never, "the controller gave no core code; the largest core is assumed"},
	{PermissiveOff, recipe.Hold, permissive, never, "a required permissive is off"},
	{UnitMode, recipe.Hold, permissive, never, "the unit is in maintenance or manual mode"},
	{UnitModeUnknown, recipe.Warn, noReason, never, "the controller gives no valid unit mode"},
	{UnitState, recipe.Warn, noReason, never, "the unit is stopping, stopped, aborting, aborted or clearing"},
	{recipe.RollInvalid, recipe.Hold, measurement, never, "diameter, width or an uncertainty is not a positive number"},
	{recipe.GradeUnknown, recipe.Hold, noRecipe, never, "the grade code is not in the configuration"},
	{recipe.CoreUnknown, recipe.Hold, noRecipe, never, "the core code is not in the configuration"},
	{recipe.SpecMissing, recipe.Hold, orderDataMissing, never, "neither roll, order nor grade names a wrap specification"},
	{recipe.SpecUnknown, recipe.Hold, noRecipe, never, "the wrap specification is not in the configuration"},
	{recipe.HeadUnknown, recipe.Hold, configFault, never, "the specification names an outer head material that is not in the configuration"},
	{recipe.NoHeadSize, recipe.Hold, supply, never, "no outer head in stock is small enough for the roll"},
	{recipe.InnerHeadUnknown, recipe.Hold, configFault, never, "the specification names an inner head material that is not in the configuration"},
	{recipe.NoInnerHeadSize, recipe.Hold, supply, never, "no inner head in stock is small enough for the roll"},
	{recipe.NoWindow, recipe.Hold, noRecipe, never, "no wrapper width keeps every rule of the overhang"},
	{recipe.NoSlot, recipe.Hold, supply, never, "no slot of the stand has a wrapper for the roll"},
	{recipe.SlotUnconfirmed, recipe.Hold, supply, never, "the operator has not confirmed which wrapper hangs"},
	{recipe.SlotUnfit, recipe.Hold, supply, never, "the slot that the operator confirmed does not serve the roll"},
	{recipe.CradleRefuses, recipe.Hold, interlock, never, "the roll cannot lie on the turning rolls, or the cradle settings are not possible"},
	{recipe.GripUnknown, recipe.Hold, orderDataMissing, never, "nobody tells the density of the roll, so its grip on the turning rolls is not known"},
	{recipe.NoGrip, recipe.Hold, interlock, never, "the drag of wrapper or crimpers alone makes the roll slip on the turning rolls"},
	{recipe.WrapIncalculable, recipe.Hold, configFault, never, "feed length or wrap time cannot be computed from the settings"},
	{recipe.CrimpIncalculable, recipe.Hold, configFault, never, "the crimp time cannot be computed from the settings"},
	{recipe.DriveIncalculable, recipe.Hold, configFault, never, "a frequency cannot be computed from the settings of its drive"},
	{recipe.PressNotMeasured, recipe.Hold, configFault, never, "the contact conductance is too uncertain to promise a bond"},
	{recipe.BondAbovePlaten, recipe.Hold, configFault, never, "the bond line cannot get as warm as wanted from this platen"},
	{recipe.ContactIncalculable, recipe.Hold, configFault, never, "the contact pressure of the platens cannot be computed from the settings"},
	{recipe.HeaderIncalculable, recipe.Hold, configFault, never, "stroke or dwell cannot be computed from the settings"},
	{recipe.GlueIncalculable, recipe.Hold, configFault, never, "the edge glue cannot be computed from the settings"},
	{recipe.CentringIncalculable, recipe.Hold, configFault, never, "the centring target is not a number"},
	{recipe.MassIncalculable, recipe.Hold, configFault, never, "the mass of the roll cannot be computed from the settings"},
	{SlotWidth, recipe.Hold, interlock, never, "slot, wrapper width, roll width and overhang do not agree"},
	{OverhangRange, recipe.Hold, interlock, never, "the overhang breaks a rule of its window"},
	{SlotConfirmed, recipe.Warn, noReason, never, "the operator confirmed another slot than the recipe's"},
	{NewWrapper, recipe.Hold, supply, confirmed, "the first roll on a wrapper that was hung; a person has to confirm what hangs"},
	{StockUnknown, recipe.Warn, noReason, never, "the length left on the wrapper roll is not known"},
	{StockDiffers, recipe.Warn, noReason, never, "outer diameter and consumption of a wrapper roll tell different lengths"},
	{StockLow, recipe.Warn, noReason, never, "the wrapper roll reaches for few rolls more"},
	{FeedLengthRange, recipe.Hold, interlock, never, "the feed length, with its guard band, is outside its limits"},
	{FeedLayers, recipe.Hold, interlock, never, "feed length, circumference and layers do not agree"},
	{FeedCounts, recipe.Hold, interlock, never, "feed length and encoder counts do not agree"},
	{OverlapShort, recipe.Hold, interlock, never, "the wrapper may not go around as often as wanted: the overlap is within the error of the feed"},
	{WrapTimeRange, recipe.Hold, interlock, never, "the wrap time is outside its limits"},
	{WrapTimeSpeed, recipe.Hold, interlock, never, "the wrap time is too short for feed length and speed"},
	{ContactAngle, recipe.Hold, interlock, never, "the roll rests too steeply on the turning rolls, which then carry many times its weight"},
	{TooNarrow, recipe.Hold, dimensionLimits, never, "the roll is too narrow for its diameter, whatever steadies it"},
	{NarrowRoll, recipe.Hold, dimensionLimits, confirmed, "the roll may tip; a person has to confirm that it is chocked or steadied"},
	{NarrowConfirmed, recipe.Warn, noReason, never, "the roll may tip; a person confirmed that it is chocked or steadied"},
	{RollShort, recipe.Warn, noReason, never, "the roll is shorter than the least distance of the crimpers"},
	{CrimpTurnsRange, recipe.Hold, interlock, never, "the crimp turns are outside their limits"},
	{CrimpTimeRange, recipe.Hold, interlock, never, "the crimp time is outside its limits"},
	{CrimperPosition, recipe.Hold, interlock, never, "the position of the crimpers is outside its limits"},
	{CrimperPressure, recipe.Hold, interlock, never, "the hydraulic pressure of the crimpers is outside its limits"},
	{CentreHeight, recipe.Hold, interlock, never, "the height of the roll centre does not agree with the cradle"},
	{FoldThick, recipe.Warn, noReason, never, "many thicknesses of wrapper lie on one another at the fold"},
	{CrimpTimeTurns, recipe.Hold, interlock, never, "the crimp time is too short for turns and speed"},
	{DriveRange, recipe.Hold, interlock, never, "a frequency is outside what its drive may run"},
	{DriveCooling, recipe.Warn, noReason, never, "a frequency is below the cooling limit of its motor"},
	{DriveAboveBase, recipe.Warn, noReason, never, "a frequency is above the base frequency of its motor"},
	{TurningSpeed, recipe.Hold, interlock, never, "turning frequency and wrap speed do not agree"},
	{FeedTurning, recipe.Hold, interlock, never, "the feed rolls do not run at the speed of the turning rolls with the stated draw"},
	{HeadSize, recipe.Hold, interlock, never, "a head stands out beyond the roll"},
	{HeadLap, recipe.Hold, interlock, never, "the overhang does not come in far enough under the outer head"},
	{InnerHeadBare, recipe.Warn, noReason, never, "the inner head leaves a wide ring bare"},
	{CorePlug, recipe.Hold, supply, never, "no core plug at hand fits the core"},
	{GlueRange, recipe.Hold, interlock, never, "the edge glue is outside its limits"},
	{HeaderTemperature, recipe.Hold, interlock, never, "the platen setpoint is outside its limits"},
	{DwellRange, recipe.Hold, interlock, never, "the dwell at the unfavourable end of its uncertainties is outside its limits"},
	{StrokeRange, recipe.Hold, interlock, never, "the stroke of the platens is outside its limits"},
	{ContactRange, recipe.Hold, interlock, never, "the contact pressure of the platens is outside its limits"},
	{PlatenUnknown, recipe.Hold, measurement, never, "nobody measured the temperature of the platens"},
	{PlatenAssumed, recipe.Warn, noReason, never, "no platen temperature is given; the setpoint is taken"},
	{PlatenHot, recipe.Hold, interlock, never, "a platen is hotter than any may be"},
	{PlatenOrder, recipe.Hold, measurement, never, "the hotter platen is told colder than the cooler one"},
	{PlatenTemperature, recipe.Warn, noReason, never, "a platen is far from its setpoint"},
	{DwellShort, recipe.Hold, interlock, never, "the bond line does not surely get warm, or its glue dry, in this dwell"},
	{BondSide, recipe.Hold, configFault, never, "a head meets a side of the wrapper that it does not bond to"},
	{ScorchDose, recipe.Hold, interlock, never, "the face of the head suffers more heat than it may in the dwell"},
	{StuckPress, recipe.Hold, interlock, never, "a press that does not open would scorch the head"},
	{VacuumNone, recipe.Warn, noReason, never, "the wrapper covers no vacuum zone"},
	{CentringRange, recipe.Hold, interlock, never, "the roll is to be put too far off the line centre"},
	{GrossRange, recipe.Hold, interlock, never, "the predicted gross mass, with its guard band, is outside its limits"},
	{DensityUnknown, recipe.Warn, noReason, never, "nobody tells the density of the roll, so the scale cannot judge it"},
	{KnownWeight, recipe.Warn, noReason, never, "a weighing of the bare roll does not agree with its size and grade"},
	{StepFromPrevious, recipe.Warn, noReason, never, "a setpoint differs much from the previous recipe of the same specification"},
}

// HoldReason is the reason on the wire for a hold with that code, 1 to 11. A
// warning has 0; a code that is not known counts as an interlocked limit.
func HoldReason(code recipe.Code) uint16 { return info(code).Reason }

// Overridable reports whether a named person's recipe may be offered in spite
// of a hold with that code. It is false for a code that is not known.
func Overridable(code recipe.Code) bool { return info(code).Passed == byPerson }

// Confirmable reports whether a hold with that code ends when a named person
// confirms that what it asks for is done. It is false for a code that is not
// known.
func Confirmable(code recipe.Code) bool { return info(code).Passed == confirmed }

// Codes lists every code with what it means, in the order in which Run reports
// them.
func Codes() []CodeInfo { return slices.Clone(codes[:]) }

// Meaning is what a code says in a few words.
func Meaning(code recipe.Code) string { return info(code).Meaning }

func info(code recipe.Code) CodeInfo {
	for _, c := range codes {
		if c.Code == code {
			return c
		}
	}
	return CodeInfo{code, recipe.Hold, interlock, never, "a code that this version does not know"}
}
