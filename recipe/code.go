package recipe

// Codes of the problems that Compute may meet. Package check gives each its
// severity and its words.
const (
	RollInvalid        Code = "roll-invalid" // Index 0 diameter, 1 width, 2 and 3 their uncertainties
	SpecMissing        Code = "spec-missing"
	SpecUnknown        Code = "spec-unknown"
	GradeUnknown       Code = "grade-unknown"
	CoreUnknown        Code = "core-unknown"
	HeadUnknown        Code = "head-unknown"
	InnerHeadUnknown   Code = "inner-head-unknown"
	NoHeadSize         Code = "no-head-size"
	NoInnerHeadSize    Code = "no-inner-head-size"
	NoWindow           Code = "no-overhang-window"
	NoSlot             Code = "no-slot"
	SlotUnconfirmed    Code = "slot-not-confirmed"
	SlotUnfit          Code = "slot-unfit"
	CradleRefuses      Code = "cradle-refuses" // Index is the cradle.Fault
	WrapIncalculable   Code = "wrap-incalculable"
	CrimpIncalculable  Code = "crimp-incalculable"
	BondAbovePlaten    Code = "bond-above-platen"
	HeaderIncalculable Code = "header-incalculable"
)
