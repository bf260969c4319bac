package report

import (
	"fmt"
	"html"
	"math"
	"strings"
)

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
				across.at(v), height-panelBottom, across.at(v), height-panelBottom+4, across.at(v), height-panelBottom+17, plain(v))
		}
	}
	fmt.Fprintf(&b, `<text x="%d" y="%d">rolls</text><text x="%d" y="%d" text-anchor="middle">%s (%s)</text>`+"\n",
		panelLeft-60, panelTop-10, (panelLeft+panelWidth-panelRight)/2, height-panelBottom+33, html.EscapeString(strings.ToLower(g.title)), html.EscapeString(g.unit))
	fmt.Fprintf(&b, `<path class="a" fill="none" d="M%d %dV%dH%d"/>`+"\n</svg>\n", panelLeft, panelTop, height-panelBottom, panelWidth-panelRight)
	return b.String()
}
