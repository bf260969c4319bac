package check

import (
	"slices"

	"lapgate/recipe"
	"lapgate/recipe/wording"
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
}

// Meaning is what the code says in a few words.
func (c CodeInfo) Meaning() wording.Said { return Meaning(c.Code) }

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
	{OperatorHold, recipe.Hold, operator, never},
	{ValueOpen, recipe.Hold, configFault, never},
	{RollDuplicate, recipe.Hold, implausible, never},
	{RollOutOfOrder, recipe.Warn, noReason, never},
	{RollTagMissing, recipe.Warn, noReason, never},
	{ScanStale, recipe.Hold, measurement, never},
	{ScanQuality, recipe.Hold, measurement, never},
	{ScanOvality, recipe.Hold, implausible, byPerson},
	{ScanWidthSpread, recipe.Hold, implausible, byPerson},
	{ScanTelescoped, recipe.Hold, implausible, byPerson},
	{ScannerTwoRolls, recipe.Hold, measurement, never},
	{ScannerDiffers, recipe.Hold, measurement, never},
	{ScannerMissing, recipe.Warn, noReason, never},
	{ScannerNoRoll, recipe.Warn, noReason, never},
	{DiameterRange, recipe.Hold, dimensionLimits, never},
	{WidthRange, recipe.Hold, dimensionLimits, never},
	{OrderMissing, recipe.Warn, noReason, never},
	{OrderWidth, recipe.Hold, implausible, byPerson},
	{OrderDiameter, recipe.Hold, implausible, byPerson},
	{OrderGrade, recipe.Warn, noReason, never},
	{CoreMissing, recipe.Warn, noReason, never},
	{PermissiveOff, recipe.Hold, permissive, never},
	{UnitMode, recipe.Hold, permissive, never},
	{UnitModeUnknown, recipe.Warn, noReason, never},
	{UnitState, recipe.Warn, noReason, never},
	{recipe.RollInvalid, recipe.Hold, measurement, never},
	{recipe.GradeUnknown, recipe.Hold, noRecipe, never},
	{recipe.CoreUnknown, recipe.Hold, noRecipe, never},
	{recipe.SpecMissing, recipe.Hold, orderDataMissing, never},
	{recipe.SpecUnknown, recipe.Hold, noRecipe, never},
	{recipe.HeadUnknown, recipe.Hold, configFault, never},
	{recipe.NoHeadSize, recipe.Hold, supply, never},
	{recipe.InnerHeadUnknown, recipe.Hold, configFault, never},
	{recipe.NoInnerHeadSize, recipe.Hold, supply, never},
	{recipe.NoWindow, recipe.Hold, noRecipe, never},
	{recipe.NoSlot, recipe.Hold, supply, never},
	{recipe.SlotUnconfirmed, recipe.Hold, supply, never},
	{recipe.SlotUnfit, recipe.Hold, supply, never},
	{recipe.CradleRefuses, recipe.Hold, interlock, never},
	{recipe.GripUnknown, recipe.Hold, orderDataMissing, never},
	{recipe.NoGrip, recipe.Hold, interlock, never},
	{recipe.WrapIncalculable, recipe.Hold, configFault, never},
	{recipe.CrimpIncalculable, recipe.Hold, configFault, never},
	{recipe.DriveIncalculable, recipe.Hold, configFault, never},
	{recipe.PressNotMeasured, recipe.Hold, configFault, never},
	{recipe.BondAbovePlaten, recipe.Hold, configFault, never},
	{recipe.ContactIncalculable, recipe.Hold, configFault, never},
	{recipe.HeaderIncalculable, recipe.Hold, configFault, never},
	{recipe.GlueIncalculable, recipe.Hold, configFault, never},
	{recipe.CentringIncalculable, recipe.Hold, configFault, never},
	{recipe.MassIncalculable, recipe.Hold, configFault, never},
	{SlotWidth, recipe.Hold, interlock, never},
	{OverhangRange, recipe.Hold, interlock, never},
	{SlotConfirmed, recipe.Warn, noReason, never},
	{NewWrapper, recipe.Hold, supply, confirmed},
	{StockUnknown, recipe.Warn, noReason, never},
	{StockDiffers, recipe.Warn, noReason, never},
	{StockLow, recipe.Warn, noReason, never},
	{FeedLengthRange, recipe.Hold, interlock, never},
	{FeedLayers, recipe.Hold, interlock, never},
	{FeedCounts, recipe.Hold, interlock, never},
	{OverlapShort, recipe.Hold, interlock, never},
	{WrapTimeRange, recipe.Hold, interlock, never},
	{WrapTimeSpeed, recipe.Hold, interlock, never},
	{ContactAngle, recipe.Hold, interlock, never},
	{TooNarrow, recipe.Hold, dimensionLimits, never},
	{NarrowRoll, recipe.Hold, dimensionLimits, confirmed},
	{NarrowConfirmed, recipe.Warn, noReason, never},
	{RollShort, recipe.Warn, noReason, never},
	{CrimpTurnsRange, recipe.Hold, interlock, never},
	{CrimpTimeRange, recipe.Hold, interlock, never},
	{CrimperPosition, recipe.Hold, interlock, never},
	{CrimperPressure, recipe.Hold, interlock, never},
	{CentreHeight, recipe.Hold, interlock, never},
	{FoldThick, recipe.Warn, noReason, never},
	{CrimpTimeTurns, recipe.Hold, interlock, never},
	{DriveRange, recipe.Hold, interlock, never},
	{DriveCooling, recipe.Warn, noReason, never},
	{DriveAboveBase, recipe.Warn, noReason, never},
	{TurningSpeed, recipe.Hold, interlock, never},
	{FeedTurning, recipe.Hold, interlock, never},
	{HeadSize, recipe.Hold, interlock, never},
	{HeadLap, recipe.Hold, interlock, never},
	{InnerHeadBare, recipe.Warn, noReason, never},
	{CorePlug, recipe.Hold, supply, never},
	{GlueRange, recipe.Hold, interlock, never},
	{HeaderTemperature, recipe.Hold, interlock, never},
	{DwellRange, recipe.Hold, interlock, never},
	{StrokeRange, recipe.Hold, interlock, never},
	{ContactRange, recipe.Hold, interlock, never},
	{PlatenUnknown, recipe.Hold, measurement, never},
	{PlatenAssumed, recipe.Warn, noReason, never},
	{PlatenHot, recipe.Hold, interlock, never},
	{PlatenOrder, recipe.Hold, measurement, never},
	{PlatenTemperature, recipe.Warn, noReason, never},
	{DwellShort, recipe.Hold, interlock, never},
	{BondSide, recipe.Hold, configFault, never},
	{ScorchDose, recipe.Hold, interlock, never},
	{StuckPress, recipe.Hold, interlock, never},
	{VacuumNone, recipe.Warn, noReason, never},
	{CentringRange, recipe.Hold, interlock, never},
	{GrossRange, recipe.Hold, interlock, never},
	{DensityUnknown, recipe.Warn, noReason, never},
	{KnownWeight, recipe.Warn, noReason, never},
	{StepFromPrevious, recipe.Warn, noReason, never},
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
func Meaning(code recipe.Code) wording.Said {
	key := "meaning." + string(code)
	if _, ok := wording.English(key); !ok {
		return wording.Say("meaning.unknown")
	}
	return wording.Say(key)
}

func info(code recipe.Code) CodeInfo {
	for _, c := range codes {
		if c.Code == code {
			return c
		}
	}
	return CodeInfo{code, recipe.Hold, interlock, never}
}
