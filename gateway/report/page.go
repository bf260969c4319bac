package report

import (
	"fmt"
	"html"
	"strings"
	"time"

	"lapgate/recipe"
	"lapgate/recipe/caution"
	"lapgate/recipe/quantity"
)

const pageStyle = "body{font:14px sans-serif;margin:2em;max-width:60em;color:#222}table{border-collapse:collapse;margin:.5em 0 1.5em}" +
	"td,th{padding:.2em .8em;border-bottom:1px solid #ddd;text-align:left}td.n{text-align:right}svg{max-width:100%;height:auto}"

const timeLayout = "2006-01-02 15:04:05 MST"

// Page is the report as one HTML page without scripts or outside references, in
// the units of a line and the time of a zone.
func (s *Shift) Page(line *recipe.Line, zone *time.Location) string {
	var b strings.Builder
	title := "Wrapping report: " + s.Journal
	fmt.Fprintf(&b, "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<title>%s</title>\n", html.EscapeString(title))
	fmt.Fprintf(&b, "<style>%s</style>\n</head>\n<body>\n<h1>%s</h1>\n", pageStyle, html.EscapeString(title))
	if s.Head != "" {
		fmt.Fprintf(&b, "<p>Head of the journal: <code>%s</code>. <code>lapgate journal verify --head</code> compares it later.</p>\n", html.EscapeString(s.Head))
	}
	if len(s.Rolls) == 0 {
		b.WriteString("<p>No roll left the station in this time.</p>\n</body>\n</html>\n")
		return b.String()
	}
	fmt.Fprintf(&b, "<p>%d rolls left the station, from %s to %s.</p>\n", len(s.Rolls),
		s.Rolls[0].LeftAt.In(zone).Format(timeLayout), s.Rolls[len(s.Rolls)-1].LeftAt.In(zone).Format(timeLayout))
	writeCounts(&b, "Outcomes", "outcome", s.Outcomes)
	writeCounts(&b, "Rolls that met a hold, by its code", "code", s.Holds)
	s.drawOverhangs(&b, line)
	s.drawScale(&b)
	fmt.Fprintf(&b, "<h2>Caution</h2>\n<p>%s</p>\n</body>\n</html>\n", html.EscapeString(caution.Limits.String()))
	return b.String()
}

func (s *Shift) drawOverhangs(b *strings.Builder, line *recipe.Line) {
	unit := line.Unit(quantity.Length)
	g := bars{title: "Overhang each side, of our recipes", unit: unit}
	for i := range s.Rolls {
		if v := s.Rolls[i].Overhang; v != nil {
			g.values = append(g.values, quantity.In(*v, quantity.Length, unit))
		}
	}
	b.WriteString("<h2>Overhang</h2>\n")
	if len(g.values) == 0 {
		b.WriteString("<p>No recipe with a wrapper.</p>\n")
		return
	}
	b.WriteString(g.drawing())
}

func (s *Shift) drawScale(b *strings.Builder) {
	b.WriteString("<h2>Scale</h2>\n")
	if s.Weighed == nil {
		b.WriteString("<p>No roll was weighed that has a predicted mass.</p>\n")
		return
	}
	g := Panel{Title: "Scale reading less predicted gross", Unit: "%", Across: "roll, in the order of the journal"}
	for i := range s.Rolls {
		if d := s.Rolls[i].Deviation; d != nil {
			g.Points = append(g.Points, Point{X: float64(i + 1), Y: *d})
		}
	}
	fmt.Fprintf(b, "<p>%d rolls weighed; deviation from the predicted gross: mean %s %%", s.Weighed.Rolls, plain(s.Weighed.Mean))
	if s.Weighed.SD != nil {
		fmt.Fprintf(b, ", spread %s %%", plain(*s.Weighed.SD))
	}
	b.WriteString(".</p>\n")
	b.WriteString(Panels(g.Title, []Panel{g}))
}

func writeCounts(b *strings.Builder, title, what string, counts []Count) {
	fmt.Fprintf(b, "<h2>%s</h2>\n", html.EscapeString(title))
	if len(counts) == 0 {
		b.WriteString("<p>None.</p>\n")
		return
	}
	fmt.Fprintf(b, "<table>\n<tr><th>%s</th><th>rolls</th></tr>\n", html.EscapeString(what))
	for _, c := range counts {
		fmt.Fprintf(b, "<tr><td>%s</td><td class=\"n\">%d</td></tr>\n", html.EscapeString(c.Name), c.Rolls)
	}
	b.WriteString("</table>\n")
}
