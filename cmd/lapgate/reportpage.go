package main

import (
	"fmt"
	"html"
	"math"
	"strings"
	"time"

	"lapgate/recipe/stat"
)

// page is the report as one HTML page without scripts or outside references.
func (s *shift) page() string {
	var b strings.Builder
	title := "Wrapping report: " + s.path
	fmt.Fprintf(&b, "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<title>%s</title>\n", html.EscapeString(title))
	b.WriteString("<style>body{font:14px sans-serif;margin:2em;max-width:60em;color:#222}table{border-collapse:collapse;margin:.5em 0 1.5em}" +
		"td,th{padding:.2em .8em;border-bottom:1px solid #ddd;text-align:left}td.n{text-align:right}svg{max-width:100%;height:auto}</style>\n</head>\n<body>\n")
	fmt.Fprintf(&b, "<h1>%s</h1>\n", html.EscapeString(title))
	if len(s.rolls) == 0 {
		b.WriteString("<p>No roll left the station in this time.</p>\n</body>\n</html>\n")
		return b.String()
	}
	fmt.Fprintf(&b, "<p>%d rolls left the station, from %s to %s.</p>\n", len(s.rolls),
		s.rolls[0].at.Format(time.RFC3339), s.rolls[len(s.rolls)-1].at.Format(time.RFC3339))
	writeCounts(&b, "Outcomes", "outcome", s.outcomes())
	writeCounts(&b, "Rolls that met a hold, by its code", "code", s.holds())

	overhangs := bars{title: "Overhang each side, of our recipes", unit: "mm"}
	scale := panel{title: "Scale reading less predicted gross", unit: "%", across: "roll, in the order of the journal"}
	var deviations []float64
	for i := range s.rolls {
		r := &s.rolls[i]
		if r.overhang != nil {
			overhangs.values = append(overhangs.values, *r.overhang)
		}
		if r.deviation != nil {
			deviations = append(deviations, *r.deviation)
			scale.points = append(scale.points, point{x: float64(i + 1), y: *r.deviation})
		}
	}
	b.WriteString("<h2>Overhang</h2>\n")
	if len(overhangs.values) == 0 {
		b.WriteString("<p>No recipe with a wrapper.</p>\n")
	} else {
		b.WriteString(overhangs.drawing())
	}
	b.WriteString("<h2>Scale</h2>\n")
	if len(deviations) == 0 {
		b.WriteString("<p>No roll was weighed that has a predicted mass.</p>\n")
	} else {
		mean, sd := stat.MeanSD(deviations)
		fmt.Fprintf(&b, "<p>%d rolls weighed; deviation from the predicted gross: mean %s %%", len(deviations), plainNumber(mean))
		if len(deviations) > 1 {
			fmt.Fprintf(&b, ", spread %s %%", plainNumber(sd))
		}
		b.WriteString(".</p>\n")
		b.WriteString(drawPanels(scale.title, []panel{scale}))
	}
	b.WriteString("</body>\n</html>\n")
	return b.String()
}

func writeCounts(b *strings.Builder, title, what string, counts []count) {
	fmt.Fprintf(b, "<h2>%s</h2>\n", html.EscapeString(title))
	if len(counts) == 0 {
		b.WriteString("<p>None.</p>\n")
		return
	}
	fmt.Fprintf(b, "<table>\n<tr><th>%s</th><th>rolls</th></tr>\n", html.EscapeString(what))
	for _, c := range counts {
		fmt.Fprintf(b, "<tr><td>%s</td><td class=\"n\">%d</td></tr>\n", html.EscapeString(c.name), c.n)
	}
	b.WriteString("</table>\n")
}

// bars is a histogram.
type bars struct {
	title, unit string
	values      []float64
}

// bins counts the values by classes of equal, round width: class i begins at
// first + i·width and its upper end belongs to the next.
func (g *bars) bins() (first, width float64, counts []int) {
	least, most := g.values[0], g.values[0]
	for _, v := range g.values {
		least, most = math.Min(least, v), math.Max(most, v)
	}
	if least == most {
		most = least + 1
	}
	ticks := ticksOf(least, most, 20)
	first, width = ticks[0], ticks[1]-ticks[0]
	counts = make([]int, len(ticks))
	for _, v := range g.values {
		counts[min(max(int(math.Floor((v-first)/width+1e-9)), 0), len(counts)-1)]++
	}
	if counts[len(counts)-1] == 0 {
		counts = counts[:len(counts)-1]
	}
	return first, width, counts
}

func (g *bars) drawing() string {
	var b strings.Builder
	first, width, counts := g.bins()
	const height = 240
	most := 0
	for _, n := range counts {
		most = max(most, n)
	}
	across := axis{first, first + width*float64(len(counts)), panelLeft, panelWidth - panelRight}
	up := axis{0, float64(most), height - panelBottom, panelTop}
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" width="%d" height="%d" viewBox="0 0 %d %d" role="img">`+"\n", panelWidth, height, panelWidth, height)
	fmt.Fprintf(&b, "<title>%s</title>\n<style>%s</style>\n", html.EscapeString(g.title), chartStyle)
	for _, v := range ticksOf(0, float64(most), 5) {
		if v != math.Trunc(v) || v > float64(most) {
			continue
		}
		fmt.Fprintf(&b, `<line class="g" x1="%d" y1="%.1f" x2="%d" y2="%.1f"/><text x="%d" y="%.1f" text-anchor="end">%.0f</text>`+"\n",
			panelLeft, up.at(v), panelWidth-panelRight, up.at(v), panelLeft-6, up.at(v)+4, v)
	}
	for i, n := range counts {
		from, to := across.at(first+width*float64(i)), across.at(first+width*float64(i+1))
		fmt.Fprintf(&b, `<rect class="p" x="%.1f" y="%.1f" width="%.1f" height="%.1f"/>`+"\n",
			from+0.5, up.at(float64(n)), to-from-1, up.at(0)-up.at(float64(n)))
	}
	for _, v := range ticksOf(across.least, across.most, 10) {
		if v >= across.least && v <= across.most {
			fmt.Fprintf(&b, `<line class="a" x1="%.1f" y1="%d" x2="%.1f" y2="%d"/><text x="%.1f" y="%d" text-anchor="middle">%s</text>`+"\n",
				across.at(v), height-panelBottom, across.at(v), height-panelBottom+4, across.at(v), height-panelBottom+17, plainNumber(v))
		}
	}
	fmt.Fprintf(&b, `<text x="%d" y="%d">rolls</text><text x="%d" y="%d" text-anchor="middle">%s (%s)</text>`+"\n",
		panelLeft-60, panelTop-10, (panelLeft+panelWidth-panelRight)/2, height-panelBottom+33, html.EscapeString(strings.ToLower(g.title)), html.EscapeString(g.unit))
	fmt.Fprintf(&b, `<path class="a" fill="none" d="M%d %dV%dH%d"/>`+"\n</svg>\n", panelLeft, panelTop, height-panelBottom, panelWidth-panelRight)
	return b.String()
}
