package main

import (
	"bytes"
	"fmt"
	"io"
	"strconv"
	"strings"
	"text/tabwriter"

	"lapgate/recipe"
	"lapgate/recipe/quantity"
)

// setpoint is one setpoint as it is shown: its name in JSON, its value in SI
// and its dimension.
type setpoint struct {
	name  string
	label string
	value float64
	dim   quantity.Dimension
	whole bool // printed as an integer
}

// setpointsOf lists the setpoints of the groups in force, in a fixed order.
func setpointsOf(s *recipe.Setpoints) []setpoint {
	var out []setpoint
	add := func(g recipe.Station, points ...setpoint) {
		if s.Groups.Has(g) {
			out = append(out, points...)
		}
	}
	add(recipe.GroupStand,
		setpoint{"wrapper_slot", "wrapper slot", float64(s.Slot), quantity.None, true},
		setpoint{"wrapper_width_m", "wrapper width", s.WrapperWidth, quantity.Length, false},
		setpoint{"overhang_m", "overhang each side", s.Overhang, quantity.Length, false})
	add(recipe.GroupWrap,
		setpoint{"layers", "layers", s.Layers, quantity.None, false},
		setpoint{"feed_length_m", "feed length", s.FeedLength, quantity.Length, false},
		setpoint{"feed_counts", "feed counts", float64(s.FeedCounts), quantity.None, true},
		setpoint{"wrap_time_s", "wrap time", s.WrapTime, quantity.Time, false})
	add(recipe.GroupDrives,
		setpoint{"turning_hz", "turning drive", s.TurningHz, quantity.Frequency, false},
		setpoint{"feed_hz", "feed drive", s.FeedHz, quantity.Frequency, false})
	add(recipe.GroupCrimp,
		setpoint{"crimp_turns", "crimp turns", s.CrimpTurns, quantity.None, false},
		setpoint{"crimp_time_s", "crimp time", s.CrimpTime, quantity.Time, false})
	add(recipe.GroupDrives,
		setpoint{"crimp_turning_hz", "turning drive, crimping", s.CrimpTurningHz, quantity.Frequency, false},
		setpoint{"crimper_hz", "crimper drive", s.CrimperHz, quantity.Frequency, false})
	add(recipe.GroupCrimp,
		setpoint{"roll_centre_height_m", "roll centre height", s.RollCentreHeight, quantity.Length, false},
		setpoint{"crimper_position_m", "crimper tips from the axis", s.CrimperPosition, quantity.Length, false},
		setpoint{"crimper_pressure_pa", "crimper pressure", s.CrimperPressure, quantity.Pressure, false})
	add(recipe.GroupHeader,
		setpoint{"platen_stroke_m", "platen stroke", s.PlatenStroke, quantity.Length, false},
		setpoint{"contact_pressure_pa", "contact pressure", s.ContactPressure, quantity.Pressure, false})
	if s.InnerHead > 0 {
		out = append(out, setpoint{"inner_head_m", "inner head", s.InnerHead, quantity.Length, false})
	}
	if s.OuterHead > 0 {
		out = append(out, setpoint{"outer_head_m", "outer head", s.OuterHead, quantity.Length, false})
	}
	add(recipe.GroupHeader,
		setpoint{"header_temperature_c", "header temperature", s.HeaderTemperature, quantity.Temperature, false},
		setpoint{"header_dwell_s", "header dwell", s.HeaderDwell, quantity.Time, false},
		setpoint{"header_dwell_fast_s", "header dwell, fast bound", s.HeaderDwellFast, quantity.Time, false})
	add(recipe.GroupGlue,
		setpoint{"glue_mass_kg", "glue", s.GlueMass, quantity.Mass, false})
	if s.VacuumZones != 0 {
		out = append(out, setpoint{"vacuum_zones", "vacuum zones", float64(s.VacuumZones), quantity.None, true})
	}
	add(recipe.GroupWeigh,
		setpoint{"tare_kg", "tare", s.Tare, quantity.Mass, false},
		setpoint{"gross_kg", "gross", s.Gross, quantity.Mass, false})
	add(recipe.GroupCentre,
		setpoint{"centring_offset_m", "centring offset", s.CentringOffset, quantity.Length, false})
	return out
}

// uncertaintyOf lists the standard uncertainties of the setpoints shown.
func uncertaintyOf(r *recipe.Recipe) []setpoint {
	var out []setpoint
	s, u := &r.Setpoints, &r.Uncertainty
	if s.Groups.Has(recipe.GroupStand) {
		out = append(out, setpoint{"overhang_m", "overhang each side", u.Overhang, quantity.Length, false})
	}
	if s.Groups.Has(recipe.GroupWrap) {
		out = append(out, setpoint{"feed_length_m", "feed length", u.FeedLength, quantity.Length, false})
	}
	if s.Groups.Has(recipe.GroupHeader) {
		out = append(out, setpoint{"header_dwell_s", "header dwell", u.Dwell, quantity.Time, false})
	}
	if s.Groups.Has(recipe.GroupWeigh) {
		out = append(out, setpoint{"gross_kg", "gross", u.Gross, quantity.Mass, false})
	}
	return out
}

// recipeResult is one roll with its recipe, as `recipe` prints it.
type recipeResult struct {
	recipe.Result
	Explain []recipe.Step `json:"explain,omitempty"`

	rec *recipe.Recipe
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
	points, uncertainty := setpointsOf(&r.rec.Setpoints), uncertaintyOf(r.rec)
	if len(points) > 0 {
		t := tabwriter.NewWriter(&b, 0, 8, 2, ' ', 0)
		for _, s := range points {
			fmt.Fprintf(t, "  %s\t%s", s.label, s.text(line))
			for _, u := range uncertainty {
				if u.name == s.name {
					fmt.Fprintf(t, "\tu = %s", u.text(line))
				}
			}
			fmt.Fprintln(t)
		}
		if err := t.Flush(); err != nil {
			return err
		}
	}
	if len(r.Instructions) > 0 {
		fmt.Fprintln(&b, "  for the operator:")
	}
	for i, text := range r.Instructions {
		fmt.Fprintf(&b, "    %d. %s\n", i+1, text)
	}
	for i, e := range r.Explain {
		fmt.Fprintf(&b, "  %2d. %s\n", i+1, e.Title)
		if e.Formula != "" {
			fmt.Fprintf(&b, "      %s\n", e.Formula)
		}
		for _, n := range e.Inputs {
			fmt.Fprintf(&b, "        %s = %s\n", n.Name, named(n, line))
		}
		for _, n := range e.Result {
			fmt.Fprintf(&b, "      → %s = %s\n", n.Name, named(n, line))
		}
		if e.Largest != "" {
			fmt.Fprintf(&b, "      largest uncertainty: %s\n", e.Largest)
		}
		if e.Decided != "" {
			fmt.Fprintf(&b, "      decided by: %s\n", e.Decided)
		}
	}
	_, err := w.Write(b.Bytes())
	return err
}

// columns of the table of a list of rolls, by the names of the setpoints.
var columns = [...]string{
	"wrapper_slot", "wrapper_width_m", "overhang_m", "layers", "feed_length_m", "wrap_time_s", "crimp_turns", "crimp_time_s",
	"inner_head_m", "outer_head_m", "header_temperature_c", "header_dwell_s", "glue_mass_kg", "tare_kg", "gross_kg",
}

// writeTable prints a list of rolls, one a line, in the units of the line, and
// below it what is to be said about each.
func writeTable(w io.Writer, results []recipeResult, line *recipe.Line) error {
	var b bytes.Buffer
	t := tabwriter.NewWriter(&b, 0, 8, 2, ' ', 0)
	fmt.Fprint(t, "roll\tverdict")
	for _, name := range columns {
		fmt.Fprintf(t, "\t%s", heading(name))
	}
	fmt.Fprintln(t)
	for i := range results {
		r := &results[i]
		fmt.Fprintf(t, "%s\t%s", r.Roll, strings.ToUpper(r.Verdict))
		points := setpointsOf(&r.rec.Setpoints)
		for _, name := range columns {
			text := "-"
			for j := range points {
				if points[j].name == name {
					text = points[j].text(line)
				}
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

// heading is the name of a setpoint without its SI unit: the cells have theirs.
func heading(name string) string {
	for _, unit := range [...]string{"_m", "_s", "_c", "_kg"} {
		name = strings.TrimSuffix(name, unit)
	}
	return strings.ReplaceAll(name, "_", " ")
}

func (s *setpoint) text(line *recipe.Line) string {
	if s.whole {
		return strconv.FormatFloat(s.value, 'f', 0, 64)
	}
	if s.dim == quantity.None {
		return strconv.FormatFloat(s.value, 'g', 6, 64)
	}
	return line.Write(s.value, s.dim)
}

// named writes a quantity of an explanation, which has its SI unit, in the
// units of the line.
func named(n recipe.Named, line *recipe.Line) string {
	for _, d := range quantity.Dimensions() {
		if unit := quantity.Units(d)[0]; unit == n.Unit && line.Unit(d) != unit {
			return line.Write(n.Value, d)
		}
	}
	text := strconv.FormatFloat(n.Value, 'g', 8, 64)
	if n.Unit != "" {
		text += " " + n.Unit
	}
	return text
}
