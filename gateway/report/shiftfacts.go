package report

import (
	"fmt"
	"strings"

	"lapgate/recipe/quantity"
	"lapgate/recipe/wording"
)

// Facts are scan, scale and chances of a roll.
func (s *sheet) Facts() (out []fact) {
	line, w := s.units, s.words
	add := func(key, value string) { out = append(out, fact{w.Of(key), value}) }
	if c := s.Story.Scan; c != nil {
		with := func(v, u float64) string {
			return line.Write(v, quantity.Length) + " ± " + line.Write(u, quantity.Length)
		}
		add("scan.diameter", with(c.Diameter, c.DiameterU))
		add("scan.width", with(c.Width, c.WidthU))
		add("scan.ovality", fmt.Sprintf("%.2g %%", 100*c.Ovality))
		add("scan.taper", line.Write(c.Taper, quantity.Length))
		add("scan.quality-age", fmt.Sprintf("%.2f, %.1f s", c.Quality, c.Age))
		add("scan.grade-core", c.Grade+", "+c.Core)
		if c.Spec != "" {
			add("scan.spec", c.Spec)
		}
		if c.Platen > 0 {
			add("scan.platens", w.Of("span", "from", line.Write(c.Platen, quantity.Temperature), "to", line.Write(c.PlatenHot, quantity.Temperature)))
		}
	}
	add("report.sheet.scale", s.scale())
	for _, r := range s.Story.Risks {
		out = append(out, fact{w.Of("report.sheet.chance", "what", r.Kind), Chance(w, r.Chance)})
	}
	return out
}

// scale is what the scale said of the roll.
func (s *sheet) scale() string {
	c, w := s.Story.Scale, s.words
	if c == nil {
		return w.Of("report.sheet.scale.none")
	}
	pairs := []any{"got", Short(s.units, c.Reading, quantity.Mass), "verdict", c.Verdict}
	text := w.Of("report.sheet.scale.read", pairs...)
	if c.Gross > 0 {
		text = w.Of("report.sheet.scale.expected", append(pairs, "expected", Short(s.units, c.Gross, quantity.Mass))...)
	}
	if c.Text != "" && c.Verdict != w.Word("weighed.verdict", "good") {
		text += ". " + wording.Capital(c.Text)
	}
	return text
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
