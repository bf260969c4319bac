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

// Overridable returns the names of the setpoints that an override may change,
// in the order of the payload.
func Overridable() []string {
	names := make([]string, len(sentSetpoints))
	for i := range sentSetpoints {
		names[i] = sentSetpoints[i].Name
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
	for i := range sentSetpoints {
		p := &sentSetpoints[i]
		value, ok := e.Changes[p.Name]
		if !ok {
			continue
		}
		old[p.Name] = finite(p.Get(s))
		_, fits := p.field.Nearest(value)
		switch {
		case !p.Taken(s):
			refused = append(refused, recipe.Finding{Code: CodeOverrideGroup, Severity: recipe.Hold, Field: p.Name,
				Got: fmt.Sprint(value), Limit: "in force", Text: p.Name + " is not in force on this line or could not be computed"})
		case !fits, p.Form != recipe.Number && value != math.Trunc(value):
			refused = append(refused, recipe.Finding{Code: CodeOverrideField, Severity: recipe.Hold, Field: p.Name,
				Got: fmt.Sprint(value), Limit: "a number that fits", Text: p.Name + " must be a number that fits its field"})
		default:
			p.Set(s, value)
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
		if s.WrapSpeed > 0 {
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
