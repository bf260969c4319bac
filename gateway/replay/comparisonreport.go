package replay

import (
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/present"
	"lapgate/recipe"
	"lapgate/recipe/quantity"
)

// ComparisonReport is what compare prints.
type ComparisonReport struct {
	Journal   string         `json:"journal"`
	Coverage  Coverage       `json:"coverage"`
	Compared  int            `json:"compared"`
	Held      int            `json:"wrapped_though_ours_holds" label:"wrapped though we would have held them"`
	Exceeding int            `json:"exceeding" label:"rolls that differ by more than a tolerance"`
	Setpoints *present.Table `json:"setpoints" label:"used less ours"`
	Differing []WrapShown    `json:"-" label:"rolls that differ most"`
	HeldRolls []WrapShown    `json:"-" label:"rolls wrapped though we would have held them"`
	Readings  *present.Table `json:"-" label:"-" print:"csv"`
	Rolls     []ComparedRoll `json:"rolls" label:"-"`
}

// WrapShown is a roll as text shows it.
type WrapShown struct {
	Roll    string                `json:"roll"`
	Outcome handshake.OutcomeKind `json:"outcome"`
	What    string                `json:"what"`
}

// ComparedRoll is a roll as JSON shows it.
type ComparedRoll struct {
	Number   uint32                `json:"roll_no"`
	Tag      string                `json:"roll"`
	At       time.Time             `json:"at"`
	Outcome  handshake.OutcomeKind `json:"outcome"`
	Mode     string                `json:"mode"`
	Verdict  string                `json:"verdict"` // ours
	Exceeds  bool                  `json:"exceeds"`
	Readings []ComparedReading     `json:"setpoints"`
}

// ComparedReading is one setpoint of a roll, ours and as used.
type ComparedReading struct {
	Name       string   `json:"setpoint"` // its unit at the end
	Ours       *float64 `json:"recipe"`   // null when not in force
	Used       *float64 `json:"used"`     // null when not reported
	Difference *float64 `json:"difference,omitempty"`
	Tolerance  *float64 `json:"tolerance,omitempty"`
	Exceeds    bool     `json:"exceeds,omitempty"`
}

// Report makes what people and programs get of the comparison of a journal, in
// the units of a line; text shows so many rolls of each list.
func (c *Comparison) Report(path string, line *recipe.Line, show int) *ComparisonReport {
	held, exceeding := c.Counts()
	out := &ComparisonReport{
		Journal: path, Coverage: c.Coverage, Compared: len(c.Wraps) - held, Held: held, Exceeding: exceeding,
		Setpoints: useTable(c, line), Readings: readingTable(c), Rolls: make([]ComparedRoll, 0, len(c.Wraps)),
	}
	for _, w := range c.Differing(show) {
		out.Differing = append(out.Differing, WrapShown{w.Name(), w.Outcome, c.Describe(w, line)})
	}
	for _, w := range c.Held(show) {
		out.HeldRolls = append(out.HeldRolls, WrapShown{w.Name(), w.Outcome, c.Describe(w, line)})
	}
	for i := range c.Wraps {
		out.Rolls = append(out.Rolls, rollOfWrap(c, &c.Wraps[i]))
	}
	return out
}

func rollOfWrap(c *Comparison, w *Wrap) ComparedRoll {
	r := ComparedRoll{
		Number: w.Roll, Tag: w.Tag, At: w.At, Outcome: w.Outcome, Mode: w.Mode(), Verdict: w.Verdict(),
		Exceeds: w.Exceeds(), Readings: []ComparedReading{},
	}
	for j := range w.Readings {
		v := &w.Readings[j]
		r.Readings = append(r.Readings, ComparedReading{
			Name: c.Usages[j].Field.Name, Ours: given(v.Ours, v.Ours != 0), Used: given(v.Used, v.Reported),
			Difference: given(present.Decimal(v.Difference()), v.Compared), Tolerance: given(present.Decimal(v.Allowed), v.Compared), Exceeds: v.Exceeds(),
		})
	}
	return r
}

func given(v float64, is bool) *float64 {
	if !is {
		return nil
	}
	return &v
}

// useTable has a row for each setpoint: how far it as used is from ours.
func useTable(c *Comparison, line *recipe.Line) *present.Table {
	t := &present.Table{Columns: []present.Column{
		{Name: "setpoint"}, {Name: "compared", Label: "rolls"}, {Name: "mean"}, {Name: "sd", Label: "spread"}, {Name: "worst"},
		{Name: "worst_roll", Label: "of roll", Drop: 1}, {Name: "tolerance"}, {Name: "exceeding"}, {Name: "not_reported", Drop: 2},
	}}
	t.Rows = func(yield func(present.Row, error) bool) {
		for _, u := range c.Setpoints() {
			cells := []any{
				present.SetpointName(u.Field.Setpoint), u.Compared, present.SetpointChange(u.Field.Setpoint, u.Mean, true), present.SetpointChange(u.Field.Setpoint, u.SD, false),
				present.SetpointChange(u.Field.Setpoint, u.Worst, true), orNil(u.WorstRoll), toleranceText(u.Usage, line), u.Exceeding, u.NotReported,
			}
			asJSON := present.EntriesOf(t.Columns, cells)
			for i := range asJSON {
				if asJSON[i].Name == "tolerance" {
					asJSON[i].Value = u.Tolerance
				}
			}
			if !yield(present.Row{Cells: cells, JSON: asJSON}, nil) {
				return
			}
		}
	}
	return t
}

func orNil(text string) any {
	if text == "" {
		return nil
	}
	return text
}

func toleranceText(u *Usage, line *recipe.Line) string {
	t := u.Tolerance
	switch {
	case t.Scale:
		return "of the recipe"
	case t.Rel > 0:
		return quantity.Round(t.Rel*100, quantity.None, "", 4) + " %"
	case t.Abs == 0:
		return "none"
	}
	a, _ := present.SetpointChange(u.Field.Setpoint, &t.Abs, false).(present.Amount)
	return a.Text(line)
}

// readingTable has a row for each setpoint of each roll.
func readingTable(c *Comparison) *present.Table {
	columns := []present.Column{
		{Name: "roll_no"}, {Name: "roll"}, {Name: "at"}, {Name: "outcome"}, {Name: "mode"}, {Name: "ours"},
		{Name: "setpoint"}, {Name: "recipe"}, {Name: "used"}, {Name: "difference"}, {Name: "tolerance"}, {Name: "exceeds"},
	}
	return &present.Table{Columns: columns, Rows: func(yield func(present.Row, error) bool) {
		for i := range c.Wraps {
			w := &c.Wraps[i]
			row := func(rest ...any) bool {
				return yield(present.Row{Cells: append([]any{w.Roll, w.Tag, w.At, w.Outcome, w.Mode()}, rest...)}, nil)
			}
			if w.Held && !row("hold", nil, nil, nil, nil, nil, true) {
				return
			}
			for j := range w.Readings {
				r, p := &w.Readings[j], c.Usages[j].Field.Setpoint
				if !r.Compared && !r.Reported && r.Ours == 0 {
					continue
				}
				var difference, tolerance, exceeds any
				if r.Compared {
					d := r.Difference()
					difference, tolerance, exceeds = present.SetpointChange(p, &d, true), present.SetpointChange(p, &r.Allowed, false), r.Exceeds()
				}
				if !row("recipe", present.SetpointName(p), present.SetpointValue(p, given(r.Ours, r.Ours != 0)), present.SetpointValue(p, given(r.Used, r.Reported)), difference, tolerance, exceeds) {
					return
				}
			}
		}
	}}
}
