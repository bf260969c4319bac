package report

import (
	"fmt"
	"html"
	"math"
	"slices"
	"strings"

	"lapgate/recipe/wording"
)

// bars is a histogram. What every window has in common is shaded, and paler what lies
// in any of them; the two are empty where no window is known.
type bars struct {
	title, unit string
	values      []barValue
	every, any  [2]float64 // least and greatest
}

// barValue is one roll, and whether it is outside of its own window.
type barValue struct {
	v   float64
	out bool
}

// barCount is how many rolls a class has, and how many of them are outside.
type barCount struct{ all, out int }

// bins counts the values by classes of equal, round width: class i begins at
// first + i·width and its upper end belongs to the next. The classes span the windows
// too.
func (g *bars) bins() (first, width float64, counts []barCount) {
	least, most := math.Inf(1), math.Inf(-1)
	for _, x := range g.values {
		least, most = math.Min(least, x.v), math.Max(most, x.v)
	}
	if g.any[0] < g.any[1] {
		least, most = math.Min(least, g.any[0]), math.Max(most, g.any[1])
	}
	if least == most {
		most = least + 1
	}
	ticks := ticksOf(least, most, 20)
	first, width = ticks[0], ticks[1]-ticks[0]
	counts = make([]barCount, len(ticks))
	for _, x := range g.values {
		c := &counts[min(max(int(math.Floor((x.v-first)/width+1e-9)), 0), len(counts)-1)]
		c.all++
		if x.out {
			c.out++
		}
	}
	if counts[len(counts)-1].all == 0 {
		counts = counts[:len(counts)-1]
	}
	return first, width, counts
}

// The histogram, in pixels.
const (
	barsHeight           = 196
	barsLeft, barsRight  = 34, 352
	barsTop, barsBottom  = 20, 150
	barsAcross, barsName = 166, 188
)

func (g *bars) drawing(w *wording.Words) string {
	var b strings.Builder
	first, width, counts := g.bins()
	most := 0
	for _, n := range counts {
		most = max(most, n.all)
	}
	across := axis{first, first + width*float64(len(counts)), barsLeft, barsRight}
	up := axis{0, float64(most), barsBottom, barsTop}
	fmt.Fprintf(&b, `<svg class="draw" viewBox="0 0 %d %d" role="img" aria-label="%s">`+"\n", liveWidth, barsHeight, html.EscapeString(wording.Capital(g.words(w))))
	g.shade(&b, across)
	for _, v := range ticksOf(0, float64(most), 4) {
		if v == math.Trunc(v) && v <= float64(most) {
			fmt.Fprintf(&b, `<line class="grid" x1="%d" y1="%.1f" x2="%d" y2="%.1f"/><text class="mut" x="%d" y="%.1f" text-anchor="end">%.0f</text>`+"\n",
				barsLeft, up.at(v), barsRight, up.at(v), barsLeft-4, up.at(v)+4, v)
		}
	}
	for i, n := range counts {
		from, to := across.at(first+width*float64(i)), across.at(first+width*float64(i+1))
		within, top := up.at(float64(n.all-n.out)), up.at(float64(n.all))
		fmt.Fprintf(&b, `<rect class="bar" x="%.1f" y="%.1f" width="%.1f" height="%.1f"/>`+"\n", from+0.5, within, to-from-1, up.at(0)-within)
		if n.out > 0 {
			fmt.Fprintf(&b, `<rect class="bar need" x="%.1f" y="%.1f" width="%.1f" height="%.1f"/>`+"\n", from+0.5, top, to-from-1, within-top)
			fmt.Fprintf(&b, `<text class="key need" x="%.1f" y="%.1f" text-anchor="middle">▲</text>`+"\n", (from+to)/2, top-3)
		}
	}
	for _, v := range ticksOf(across.least, across.most, 6) {
		if v >= across.least-1e-9 && v <= across.most+1e-9 {
			fmt.Fprintf(&b, `<line class="grid" x1="%.1f" y1="%d" x2="%.1f" y2="%d"/><text class="mut" x="%.1f" y="%d" text-anchor="middle">%s</text>`+"\n",
				across.at(v), barsBottom, across.at(v), barsBottom+4, across.at(v), barsAcross, plain(v))
		}
	}
	fmt.Fprintf(&b, `<text class="mut" x="%d" y="12">%s</text><text class="mut" x="%d" y="%d" text-anchor="end">%s (%s)</text>`+"\n</svg>\n",
		4, html.EscapeString(w.Of("draw.rolls")), barsRight, barsName, html.EscapeString(g.title), html.EscapeString(g.unit))
	return b.String()
}

// shade draws the windows behind the bars.
func (g *bars) shade(b *strings.Builder, across axis) {
	for _, w := range []struct {
		class  string
		window [2]float64
	}{{"win some", g.any}, {"win", g.every}} {
		if w.window[0] < w.window[1] {
			from, to := across.at(w.window[0]), across.at(w.window[1])
			fmt.Fprintf(b, `<rect class="%s" x="%.1f" y="%d" width="%.1f" height="%d"/>`+"\n", w.class, from, barsTop, to-from, barsBottom-barsTop)
		}
	}
}

// words is the drawing for whoever cannot see it.
func (g *bars) words(w *wording.Words) string {
	least := slices.MinFunc(g.values, compareBars).v
	most := slices.MaxFunc(g.values, compareBars).v
	out := 0
	for _, x := range g.values {
		if x.out {
			out++
		}
	}
	pairs := []any{"title", g.title, "count", len(g.values), "from", plain(least), "to", plain(most), "unit", g.unit, "outside", out}
	if g.every[0] >= g.every[1] {
		return w.Of("draw.bars", pairs...)
	}
	return w.Of("draw.bars.every", append(pairs, "lower", plain(g.every[0]), "upper", plain(g.every[1]))...)
}

func compareBars(a, b barValue) int {
	switch {
	case a.v < b.v:
		return -1
	case a.v > b.v:
		return 1
	}
	return 0
}
