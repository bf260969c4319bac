package main

import (
	"encoding/json"
	"fmt"
	"iter"
	"strconv"

	"lapgate/recipe"
	"lapgate/recipe/quantity"
)

// printedRecipe is one roll with its recipe, as `recipe` prints it.
type printedRecipe struct {
	Roll         string           `json:"roll"`
	Verdict      string           `json:"verdict"`
	Findings     []printedFinding `json:"findings"`
	Setpoints    entries          `json:"setpoints"`
	Uncertainty  entries          `json:"uncertainty"`
	Risk         entries          `json:"risk"`
	Margin       entries          `json:"margin"`
	Instructions []string         `json:"instructions,omitempty" label:""`
	Explain      *outputTable     `json:"explain,omitempty" label:"step by step"`
}

// printedFinding is a recipe.Finding, its text below its row.
type printedFinding struct {
	Code     recipe.Code     `json:"code"`
	Severity recipe.Severity `json:"severity"`
	Field    string          `json:"field"`
	Got      string          `json:"got"`
	Limit    string          `json:"limit"`
	Where    string          `json:"where,omitempty" print:"drop=1"`
	Text     string          `json:"text" print:"below"`
}

func printedRecipeOf(r *recipe.Result) *printedRecipe {
	out := &printedRecipe{Roll: r.Roll, Verdict: r.Verdict, Findings: []printedFinding{}, Setpoints: entries{}, Uncertainty: entries{}, Risk: entries{}, Margin: entries{}, Instructions: r.Instructions}
	for _, f := range r.Findings {
		out.Findings = append(out.Findings, printedFinding(f))
	}
	for _, v := range r.Setpoints {
		out.Setpoints = append(out.Setpoints, entry{outputColumn{name: v.Name, label: v.Label}, setpointCell(v)})
	}
	for _, v := range r.Uncertainty {
		out.Uncertainty = append(out.Uncertainty, entry{outputColumn{name: v.Name, label: v.Label + ", standard uncertainty"}, setpointCell(v)})
	}
	for k, c := range r.Risk {
		if kind := recipe.RiskKind(k); c.Known {
			out.Risk = append(out.Risk, entry{outputColumn{name: kind.String(), label: "chance of: " + kind.Label()}, c.P})
			out.Margin = append(out.Margin, entry{outputColumn{name: kind.String() + "_" + kind.Unit(), label: "margin to: " + kind.Label()}, c.Margin})
		}
	}
	return out
}

// setpointCell is the value of a setpoint as the printer takes it.
func setpointCell(v recipe.Value) any {
	switch v.Form {
	case recipe.Whole:
		return int64(v.Value)
	case recipe.Bits:
		return bitsCell(v)
	}
	return v.Value
}

// bitsCell is a set of bits: in JSON their number, for people a list.
type bitsCell recipe.Value

func (b bitsCell) String() string { return b.Write(nil, b.Value) }

// MarshalJSON writes the number.
func (b bitsCell) MarshalJSON() ([]byte, error) { return json.Marshal(int64(b.Value)) }

// recipeTable is a list of results, one row each, with a column for each
// setpoint. Where they do not fit, those go first that no limit bounds, then
// those of drives and crimpers, then from the end of the way of a roll.
func recipeTable(results iter.Seq2[recipe.Result, error]) *outputTable {
	t := &outputTable{columns: []outputColumn{{name: "roll"}, {name: "verdict"}}}
	points := recipe.AllSetpoints()
	for i, s := range points {
		c := outputColumn{name: s.Name, label: s.Label, drop: i + 1}
		if s.Limit.Of == nil && s.Group != recipe.GroupStand {
			c.drop += 2 * len(points)
		}
		if s.Group == recipe.GroupDrives || s.Group == recipe.GroupCrimp {
			c.drop += len(points)
		}
		t.columns = append(t.columns, c)
	}
	t.rows = func(yield func(outputRow, error) bool) {
		for r, err := range results {
			if err != nil {
				yield(outputRow{}, err)
				return
			}
			if !yield(recipeRow(&r, points), nil) {
				return
			}
		}
	}
	return t
}

func recipeRow(r *recipe.Result, points []recipe.Setpoint) outputRow {
	row := outputRow{json: r, cells: []any{r.Roll, r.Verdict}}
	rest := r.Setpoints // in the order of points
	for i := range points {
		if len(rest) == 0 || rest[0].Name != points[i].Name {
			row.cells = append(row.cells, nil)
			continue
		}
		row.cells, rest = append(row.cells, setpointCell(rest[0])), rest[1:]
	}
	for _, f := range r.Findings {
		row.below = append(row.below, fmt.Sprintf("%s %s: %s", f.Severity, f.Code, f.Text))
	}
	return row
}

// printedSteps are the steps of an explanation, with formula and numbers below
// the title of each, in the units of the line.
func printedSteps(steps []recipe.Step, line *recipe.Line) *outputTable {
	t := &outputTable{columns: []outputColumn{{name: "step"}}}
	t.rows = func(yield func(outputRow, error) bool) {
		for i := range steps {
			s := &steps[i]
			row := outputRow{json: s, cells: []any{s.Title}}
			add := func(format string, args ...any) { row.below = append(row.below, fmt.Sprintf(format, args...)) }
			if s.Formula != "" {
				add("%s", s.Formula)
			}
			for _, n := range s.Inputs {
				add("%s = %s", n.Name, named(n, line))
			}
			for _, n := range s.Result {
				add("→ %s = %s", n.Name, named(n, line))
			}
			if s.Largest != "" {
				add("largest uncertainty: %s", s.Largest)
			}
			if s.Decided != "" {
				add("decided by: %s", s.Decided)
			}
			if !yield(row, nil) {
				return
			}
		}
	}
	return t
}

// named writes a quantity of an explanation, which has its SI unit, in the
// units of the line.
func named(n recipe.Named, line *recipe.Line) string {
	for _, d := range quantity.Dimensions() {
		if unit := quantity.SI(d); unit == n.Unit && line.Unit(d) != unit {
			return line.Write(n.Value, d)
		}
	}
	text := strconv.FormatFloat(n.Value, 'g', 8, 64)
	if n.Unit != "" {
		text += " " + n.Unit
	}
	return text
}
