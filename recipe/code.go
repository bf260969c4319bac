package recipe

// Codes of the problems that Compute may meet. Package check gives each its
// severity and its words.
const (
	RollInvalid          Code = "roll-invalid" // Index 0 diameter, 1 width, 2 and 3 their uncertainties
	SpecMissing          Code = "spec-missing"
	SpecUnknown          Code = "spec-unknown"
	GradeUnknown         Code = "grade-unknown"
	CoreUnknown          Code = "core-unknown"
	HeadUnknown          Code = "head-unknown"
	InnerHeadUnknown     Code = "inner-head-unknown"
	NoHeadSize           Code = "no-head-size"
	NoInnerHeadSize      Code = "no-inner-head-size"
	NoWindow             Code = "no-overhang-window"
	NoSlot               Code = "no-slot"
	SlotUnconfirmed      Code = "slot-not-confirmed"
	SlotUnfit            Code = "slot-unfit"
	CradleRefuses        Code = "cradle-refuses" // Index is the cradle.Fault
	GripUnknown          Code = "grip-unknown"   // Got is the drag, N
	NoGrip               Code = "no-grip"        // Got is the drag, N, Want the mass, kg
	WrapIncalculable     Code = "wrap-incalculable"
	CrimpIncalculable    Code = "crimp-incalculable"
	DriveIncalculable    Code = "drive-incalculable" // Index is the drive, Got the drive.Fault
	PressNotMeasured     Code = "press-not-measured" // Got is the relative uncertainty of the conductance
	BondAbovePlaten      Code = "bond-above-platen"
	ContactIncalculable  Code = "contact-incalculable" // Got is the heads.Fault
	HeaderIncalculable   Code = "header-incalculable"
	GlueIncalculable     Code = "glue-incalculable"
	CentringIncalculable Code = "centring-incalculable"
	MassIncalculable     Code = "mass-incalculable" // Got is the mass.Fault
)
