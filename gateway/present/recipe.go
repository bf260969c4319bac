package present

import (
	"fmt"
	"iter"
	"strconv"

	"lapgate/recipe"
	"lapgate/recipe/quantity"
)

// Recipe is one roll with its recipe, as `recipe` prints it.
type Recipe struct {
	Roll         string    `json:"roll"`
	Verdict      string    `json:"verdict"`
	Findings     []Finding `json:"findings"`
	Setpoints    Entries   `json:"setpoints"`
	Uncertainty  Entries   `json:"uncertainty"`
	Risk         Entries   `json:"risk"`
	Margin       Entries   `json:"margin"`
	Instructions []string  `json:"instructions,omitempty" label:""`
	Explain      *Table    `json:"explain,omitempty" label:"step by step"`
}

// Finding is a recipe.Finding, its text below its row.
type Finding struct {
	Code     recipe.Code     `json:"code"`
	Severity recipe.Severity `json:"severity"`
	Field    string          `json:"field"`
	Got      string          `json:"got"`
	Limit    string          `json:"limit"`
	Where    string          `json:"where,omitempty" print:"drop=1"`
	Text     string          `json:"text" print:"below"`
}

// RecipeOf makes a result printable.
func RecipeOf(r *recipe.Result) *Recipe {
	out := &Recipe{Roll: r.Roll, Verdict: r.Verdict, Findings: []Finding{}, Setpoints: Entries{}, Uncertainty: Entries{}, Risk: Entries{}, Margin: Entries{}, Instructions: r.Instructions}
	for _, f := range r.Findings {
		out.Findings = append(out.Findings, Finding{f.Code, f.Severity, f.Field, f.Got, f.Limit, f.Where, f.Text})
	}
	for _, v := range r.Setpoints {
		out.Setpoints = append(out.Setpoints, Entry{Column{Name: v.Name, Label: v.Label}, Setpoint(v)})
	}
	for _, v := range r.Uncertainty {
		out.Uncertainty = append(out.Uncertainty, Entry{Column{Name: v.Name, Label: v.Label + ", standard uncertainty"}, Setpoint(v)})
	}
	for k, c := range r.Risk {
		if kind := recipe.RiskKind(k); c.Known {
			out.Risk = append(out.Risk, Entry{Column{Name: kind.String(), Label: "chance of: " + kind.Label()}, c.P})
			out.Margin = append(out.Margin, Entry{Column{Name: kind.String() + "_" + kind.Unit(), Label: "margin to: " + kind.Label()}, c.Margin})
		}
	}
	return out
}

// Recipes is a list of results, one row each, with a column for each
// setpoint. Where they do not fit, those go first that no limit bounds, then
// those of drives and crimpers, then from the end of the way of a roll.
func Recipes(results iter.Seq2[recipe.Result, error]) *Table {
	t := &Table{Columns: []Column{{Name: "roll"}, {Name: "verdict"}}}
	points := recipe.AllSetpoints()
	for i, s := range points {
		c := Column{Name: s.Name, Label: s.Label, Drop: i + 1}
		if s.Limit.Of == nil && s.Group != recipe.GroupStand {
			c.Drop += 2 * len(points)
		}
		if s.Group == recipe.GroupDrives || s.Group == recipe.GroupCrimp {
			c.Drop += len(points)
		}
		t.Columns = append(t.Columns, c)
	}
	t.Rows = func(yield func(Row, error) bool) {
		for r, err := range results {
			if err != nil {
				yield(Row{}, err)
				return
			}
			if !yield(recipeRow(&r, points), nil) {
				return
			}
		}
	}
	return t
}

func recipeRow(r *recipe.Result, points []recipe.Setpoint) Row {
	row := Row{JSON: r, Cells: []any{r.Roll, r.Verdict}}
	rest := r.Setpoints // in the order of points
	for i := range points {
		if len(rest) == 0 || rest[0].Name != points[i].Name {
			row.Cells = append(row.Cells, nil)
			continue
		}
		row.Cells, rest = append(row.Cells, Setpoint(rest[0])), rest[1:]
	}
	for _, f := range r.Findings {
		row.Below = append(row.Below, fmt.Sprintf("%s %s: %s", f.Severity, f.Code, f.Text))
	}
	return row
}

// Steps are the steps of an explanation, with formula and numbers below
// the title of each, in the units of the line.
func Steps(steps []recipe.Step, line *recipe.Line) *Table {
	t := &Table{Columns: []Column{{Name: "step"}}}
	t.Rows = func(yield func(Row, error) bool) {
		for i := range steps {
			s := &steps[i]
			row := Row{JSON: s, Cells: []any{s.Title}}
			add := func(format string, args ...any) { row.Below = append(row.Below, fmt.Sprintf(format, args...)) }
			if !s.Formula.IsZero() {
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
			if !s.Decided.IsZero() {
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
