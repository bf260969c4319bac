package main

import (
	"fmt"
	"iter"
	"strings"

	"lapgate/gateway/handshake"
	"lapgate/gateway/replay"
	"lapgate/recipe"
)

// replayReport is what replay prints. The rolls come while they are replayed,
// so the summary stands behind them in JSON; text has the first of them alone.
type replayReport struct {
	About     replayAbout     `json:"about" label:"replayed"`
	Rolls     *outputTable    `json:"rolls" label:"-"`
	Changes   *outputTable    `json:"-" label:"-" print:"csv"`
	Summary   *replay.Summary `json:"summary"`
	Setpoints *outputTable    `json:"-" label:"setpoints"`
	Shown     []replayShown   `json:"-" label:"changed rolls"`
}

// replayAbout says what was replayed.
type replayAbout struct {
	Rolls   string             `json:"rolls_from"`
	Line    string             `json:"line"`
	Config  string             `json:"config"`
	Hash    replay.ConfigHash  `json:"config_hash"`
	Old     string             `json:"old_config,omitempty"`
	OldHash *replay.ConfigHash `json:"old_config_hash,omitempty"`
}

// replayShown is a changed roll as text shows it.
type replayShown struct {
	Roll    string  `json:"roll"`
	Request *uint32 `json:"request"`
	What    string  `json:"what" label:"change"`
}

func shownOf(d *replay.Difference, line *recipe.Line) replayShown {
	out := replayShown{Roll: d.Case.Tag}
	if d.Case.Number != 0 {
		out.Roll = fmt.Sprintf("%d %s", d.Case.Number, d.Case.Tag)
		out.Request = &d.Case.Request.Token.Req
	}
	var parts []string
	part := func(format string, args ...any) { parts = append(parts, fmt.Sprintf(format, args...)) }
	if d.Old.Held != d.New.Held || d.Old.Reason != d.New.Reason {
		part("%s → %s", sideText(d.Old), sideText(d.New))
	}
	text := printer{line: line}
	for i := range d.Changes {
		point := d.Changes[i].Field.Setpoint
		before, after, amount := d.Changes[i].Values()
		part("%s %s → %s", point.Label, valueText(point, before, line), valueText(point, after, line))
		if amount != nil {
			parts[len(parts)-1] += " (" + text.textCell(outputColumn{}, setpointChange(point, amount, true)).text + ")"
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

func sideText(s *replay.Side) string {
	if s.Held {
		return fmt.Sprintf("hold (%s)", s.Reason)
	}
	return "go"
}

// setpointTable has a row for each setpoint that changed, with new less old.
func setpointTable(s *replay.Summary) *outputTable {
	t := &outputTable{columns: []outputColumn{{name: "setpoint"}, {name: "changed"}, {name: "least"}, {name: "median"}, {name: "greatest"}, {name: "came"}, {name: "went"}}}
	t.rows = func(yield func(outputRow, error) bool) {
		for _, f := range s.Fields {
			p := recipe.SetpointOf(f.Name)
			cells := []any{setpointName(p), f.Changed, nil, nil, nil, f.Came, f.Went}
			if c := f.Spread; c != nil {
				cells[2], cells[3], cells[4] = setpointChange(p, &c.Min, true), setpointChange(p, &c.Median, true), setpointChange(p, &c.Max, true)
			}
			if !yield(outputRow{cells: cells}, nil) {
				return
			}
		}
	}
	return t
}

// replayRoll is one changed roll in JSON.
type replayRoll struct {
	Number    uint32           `json:"roll_no,omitempty"`
	Tag       string           `json:"roll"`
	Token     *handshake.Token `json:"request,omitempty"`
	Old       replaySide       `json:"old"`
	New       replaySide       `json:"new"`
	Setpoints []replayValue    `json:"setpoints"`
	Appeared  []replay.Sign    `json:"findings_appeared"`
	Gone      []replay.Sign    `json:"findings_gone"`
}

type replaySide struct {
	Verdict string               `json:"verdict"`
	Reason  handshake.HoldReason `json:"hold_reason,omitempty"`
}

type replayValue struct {
	Name   string   `json:"setpoint"` // its unit at the end
	Old    *float64 `json:"old"`      // null when not in force
	New    *float64 `json:"new"`
	Change *float64 `json:"change,omitempty"`
}

func jsonOf(d *replay.Difference) replayRoll {
	r := replayRoll{
		Number: d.Case.Number, Tag: d.Case.Tag,
		Old: replaySide{d.Old.Verdict(), d.Old.Reason}, New: replaySide{d.New.Verdict(), d.New.Reason},
		Setpoints: []replayValue{}, Appeared: append([]replay.Sign{}, d.Appeared...), Gone: append([]replay.Sign{}, d.Gone...),
	}
	if d.Case.Number != 0 {
		r.Token = &d.Case.Request.Token
	}
	for i := range d.Changes {
		before, after, amount := d.Changes[i].Values()
		if amount != nil {
			v := decimal(*amount)
			amount = &v
		}
		r.Setpoints = append(r.Setpoints, replayValue{d.Changes[i].Field.Name, before, after, amount})
	}
	return r
}

// replayRows makes a table of the differences while they are found.
func replayRows(columns []outputColumn, run func(func(*replay.Difference) error) error, rows func(*replay.Difference) iter.Seq[outputRow]) *outputTable {
	return &outputTable{columns: columns, rows: func(yield func(outputRow, error) bool) {
		stopped := false
		err := run(func(d *replay.Difference) error {
			for r := range rows(d) {
				if !yield(r, nil) {
					stopped = true
					return errStopped
				}
			}
			return nil
		})
		if err != nil && !stopped {
			yield(outputRow{}, err)
		}
	}}
}

var errStopped = fmt.Errorf("the printer stopped")

// jsonRows is one row for each changed roll.
func jsonRows(d *replay.Difference) iter.Seq[outputRow] {
	return func(yield func(outputRow) bool) { yield(outputRow{json: jsonOf(d)}) }
}

func replayChangeColumns() []outputColumn {
	return []outputColumn{
		{name: "roll_no"}, {name: "roll"}, {name: "boot_id"}, {name: "req_id"}, {name: "what"}, {name: "name"},
		{name: "old"}, {name: "new"}, {name: "change"},
	}
}

// replayChanges is one row for each change of a roll.
func replayChanges(d *replay.Difference) iter.Seq[outputRow] {
	return func(yield func(outputRow) bool) {
		token := d.Case.Request.Token
		row := func(rest ...any) bool {
			return yield(outputRow{cells: append([]any{d.Case.Number, d.Case.Tag, token.Boot, token.Req}, rest...)})
		}
		if (d.Old.Held != d.New.Held || d.Old.Reason != d.New.Reason) && !row("verdict", nil, sideText(d.Old), sideText(d.New), nil) {
			return
		}
		for i := range d.Changes {
			p := d.Changes[i].Field.Setpoint
			before, after, amount := d.Changes[i].Values()
			if !row("setpoint", setpointName(p), setpointValue(p, before), setpointValue(p, after), setpointChange(p, amount, true)) {
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
