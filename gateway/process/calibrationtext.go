package process

import (
	"fmt"
	"math"
	"strconv"

	"lapgate/gateway/present"
	"lapgate/recipe/quantity"
)

// table has a row for each estimate.
func (c *Calibration) table() *present.Table {
	columns := []present.Column{{Name: "setting"}, {Name: "value"}, {Name: "u", Label: "standard uncertainty"}, {Name: "rolls"}, {Name: "key", Drop: 1}}
	return &present.Table{Columns: columns, Rows: func(yield func(present.Row, error) bool) {
		for i := range c.settings {
			s := &c.settings[i]
			name, key := "value"+quantity.Suffix(s.dimension), &s.key
			if s.key == "" {
				key = nil
			}
			cells := []any{s.what, written{c.text(s.Value, s), present.Amount{Name: name, Value: s.Value}}, written{c.text(s.U, s), present.Amount{Name: name, Value: s.U}}, s.Rolls, key}
			if !yield(present.Row{Cells: cells, JSON: s.json()}, nil) {
				return
			}
		}
	}}
}

// written is an estimate as people read it, with as many digits as it deserves.
type written struct {
	text string
	present.Amount
}

// String writes it for people.
func (t written) String() string { return t.text }

// estimateJSON is an estimate in SI.
type estimateJSON struct {
	What  string  `json:"setting"`
	Key   string  `json:"key,omitempty"`
	Value float64 `json:"value"`
	U     float64 `json:"u"`
	Unit  string  `json:"unit,omitempty"`
	Rolls int     `json:"rolls"`
}

func (s *setting) json() estimateJSON {
	out := estimateJSON{What: s.what, Key: s.key, Value: s.Value, U: s.U, Unit: s.unit, Rolls: s.Rolls}
	if s.dimension != quantity.None {
		out.Unit = quantity.SI(s.dimension)
	}
	return out
}

// text writes a value of a setting in the unit of the line, to the second digit
// of its uncertainty.
func (c *Calibration) text(v float64, s *setting) string {
	unit, u := "", s.U
	if s.unit != "" {
		unit = " " + s.unit
	}
	if s.dimension != quantity.None {
		unit = c.line.Unit(s.dimension)
		v, u = quantity.In(v, s.dimension, unit), quantity.In(u, s.dimension, unit)
		unit = " " + unit
	}
	decimals := 0
	if u > 0 {
		decimals = max(0, 1-int(math.Floor(math.Log10(u))))
	}
	return strconv.FormatFloat(v, 'f', decimals, 64) + unit
}

// lines are the settings as the configuration spells them.
func (c *Calibration) lines() configLines {
	var out configLines
	for i := range c.settings {
		s := &c.settings[i]
		note := fmt.Sprintf(" # %s, %s, %d rolls", c.at, c.by, s.Rolls)
		if s.Rolls == 1 {
			note = fmt.Sprintf(" # %s, %s, 1 roll", c.at, c.by)
		}
		if s.key == "" {
			out = append(out, fmt.Sprintf("# %s: %s ± %s; correct it at the scale (%s)", s.what, c.text(s.Value, s), c.text(s.U, s), note[3:]))
			continue
		}
		out = append(out, s.key+": "+c.text(s.Value, s)+note, s.key+"_uncertainty: "+c.text(s.uncertainty(), s))
		if s.dated {
			out = append(out, fmt.Sprintf("%s_measured: {at: %s, by: %q}", s.key, c.at, c.by))
		}
	}
	return out
}
