package report

import (
	"fmt"
	"html"
	"strings"

	"lapgate/recipe/wording"
)

// A Pareto drawing in pixels.
const (
	paretoRow  = 36
	paretoHead = 22
	paretoFrom = 4
	paretoTo   = 296
)

// pareto draws how many rolls met each hold, the most first, and beside each bar the
// share of it and those before it.
func pareto(w *wording.Words, holds []HoldCount) string {
	if len(holds) == 0 {
		return ""
	}
	var b strings.Builder
	height := paretoHead + paretoRow*len(holds) + 4
	fmt.Fprintf(&b, `<svg class="draw" viewBox="0 0 %d %d" role="img" aria-label="%s">`+"\n", liveWidth, height, html.EscapeString(paretoWords(w, holds)))
	fmt.Fprintf(&b, `<text class="mut" x="%d" y="14">%s</text><text class="mut" x="%d" y="14" text-anchor="end">%s</text>`+"\n",
		paretoFrom, html.EscapeString(w.Of("draw.rolls")), liveWidth-4, html.EscapeString(w.Of("draw.pareto.share")))
	most := float64(holds[0].Rolls)
	for i, h := range holds {
		y := paretoHead + i*paretoRow
		fmt.Fprintf(&b, `<rect class="bar" x="%d" y="%d" width="%.1f" height="10"/>`+"\n", paretoFrom, y+20, (paretoTo-paretoFrom)*float64(h.Rolls)/most)
		fmt.Fprintf(&b, `<text x="%d" y="%d"><tspan class="key">%d</tspan> %s</text>`+"\n", paretoFrom, y+14, h.Rolls, html.EscapeString(string(h.Code)))
		fmt.Fprintf(&b, `<text class="mut" x="%d" y="%d" text-anchor="end">%.0f %%</text>`+"\n", liveWidth-4, y+30, h.Share)
	}
	// The line of the shares, from the first to all.
	b.WriteString(`<polyline class="run" points="`)
	for i, h := range holds {
		fmt.Fprintf(&b, "%.1f,%d ", paretoFrom+(paretoTo-paretoFrom)*h.Share/100, paretoHead+i*paretoRow+25)
	}
	b.WriteString("\"/>\n")
	for i, h := range holds {
		fmt.Fprintf(&b, `<circle class="dot" cx="%.1f" cy="%d" r="2.6"/>`+"\n", paretoFrom+(paretoTo-paretoFrom)*h.Share/100, paretoHead+i*paretoRow+25)
	}
	b.WriteString("</svg>\n")
	return b.String()
}

// paretoWords is the drawing for whoever cannot see it.
func paretoWords(w *wording.Words, holds []HoldCount) string {
	var out []string
	for _, h := range holds {
		out = append(out, fmt.Sprintf("%s %d", h.Code, h.Rolls))
	}
	return w.Of("draw.pareto", "what", strings.Join(out, ", "))
}
