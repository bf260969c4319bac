package main

import (
	"math"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/replay"
	"lapgate/recipe"
	"lapgate/recipe/quantity"
)

// compareReport is what compare prints.
type compareReport struct {
	Journal   string          `json:"journal"`
	Coverage  replay.Coverage `json:"coverage"`
	Compared  int             `json:"compared"`
	Held      int             `json:"wrapped_though_ours_holds" label:"wrapped though we would have held them"`
	Exceeding int             `json:"exceeding" label:"rolls that differ by more than a tolerance"`
	Setpoints *outputTable    `json:"setpoints" label:"used less ours"`
	Differing []compareShown  `json:"-" label:"rolls that differ most"`
	HeldRolls []compareShown  `json:"-" label:"rolls wrapped though we would have held them"`
	Readings  *outputTable    `json:"-" label:"-" print:"csv"`
	Rolls     []compareRoll   `json:"rolls" label:"-"`
}

// compareShown is a roll as text shows it.
type compareShown struct {
	Roll    string                `json:"roll"`
	Outcome handshake.OutcomeKind `json:"outcome"`
	What    string                `json:"what"`
}

// compareRoll is a roll as JSON shows it.
type compareRoll struct {
	Number   uint32                `json:"roll_no"`
	Tag      string                `json:"roll"`
	At       time.Time             `json:"at"`
	Outcome  handshake.OutcomeKind `json:"outcome"`
	Mode     string                `json:"mode"`
	Verdict  string                `json:"verdict"` // ours
	Exceeds  bool                  `json:"exceeds"`
	Readings []compareReading      `json:"setpoints"`
}

type compareReading struct {
	Name       string   `json:"setpoint"` // its unit at the end
	Ours       *float64 `json:"recipe"`   // null when not in force
	Used       *float64 `json:"used"`     // null when not reported
	Difference *float64 `json:"difference,omitempty"`
	Tolerance  *float64 `json:"tolerance,omitempty"`
	Exceeds    bool     `json:"exceeds,omitempty"`
}

// reportOf makes what compare prints; text shows so many rolls of each list.
func reportOf(path string, c *replay.Comparison, line *recipe.Line, show int) *compareReport {
	held, exceeding := c.Counts()
	out := &compareReport{
		Journal: path, Coverage: c.Coverage(), Compared: len(c.Wraps) - held, Held: held, Exceeding: exceeding,
		Setpoints: useTable(c, line), Readings: readingTable(c), Rolls: make([]compareRoll, 0, len(c.Wraps)),
	}
	for _, w := range c.Differing(show) {
		out.Differing = append(out.Differing, compareShown{w.Name(), w.Outcome, c.Describe(w, line)})
	}
	for _, w := range c.Held(show) {
		out.HeldRolls = append(out.HeldRolls, compareShown{w.Name(), w.Outcome, c.Describe(w, line)})
	}
	for i := range c.Wraps {
		out.Rolls = append(out.Rolls, rollOfWrap(c, &c.Wraps[i]))
	}
	return out
}

func rollOfWrap(c *replay.Comparison, w *replay.Wrap) compareRoll {
	r := compareRoll{
		Number: w.Roll, Tag: w.Tag, At: w.At, Outcome: w.Outcome, Mode: w.Mode(), Verdict: w.Verdict(),
		Exceeds: w.Exceeds(), Readings: []compareReading{},
	}
	for j := range w.Readings {
		v := &w.Readings[j]
		r.Readings = append(r.Readings, compareReading{
			Name: c.Usages[j].Field.Name, Ours: present(v.Ours, v.Ours != 0), Used: present(v.Used, v.Reported),
			Difference: present(decimal(v.Difference()), v.Compared), Tolerance: present(decimal(v.Allowed), v.Compared), Exceeds: v.Exceeds(),
		})
	}
	return r
}

func present(v float64, is bool) *float64 {
	if !is {
		return nil
	}
	return &v
}

// decimal drops what is only the binary form of a difference of decimals.
func decimal(v float64) float64 { return math.Round(v*1e9) / 1e9 }

// useTable has a row for each setpoint: how far it as used is from ours.
func useTable(c *replay.Comparison, line *recipe.Line) *outputTable {
	t := &outputTable{columns: []outputColumn{
		{name: "setpoint"}, {name: "compared", label: "rolls"}, {name: "mean"}, {name: "sd", label: "spread"}, {name: "worst"},
		{name: "worst_roll", label: "of roll", drop: 1}, {name: "tolerance"}, {name: "exceeding"}, {name: "not_reported", drop: 2},
	}}
	t.rows = func(yield func(outputRow, error) bool) {
		for _, u := range c.Setpoints() {
			cells := []any{
				setpointName(u.Field.Setpoint), u.Compared, setpointChange(u.Field.Setpoint, u.Mean, true), setpointChange(u.Field.Setpoint, u.SD, false),
				setpointChange(u.Field.Setpoint, u.Worst, true), orNil(u.WorstRoll), toleranceText(u.Usage, line), u.Exceeding, u.NotReported,
			}
			asJSON := entriesOf(t.columns, cells)
			for i := range asJSON {
				if asJSON[i].name == "tolerance" {
					asJSON[i].value = u.Tolerance
				}
			}
			if !yield(outputRow{cells: cells, json: asJSON}, nil) {
				return
			}
		}
	}
	return t
}

func setpointName(p *recipe.Setpoint) quantityName { return quantityName{name: p.Name, label: p.Label} }

// setpointValue is a value of a setpoint, nil for none.
func setpointValue(p *recipe.Setpoint, v *float64) any {
	if v == nil {
		return nil
	}
	if p.Form != recipe.Number {
		return setpointText{p, *v}
	}
	return amount{name: p.Name, value: *v}
}

// setpointText is a setpoint that is no quantity: a number or a set of bits.
type setpointText struct {
	point *recipe.Setpoint
	value float64
}

// String writes it for people.
func (s setpointText) String() string { return s.point.Write(&recipe.Line{}, s.value) }

// MarshalJSON writes the number.
func (s setpointText) MarshalJSON() ([]byte, error) { return marshal(s.value) }

// setpointChange is a difference of values of a setpoint, nil for none. That of two
// temperatures has no zero point.
func setpointChange(p *recipe.Setpoint, v *float64, signed bool) any {
	if v == nil {
		return nil
	}
	name := p.Name
	if p.Dimension == quantity.Temperature {
		name = p.Word() + "_k"
	}
	return amount{name, decimal(*v), signed}
}

func orNil(text string) any {
	if text == "" {
		return nil
	}
	return text
}

func toleranceText(u *replay.Usage, line *recipe.Line) string {
	t := u.Tolerance
	switch {
	case t.Scale:
		return "of the recipe"
	case t.Rel > 0:
		return quantity.Round(t.Rel*100, quantity.None, "", 4) + " %"
	case t.Abs == 0:
		return "none"
	}
	a, _ := setpointChange(u.Field.Setpoint, &t.Abs, false).(amount)
	return (&printer{line: line}).measure(a)
}

// readingTable has a row for each setpoint of each roll.
func readingTable(c *replay.Comparison) *outputTable {
	columns := []outputColumn{
		{name: "roll_no"}, {name: "roll"}, {name: "at"}, {name: "outcome"}, {name: "mode"}, {name: "ours"},
		{name: "setpoint"}, {name: "recipe"}, {name: "used"}, {name: "difference"}, {name: "tolerance"}, {name: "exceeds"},
	}
	return &outputTable{columns: columns, rows: func(yield func(outputRow, error) bool) {
		for i := range c.Wraps {
			w := &c.Wraps[i]
			row := func(rest ...any) bool {
				return yield(outputRow{cells: append([]any{w.Roll, w.Tag, w.At, w.Outcome, w.Mode()}, rest...)}, nil)
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
					difference, tolerance, exceeds = setpointChange(p, &d, true), setpointChange(p, &r.Allowed, false), r.Exceeds()
				}
				if !row("recipe", setpointName(p), setpointValue(p, present(r.Ours, r.Ours != 0)), setpointValue(p, present(r.Used, r.Reported)), difference, tolerance, exceeds) {
					return
				}
			}
		}
	}}
}
