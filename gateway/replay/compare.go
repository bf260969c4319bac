package replay

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"lapgate/gateway/handshake"
	"lapgate/recipe"
	"lapgate/recipe/quantity"
	"lapgate/recipe/stat"
)

// Comparison is what a journal tells of our recipes beside what the controller
// used.
type Comparison struct {
	Usages   []Usage
	Wraps    []Wrap // in the order of the journal
	Coverage Coverage

	groups handshake.FieldInfo
}

// NewComparison begins a comparison of the setpoints that an outcome reports.
func NewComparison(usages []Usage) *Comparison {
	return &Comparison{Usages: usages, groups: groupsField()}
}

// Counts returns the rolls that we would have held, and those compared that
// differ by more than a tolerance.
func (c *Comparison) Counts() (held, exceeding int) {
	for i := range c.Wraps {
		switch w := &c.Wraps[i]; {
		case w.Held:
			held++
		case w.Exceeds():
			exceeding++
		}
	}
	return held, exceeding
}

// SetpointUse is how far one setpoint as used is from ours, over all rolls.
// Mean, SD and Worst are of used less ours.
type SetpointUse struct {
	*Usage
	Compared    int
	NotReported int
	Exceeding   int
	Mean        *float64
	SD          *float64 // of the sample; from two rolls on
	Worst       *float64
	WorstRoll   string
}

// Setpoints returns how each setpoint was used, in the order of the usages.
func (c *Comparison) Setpoints() []SetpointUse {
	out := make([]SetpointUse, len(c.Usages))
	for i := range c.Usages {
		out[i] = c.setpoint(i)
	}
	return out
}

func (c *Comparison) setpoint(i int) SetpointUse {
	use := SetpointUse{Usage: &c.Usages[i]}
	var diffs []float64
	for k := range c.Wraps {
		w := &c.Wraps[k]
		if w.Held {
			continue
		}
		r := &w.Readings[i]
		if !r.Compared {
			if !r.Reported && r.Ours != 0 {
				use.NotReported++
			}
			continue
		}
		d := r.Difference()
		diffs = append(diffs, d)
		if r.Exceeds() {
			use.Exceeding++
		}
		if d != 0 && (use.Worst == nil || math.Abs(d) > math.Abs(*use.Worst)) {
			use.Worst, use.WorstRoll = &d, w.Name()
		}
	}
	use.Compared = len(diffs)
	if use.Field.Form != recipe.Number { // a number without more or less
		use.Worst, use.WorstRoll = nil, ""
		return use
	}
	if len(diffs) > 0 {
		mean, sd := stat.MeanSD(diffs)
		use.Mean = &mean
		if len(diffs) > 1 {
			use.SD = &sd
		}
	}
	return use
}

// Name names the roll for people.
func (w *Wrap) Name() string { return fmt.Sprintf("%d %s", w.Roll, w.Tag) }

// Mode is shadow for a recipe computed in shadow, else offered.
func (w *Wrap) Mode() string {
	if w.Shadow {
		return "shadow"
	}
	return "offered"
}

// Differing lists the rolls compared that differ most, in multiples of their
// tolerances.
func (c *Comparison) Differing(most int) []*Wrap {
	var out []*Wrap
	for i := range c.Wraps {
		if w := &c.Wraps[i]; w.Worst() > 0 {
			out = append(out, w)
		}
	}
	slices.SortStableFunc(out, func(a, b *Wrap) int { return cmp.Compare(b.Worst(), a.Worst()) })
	return out[:min(most, len(out))]
}

// Held lists the first rolls that were wrapped though we would have held them.
func (c *Comparison) Held(most int) []*Wrap {
	var out []*Wrap
	for i := range c.Wraps {
		if w := &c.Wraps[i]; w.Held && len(out) < most {
			out = append(out, w)
		}
	}
	return out
}

// Describe tells what differs at a roll, in the units of a line.
func (c *Comparison) Describe(w *Wrap, line *recipe.Line) string {
	if w.Held {
		var codes []string
		for _, f := range w.Findings {
			if f.Severity == recipe.Hold {
				codes = append(codes, string(f.Code))
			}
		}
		return strings.Join(codes, ", ")
	}
	var parts []string
	for i := range w.Readings {
		r, f := &w.Readings[i], &c.Usages[i].Field
		if r.Times() == 0 {
			continue
		}
		text := fmt.Sprintf("%s %s, used %s", f.Label, f.Write(line, r.Ours), f.Write(line, r.Used))
		if r.Exceeds() {
			text += " (exceeds)"
		}
		parts = append(parts, text)
	}
	return strings.Join(parts, "; ")
}

// UsageNames lists the setpoints compared as SetTolerance reads them.
func UsageNames() string {
	var names []string
	for _, u := range Usages() {
		names = append(names, u.Field.Word())
	}
	return strings.Join(names, ", ")
}

// SetTolerance reads name=amount or name=share% into the usage of that name.
func SetTolerance(usages []Usage, text string) error {
	name, value, ok := strings.Cut(text, "=")
	name, value = strings.TrimSpace(name), strings.TrimSpace(value)
	if !ok {
		return fmt.Errorf("got %q, want a setpoint and an amount, as feed_length=2%%", text)
	}
	i := slices.IndexFunc(usages, func(u Usage) bool { return u.Field.Name == name || u.Field.Word() == name })
	if i < 0 {
		return fmt.Errorf("no setpoint compared is named %q; want one of %s", name, UsageNames())
	}
	u := &usages[i]
	if share, ok := strings.CutSuffix(value, "%"); ok {
		v, err := strconv.ParseFloat(strings.TrimSpace(share), 64)
		if err != nil || !(v >= 0 && v <= 100) {
			return fmt.Errorf("%s: got %q, want 0 to 100 %%", name, value)
		}
		u.Tolerance = Tolerance{Rel: v / 100}
		return nil
	}
	v, err := amountOf(value, u.Field.Dimension)
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	if v < 0 {
		return fmt.Errorf("%s: got %q, want 0 or more", name, value)
	}
	u.Tolerance = Tolerance{Abs: v}
	return nil
}

// amountOf reads a difference: 9 °F is 5 K, not −13 °C.
func amountOf(text string, dim quantity.Dimension) (float64, error) {
	if dim == quantity.Temperature {
		dim = quantity.TemperatureDifference
	}
	return quantity.Parse(text, dim)
}
