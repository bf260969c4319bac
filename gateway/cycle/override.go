package cycle

import (
	"fmt"
	"maps"
	"math"
	"slices"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/check"
)

// Codes of the findings that refuse an override.
const (
	CodeOverrideField recipe.Code = "override-setpoint"
	CodeOverrideGroup recipe.Code = "override-not-in-force"
)

// setpoint is one setpoint that an override may change.
type setpoint struct {
	name  string
	group recipe.Station
	whole bool // takes whole numbers only
	get   func(*recipe.Setpoints) float64
	set   func(*recipe.Setpoints, float64)
}

func real64(name string, g recipe.Station, at func(*recipe.Setpoints) *float64) setpoint {
	return setpoint{name: name, group: g,
		get: func(s *recipe.Setpoints) float64 { return *at(s) },
		set: func(s *recipe.Setpoints, v float64) { *at(s) = v }}
}

// setpoints are in the order of the payload.
var setpoints = [...]setpoint{
	{"wrapper_slot", recipe.GroupStand, true,
		func(s *recipe.Setpoints) float64 { return float64(s.Slot) },
		func(s *recipe.Setpoints, v float64) { s.Slot = int(v) }},
	real64("wrapper_width_m", recipe.GroupStand, func(s *recipe.Setpoints) *float64 { return &s.WrapperWidth }),
	real64("layers", recipe.GroupWrap, func(s *recipe.Setpoints) *float64 { return &s.Layers }),
	real64("feed_length_m", recipe.GroupWrap, func(s *recipe.Setpoints) *float64 { return &s.FeedLength }),
	{"feed_counts", recipe.GroupWrap, true,
		func(s *recipe.Setpoints) float64 { return float64(s.FeedCounts) },
		func(s *recipe.Setpoints, v float64) { s.FeedCounts = int64(v) }},
	real64("overlap_m", recipe.GroupWrap, func(s *recipe.Setpoints) *float64 { return &s.Overlap }),
	real64("wrap_time_s", recipe.GroupWrap, func(s *recipe.Setpoints) *float64 { return &s.WrapTime }),
	real64("wrap_speed_m_s", recipe.GroupWrap, func(s *recipe.Setpoints) *float64 { return &s.WrapSpeed }),
	real64("turning_hz", recipe.GroupDrives, func(s *recipe.Setpoints) *float64 { return &s.TurningHz }),
	real64("feed_hz", recipe.GroupDrives, func(s *recipe.Setpoints) *float64 { return &s.FeedHz }),
	real64("crimp_turns", recipe.GroupCrimp, func(s *recipe.Setpoints) *float64 { return &s.CrimpTurns }),
	real64("crimp_time_s", recipe.GroupCrimp, func(s *recipe.Setpoints) *float64 { return &s.CrimpTime }),
	real64("crimp_turning_hz", recipe.GroupDrives, func(s *recipe.Setpoints) *float64 { return &s.CrimpTurningHz }),
	real64("crimper_hz", recipe.GroupDrives, func(s *recipe.Setpoints) *float64 { return &s.CrimperHz }),
	real64("crimper_pressure_pa", recipe.GroupCrimp, func(s *recipe.Setpoints) *float64 { return &s.CrimperPressure }),
	real64("roll_centre_height_m", recipe.GroupCrimp, func(s *recipe.Setpoints) *float64 { return &s.RollCentreHeight }),
	real64("crimper_position_m", recipe.GroupCrimp, func(s *recipe.Setpoints) *float64 { return &s.CrimperPosition }),
	real64("platen_stroke_m", recipe.GroupHeader, func(s *recipe.Setpoints) *float64 { return &s.PlatenStroke }),
	real64("contact_pressure_pa", recipe.GroupHeader, func(s *recipe.Setpoints) *float64 { return &s.ContactPressure }),
	real64("header_temperature_c", recipe.GroupHeader, func(s *recipe.Setpoints) *float64 { return &s.HeaderTemperature }),
	real64("header_dwell_s", recipe.GroupHeader, func(s *recipe.Setpoints) *float64 { return &s.HeaderDwell }),
	real64("inner_head_m", recipe.GroupHeader, func(s *recipe.Setpoints) *float64 { return &s.InnerHead }),
	real64("outer_head_m", recipe.GroupHeader, func(s *recipe.Setpoints) *float64 { return &s.OuterHead }),
	{"vacuum_zones", recipe.GroupWrap, true,
		func(s *recipe.Setpoints) float64 { return float64(s.VacuumZones) },
		func(s *recipe.Setpoints, v float64) { s.VacuumZones = uint16(v) }},
	real64("glue_mass_kg", recipe.GroupGlue, func(s *recipe.Setpoints) *float64 { return &s.GlueMass }),
	real64("gross_kg", recipe.GroupWeigh, func(s *recipe.Setpoints) *float64 { return &s.Gross }),
	real64("tare_kg", recipe.GroupWeigh, func(s *recipe.Setpoints) *float64 { return &s.Tare }),
	real64("scale_tolerance", recipe.GroupWeigh, func(s *recipe.Setpoints) *float64 { return &s.ScaleTolerance }),
	real64("centring_offset_m", recipe.GroupCentre, func(s *recipe.Setpoints) *float64 { return &s.CentringOffset }),
}

// Overridable returns the names of the setpoints that an override may change,
// in the order of the payload.
func Overridable() []string {
	names := make([]string, len(setpoints))
	for i := range setpoints {
		names[i] = setpoints[i].name
	}
	return names
}

// overridden is an override that is allowed.
type overridden struct {
	by, text  string
	reason    uint16
	operator  uint32
	setpoints recipe.Setpoints
	findings  []recipe.Finding // passed by the override
}

// askOverride keeps a named person's recipe until its roll is offered.
func (m *Machine) askOverride(e OverrideRoll) {
	switch {
	case !m.armed:
		m.refuseOverride(&e, "writing is forbidden; arm the line first")
	case e.By == "" || e.Text == "":
		m.refuseOverride(&e, "an override needs a name and a reason in words")
	case len(e.Changes) == 0:
		m.refuseOverride(&e, "an override changes at least one setpoint")
	case !m.view.seen || m.view.roll != e.Roll || m.view.phase != handshake.Await && m.view.phase != handshake.Held:
		m.refuseOverride(&e, fmt.Sprintf("roll %d does not wait at the station", e.Roll))
	default:
		e.Changes = maps.Clone(e.Changes)
		m.override = &e
		if m.view.phase == handshake.Held {
			m.tell(noteOverrideWaits, Info, "the roll is held; press retry at the controller and the override is offered",
				Field{"roll_no", e.Roll}, Field{"by", e.By})
		}
	}
}

func (m *Machine) refuseOverride(e *OverrideRoll, why string) {
	m.tell(noteOverrideRefused, Warning, fmt.Sprintf("override of roll %d by %s is refused: %s", e.Roll, e.By, why),
		Field{"roll_no", e.Roll}, Field{"by", e.By})
}

// takeOverride applies the override that waits for the roll in view, if there
// is one. It may pass warnings and advisory holds, never an interlock: then
// the roll gets its computed offer, and the record tells what refused it.
func (m *Machine) takeOverride(v *View) *overridden {
	e := m.override
	if e == nil || e.Roll != v.Request.RollNo {
		return nil
	}
	m.override = nil
	recipe.Compute(m.line, &v.Roll, &v.Stand, &m.rec)
	old, refused := m.change(v, e)
	findings := m.check(v)
	for i := range findings {
		if interlocked(&findings[i], m.rec.N) {
			refused = append(refused, findings[i])
		}
	}
	var p handshake.Payload
	refused = append(refused, Fill(&p, &m.rec.Setpoints)...)
	m.journal(record.Override{
		Roll: e.Roll, By: e.By, Reason: e.Reason, Text: e.Text,
		Old: old, New: finiteChanges(e.Changes), Refused: refused,
	})
	if len(refused) > 0 {
		m.tell(noteOverrideRefused, Warning,
			fmt.Sprintf("override of roll %d by %s is refused: %s", e.Roll, e.By, refused[0].Text),
			Field{"roll_no", e.Roll}, Field{"by", e.By}, Field{"findings", refused})
		return nil
	}
	m.tell(noteOverride, Warning, fmt.Sprintf("roll %d gets a recipe by %s: %s", e.Roll, e.By, e.Text),
		Field{"roll_no", e.Roll}, Field{"by", e.By}, Field{"reason", e.Reason})
	return &overridden{by: e.By, text: e.Text, reason: e.Reason, operator: e.Operator,
		setpoints: m.rec.Setpoints, findings: findings}
}

// interlocked reports whether a finding stands against an override too.
// Advisory are the holds on plausibility alone: out of round, spread, order
// against scan. A recipe that lacks a setpoint cannot be offered by anyone.
func interlocked(f *recipe.Finding, problems int) bool {
	if f.Severity != recipe.Hold {
		return false
	}
	return problems > 0 || f.Code == check.RollDuplicate || HoldReason(f.Code) != handshake.HoldImplausible
}

// change writes the changes into m.rec and what follows from them: the width
// of another slot, the overhang, the counts and the time of another length.
func (m *Machine) change(v *View, e *OverrideRoll) (old map[string]float64, refused []recipe.Finding) {
	s := &m.rec.Setpoints
	before := *s
	old = map[string]float64{}
	given := func(name string) bool { _, ok := e.Changes[name]; return ok }
	for _, name := range slices.Sorted(maps.Keys(e.Changes)) {
		if !slices.Contains(Overridable(), name) {
			refused = append(refused, recipe.Finding{Code: CodeOverrideField, Severity: recipe.Hold, Field: name,
				Got: name, Limit: "a setpoint of the payload", Text: name + " is not a setpoint that can be overridden"})
		}
	}
	for i := range setpoints {
		p := &setpoints[i]
		value, ok := e.Changes[p.name]
		if !ok {
			continue
		}
		old[p.name] = finite(p.get(s))
		switch {
		case !s.Groups.Has(p.group):
			refused = append(refused, recipe.Finding{Code: CodeOverrideGroup, Severity: recipe.Hold, Field: p.name,
				Got: fmt.Sprint(value), Limit: "in force", Text: p.name + " is not in force on this line or could not be computed"})
		case value < 0 && p.name != "centring_offset_m", math.IsNaN(value), value > math.MaxUint32,
			p.whole && (value != math.Trunc(value) || value > math.MaxUint16 && p.name != "feed_counts"):
			refused = append(refused, recipe.Finding{Code: CodeOverrideField, Severity: recipe.Hold, Field: p.name,
				Got: fmt.Sprint(value), Limit: "a number that fits", Text: p.name + " must be a number that fits its field"})
		default:
			p.set(s, value)
		}
	}
	if given("wrapper_slot") && !given("wrapper_width_m") {
		for _, slot := range m.line.Stand.Slots {
			if slot.Number == s.Slot {
				s.WrapperWidth = slot.Width
			}
		}
	}
	if s.WrapperWidth != before.WrapperWidth {
		s.Overhang = (s.WrapperWidth - v.Roll.Width) / 2
	}
	if s.FeedLength != before.FeedLength {
		if !given("feed_counts") {
			s.FeedCounts = int64(math.Ceil(s.FeedLength * m.line.Wrap.CountsPerMetre))
		}
		if !given("wrap_time_s") && s.WrapSpeed > 0 {
			s.WrapTime += (s.FeedLength - before.FeedLength) / s.WrapSpeed
		}
	}
	return old, refused
}

func finiteChanges(c map[string]float64) map[string]float64 {
	out := make(map[string]float64, len(c))
	for name, v := range c {
		out[name] = finite(v)
	}
	return out
}
