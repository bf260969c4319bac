package report

import (
	"cmp"
	"fmt"
	"html"
	"math"
	"slices"
	"strconv"
	"strings"

	"lapgate/recipe/quantity"
	"lapgate/recipe/widths"
	"lapgate/recipe/wording"
)

// maxDots is the greatest number of schedule rows that the drawing shows one by
// one. A longer schedule is shown by class, each dot as large as its count.
const maxDots = 1500

// maxLines bounds the grid where a range is so far off that its steps are
// lost in rounding.
const maxLines = 20

// The drawing, in pixels.
const (
	plotWidth, plotHeight       = 960, 480
	plotLeft, plotRight         = 76, 936
	plotTop, plotBottom         = 92, 408
	missMark, smallDot, bestDot = 4.5, 3.2, 9.0
)

var slotColours = [widths.MaxSlots]string{
	"#1b6ca8", "#c8553d", "#3a7d44", "#7b4b94", "#b08900", "#2b8a8a", "#a23b72", "#555555",
	"#4a6fa5", "#d1495b", "#66a182", "#8d6a9f", "#b5651d", "#00798c", "#8c6d46",
}

// dot is one row of the schedule, or one class of rolls.
type dot struct {
	x, y, size float64
	slot       int // -1 missed, -2 nothing in stock serves it
}

type span struct {
	from, to       float64 // along x
	low, high, opt float64 // m
}

// overhangs is the drawing of Widths.
type overhangs struct {
	words *wording.Words
	strings.Builder
	unit        string
	metres      float64 // length of one unit
	dots        []dot
	spans       []span
	byClass     bool
	bottom, top float64 // of the upright axis, in units
	step, end   float64
}

// Widths draws the overhang of every roll as an SVG document: one dot for each
// row of the schedule, or for each class of a long schedule, against the
// window of its specification (shaded) and its optimum (dashed), each slot by a
// sign of its own. Rolls without a wrapper are crosses on the lower edge. The
// result must come from widths.Solve on the same problem, numbers are those of
// its slots, and an unknown unit of length counts as metres.
func Widths(w *wording.Words, p *widths.Problem, res *widths.Result, numbers []int, unit string) string {
	metres, err := quantity.Parse("1 "+unit, quantity.Length)
	if err != nil {
		unit, metres = "m", 1
	}
	g := &overhangs{unit: unit, metres: metres, words: w}
	g.gather(p, res)
	g.scale()
	fmt.Fprintf(g, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" width="%d" height="%d" font-family="sans-serif" font-size="13" role="img">`+"\n", plotWidth, plotHeight, plotWidth, plotHeight)
	fmt.Fprintf(g, "<title>%s</title>\n", html.EscapeString(w.Of("draw.widths")))
	fmt.Fprintf(g, `<rect width="%d" height="%d" fill="#ffffff"/>`+"\n", plotWidth, plotHeight)
	fmt.Fprintf(g, `<text x="%d" y="24" font-size="16" fill="#222222">%s</text>`+"\n",
		plotLeft, html.EscapeString(w.Of("draw.widths.served", "count", res.Best.Served, "number", res.Best.Missed, "outside", res.Best.Unservable)))
	g.ground()
	g.axes()
	for _, d := range g.dots {
		g.dot(&d)
	}
	g.legend(res, numbers)
	g.WriteString("</svg>\n")
	return g.String()
}

// scale chooses the ranges of the axes.
func (g *overhangs) scale() {
	low, high := math.Inf(1), math.Inf(-1)
	for _, s := range g.spans {
		if s.low <= s.high {
			low, high = math.Min(low, s.low), math.Max(high, s.high)
		}
		low, high = math.Min(low, s.opt), math.Max(high, s.opt)
	}
	for _, d := range g.dots {
		if d.slot >= 0 {
			low, high = math.Min(low, d.y), math.Max(high, d.y)
		}
	}
	if low > high {
		low, high = 0, g.metres
	}
	g.step = niceStep((high - low) / g.metres * 1.2)
	g.bottom = (math.Floor(low/g.metres/g.step) - 0.5) * g.step
	g.top = (math.Ceil(high/g.metres/g.step) + 0.5) * g.step
	g.end = math.Max(1, float64(len(g.spans)))
	if len(g.spans) > 0 {
		g.end = math.Max(g.end, g.spans[len(g.spans)-1].to)
	}
}

func (g *overhangs) px(x float64) float64 { return plotLeft + (plotRight-plotLeft)*x/g.end }

// py is the height of an overhang in metres.
func (g *overhangs) py(y float64) float64 {
	v := (y/g.metres - g.bottom) / (g.top - g.bottom)
	return plotBottom - (plotBottom-plotTop)*math.Min(1, math.Max(0, v))
}

// ground draws the windows, the grid and the optima.
func (g *overhangs) ground() {
	for _, s := range g.spans {
		if s.low <= s.high {
			fmt.Fprintf(g, `<rect x="%s" y="%s" width="%s" height="%s" fill="#e3efe3"/>`+"\n",
				px1(g.px(s.from)), px1(g.py(s.high)), px1(g.px(s.to)-g.px(s.from)), px1(g.py(s.low)-g.py(s.high)))
		}
	}
	first := math.Ceil(g.bottom / g.step)
	for i := range maxLines {
		k := first + float64(i)
		if !(k*g.step <= g.top) {
			break
		}
		y := px1(g.py(k * g.step * g.metres))
		fmt.Fprintf(g, `<path d="M%d %sH%d" stroke="#dddddd"/><text x="%d" y="%s" dy="4" text-anchor="end" fill="#222222">%s</text>`+"\n",
			plotLeft, y, plotRight, plotLeft-8, y, strconv.FormatFloat(round9(k*g.step), 'f', -1, 64))
	}
	for _, s := range g.spans {
		y := px1(g.py(s.opt))
		fmt.Fprintf(g, `<path d="M%s %sH%s" stroke="#3a7d44" stroke-dasharray="6 4"/>`+"\n", px1(g.px(s.from)), y, px1(g.px(s.to)))
	}
}

func (g *overhangs) axes() {
	fmt.Fprintf(g, `<path d="M%d %dV%dH%d" fill="none" stroke="#222222"/>`+"\n", plotLeft, plotTop, plotBottom, plotRight)
	step := math.Max(1, niceStep(g.end))
	for x := step; x <= g.end; x += step {
		at := px1(g.px(x - 0.5))
		fmt.Fprintf(g, `<path d="M%s %dv5" stroke="#222222"/><text x="%s" y="%d" text-anchor="middle" fill="#222222">%d</text>`+"\n",
			at, plotBottom, at, plotBottom+20, int(x))
	}
	label := g.words.Of("draw.widths.row")
	if g.byClass {
		label = g.words.Of("draw.widths.class")
	}
	fmt.Fprintf(g, `<text x="%d" y="%d" text-anchor="middle" fill="#222222">%s</text>`+"\n", (plotLeft+plotRight)/2, plotBottom+40, html.EscapeString(label))
	fmt.Fprintf(g, `<text transform="translate(22 %d) rotate(-90)" text-anchor="middle" fill="#222222">%s</text>`+"\n", (plotTop+plotBottom)/2, html.EscapeString(g.words.Of("draw.widths.overhang", "unit", g.unit)))
}

func (g *overhangs) dot(d *dot) {
	if d.slot >= 0 {
		mark(&g.Builder, g.px(d.x), g.py(d.y), d.size, d.slot)
		return
	}
	colour := "#c00000"
	if d.slot == -2 {
		colour = "#888888"
	}
	x, y := g.px(d.x), float64(plotBottom)-missMark-2
	fmt.Fprintf(g, `<path d="M%s %sl9 9m0 -9l-9 9" stroke="%s" stroke-width="2"/>`+"\n", px1(x-missMark), px1(y-missMark), colour)
}

// gather makes the dots, and the windows joined where neighbours have the same.
func (g *overhangs) gather(p *widths.Problem, res *widths.Result) {
	if len(p.Rolls) <= maxDots {
		for i := range p.Rolls {
			low, high := p.Window(&p.Rolls[i])
			w := p.Rolls[i].Width
			g.place(p, res, i, &res.Classes[res.ClassOf[i]], smallDot, (low-w)/2, (high-w)/2)
		}
		return
	}
	g.byClass = true
	most := int64(1)
	for i := range res.Classes {
		most = max(most, res.Classes[i].Count)
	}
	for i := range res.Classes {
		c := &res.Classes[i]
		size := 1.5 + (bestDot-1.5)*math.Sqrt(float64(c.Count)/float64(most))
		g.place(p, res, i, c, size, (c.Low-c.Width)/2, (c.High-c.Width)/2)
	}
	// The largest first, so that small ones are not hidden.
	slices.SortStableFunc(g.dots, func(a, b dot) int { return cmp.Compare(b.size, a.size) })
}

func (g *overhangs) place(p *widths.Problem, res *widths.Result, k int, c *widths.Class, size, low, high float64) {
	x := float64(k)
	d := dot{x: x + 0.5, y: c.Overhang, size: size, slot: -1}
	switch {
	case c.Unservable:
		d.slot = -2
	case c.Chosen >= 0:
		d.slot = slices.IndexFunc(res.Slots, func(s widths.SlotPlan) bool { return s.Used && s.Next == res.Chosen[c.Chosen] })
	}
	g.dots = append(g.dots, d)
	opt := p.Specs[c.Spec].Optimum
	if n := len(g.spans) - 1; n >= 0 && near(g.spans[n].low, low) && near(g.spans[n].high, high) && g.spans[n].opt == opt {
		g.spans[n].to = x + 1
		return
	}
	g.spans = append(g.spans, span{x, x + 1, low, high, opt})
}

// near leaves out what is only rounding.
func near(a, b float64) bool { return math.Abs(a-b) < 1e-8 }

// mark draws the sign of a slot, which is its own without its colour: one of
// five shapes, filled, hollow, or hollow with a dot.
func mark(b *strings.Builder, x, y, r float64, slot int) {
	colour := slotColours[slot%widths.MaxSlots]
	style := fmt.Sprintf(`fill="%s" fill-opacity="0.75"`, colour)
	if slot >= 5 {
		style = fmt.Sprintf(`fill="#ffffff" fill-opacity="0.75" stroke="%s" stroke-width="1.4"`, colour)
	}
	switch slot % 5 {
	case 0:
		fmt.Fprintf(b, `<circle cx="%s" cy="%s" r="%s" %s/>`+"\n", px1(x), px1(y), px1(r), style)
	case 1:
		fmt.Fprintf(b, `<rect x="%s" y="%s" width="%s" height="%s" %s/>`+"\n", px1(x-r), px1(y-r), px1(2*r), px1(2*r), style)
	case 2:
		fmt.Fprintf(b, `<path d="M%s %sl%s %sh%sz" %s/>`+"\n", px1(x), px1(y-1.2*r), px1(1.2*r), px1(2.2*r), px1(-2.4*r), style)
	case 3:
		fmt.Fprintf(b, `<path d="M%s %sl%s %sl%s %sl%s %sz" %s/>`+"\n", px1(x), px1(y-1.3*r), px1(1.3*r), px1(1.3*r), px1(-1.3*r), px1(1.3*r), px1(-1.3*r), px1(-1.3*r), style)
	default:
		fmt.Fprintf(b, `<path d="M%s %sl%s %sh%sz" %s/>`+"\n", px1(x), px1(y+1.2*r), px1(1.2*r), px1(-2.2*r), px1(-2.4*r), style)
	}
	if slot >= 10 {
		fmt.Fprintf(b, `<circle cx="%s" cy="%s" r="%s" fill="%s"/>`+"\n", px1(x), px1(y), px1(0.4*r), colour)
	}
}

// legend names the slots in use in rows under the title.
func (g *overhangs) legend(res *widths.Result, numbers []int) {
	const cell, perRow = 172, 5
	k := 0
	for i := range res.Slots {
		s := &res.Slots[i]
		if !s.Used {
			continue
		}
		x, y := float64(plotLeft+cell*(k%perRow)), float64(42+17*(k/perRow))
		mark(&g.Builder, x+5, y, 4.5, i)
		fmt.Fprintf(g, `<text x="%s" y="%s" dy="4" font-size="12" fill="#222222">%s</text>`+"\n", px1(x+14), px1(y),
			html.EscapeString(g.words.Of("draw.widths.slot", "slot", numbers[i], "width", strconv.FormatFloat(round3(s.Next.Width/g.metres), 'f', -1, 64)+" "+g.unit)))
		k++
	}
	fmt.Fprintf(g, `<text x="%d" y="%d" font-size="12" fill="#222222">%s</text>`+"\n",
		plotLeft, plotHeight-14, html.EscapeString(g.words.Of("draw.widths.key")))
}

// niceStep is 1, 2 or 5 times a power of ten, so that a range has 4 to 10.
func niceStep(width float64) float64 {
	if !(width > 0) || math.IsInf(width, 1) {
		return 1
	}
	raw := width / 8
	power := math.Pow(10, math.Floor(math.Log10(raw)))
	for _, f := range []float64{1, 2, 5} {
		if raw <= f*power {
			return f * power
		}
	}
	return 10 * power
}

func round3(v float64) float64 { return math.Round(v*1e3) / 1e3 }
func round9(v float64) float64 { return math.Round(v*1e9) / 1e9 }

// px1 prints pixels to a tenth.
func px1(v float64) string {
	v = math.Round(v*10) / 10
	if v == 0 {
		v = 0 // no minus zero
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}
