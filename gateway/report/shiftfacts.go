package report

import (
	"fmt"
	"strings"

	"lapgate/recipe/quantity"
	"lapgate/recipe/wording"
)

// Facts are scan, scale and chances of a roll.
func (s *sheet) Facts() (out []fact) {
	line := s.units
	if c := s.Story.Scan; c != nil {
		with := func(v, u float64) string {
			return line.Write(v, quantity.Length) + " ± " + line.Write(u, quantity.Length)
		}
		out = append(out, fact{"diameter", with(c.Diameter, c.DiameterU)}, fact{"width", with(c.Width, c.WidthU)},
			fact{"out of round", fmt.Sprintf("%.2g %%", 100*c.Ovality)}, fact{"taper", line.Write(c.Taper, quantity.Length)},
			fact{"quality, age", fmt.Sprintf("%.2f, %.1f s", c.Quality, c.Age)}, fact{"grade, core", c.Grade + ", " + c.Core})
		if c.Spec != "" {
			out = append(out, fact{"specification", c.Spec})
		}
		if c.Platen > 0 {
			out = append(out, fact{"platens", line.Write(c.Platen, quantity.Temperature) + " to " + line.Write(c.PlatenHot, quantity.Temperature)})
		}
	}
	scale := "not weighed"
	if c := s.Story.Scale; c != nil {
		scale = Short(line, c.Reading, quantity.Mass)
		if c.Gross > 0 {
			scale += ", expected " + Short(line, c.Gross, quantity.Mass)
		}
		scale += ": " + c.Verdict
		if c.Verdict != "good" && c.Text != "" {
			scale += ". " + capital(c.Text)
		}
	}
	out = append(out, fact{"scale", scale})
	for _, r := range s.Story.Risks {
		out = append(out, fact{"chance of " + r.Kind, Chance(nil, r.Chance)})
	}
	return out
}

// Chance is a chance as people read it.
func Chance(w *wording.Words, v float64) string {
	switch {
	case v < 1e-6:
		return w.Of("roll.chance-least")
	case v < 0.001:
		return w.Of("roll.chance", "count", fmt.Sprintf("%.0f", 1/v))
	}
	return fmt.Sprintf("%.2g %%", 100*v)
}

// Number is a quantity without its unit, empty for none.
func (l *shiftLine) Number(v *float64, dimension string) string {
	if v == nil {
		return ""
	}
	d := quantity.Dimension(dimension)
	return strings.TrimSuffix(Short(l.units, *v, d), " "+l.units.Unit(d))
}

// Percent is a share of a roll, empty for none.
func (l *shiftLine) Percent(v *float64) string {
	if v == nil {
		return ""
	}
	return Percent(*v)
}
