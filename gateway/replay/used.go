package replay

import (
	"fmt"
	"math"
	"slices"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
)

// Tolerance is how far what the controller used may be from our setpoint: the
// greater of Abs, in SI, and Rel of our setpoint. Scale
// takes our own tolerance of the weighing instead.
type Tolerance struct {
	Abs   float64 `json:"amount,omitempty"`
	Rel   float64 `json:"share,omitempty"`
	Scale bool    `json:"of_the_recipe,omitempty"`
}

// Usage is one setpoint that an outcome reports as used.
type Usage struct {
	Field     Field
	Tolerance Tolerance

	used handshake.FieldInfo // of the outcome
}

// Usages are the setpoints that an outcome reports, with the tolerances that
// hold where nobody gives others. They are judgement (J): about what a
// controller's own rounding and ramps make, and what nobody sees on a roll.
func Usages() []Usage {
	list := []struct {
		ours, used string
		tolerance  Tolerance
	}{
		{"wrapper_slot", "used_slot", Tolerance{}},
		{"feed_length_m", "used_feed_length", Tolerance{Rel: 0.02}},
		{"layers", "used_layers", Tolerance{Abs: 0.1}},
		{"overlap_m", "used_overlap", Tolerance{Abs: 0.025}},
		{"crimp_time_s", "used_crimp_time", Tolerance{Abs: 0.5}},
		{"header_temperature_c", "used_header_temperature", Tolerance{Abs: 5}},
		{"header_dwell_s", "used_header_dwell", Tolerance{Abs: 0.5}},
		{"outer_head_m", "used_outer_head", Tolerance{}},
		{"gross_kg", "scale_reading", Tolerance{Scale: true}},
	}
	fields := Fields()
	var out []Usage
	for _, l := range list {
		f := slices.IndexFunc(fields, func(f Field) bool { return f.Name == l.ours })
		out = append(out, Usage{Field: fields[f], Tolerance: l.tolerance, used: handshake.FieldOf(handshake.OUT, l.used)})
	}
	return out
}

// Reading is one setpoint of ours beside what was used.
type Reading struct {
	Ours, Used float64 // in SI
	// Compared is whether both are there. An outcome has 0 for what the
	// controller does not report.
	Compared bool
	Reported bool // used is there
	Allowed  float64
}

// Difference is used less ours.
func (r *Reading) Difference() float64 { return r.Used - r.Ours }

// Exceeds reports whether the difference is over the tolerance. Wire numbers
// are decimal; the last place of their binary form does not count.
func (r *Reading) Exceeds() bool {
	return r.Compared && math.Abs(r.Difference()) > r.Allowed+1e-9*math.Max(1, math.Abs(r.Ours))
}

// Times is the difference in multiples of the tolerance, infinite for any
// difference where none is allowed.
func (r *Reading) Times() float64 {
	switch d := math.Abs(r.Difference()); {
	case !r.Compared || d == 0:
		return 0
	case r.Allowed == 0:
		return math.Inf(1)
	default:
		return d / r.Allowed
	}
}

// Wrap is a roll that the line wrapped, beside our recipe for it.
type Wrap struct {
	Roll     uint32
	Tag      string
	At       time.Time
	Outcome  handshake.OutcomeKind
	Shadow   bool             // our recipe was computed in shadow
	Held     bool             // we would have held the roll, so there is no recipe
	Findings []recipe.Finding // of ours, when held
	Readings []Reading        // in the order of the usages; nil when held
}

// Exceeds reports whether the roll was wrapped otherwise than we say: a
// setpoint is out of tolerance, or we would not have wrapped it.
func (w *Wrap) Exceeds() bool {
	return w.Held || slices.ContainsFunc(w.Readings, func(r Reading) bool { return r.Exceeds() })
}

// Worst is the greatest difference in multiples of its tolerance.
func (w *Wrap) Worst() float64 {
	worst := 0.0
	for i := range w.Readings {
		worst = math.Max(worst, w.Readings[i].Times())
	}
	return worst
}

// Verdict is go or hold: ours.
func (w *Wrap) Verdict() string { return (&Side{Held: w.Held}).Verdict() }

// Coverage counts what became of the rolls of a journal.
type Coverage struct {
	Outcomes   int `json:"outcomes"`
	Wrapped    int `json:"wrapped"`          // by the line or by hand
	NotWrapped int `json:"not_wrapped"`      // removed, aborted, lost
	NoRecipe   int `json:"without_a_recipe"` // wrapped, but nothing of ours for the last request
	NoOutcome  int `json:"recipes_without_an_outcome"`
}

// Take counts a roll, and adds a wrap when it was wrapped and its last request
// had a recipe of ours. An error means a recorded payload that cannot be read.
func (c *Comparison) Take(roll *record.Roll) error {
	if roll.Outcome == nil {
		if ours(roll, nil) != nil {
			c.Coverage.NoOutcome++
		}
		return nil
	}
	o := &roll.Outcome.Outcome
	c.Coverage.Outcomes++
	if o.Outcome != handshake.Wrapped && o.Outcome != handshake.WrappedByHand {
		c.Coverage.NotWrapped++
		return nil
	}
	c.Coverage.Wrapped++
	found := ours(roll, &handshake.Token{Boot: o.Boot, Req: o.Req})
	if found == nil {
		c.Coverage.NoRecipe++
		return nil
	}
	w, err := c.pair(roll, found)
	if err != nil {
		return fmt.Errorf("roll %d: %w", roll.Number, err)
	}
	c.Wraps = append(c.Wraps, w)
	return nil
}

// ours returns the newest round of a roll that had a recipe or a hold of
// ours, for a request or, without one, for any.
func ours(roll *record.Roll, token *handshake.Token) *record.Round {
	for i := len(roll.Rounds) - 1; i >= 0; i-- {
		r := &roll.Rounds[i]
		if _, _, ok := r.Decided(); ok && (token == nil || r.Request.Token == *token) {
			return r
		}
	}
	return nil
}

// pair puts a wrapped roll beside what we decided in a round.
func (c *Comparison) pair(roll *record.Roll, r *record.Round) (Wrap, error) {
	decided, err := caseOf(r)
	if err != nil {
		return Wrap{}, err
	}
	o, side := &roll.Outcome.Outcome, decided.Recorded
	w := Wrap{Roll: o.RollNo, Tag: roll.Tag, At: roll.OutcomeAt.At, Outcome: o.Outcome, Shadow: r.Offer == nil, Held: side.Held}
	if w.Held {
		w.Findings = side.Findings
		return w, nil
	}
	var payload handshake.Payload
	if err := handshake.DecodeStoredPayload(side.Words, &payload); err != nil {
		return Wrap{}, err
	}
	words := make([]uint16, handshake.OutWords)
	if err := o.Encode(words); err != nil {
		return Wrap{}, err
	}
	recorded := sideOf(side.Words, &c.groups)
	for i := range c.Usages {
		u := &c.Usages[i]
		v := u.Field.value(recorded)
		raw := u.used.Number(words)
		reading := Reading{
			Ours: u.Field.wire.SI(v.Raw), Used: u.used.SI(raw),
			Reported: raw != 0, Compared: raw != 0 && v.InForce && v.Raw != 0,
		}
		reading.Allowed = max(u.Tolerance.Abs, u.Tolerance.Rel*math.Abs(reading.Ours))
		if u.Tolerance.Scale {
			sent := record.SetpointsOf(&payload)
			reading.Allowed = sent.ScaleTolerance * reading.Ours
		}
		w.Readings = append(w.Readings, reading)
	}
	return w, nil
}
