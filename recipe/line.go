package recipe

import (
	"math"
	"slices"
	"strconv"

	"lapgate/recipe/quantity"
)

// Mode is how a station of the line is worked.
type Mode uint8

// The modes of a station. An absent station has no setpoints, no tags and no
// checks; a manual one gets an instruction for the operator instead of
// setpoints; a semi-automatic one gets setpoints that the operator starts.
const (
	Absent Mode = iota
	Manual
	Semi
	Auto
)

// Powered reports whether the station takes setpoints from the controller.
func (m Mode) Powered() bool { return m >= Semi }

// Present reports whether the line has the station at all.
func (m Mode) Present() bool { return m != Absent }

// Origins tells where in the configuration a key stands, by its full path within the line or
// among what all lines share: "file:line", "default", "environment NAME" or "flag --set".
// It is empty for a key without a value.
type Origins func(key string) string

// Of is where a key stands, empty too where the line was not read from a file.
func (o Origins) Of(key string) string {
	if o == nil {
		return ""
	}
	return o(key)
}

// Line is one wrapping line: what it has, what it may do and what it wraps
// with. It is built once by the configuration, then only read; any number of
// goroutines may share it. All quantities are SI.
//
// Struct tags carry what the configuration needs of a field: cfg is its key,
// unit its dimension (see package quantity; none for a pure number), default
// its default as written by a person, range its legal range, doc its meaning, and
// measure how it is measured on a line: such a key may be open.
type Line struct {
	Name      string    `cfg:"name" default:"line-1" doc:"name of the line in logs, metrics and the journal"`
	Equipment Equipment `cfg:"equipment" doc:"how each station is worked: absent, manual, semi or auto"`
	Centring  Centring  `cfg:"centring"`
	Stand     StandSpec `cfg:"stand"`
	Wrap      Wrap      `cfg:"wrap"`
	Crimp     Crimp     `cfg:"crimp"`
	Glue      Glue      `cfg:"glue"`
	Vacuum    Vacuum    `cfg:"vacuum"`
	Heads     Heads     `cfg:"heads"`
	Header    Header    `cfg:"header"`
	Cradle    Cradle    `cfg:"cradle"`
	Drives    Drives    `cfg:"drives"`
	Scale     Scale     `cfg:"scale"`
	Limits    Limits    `cfg:"limits" doc:"limits outside which a recipe is held. These limits only keep back a recipe and protect nobody: guards, emergency stops, over-temperature trips and hydraulic relief stay in safety-rated hardware."`
	Materials Materials `cfg:"-"` // shared by all lines of a configuration

	// Origins tells where in the configuration the keys stand. Nil where the line was not
	// read from a file.
	Origins Origins `cfg:"-"`

	// Open are the settings that nobody has measured yet and whose default stands in;
	// while there is one, every roll is held.
	Open []Open `cfg:"-"`

	// Units are the units that people want to read, by dimension. A dimension
	// that is not in it is written in the unit in which it is held.
	Units map[quantity.Dimension]string `cfg:"-"`
}

// Open is a setting that is to be measured.
type Open struct {
	Key      string // its full path
	Where    string // in the configuration, as "file:line"
	StandsIn string // its default, in the units of the mill
	How      string // it is measured
}

// Unit is the unit in which people want to read a dimension.
func (l *Line) Unit(d quantity.Dimension) string {
	if u, ok := l.Units[d]; ok {
		return u
	}
	if names := quantity.Units(d); len(names) > 0 {
		return names[0]
	}
	return ""
}

// WriteUnit gives a value in the named unit as people read it on this line: in
// the unit that they prefer for its dimension. A name that is no unit stands
// as it is behind the number.
//
// What is small keeps three figures, so that others can compute with it.
func (l *Line) WriteUnit(v float64, unitName string) string {
	if held, d, ok := quantity.Held(v, unitName); ok {
		if unit := l.Unit(d); unit == "in" && math.Abs(held) < 0.1*0.0254 {
			return quantity.Round(held, d, unit, 5)
		}
		return l.Write(held, d)
	}
	text := strconv.FormatFloat(math.Round(v*1e4)/1e4, 'f', -1, 64)
	if math.Abs(v) < 1e-3 {
		text = strconv.FormatFloat(v, 'g', 3, 64)
	}
	if unitName == "" {
		return text
	}
	return text + " " + unitName
}

// Write gives a quantity as people read it on this line: rounded, in the unit
// that they prefer, or to a millionth of the unit in which it is held.
func (l *Line) Write(v float64, d quantity.Dimension) string {
	unit, chosen := l.Units[d]
	if !chosen {
		return quantity.Round(v, d, l.Unit(d), 6)
	}
	decimals := 3
	switch unit {
	case "m", "ft", "yd", "m/s", "kN", "t":
		decimals = 4
	}
	return quantity.Round(v, d, unit, decimals)
}

// Equipment is how each station of the line is worked.
type Equipment struct {
	Centring Mode `cfg:"centring" default:"auto" doc:"centring of the roll under the wrapper"`
	Stand    Mode `cfg:"stand" default:"auto" doc:"overhead wrapper stand: auto selects a slot, manual prompts the operator"`
	Wrap     Mode `cfg:"wrap" default:"auto" doc:"feeding of the wrapper"`
	Crimp    Mode `cfg:"crimp" default:"auto" doc:"crimping of the overhang over the roll ends"`
	Glue     Mode `cfg:"glue" default:"auto" doc:"edge glue before the outer head"`
	Vacuum   Mode `cfg:"vacuum" default:"auto" doc:"vacuum zones that hold the tail by width"`
	Heads    Mode `cfg:"heads" default:"manual" doc:"placing of inner and outer heads"`
	Header   Mode `cfg:"header" default:"auto" doc:"heated platens that press the outer heads"`
	Scale    Mode `cfg:"scale" default:"auto" doc:"weighing of the wrapped roll"`
	Drives   Mode `cfg:"drives" default:"auto" doc:"variable-frequency drives of turning rolls, feed rolls and crimpers"`
}

// Centring is how well the line centres a roll under its wrapper.
type Centring struct {
	Tolerance float64 `cfg:"tolerance" unit:"length" default:"10 mm" range:"0 mm..200 mm" measure:"measure the overhang on both ends of some rolls" doc:"half width of the centring error; the overhang must hold on the poor side"`
	Target    float64 `cfg:"target" unit:"length" default:"0 mm" range:"-500 mm..500 mm" doc:"offset of the centre of roll and wrapper from the line centre, positive towards the drive side"`
}

// StandSpec is the overhead wrapper stand.
type StandSpec struct {
	Slots        []SlotSpec `cfg:"slots" doc:"the wrapper rolls that hang, one to six; four to six as a rule"`
	Reserve      float64    `cfg:"reserve" unit:"length" default:"5 m" range:"0 m..500 m" doc:"length kept on a wrapper roll for a splice"`
	TailReserve  float64    `cfg:"tail_reserve" unit:"length" default:"0 m" range:"0 m..500 m" doc:"length kept besides for a bad tail at the core"`
	CoreDiameter float64    `cfg:"core_diameter" unit:"length" default:"3 in" range:"10 mm..500 mm" measure:"measure the core of an empty wrapper roll" doc:"outer diameter of the core of a wrapper roll"`
	OuterU       float64    `cfg:"outer_uncertainty" unit:"length" default:"2 mm" range:"0 mm..100 mm" doc:"standard uncertainty of the outer diameter of a wrapper roll"`
	WidthU       float64    `cfg:"width_uncertainty" unit:"length" default:"0.5 mm" range:"0 mm..50 mm" measure:"measure the width of some wrapper rolls" doc:"standard uncertainty of the width of a wrapper"`
	WarnRolls    int        `cfg:"warn_rolls" default:"3" range:"0..1000" doc:"a warning is given when a wrapper roll reaches for fewer rolls than this after the one at hand"`
}

// SlotSpec is one slot of the stand and what hangs in it.
type SlotSpec struct {
	Number int     `cfg:"number" range:"1..6" doc:"number of the slot, 1 to 6"`
	Width  float64 `cfg:"width" unit:"length" range:"100 mm..5 m" doc:"width of the wrapper that hangs there"`
	Paper  string  `cfg:"paper" doc:"its material, by name from papers"`

	Widths []float64 `cfg:"widths" unit:"length" range:"100 mm..5 m" optional:"true" doc:"widths that may be hung there by command; none for those of all slots"`
	Papers []string  `cfg:"papers" optional:"true" doc:"materials that may be hung there by command, by name from papers; none for those of all slots"`

	// What a person told of the slot since: why nothing may be taken from it, Fits
	// where it may, and that no roll has taken from a wrapper that was hung there.
	Unusable  Fit  `cfg:"-"`
	NewlyHung bool `cfg:"-"`
}

// MayHang tells which widths, m, and which materials may be hung in a slot of the
// stand by command.
func (s *StandSpec) MayHang(number int) (widths []float64, papers []string) {
	for i := range s.Slots {
		if s.Slots[i].Number == number {
			widths, papers = slices.Clone(s.Slots[i].Widths), slices.Clone(s.Slots[i].Papers)
		}
	}
	ownWidths, ownPapers := len(widths) > 0, len(papers) > 0
	for i := range s.Slots {
		if !ownWidths {
			widths = append(widths, s.Slots[i].Width)
		}
		if !ownPapers {
			papers = append(papers, s.Slots[i].Paper)
		}
	}
	slices.Sort(widths)
	slices.Sort(papers)
	return slices.Compact(widths), slices.Compact(papers)
}

// Wrap is the feeding of the wrapper.
type Wrap struct {
	CountsPerMetre   float64  `cfg:"counts_per_metre" default:"2000" range:"1..1000000" measure:"feed a counted length of wrapper and measure it with a tape" doc:"encoder counts per metre of wrapper fed"`
	FeedSlip         float64  `cfg:"feed_slip" default:"0" range:"0..0.2" measure:"compare the encoder with a measured length of wrapper on several rolls, see lapgate calibrate" doc:"share of the feed-roll travel that does not become wrapper"`
	FeedSlipMeasured Measured `cfg:"feed_slip_measured" doc:"when and by whom the slip was measured"`
	FeedSlipU        float64  `cfg:"feed_slip_uncertainty" default:"0.002" range:"0..0.1" doc:"standard uncertainty of feed_slip"`
	Speed            float64  `cfg:"speed" unit:"speed" default:"600 mm/s" range:"10 mm/s..5 m/s" doc:"surface speed while wrapping"`
	Accel            float64  `cfg:"acceleration" unit:"acceleration" default:"0.3 m/s2" range:"0.001 m/s2..10 m/s2" doc:"ramp up to the wrap speed"`
	Decel            float64  `cfg:"deceleration" unit:"acceleration" default:"0.3 m/s2" range:"0.001 m/s2..10 m/s2" doc:"ramp down from the wrap speed"`
	Draw             float64  `cfg:"draw" default:"0" range:"-0.05..0.05" doc:"feed surface speed over turning surface speed, less one"`
	Tension          float64  `cfg:"tension" unit:"line_load" default:"50 N/m" range:"0 N/m..5 kN/m" measure:"pull a wrapper off its braked stand with a spring balance" doc:"tension of the wrapper by the brake of its stand, for each metre of its width; it uses up grip of the turning rolls"`
}

// Crimp is the station that folds the overhang over the roll ends.
type Crimp struct {
	Speed     float64 `cfg:"speed" unit:"speed" default:"400 mm/s" range:"10 mm/s..5 m/s" doc:"roll surface speed while crimping"`
	Accel     float64 `cfg:"acceleration" unit:"acceleration" default:"0.25 m/s2" range:"0.001 m/s2..10 m/s2" doc:"ramp up to the crimp speed"`
	Decel     float64 `cfg:"deceleration" unit:"acceleration" default:"0.25 m/s2" range:"0.001 m/s2..10 m/s2" doc:"ramp down from the crimp speed"`
	Engage    float64 `cfg:"engage" unit:"time" default:"1 s" range:"0 s..30 s" doc:"time for the crimpers to reach the roll"`
	Retract   float64 `cfg:"retract" unit:"time" default:"1 s" range:"0 s..30 s" doc:"time for the crimpers to leave the roll"`
	Clearance float64 `cfg:"core_clearance" unit:"length" default:"25 mm" range:"0 mm..500 mm" doc:"the folded overhang stays this far from the core"`
	Blades    int     `cfg:"blades" default:"24" range:"0..500" doc:"blades on a crimper wheel, whose diameter is drives.crimper.diameter; 0 for crimpers without a wheel"`
	Standoff  float64 `cfg:"standoff" unit:"length" default:"0 mm" range:"-200 mm..200 mm" doc:"distance of the crimper tips from the surface of the wrapped roll, negative for a bite"`
	Pressure  float64 `cfg:"pressure" unit:"pressure" default:"6.9 MPa" range:"0 MPa..35 MPa" doc:"hydraulic pressure of the crimpers; 0 for crimpers that have none"`
	Spacing   float64 `cfg:"spacing" unit:"length" default:"300 mm" range:"0 mm..3 m" doc:"least distance of the crimpers of both ends; a warning is given for a shorter roll"`
	Drag      float64 `cfg:"drag" unit:"force" default:"50 N" range:"0 N..10 kN" measure:"compare the drive's torque with and without the crimpers" doc:"drag of the crimpers of both ends on the surface of the roll; it uses up grip of the turning rolls"`
}

// Limits are the interlocked limits of the line, outside which a recipe is
// held. Each is inclusive.
type Limits struct {
	Diameter    Range   `cfg:"diameter" unit:"length" default:"12 in..72 in" doc:"roll diameter"`
	Width       Range   `cfg:"width" unit:"length" default:"6 in..120 in" doc:"roll width"`
	FeedLength  Range   `cfg:"feed_length" unit:"length" default:"1 m..60 m" doc:"wrapper fed for one roll"`
	WrapTime    Range   `cfg:"wrap_time" unit:"time" default:"1 s..300 s" doc:"time to wrap one roll"`
	CrimpTime   Range   `cfg:"crimp_time" unit:"time" default:"1 s..120 s" doc:"time to crimp one roll"`
	CrimpTurns  Range   `cfg:"crimp_turns" default:"0.5..5" doc:"turns of the roll while crimping"`
	Temperature Range   `cfg:"header_temperature" unit:"temperature" default:"80 °C..200 °C" doc:"platen setpoint; never above 200 °C"`
	Dwell       Range   `cfg:"header_dwell" unit:"time" default:"0.5 s..60 s" doc:"press time of the heads"`
	Stuck       float64 `cfg:"header_stuck" unit:"time" default:"30 s" range:"1 s..600 s" doc:"time for which a press may stay closed that does not open: its face is taken to be as hot as the platen"`
	Dose        float64 `cfg:"scorch_dose" unit:"time" default:"120 s" range:"1 s..3600 s" doc:"what the face of a head may suffer, as a time at 180 °C"`
	MinQuality  float64 `cfg:"scan_quality" default:"0.7" range:"0..1" doc:"least quality of a scan"`
	MaxScanAge  float64 `cfg:"scan_age" unit:"time" default:"120 s" range:"5 s..600 s" doc:"greatest age of a scan"`
	MaxOvality  float64 `cfg:"ovality" default:"0.02" range:"0..0.2" doc:"greatest (largest less smallest diameter) over mean diameter"`
	MaxSpread   float64 `cfg:"width_spread" unit:"length" default:"20 mm" range:"0 mm..500 mm" doc:"greatest largest less smallest width sample"`
	Telescope   float64 `cfg:"telescoping" unit:"length" default:"15 mm" range:"0 mm..500 mm" doc:"greatest height of a telescoped end: all that the width samples differ by, taken to be at one end"`
	OrderWidth  float64 `cfg:"order_width" unit:"length" default:"25 mm" range:"0 mm..1 m" doc:"greatest difference between scanned and ordered width"`
	OrderDia    float64 `cfg:"order_diameter" unit:"length" default:"50 mm" range:"0 mm..1 m" doc:"greatest difference between scanned and ordered diameter"`
	PlatenBand  float64 `cfg:"platen_band" unit:"temperature_difference" default:"8 K" range:"0 K..100 K" doc:"difference between platen and its setpoint above which a warning is given"`
	DrawError   float64 `cfg:"draw_error" default:"0.01" range:"0..0.2" doc:"greatest difference between the draw that the feed and turning frequencies make and wrap.draw"`
	FoldLayers  float64 `cfg:"fold_layers" default:"24" range:"1..200" doc:"thicknesses of wrapper on one another at the fold above which a warning is given"`
	CrimperPos  Range   `cfg:"crimper_position" unit:"length" default:"50 mm..1.2 m" doc:"distance of the crimper tips from the axis of the roll"`
	CrimperPres Range   `cfg:"crimper_pressure" unit:"pressure" default:"0.5 MPa..14 MPa" doc:"hydraulic pressure of the crimpers"`
	Stroke      Range   `cfg:"platen_stroke" unit:"length" default:"0 m..2.5 m" doc:"stroke of each platen"`
	Contact     Range   `cfg:"contact_pressure" unit:"pressure" default:"1 kPa..300 kPa" doc:"mean pressure of a platen on its head"`
	Glue        Range   `cfg:"glue_mass" unit:"mass" default:"0 kg..2 kg" doc:"edge glue of one roll"`
	Gross       Range   `cfg:"gross" unit:"mass" default:"10 kg..12000 kg" doc:"predicted gross mass"`
	Centring    float64 `cfg:"centring_offset" unit:"length" default:"200 mm" range:"0 mm..1 m" doc:"greatest offset of the roll centre from the line centre, the centring tolerance included"`
	Permissives uint32  `cfg:"permissives" default:"0x3F" doc:"the permissive bits that must be on"`
	StepWarn    float64 `cfg:"step" default:"0.5" range:"0..10" doc:"relative step from the previous recipe of the same specification above which a warning is given"`
	GuardK      float64 `cfg:"guard_k" default:"2.06" range:"0..5" doc:"k of the guard band: a value passes when value ± k·u is inside its limit"`
}

// Range is a closed interval of a quantity.
type Range struct{ Min, Max float64 }

// Contains reports whether v lies in the interval; NaN never does.
func (r Range) Contains(v float64) bool { return v >= r.Min && v <= r.Max }

// Glue is the edge glue laid on the crimped overhang.
type Glue struct {
	Coverage float64  `cfg:"coverage" unit:"basis_weight" default:"60 g/m2" range:"0 g/m2..1000 g/m2" measure:"weigh what the glue lays down and what is left of it when it is dry" doc:"wet glue per glued area"`
	Solids   float64  `cfg:"solids" default:"0.5" range:"0..1" measure:"weigh what the glue lays down and what is left of it when it is dry" doc:"share of the wet glue that stays when its water is gone"`
	Measured Measured `cfg:"measured" doc:"when and by whom coverage and solids were measured"`
	Band     float64  `cfg:"band" unit:"length" default:"50 mm" range:"0 mm..500 mm" doc:"width of the glued ring under the edge of the outer head"`
}

// Vacuum is the row of vacuum zones that hold the wrapper's leading edge.
type Vacuum struct {
	Edges []float64 `cfg:"edges" unit:"length" doc:"distance of each zone's outer edge from the line centre, inner zone first; a zone is on when the wrapper covers it"`
}

// Heads are the placing of inner and outer heads, and the plugs that hold the
// inner ones in the core.
type Heads struct {
	OuterEdge float64   `cfg:"outer_edge" unit:"length" default:"0 mm" range:"0 mm..200 mm" doc:"an outer head stays this far inside the edge of the roll"`
	InnerEdge float64   `cfg:"inner_edge" unit:"length" default:"0 mm" range:"0 mm..200 mm" doc:"an inner head stays this far inside the edge of the roll"`
	InnerBare float64   `cfg:"inner_bare" unit:"length" default:"100 mm" range:"0 mm..1 m" doc:"a warning is given when an inner head leaves a wider ring bare; 0 for no such warning"`
	Counted   bool      `cfg:"counted" default:"false" doc:"whether heads are counted: lapgate stock tells how many of a size there are, and each roll that is wrapped takes one for each end"`
	Plugs     []float64 `cfg:"plugs" unit:"length" doc:"diameters of the core plugs at hand; none when inner heads are held otherwise"`
	PlugPlay  Range     `cfg:"plug_play" unit:"length" default:"0.5 mm..4 mm" doc:"how much smaller than the bore of the core a plug may be"`
	SizeU     float64   `cfg:"size_uncertainty" unit:"length" default:"0.5 mm" range:"0 mm..50 mm" measure:"measure some heads of one size" doc:"standard uncertainty of the diameter of a head"`
	Placement float64   `cfg:"placement" unit:"length" default:"3 mm" range:"0 mm..100 mm" measure:"measure how far some heads lie off the axis" doc:"half width of the error with which an outer head is placed on the axis of the roll"`
}

// Header is the press of two heated platens.
type Header struct {
	Conductance         float64  `cfg:"conductance" unit:"conductance" default:"150 W/m2K" range:"10 W/m2K..100000 W/m2K" measure:"press a head with a thermocouple at its bond line: one curve gives the conductance early and the effusivity of the backing late, see lapgate calibrate --bond" doc:"contact conductance between platen and head at reference_pressure"`
	ConductanceU        float64  `cfg:"conductance_uncertainty" unit:"conductance" default:"30 %" range:"0 W/m2K..50000 W/m2K" of:"conductance" doc:"standard uncertainty of the conductance; above 30 % every roll with a head is held"`
	ConductanceMeasured Measured `cfg:"conductance_measured" doc:"measurement of the conductance, as with a thermocouple at a bond line"`
	Exponent            float64  `cfg:"pressure_exponent" default:"0.1" range:"0..2" doc:"power with which the conductance follows the contact pressure; 0 for a constant one"`
	Reference           float64  `cfg:"reference_pressure" unit:"pressure" default:"10 kPa" range:"0.1 kPa..1 MPa" doc:"contact pressure on the ring at which conductance was measured"`
	Calibrated          Range    `cfg:"calibrated_pressure" unit:"pressure" default:"2 kPa..100 kPa" doc:"contact pressures over which pressure_exponent was measured; outside them the conductance stays that of the nearer end"`
	Backing             float64  `cfg:"backing_effusivity" unit:"effusivity" default:"550 J/m2K√s" range:"0 J/m2K√s..5000 J/m2K√s" measure:"press a head with a thermocouple at its bond line: one curve gives the conductance early and the effusivity of the backing late, see lapgate calibrate --bond" doc:"thermal effusivity of what lies under the bond line, folded wrapper and roll end: the root of conductivity times density times heat capacity"`
	BackingU            float64  `cfg:"backing_effusivity_uncertainty" unit:"effusivity" default:"15 %" range:"0 J/m2K√s..5000 J/m2K√s" of:"backing_effusivity" doc:"standard uncertainty of backing_effusivity; damp paper is within the default"`
	BackingMeasured     Measured `cfg:"backing_effusivity_measured" doc:"measurement of backing_effusivity"`
	BondResistance      float64  `cfg:"bond_resistance" unit:"thermal_resistance" default:"0 m2K/W" range:"0 m2K/W..0.1 m2K/W" doc:"thermal resistance of the contact at the bond line"`
	Pressure            float64  `cfg:"pressure" unit:"pressure" default:"4 MPa" range:"0 MPa..35 MPa" measure:"read the gauge at the platen cylinders while they press" doc:"hydraulic pressure of the platen cylinders; 0 when the contact pressure is not known"`
	Bore                float64  `cfg:"cylinder_bore" unit:"length" default:"63 mm" range:"10 mm..500 mm" measure:"read it from the cylinder's plate or drawing" doc:"bore of a cylinder"`
	Cylinders           int      `cfg:"cylinders" default:"1" range:"1..8" doc:"cylinders on one platen"`
	Efficiency          float64  `cfg:"cylinder_efficiency" default:"0.9" range:"0.1..1" doc:"share of the force that friction leaves"`
	Platen              float64  `cfg:"platen_diameter" unit:"length" default:"1.9 m" range:"100 mm..3 m" measure:"measure it cold, the press locked out and open, or take it from its drawing" doc:"diameter of a platen"`
	Start               float64  `cfg:"start_temperature" unit:"temperature" default:"20 °C" range:"-20 °C..60 °C" doc:"temperature of head and wrapper before pressing"`
	StartU              float64  `cfg:"start_temperature_uncertainty" unit:"temperature_difference" default:"2 K" range:"0 K..20 K" doc:"standard uncertainty of start_temperature"`
	Allowance           float64  `cfg:"platen_allowance" unit:"temperature_difference" default:"3 K" range:"3 K..50 K" doc:"how much colder than measured a platen is taken to be where it presses"`
	Lead                float64  `cfg:"platen_lead" unit:"time" default:"60 s" range:"0 s..600 s" doc:"time from a request to the press, over which a platen that was seen to fall is taken to fall on"`
	OpenGap             float64  `cfg:"open_gap" unit:"length" default:"300 mm" range:"0 mm..3 m" doc:"distance of an open platen from the end of the widest roll of limits.width"`
}

// Cradle is the pair of turning rolls the roll lies on.
type Cradle struct {
	RollDiameter     float64  `cfg:"roll_diameter" unit:"length" default:"400 mm" range:"50 mm..2 m" measure:"measure the circumference of a turning roll with a tape, the line locked out" doc:"diameter of the turning rolls"`
	Spacing          float64  `cfg:"spacing" unit:"length" default:"600 mm" range:"50 mm..4 m" measure:"measure it between the bearings, the line locked out" doc:"distance of the axes of the turning rolls"`
	Friction         float64  `cfg:"friction" default:"0.3" range:"0.01..1" measure:"raise the acceleration of a wrapped roll on worn and dusty turning rolls until it slips" doc:"coefficient of friction between roll and turning rolls"`
	FrictionMeasured Measured `cfg:"friction_measured" doc:"when and by whom the friction was measured"`
	Safety           float64  `cfg:"slip_safety" default:"2" range:"1..10" doc:"safety factor on the slip limit"`
	Driven           string   `cfg:"driven" one_of:"both,rising,sinking" default:"both" doc:"which turning rolls are driven: both, or the one at which the surface of the roll rises or sinks"`
	MinRatio         float64  `cfg:"least_ratio" default:"0.25" range:"0..5" doc:"width over diameter of a roll below which it is held until a person confirms that it is steadied"`
	MinTip           float64  `cfg:"least_tip_angle" default:"10" range:"0..80" doc:"degrees by which a wrapped roll can lean along its axis before it tips, below which it is held until a person confirms that it is steadied"`
	NeverRatio       float64  `cfg:"never_ratio" default:"0.06" range:"0.06..5" doc:"width over diameter of a roll below which it is held whatever a person confirms"`
	MaxAngle         float64  `cfg:"contact_angle" default:"60" range:"1..80" doc:"greatest angle, in degrees, between the vertical and the line of centres of roll and turning roll; the weight on each contact grows with it"`
}

// Drives are the variable-frequency drives of the line.
type Drives struct {
	Turning Drive `cfg:"turning" doc:"drive of the turning rolls"`
	Feed    Drive `cfg:"feed" doc:"drive of the feed rolls"`
	Crimper Drive `cfg:"crimper" doc:"drive of the crimpers"`
}

// Drive is an induction motor on a frequency converter, its gear and the roll
// that it turns.
type Drive struct {
	Diameter   float64 `cfg:"diameter" unit:"length" default:"400 mm" range:"10 mm..3 m" measure:"measure the circumference of the driven roll with a tape, the line locked out" doc:"diameter of the driven roll"`
	Gear       float64 `cfg:"gear" default:"25" range:"0.1..500" measure:"read it from the plate of the gear, and of a chain or belt count the teeth" doc:"motor turns per turn of the driven roll"`
	Poles      int     `cfg:"poles" default:"4" range:"2..16" measure:"read it from the motor's plate" doc:"number of poles"`
	RatedSpeed float64 `cfg:"rated_speed" unit:"rotation" default:"1750 rpm" range:"100 rpm..10000 rpm" measure:"read it from the motor's plate" doc:"motor speed at rated load"`
	BaseHz     float64 `cfg:"base_frequency" unit:"frequency" default:"60 Hz" range:"10 Hz..400 Hz" measure:"read it from the motor's plate" doc:"frequency of the rated speed"`
	Limits     Range   `cfg:"frequency" unit:"frequency" default:"2 Hz..80 Hz" doc:"frequencies that the drive may run"`
	CoolingHz  float64 `cfg:"cooling_limit" unit:"frequency" default:"6 Hz" range:"0 Hz..60 Hz" doc:"frequency below which a self-cooled motor runs hot"`
	Compensate bool    `cfg:"slip_compensation" default:"false" doc:"whether the converter compensates slip itself"`
}

// Scale weighs the wrapped roll.
type Scale struct {
	Tolerance float64 `cfg:"tolerance" default:"0.015" range:"0.0001..0.2" doc:"relative tolerance on the predicted gross mass"`
}
