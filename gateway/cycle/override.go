package cycle

import (
	"fmt"
	"maps"
	"math"
	"slices"

	"lapgate/recipe"
	"lapgate/recipe/check"
	"lapgate/recipe/wording"
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

// stands reports whether a finding holds the roll against an override too. A
// recipe that lacks a setpoint cannot be offered by anyone.
func (c *deciding) stands(f *recipe.Finding) bool {
	return f.Severity == recipe.Hold && (c.rec.N > 0 || !check.Overridable(f.Code))
}

// change puts other values into the recipe at hand, and what follows from
// them: the width of another slot, the overhang, the counts and the time of
// another length.
func (c *deciding) change(changes map[string]float64) (old map[string]float64, refused []recipe.Finding) {
	s := &c.rec.Setpoints
	before := *s
	old = map[string]float64{}
	given := func(name string) bool { _, ok := changes[name]; return ok }
	for _, name := range slices.Sorted(maps.Keys(changes)) {
		if !slices.Contains(Overridable(), name) {
			refused = append(refused, recipe.Finding{Code: CodeOverrideField, Severity: recipe.Hold, Field: name,
				Got: name, Limit: "a setpoint of the payload"}.Saying(wording.Say("finding.override-setpoint.none", "setpoint", name)))
		}
	}
	for i := range sentSetpoints {
		p := &sentSetpoints[i]
		value, ok := changes[p.Name]
		if !ok {
			continue
		}
		old[p.Name] = finite(p.Get(s))
		_, fits := p.Field.Nearest(value)
		switch {
		case !p.Taken(s):
			refused = append(refused, recipe.Finding{Code: CodeOverrideGroup, Severity: recipe.Hold, Field: p.Name,
				Got: fmt.Sprint(value), Limit: "in force"}.Saying(wording.Say("finding.override-not-in-force", "setpoint", p.Name)))
		case !fits, p.Form != recipe.Number && value != math.Trunc(value):
			refused = append(refused, recipe.Finding{Code: CodeOverrideField, Severity: recipe.Hold, Field: p.Name,
				Got: fmt.Sprint(value), Limit: "a number that fits"}.Saying(wording.Say("finding.override-setpoint", "setpoint", p.Name)))
		default:
			p.Set(s, value)
		}
	}
	if given("wrapper_slot") && !given("wrapper_width_m") {
		for _, slot := range c.line.Stand.Slots {
			if slot.Number == s.Slot {
				s.WrapperWidth = slot.Width
			}
		}
	}
	if s.WrapperWidth != before.WrapperWidth {
		s.Overhang = (s.WrapperWidth - c.roll.Width) / 2
	}
	if s.FeedLength != before.FeedLength {
		if !given("feed_counts") {
			s.FeedCounts = int64(math.Ceil(s.FeedLength * c.line.Wrap.CountsPerMetre))
		}
		if s.WrapSpeed > 0 {
			s.WrapTime += (s.FeedLength - before.FeedLength) / s.WrapSpeed
		}
	}
	return old, refused
}
