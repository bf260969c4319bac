package report

import (
	"fmt"
	"html"
	"math"
	"slices"
	"strings"

	"lapgate/recipe/quantity"
)

// Panel is one plot of points over the order of rolls.
type Panel struct {
	Title  string
	Unit   string // of the upright axis
	Across string // what the level axis is
	Points []Point
}

// Point is one roll: its value, the tolerance to either side of zero, and
// whether it is out of it.
type Point struct {
	X, Y, Band float64
	Out        bool
}

// Sizes of a panel in pixels.
const (
	panelWidth  = 860
	panelHeight = 190
	panelLeft   = 78
	panelRight  = 34
	panelTop    = 30
	panelBottom = 44
)

// mostPoints is how many points are drawn singly; of more, each column shows
// its range.
const mostPoints = 1500

const chartStyle = `text{font:12px sans-serif;fill:#222}.t{font-weight:bold}.g{stroke:#ddd}.a{stroke:#444}.z{stroke:#888;stroke-dasharray:4 3}` +
	`.b{fill:#2a7f3f;fill-opacity:.12}.p{fill:#1f5fa8}.o{fill:#c0392b}.r{stroke:#1f5fa8;stroke-width:1.2}.x{stroke:#c0392b;stroke-width:1.2}`

// Panels draws panels below one another as one SVG without scripts or
// outside references.
func Panels(title string, panels []Panel) string {
	var b strings.Builder
	const head = 34
	height := head + panelHeight*max(1, len(panels))
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" width="%d" height="%d" viewBox="0 0 %d %d" role="img">`+"\n", panelWidth, height, panelWidth, height)
	fmt.Fprintf(&b, "<title>%s</title>\n<style>%s</style>\n", html.EscapeString(title), chartStyle)
	fmt.Fprintf(&b, `<rect width="%d" height="%d" fill="#fff"/>`+"\n", panelWidth, height)
	fmt.Fprintf(&b, `<text class="t" x="%d" y="22">%s</text>`+"\n", panelLeft, html.EscapeString(title))
	if len(panels) == 0 {
		fmt.Fprintf(&b, `<text x="%d" y="%d">nothing to show</text>`+"\n", panelLeft, head+30)
	}
	for i := range panels {
		fmt.Fprintf(&b, `<g transform="translate(0 %d)">`+"\n", head+i*panelHeight)
		panels[i].draw(&b)
		b.WriteString("</g>\n")
	}
	b.WriteString("</svg>\n")
	return b.String()
}

// axis maps values to pixels.
type axis struct {
	least, most float64
	from, to    float64
}

func (a axis) at(v float64) float64 {
	return a.from + (v-a.least)/(a.most-a.least)*(a.to-a.from)
}

func (g *Panel) draw(b *strings.Builder) {
	across := axis{g.Points[0].X - 0.5, g.Points[len(g.Points)-1].X + 0.5, panelLeft, panelWidth - panelRight}
	up := axis{0, 0, panelHeight - panelBottom, panelTop}
	for _, p := range g.Points {
		up.least = min(up.least, p.Y, -p.Band)
		up.most = max(up.most, p.Y, p.Band)
	}
	if up.least == up.most {
		up.least, up.most = -1, 1
	}
	ticks := ticksOf(up.least, up.most, 5)
	up.least, up.most = min(up.least, ticks[0]), max(up.most, ticks[len(ticks)-1])
	name := g.Title
	if g.Unit != "" {
		name += " (" + g.Unit + ")"
	}
	fmt.Fprintf(b, `<text x="%d" y="%d">%s</text>`+"\n", panelLeft, panelTop-10, html.EscapeString(name))
	for _, v := range ticks {
		y := up.at(v)
		fmt.Fprintf(b, `<line class="g" x1="%d" y1="%.1f" x2="%d" y2="%.1f"/><text x="%d" y="%.1f" text-anchor="end">%s</text>`+"\n",
			panelLeft, y, panelWidth-panelRight, y, panelLeft-6, y+4, html.EscapeString(plain(v)))
	}
	for _, v := range ticksOf(across.least, across.most, 10) {
		if v != math.Trunc(v) || v < across.least || v > across.most {
			continue
		}
		fmt.Fprintf(b, `<line class="a" x1="%.1f" y1="%d" x2="%.1f" y2="%d"/><text x="%.1f" y="%d" text-anchor="middle">%s</text>`+"\n",
			across.at(v), panelHeight-panelBottom, across.at(v), panelHeight-panelBottom+4, across.at(v), panelHeight-panelBottom+17, plain(v))
	}
	fmt.Fprintf(b, `<text x="%d" y="%d" text-anchor="middle">%s</text>`+"\n", (panelLeft+panelWidth-panelRight)/2, panelHeight-panelBottom+33, html.EscapeString(g.Across))
	g.marks(b, across, up)
	fmt.Fprintf(b, `<line class="z" x1="%d" y1="%.1f" x2="%d" y2="%.1f"/>`+"\n", panelLeft, up.at(0), panelWidth-panelRight, up.at(0))
	fmt.Fprintf(b, `<path class="a" fill="none" d="M%d %dV%dH%d"/>`+"\n", panelLeft, panelTop, panelHeight-panelBottom, panelWidth-panelRight)
}

// marks draws the tolerance and the points, or by column the range of many.
func (g *Panel) marks(b *strings.Builder, across, up axis) {
	columns := g.columns()
	var upper, lower strings.Builder
	for i, c := range columns {
		sign := "L"
		if i == 0 {
			sign = "M"
		}
		fmt.Fprintf(&upper, "%s%.1f %.1f", sign, across.at(c.x), up.at(c.band))
	}
	for _, c := range slices.Backward(columns) {
		fmt.Fprintf(&lower, "L%.1f %.1f", across.at(c.x), up.at(-c.band))
	}
	fmt.Fprintf(b, `<path class="b" d="%s%sZ"/>`+"\n", upper.String(), lower.String())
	for _, c := range columns {
		x := across.at(c.x)
		if c.n == 1 {
			class := "p"
			if c.out {
				class = "o"
			}
			fmt.Fprintf(b, `<circle class="%s" cx="%.1f" cy="%.1f" r="2"/>`+"\n", class, x, up.at(c.least))
			continue
		}
		class := "r"
		if c.out {
			class = "x"
		}
		top, bottom := up.at(c.most), up.at(c.least)
		fmt.Fprintf(b, `<line class="%s" x1="%.1f" y1="%.1f" x2="%.1f" y2="%.1f"/>`+"\n", class, x, top-0.6, x, bottom+0.6)
	}
}

// column is the range of the points that share a place on the level axis.
type column struct {
	x, least, most, band float64
	n                    int
	out                  bool
}

func (g *Panel) columns() []column {
	const wide = panelWidth - panelLeft - panelRight
	first, last := g.Points[0].X, g.Points[len(g.Points)-1].X
	single := len(g.Points) <= mostPoints
	var out []column
	place := -1
	for i, p := range g.Points {
		at := i
		if !single {
			at = int((p.X - first) / (last - first + 1) * wide)
		}
		if at != place {
			out = append(out, column{x: p.X, least: p.Y, most: p.Y, band: p.Band})
			place = at
		}
		c := &out[len(out)-1]
		c.least, c.most = min(c.least, p.Y), max(c.most, p.Y)
		c.band = min(c.band, p.Band)
		c.n++
		c.out = c.out || p.Out
	}
	return out
}

// ticksOf returns about n round numbers over a range, its first not above and
// its last not below it.
func ticksOf(least, most float64, n int) []float64 {
	raw := (most - least) / float64(n)
	step := math.Pow(10, math.Floor(math.Log10(raw)))
	for _, m := range []float64{1, 2, 5, 10} {
		if step*m >= raw {
			step *= m
			break
		}
	}
	var out []float64
	for k := math.Floor(least / step); ; k++ {
		out = append(out, k*step)
		if k*step >= most {
			return out
		}
	}
}

// plain writes a number of an axis.
func plain(v float64) string { return quantity.Round(v, quantity.None, "", 4) }
