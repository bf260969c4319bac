package recipe

import (
	"math"
	"slices"
	"strconv"
	"strings"

	"lapgate/recipe/quantity"
	"lapgate/recipe/wording"
)

// Setpoint is one row of the table of setpoints: all that is to be known of a
// setpoint but how it is computed and where it stands in a payload. Text,
// JSON, checks, overrides, replay and the controller's program read it here.
type Setpoint struct {
	Name      string // in JSON, findings and overrides, with its SI unit (temperatures in °C)
	Label     string // for people
	Group     Station
	Dimension quantity.Dimension // of its value; None for numbers and bits
	Form      Form
	// ZeroIsNone is set where a value of zero means that there is none of
	// what the setpoint is about: no such head, drive or pressure.
	ZeroIsNone bool
	// Derived is set where the value follows from the others. People and
	// checks read it, the controller is not sent it.
	Derived bool
	Limit   Limit

	at  func(*Setpoints) *float64 // of a number
	get func(*Setpoints) float64  // of anything else
	set func(*Setpoints, float64)
	u   func(*Uncertainty) float64 // nil for a setpoint without one

	// The station tells the operator what to do where it is worked by hand.
	// The sentence may speak of other setpoints too; work is its place in the
	// order of the work.
	mode     func(*Equipment) Mode
	work     int
	instruct func(*instructor) wording.Said
}

// Form is what kind of number a setpoint is.
type Form uint8

// The forms.
const (
	Number Form = iota
	Whole       // a whole number
	Bits        // a set of bits, bit 0 for number 1
)

// Limit is the configured limit that bounds a setpoint; Of is nil where none
// does.
type Limit struct {
	Key string // below the line
	Of  func(*Line) Range
}

// Ungrouped is the group of a setpoint that belongs to no group of the
// payload: it is in force whenever it is not zero.
const Ungrouped Station = math.MaxUint8

// setpoints is the table, in the order in which setpoints are shown.
var setpoints = labelled([]Setpoint{
	{Name: "wrapper_slot", Group: GroupStand, Form: Whole,
		get:  func(s *Setpoints) float64 { return float64(s.Slot) },
		set:  func(s *Setpoints, v float64) { s.Slot = int(v) },
		mode: func(e *Equipment) Mode { return e.Stand }, work: 3, instruct: (*instructor).slot},
	{Name: "wrapper_width_m", Group: GroupStand, Dimension: quantity.Length,
		at: func(s *Setpoints) *float64 { return &s.WrapperWidth }},
	{Name: "overhang_m", Group: GroupStand, Dimension: quantity.Length, Derived: true,
		at: func(s *Setpoints) *float64 { return &s.Overhang },
		u:  func(u *Uncertainty) float64 { return u.Overhang }},
	{Name: "layers", Group: GroupWrap,
		at: func(s *Setpoints) *float64 { return &s.Layers }},
	{Name: "feed_length_m", Group: GroupWrap, Dimension: quantity.Length,
		Limit: Limit{"limits.feed_length", func(l *Line) Range { return l.Limits.FeedLength }},
		at:    func(s *Setpoints) *float64 { return &s.FeedLength },
		u:     func(u *Uncertainty) float64 { return u.FeedLength },
		mode:  func(e *Equipment) Mode { return e.Wrap }, work: 6, instruct: (*instructor).wrap},
	{Name: "feed_counts", Group: GroupWrap, Form: Whole,
		get: func(s *Setpoints) float64 { return float64(s.FeedCounts) },
		set: func(s *Setpoints, v float64) { s.FeedCounts = int64(v) }},
	{Name: "overlap_m", Group: GroupWrap, Dimension: quantity.Length,
		at: func(s *Setpoints) *float64 { return &s.Overlap }},
	{Name: "wrap_time_s", Group: GroupWrap, Dimension: quantity.Time, Derived: true,
		Limit: Limit{"limits.wrap_time", func(l *Line) Range { return l.Limits.WrapTime }},
		at:    func(s *Setpoints) *float64 { return &s.WrapTime }},
	{Name: "wrap_speed_m_s", Group: GroupWrap, Dimension: quantity.Speed,
		at: func(s *Setpoints) *float64 { return &s.WrapSpeed }},
	{Name: "turning_hz", Group: GroupDrives, Dimension: quantity.Frequency, ZeroIsNone: true,
		Limit: Limit{"drives.turning.frequency", func(l *Line) Range { return l.Drives.Turning.Limits }},
		at:    func(s *Setpoints) *float64 { return &s.TurningHz },
		mode:  func(e *Equipment) Mode { return e.Drives }, work: 4, instruct: (*instructor).wrapDrives},
	{Name: "feed_hz", Group: GroupDrives, Dimension: quantity.Frequency, ZeroIsNone: true,
		Limit: Limit{"drives.feed.frequency", func(l *Line) Range { return l.Drives.Feed.Limits }},
		at:    func(s *Setpoints) *float64 { return &s.FeedHz }},
	{Name: "crimp_turns", Group: GroupCrimp,
		Limit: Limit{"limits.crimp_turns", func(l *Line) Range { return l.Limits.CrimpTurns }},
		at:    func(s *Setpoints) *float64 { return &s.CrimpTurns },
		mode:  func(e *Equipment) Mode { return e.Crimp }, work: 8, instruct: (*instructor).crimp},
	{Name: "crimp_time_s", Group: GroupCrimp, Dimension: quantity.Time,
		Limit: Limit{"limits.crimp_time", func(l *Line) Range { return l.Limits.CrimpTime }},
		at:    func(s *Setpoints) *float64 { return &s.CrimpTime },
		u:     func(u *Uncertainty) float64 { return u.CrimpTime }},
	{Name: "crimp_turning_hz", Group: GroupDrives, Dimension: quantity.Frequency, ZeroIsNone: true,
		Limit: Limit{"drives.turning.frequency", func(l *Line) Range { return l.Drives.Turning.Limits }},
		at:    func(s *Setpoints) *float64 { return &s.CrimpTurningHz },
		mode:  func(e *Equipment) Mode { return e.Drives }, work: 7, instruct: (*instructor).crimpDrives},
	{Name: "crimper_hz", Group: GroupDrives, Dimension: quantity.Frequency, ZeroIsNone: true,
		Limit: Limit{"drives.crimper.frequency", func(l *Line) Range { return l.Drives.Crimper.Limits }},
		at:    func(s *Setpoints) *float64 { return &s.CrimperHz }},
	{Name: "crimper_position_m", Group: GroupCrimp, Dimension: quantity.Length,
		Limit: Limit{"limits.crimper_position", func(l *Line) Range { return l.Limits.CrimperPos }},
		at:    func(s *Setpoints) *float64 { return &s.CrimperPosition }},
	{Name: "crimper_pressure_pa", Group: GroupCrimp, Dimension: quantity.Pressure, ZeroIsNone: true,
		Limit: Limit{"limits.crimper_pressure", func(l *Line) Range { return l.Limits.CrimperPres }},
		at:    func(s *Setpoints) *float64 { return &s.CrimperPressure }},
	{Name: "roll_centre_height_m", Group: GroupCrimp, Dimension: quantity.Length,
		at: func(s *Setpoints) *float64 { return &s.RollCentreHeight },
		u:  func(u *Uncertainty) float64 { return u.CentreHeight }},
	{Name: "platen_stroke_m", Group: GroupHeader, Dimension: quantity.Length,
		Limit: Limit{"limits.platen_stroke", func(l *Line) Range { return l.Limits.Stroke }},
		at:    func(s *Setpoints) *float64 { return &s.PlatenStroke }},
	{Name: "contact_pressure_pa", Group: GroupHeader, Dimension: quantity.Pressure, ZeroIsNone: true,
		Limit: Limit{"limits.contact_pressure", func(l *Line) Range { return l.Limits.Contact }},
		at:    func(s *Setpoints) *float64 { return &s.ContactPressure }},
	{Name: "inner_head_m", Group: Ungrouped, Dimension: quantity.Length, ZeroIsNone: true,
		at:   func(s *Setpoints) *float64 { return &s.InnerHead },
		mode: func(e *Equipment) Mode { return e.Heads }, work: 2, instruct: (*instructor).innerHeads},
	{Name: "outer_head_m", Group: Ungrouped, Dimension: quantity.Length, ZeroIsNone: true,
		at:   func(s *Setpoints) *float64 { return &s.OuterHead },
		mode: func(e *Equipment) Mode { return e.Heads }, work: 10, instruct: (*instructor).outerHeads},
	{Name: "header_temperature_c", Group: GroupHeader, Dimension: quantity.Temperature,
		Limit: Limit{"limits.header_temperature", func(l *Line) Range { return l.Limits.Temperature }},
		at:    func(s *Setpoints) *float64 { return &s.HeaderTemperature },
		mode:  func(e *Equipment) Mode { return e.Header }, work: 11, instruct: (*instructor).press},
	{Name: "header_dwell_s", Group: GroupHeader, Dimension: quantity.Time,
		Limit: Limit{"limits.header_dwell", func(l *Line) Range { return l.Limits.Dwell }},
		at:    func(s *Setpoints) *float64 { return &s.HeaderDwell },
		u:     func(u *Uncertainty) float64 { return u.Dwell }},
	{Name: "header_dwell_nominal_s", Group: GroupHeader, Dimension: quantity.Time, Derived: true,
		at: func(s *Setpoints) *float64 { return &s.HeaderDwellNominal }},
	{Name: "header_dwell_fast_s", Group: GroupHeader, Dimension: quantity.Time, Derived: true,
		at: func(s *Setpoints) *float64 { return &s.HeaderDwellFast }},
	{Name: "header_close_min_c", Group: GroupHeader, Dimension: quantity.Temperature, ZeroIsNone: true,
		at: func(s *Setpoints) *float64 { return &s.CloseMin }},
	{Name: "header_close_max_c", Group: GroupHeader, Dimension: quantity.Temperature, ZeroIsNone: true,
		at: func(s *Setpoints) *float64 { return &s.CloseMax }},
	{Name: "glue_mass_kg", Group: GroupGlue, Dimension: quantity.Mass,
		Limit: Limit{"limits.glue_mass", func(l *Line) Range { return l.Limits.Glue }},
		at:    func(s *Setpoints) *float64 { return &s.GlueMass },
		mode:  func(e *Equipment) Mode { return e.Glue }, work: 9, instruct: (*instructor).glue},
	{Name: "vacuum_zones", Group: GroupWrap, Form: Bits, ZeroIsNone: true,
		get:  func(s *Setpoints) float64 { return float64(s.VacuumZones) },
		set:  func(s *Setpoints, v float64) { s.VacuumZones = uint16(v) },
		mode: func(e *Equipment) Mode { return e.Vacuum }, work: 5, instruct: (*instructor).zones},
	{Name: "tare_kg", Group: GroupWeigh, Dimension: quantity.Mass,
		at: func(s *Setpoints) *float64 { return &s.Tare }},
	{Name: "gross_kg", Group: GroupWeigh, Dimension: quantity.Mass,
		Limit: Limit{"limits.gross", func(l *Line) Range { return l.Limits.Gross }},
		at:    func(s *Setpoints) *float64 { return &s.Gross },
		u:     func(u *Uncertainty) float64 { return u.Gross },
		mode:  func(e *Equipment) Mode { return e.Scale }, work: 12, instruct: (*instructor).scale},
	{Name: "scale_tolerance", Group: GroupWeigh,
		at: func(s *Setpoints) *float64 { return &s.ScaleTolerance }},
	{Name: "centring_offset_m", Group: GroupCentre, Dimension: quantity.Length,
		Limit: Limit{"limits.centring_offset", func(l *Line) Range { return Range{-l.Limits.Centring, l.Limits.Centring} }},
		at:    func(s *Setpoints) *float64 { return &s.CentringOffset },
		mode:  func(e *Equipment) Mode { return e.Centring }, work: 1, instruct: (*instructor).centring},
})

// labelled gives each row its label.
func labelled(rows []Setpoint) []Setpoint {
	for i := range rows {
		rows[i].Label = rows[i].Said().String()
	}
	return rows
}

// Said is the label in words of the table.
func (p *Setpoint) Said() wording.Said {
	return wording.Say("setpoint." + strings.ReplaceAll(p.Name, "_", "-"))
}

// AllSetpoints is the table of setpoints in the order in which they are shown.
func AllSetpoints() []Setpoint { return slices.Clone(setpoints) }

// FindSetpoint is the row of a name, nil when there is none.
func FindSetpoint(name string) *Setpoint {
	for i := range setpoints {
		if setpoints[i].Name == name {
			return &setpoints[i]
		}
	}
	return nil
}

// SetpointOf is the row of a name that the program itself holds. It panics
// when there is none.
func SetpointOf(name string) *Setpoint {
	if p := FindSetpoint(name); p != nil {
		return p
	}
	panic("recipe: no setpoint is named " + name)
}

// Word is the name without its unit, as people write it beside a quantity that
// has one: header_dwell='12 s'.
func (p *Setpoint) Word() string { return strings.TrimSuffix(p.Name, quantity.Suffix(p.Dimension)) }

// Get is the value of the setpoint.
func (p *Setpoint) Get(s *Setpoints) float64 {
	if p.at != nil {
		return *p.at(s)
	}
	return p.get(s)
}

// Set gives the setpoint a value; the part of a whole number is dropped.
func (p *Setpoint) Set(s *Setpoints, v float64) {
	if p.at != nil {
		*p.at(s) = v
		return
	}
	p.set(s, v)
}

// HasU reports whether the setpoint has a standard uncertainty.
func (p *Setpoint) HasU() bool { return p.u != nil }

// U is the standard uncertainty of the setpoint, 0 for one without.
func (p *Setpoint) U(r *Recipe) float64 {
	if p.u == nil {
		return 0
	}
	return p.u(&r.Uncertainty)
}

// Taken reports whether the line takes the setpoint: its group is in force,
// or it is not zero where it has none.
func (p *Setpoint) Taken(s *Setpoints) bool {
	if p.Group == Ungrouped {
		return p.Get(s) != 0
	}
	return s.Groups.Has(p.Group)
}

// InForce reports whether the setpoint is taken and says something.
func (p *Setpoint) InForce(s *Setpoints) bool {
	return p.Taken(s) && !(p.ZeroIsNone && p.Get(s) == 0)
}

// Write gives a value of the setpoint as people read it on a line.
func (p *Setpoint) Write(line *Line, v float64) string {
	switch {
	case p.Form == Bits:
		return zoneList(uint16(v))
	case p.Form == Whole:
		return strconv.FormatFloat(v, 'f', 0, 64)
	case p.Dimension == quantity.None:
		return strconv.FormatFloat(v, 'g', 6, 64)
	}
	return line.Write(v, p.Dimension)
}

// Value is a setpoint with its value, or with its standard uncertainty.
type Value struct {
	*Setpoint
	Value float64
}

// Text is the value as people read it on a line.
func (v *Value) Text(line *Line) string { return v.Write(line, v.Value) }

// Values are setpoints with their values, in the order of the table.
type Values []Value

// Of is the value of a name; ok is false where it is not among the values.
func (list Values) Of(name string) (v Value, ok bool) {
	for _, v := range list {
		if v.Name == name {
			return v, true
		}
	}
	return Value{}, false
}

// InForce are the setpoints in force with their values.
func (s *Setpoints) InForce() Values {
	var out Values
	for i := range setpoints {
		if p := &setpoints[i]; p.InForce(s) {
			out = append(out, Value{p, p.Get(s)})
		}
	}
	return out
}

// Uncertainties are the standard uncertainties of the setpoints in force that
// have one.
func (r *Recipe) Uncertainties() Values {
	var out Values
	for i := range setpoints {
		if p := &setpoints[i]; p.HasU() && p.InForce(&r.Setpoints) {
			out = append(out, Value{p, p.U(r)})
		}
	}
	return out
}
