package main

import (
	"bytes"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"

	"lapgate/recipe"
	"lapgate/recipe/quantity"
)

// recipeResult is one roll with its recipe, as `recipe` prints it.
type recipeResult struct {
	recipe.Result
	Explain []recipe.Step `json:"explain,omitempty"`
}

func (r *recipeResult) held() bool { return r.Verdict == "hold" }

// writeText prints a result for people, in the units of the line.
func (r *recipeResult) writeText(w io.Writer, line *recipe.Line) error {
	var b bytes.Buffer
	fmt.Fprintf(&b, "roll %s: %s\n", r.Roll, strings.ToUpper(r.Verdict))
	for _, f := range r.Findings {
		fmt.Fprintf(&b, "  %s %s: %s: got %s, limit %s", f.Severity, f.Code, f.Field, f.Got, f.Limit)
		if f.Where != "" {
			fmt.Fprintf(&b, " (%s)", f.Where)
		}
		fmt.Fprintf(&b, "\n    %s\n", f.Text)
	}
	if err := r.writeSetpoints(&b, line); err != nil {
		return err
	}
	if len(r.Instructions) > 0 {
		fmt.Fprintln(&b, "  for the operator:")
	}
	for i, text := range r.Instructions {
		fmt.Fprintf(&b, "    %d. %s\n", i+1, text)
	}
	r.writeExplain(&b, line)
	_, err := w.Write(b.Bytes())
	return err
}

// writeSetpoints prints the setpoints in force, one a line.
func (r *recipeResult) writeSetpoints(w io.Writer, line *recipe.Line) error {
	t := tabwriter.NewWriter(w, 0, 8, 2, ' ', 0)
	for _, v := range r.Setpoints {
		fmt.Fprintf(t, "  %s\t%s", v.Label, v.Text(line))
		if u, ok := r.Uncertainty.Of(v.Name); ok {
			fmt.Fprintf(t, "\tu = %s", u.Text(line))
		}
		fmt.Fprintln(t)
	}
	return t.Flush()
}

func (r *recipeResult) writeExplain(b *bytes.Buffer, line *recipe.Line) {
	for i, e := range r.Explain {
		fmt.Fprintf(b, "  %2d. %s\n", i+1, e.Title)
		if e.Formula != "" {
			fmt.Fprintf(b, "      %s\n", e.Formula)
		}
		for _, n := range e.Inputs {
			fmt.Fprintf(b, "        %s = %s\n", n.Name, named(n, line))
		}
		for _, n := range e.Result {
			fmt.Fprintf(b, "      → %s = %s\n", n.Name, named(n, line))
		}
		if e.Largest != "" {
			fmt.Fprintf(b, "      largest uncertainty: %s\n", e.Largest)
		}
		if e.Decided != "" {
			fmt.Fprintf(b, "      decided by: %s\n", e.Decided)
		}
	}
}

// writeTable prints a list of rolls, one a line, in the units of the line, and
// below it what is to be said about each. It has a column for each setpoint
// that is in force for some roll.
func writeTable(w io.Writer, results []recipeResult, line *recipe.Line) error {
	var b bytes.Buffer
	t := tabwriter.NewWriter(&b, 0, 8, 2, ' ', 0)
	fmt.Fprint(t, "roll\tverdict")
	var columns []recipe.Setpoint
	for _, p := range recipe.AllSetpoints() {
		if slices.ContainsFunc(results, func(r recipeResult) bool { _, ok := r.Setpoints.Of(p.Name); return ok }) {
			columns = append(columns, p)
			fmt.Fprintf(t, "\t%s", p.Label)
		}
	}
	fmt.Fprintln(t)
	for i := range results {
		r := &results[i]
		fmt.Fprintf(t, "%s\t%s", r.Roll, strings.ToUpper(r.Verdict))
		for _, p := range columns {
			text := "-"
			if v, ok := r.Setpoints.Of(p.Name); ok {
				text = v.Text(line)
			}
			fmt.Fprintf(t, "\t%s", text)
		}
		fmt.Fprintln(t)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	for i := range results {
		for _, f := range results[i].Findings {
			fmt.Fprintf(&b, "%s: %s %s: %s\n", results[i].Roll, f.Severity, f.Code, f.Text)
		}
	}
	_, err := w.Write(b.Bytes())
	return err
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
