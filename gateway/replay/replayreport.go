package replay

import (
	"fmt"
	"iter"
	"strings"

	"lapgate/gateway/handshake"
	"lapgate/gateway/present"
	"lapgate/recipe"
)

// Report is what replay prints. The rolls come while they are replayed,
// so the summary stands behind them in JSON; text has the first of them alone.
type Report struct {
	About     About          `json:"about" label:"replayed"`
	Rolls     *present.Table `json:"rolls" label:"-"`
	Changes   *present.Table `json:"-" label:"-" print:"csv"`
	Summary   *Summary       `json:"summary"`
	Setpoints *present.Table `json:"-" label:"setpoints"`
	Shown     []ShownRoll    `json:"-" label:"changed rolls"`
}

// ReportOf makes what people and programs get of a replay, in the units of a
// line. run replays all rolls, calls each with what differs, and returns the
// summary; for JSON and CSV it runs while they are printed. Text shows the first
// rolls only.
func ReportOf(form present.Form, about *About, line *recipe.Line, show int, run func(each func(*Difference) error) (Summary, error)) (*Report, error) {
	out := &Report{About: *about, Summary: &Summary{}}
	while := func(each func(*Difference) error) error {
		sum, err := run(each)
		*out.Summary = sum
		return err
	}
	switch {
	case form.JSON:
		out.Rolls = rowsWhile(nil, while, jsonRows)
		return out, nil
	case form.CSV:
		out.Changes = rowsWhile(changeColumns(), while, changeRows)
		return out, nil
	}
	err := while(func(d *Difference) error {
		if len(out.Shown) < show {
			out.Shown = append(out.Shown, shownOf(d, line))
		}
		return nil
	})
	out.Setpoints = setpointTable(out.Summary)
	return out, err
}

// About says what was replayed.
type About struct {
	Rolls   string                `json:"rolls_from"`
	Line    string                `json:"line"`
	Config  string                `json:"config"`
	Hash    handshake.ConfigHash  `json:"config_hash"`
	Old     string                `json:"old_config,omitempty"`
	OldHash *handshake.ConfigHash `json:"old_config_hash,omitempty"`
}

// ShownRoll is a changed roll as text shows it.
type ShownRoll struct {
	Roll    string  `json:"roll"`
	Request *uint32 `json:"request"`
	What    string  `json:"what" label:"change"`
}

func shownOf(d *Difference, line *recipe.Line) ShownRoll {
	out := ShownRoll{Roll: d.Case.Tag}
	if d.Case.Number != 0 {
		out.Roll = fmt.Sprintf("%d %s", d.Case.Number, d.Case.Tag)
		out.Request = &d.Case.Request.Token.Req
	}
	var parts []string
	part := func(format string, args ...any) { parts = append(parts, fmt.Sprintf(format, args...)) }
	if d.Old.Held != d.New.Held || d.Old.Reason != d.New.Reason {
		part("%s → %s", sideText(d.Old), sideText(d.New))
	}
	for i := range d.Changes {
		point := d.Changes[i].Field.Setpoint
		before, after, amount := d.Changes[i].Values()
		part("%s %s → %s", point.Label, valueText(point, before, line), valueText(point, after, line))
		if a, ok := present.SetpointChange(point, amount, true).(present.Amount); ok {
			parts[len(parts)-1] += " (" + a.Text(line) + ")"
		}
	}
	for _, s := range d.Appeared {
		part("+%s (%s)", s.Code, s.Field)
	}
	for _, s := range d.Gone {
		part("−%s (%s)", s.Code, s.Field)
	}
	out.What = strings.Join(parts, "; ")
	return out
}

func valueText(p *recipe.Setpoint, v *float64, line *recipe.Line) string {
	if v == nil {
		return "none"
	}
	return p.Write(line, *v)
}

func sideText(s *Side) string {
	if s.Held {
		return fmt.Sprintf("hold (%s)", s.Reason)
	}
	return "go"
}

// setpointTable has a row for each setpoint that changed, with new less old.
func setpointTable(s *Summary) *present.Table {
	t := &present.Table{Columns: []present.Column{{Name: "setpoint"}, {Name: "changed"}, {Name: "least"}, {Name: "median"}, {Name: "greatest"}, {Name: "came"}, {Name: "went"}}}
	t.Rows = func(yield func(present.Row, error) bool) {
		for _, f := range s.Fields {
			p := recipe.SetpointOf(f.Name)
			cells := []any{present.SetpointName(p), f.Changed, nil, nil, nil, f.Came, f.Went}
			if c := f.Spread; c != nil {
				cells[2], cells[3], cells[4] = present.SetpointChange(p, &c.Min, true), present.SetpointChange(p, &c.Median, true), present.SetpointChange(p, &c.Max, true)
			}
			if !yield(present.Row{Cells: cells}, nil) {
				return
			}
		}
	}
	return t
}

// ChangedRoll is one changed roll in JSON.
type ChangedRoll struct {
	Number    uint32           `json:"roll_no,omitempty"`
	Tag       string           `json:"roll"`
	Token     *handshake.Token `json:"request,omitempty"`
	Old       SideReport       `json:"old"`
	New       SideReport       `json:"new"`
	Setpoints []ChangedValue   `json:"setpoints"`
	Appeared  []Sign           `json:"findings_appeared"`
	Gone      []Sign           `json:"findings_gone"`
}

// SideReport is a decision in JSON.
type SideReport struct {
	Verdict string               `json:"verdict"`
	Reason  handshake.HoldReason `json:"hold_reason,omitempty"`
}

// ChangedValue is a setpoint that differs, in JSON.
type ChangedValue struct {
	Name   string   `json:"setpoint"` // its unit at the end
	Old    *float64 `json:"old"`      // null when not in force
	New    *float64 `json:"new"`
	Change *float64 `json:"change,omitempty"`
}

func jsonOf(d *Difference) ChangedRoll {
	r := ChangedRoll{
		Number: d.Case.Number, Tag: d.Case.Tag,
		Old: SideReport{d.Old.Verdict(), d.Old.Reason}, New: SideReport{d.New.Verdict(), d.New.Reason},
		Setpoints: []ChangedValue{}, Appeared: append([]Sign{}, d.Appeared...), Gone: append([]Sign{}, d.Gone...),
	}
	if d.Case.Number != 0 {
		r.Token = &d.Case.Request.Token
	}
	for i := range d.Changes {
		before, after, amount := d.Changes[i].Values()
		if amount != nil {
			v := present.Decimal(*amount)
			amount = &v
		}
		r.Setpoints = append(r.Setpoints, ChangedValue{d.Changes[i].Field.Name, before, after, amount})
	}
	return r
}

// rowsWhile makes a table of the differences while they are found.
func rowsWhile(columns []present.Column, run func(func(*Difference) error) error, rows func(*Difference) iter.Seq[present.Row]) *present.Table {
	return &present.Table{Columns: columns, Rows: func(yield func(present.Row, error) bool) {
		stopped := false
		err := run(func(d *Difference) error {
			for r := range rows(d) {
				if !yield(r, nil) {
					stopped = true
					return errStopped
				}
			}
			return nil
		})
		if err != nil && !stopped {
			yield(present.Row{}, err)
		}
	}}
}

var errStopped = fmt.Errorf("the printer stopped")

// jsonRows is one row for each changed roll.
func jsonRows(d *Difference) iter.Seq[present.Row] {
	return func(yield func(present.Row) bool) { yield(present.Row{JSON: jsonOf(d)}) }
}

func changeColumns() []present.Column {
	return []present.Column{
		{Name: "roll_no"}, {Name: "roll"}, {Name: "boot_id"}, {Name: "req_id"}, {Name: "what"}, {Name: "name"},
		{Name: "old"}, {Name: "new"}, {Name: "change"},
	}
}

// changeRows is one row for each change of a roll.
func changeRows(d *Difference) iter.Seq[present.Row] {
	return func(yield func(present.Row) bool) {
		token := d.Case.Request.Token
		row := func(rest ...any) bool {
			return yield(present.Row{Cells: append([]any{d.Case.Number, d.Case.Tag, token.Boot, token.Req}, rest...)})
		}
		if (d.Old.Held != d.New.Held || d.Old.Reason != d.New.Reason) && !row("verdict", nil, sideText(d.Old), sideText(d.New), nil) {
			return
		}
		for i := range d.Changes {
			p := d.Changes[i].Field.Setpoint
			before, after, amount := d.Changes[i].Values()
			if !row("setpoint", present.SetpointName(p), present.SetpointValue(p, before), present.SetpointValue(p, after), present.SetpointChange(p, amount, true)) {
				return
			}
		}
		for _, s := range d.Appeared {
			if !row("finding", s.Code, nil, s.Field, nil) {
				return
			}
		}
		for _, s := range d.Gone {
			if !row("finding", s.Code, s.Field, nil, nil) {
				return
			}
		}
	}
}
