package widths

import (
	"fmt"
	"math"
	"sort"
	"strconv"
	"strings"
)

// Unit is a unit of length for the plot.
type Unit struct {
	Name   string  // as it stands on the axes
	Metres float64 // length of one
}

// maxDots is the greatest number of schedule rows that the plot shows one by
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

// Colours and shapes go by slot, so that the plot can be read without colour.
var slotColours = [MaxSlots]string{
	"#1b6ca8", "#c8553d", "#3a7d44", "#7b4b94", "#b08900", "#2b8a8a", "#a23b72", "#555555",
	"#4a6fa5", "#d1495b", "#66a182", "#8d6a9f", "#b5651d", "#00798c", "#8c6d46",
}

type dot struct {
	x, y, size float64
	slot       int // -1 missed, -2 nothing in stock serves it
}

type span struct {
	from, to       float64 // along x
	low, high, opt float64 // m
}

// Plot draws the overhang of every roll as an SVG document: one dot for each
// row of the schedule, or for each class of a long schedule, against the
// window of its specification (shaded) and its optimum (dashed), by slot.
// Rolls without a wrapper are crosses on the lower edge. The result must come
// from Solve on the same problem; a unit of no positive length counts as metres.
func Plot(p *Problem, res *Result, u Unit) string {
	if !positive(u.Metres) {
		u = Unit{"m", 1}
	}
	dots, spans, byClass := gather(p, res)
	low, high := math.Inf(1), math.Inf(-1)
	for _, s := range spans {
		if s.low <= s.high {
			low, high = math.Min(low, s.low), math.Max(high, s.high)
		}
		low, high = math.Min(low, s.opt), math.Max(high, s.opt)
	}
	for _, d := range dots {
		if d.slot >= 0 {
			low, high = math.Min(low, d.y), math.Max(high, d.y)
		}
	}
	if low > high {
		low, high = 0, u.Metres
	}
	step := niceStep((high - low) / u.Metres * 1.2)
	bottom := (math.Floor(low/u.Metres/step) - 0.5) * step
	top := (math.Ceil(high/u.Metres/step) + 0.5) * step
	end := math.Max(1, float64(len(spans)))
	if len(spans) > 0 {
		end = math.Max(end, spans[len(spans)-1].to)
	}
	px := func(x float64) float64 { return plotLeft + (plotRight-plotLeft)*x/end }
	py := func(y float64) float64 { // of metres
		v := (y/u.Metres - bottom) / (top - bottom)
		return plotBottom - (plotBottom-plotTop)*math.Min(1, math.Max(0, v))
	}
	var b strings.Builder
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" width="%d" height="%d" font-family="sans-serif" font-size="13" role="img">`+"\n", plotWidth, plotHeight, plotWidth, plotHeight)
	b.WriteString("<title>Overhang by roll</title>\n")
	fmt.Fprintf(&b, `<rect width="%d" height="%d" fill="#ffffff"/>`+"\n", plotWidth, plotHeight)
	fmt.Fprintf(&b, `<text x="%d" y="24" font-size="16" fill="#222222">Overhang by roll: %d served, %d missed, %d that nothing in stock serves</text>`+"\n",
		plotLeft, res.Best.Served, res.Best.Missed, res.Best.Unservable)
	for _, s := range spans {
		if s.low <= s.high {
			fmt.Fprintf(&b, `<rect x="%s" y="%s" width="%s" height="%s" fill="#e3efe3"/>`+"\n",
				px1(px(s.from)), px1(py(s.high)), px1(px(s.to)-px(s.from)), px1(py(s.low)-py(s.high)))
		}
	}
	first := math.Ceil(bottom / step)
	for i := range maxLines {
		k := first + float64(i)
		if !(k*step <= top) {
			break
		}
		y := px1(py(k * step * u.Metres))
		fmt.Fprintf(&b, `<path d="M%d %sH%d" stroke="#dddddd"/><text x="%d" y="%s" dy="4" text-anchor="end" fill="#222222">%s</text>`+"\n",
			plotLeft, y, plotRight, plotLeft-8, y, strconv.FormatFloat(round9(k*step), 'f', -1, 64))
	}
	for _, s := range spans {
		y := px1(py(s.opt))
		fmt.Fprintf(&b, `<path d="M%s %sH%s" stroke="#3a7d44" stroke-dasharray="6 4"/>`+"\n", px1(px(s.from)), y, px1(px(s.to)))
	}
	fmt.Fprintf(&b, `<path d="M%d %dV%dH%d" fill="none" stroke="#222222"/>`+"\n", plotLeft, plotTop, plotBottom, plotRight)
	xStep := math.Max(1, niceStep(end))
	for x := xStep; x <= end; x += xStep {
		at := px1(px(x - 0.5))
		fmt.Fprintf(&b, `<path d="M%s %dv5" stroke="#222222"/><text x="%s" y="%d" text-anchor="middle" fill="#222222">%d</text>`+"\n",
			at, plotBottom, at, plotBottom+20, int(x))
	}
	label := "row of the schedule"
	if byClass {
		label = "class of rolls, narrow to wide; larger dots stand for more rolls"
	}
	fmt.Fprintf(&b, `<text x="%d" y="%d" text-anchor="middle" fill="#222222">%s</text>`+"\n", (plotLeft+plotRight)/2, plotBottom+40, label)
	fmt.Fprintf(&b, `<text transform="translate(22 %d) rotate(-90)" text-anchor="middle" fill="#222222">overhang on each side, %s</text>`+"\n", (plotTop+plotBottom)/2, escape(u.Name))
	for _, d := range dots {
		if d.slot >= 0 {
			mark(&b, px(d.x), py(d.y), d.size, d.slot)
			continue
		}
		colour := "#c00000"
		if d.slot == -2 {
			colour = "#888888"
		}
		x, y := px(d.x), float64(plotBottom)-missMark-2
		fmt.Fprintf(&b, `<path d="M%s %sl9 9m0 -9l-9 9" stroke="%s" stroke-width="2"/>`+"\n", px1(x-missMark), px1(y-missMark), colour)
	}
	legend(&b, res, u)
	b.WriteString("</svg>\n")
	return b.String()
}

// gather makes the dots, and the windows joined where neighbours have the same.
func gather(p *Problem, res *Result) (dots []dot, spans []span, byClass bool) {
	slotOf := make([]int, len(res.Chosen))
	for k, w := range res.Chosen {
		for i := len(res.Slots) - 1; i >= 0; i-- {
			if s := &res.Slots[i]; s.Used && s.Next == w {
				slotOf[k] = i
			}
		}
	}
	place := func(k int, c *Class, size, low, high float64) {
		x := float64(k)
		d := dot{x: x + 0.5, y: c.Overhang, size: size, slot: -1}
		switch {
		case c.Unservable:
			d.slot = -2
		case c.Chosen >= 0:
			d.slot = slotOf[c.Chosen]
		}
		dots = append(dots, d)
		opt := p.Specs[c.Spec].Optimum
		if n := len(spans) - 1; n >= 0 && near(spans[n].low, low) && near(spans[n].high, high) && spans[n].opt == opt {
			spans[n].to = x + 1
			return
		}
		spans = append(spans, span{x, x + 1, low, high, opt})
	}
	if len(p.Rolls) <= maxDots {
		for i := range p.Rolls {
			low, high := p.window(&p.Rolls[i])
			w := p.Rolls[i].Width
			place(i, &res.Classes[res.ClassOf[i]], smallDot, (low-w)/2, (high-w)/2)
		}
		return dots, spans, false
	}
	most := int64(1)
	for i := range res.Classes {
		most = max(most, res.Classes[i].Count)
	}
	// The largest first, so that small ones are not hidden.
	for i := range res.Classes {
		c := &res.Classes[i]
		size := 1.5 + (bestDot-1.5)*math.Sqrt(float64(c.Count)/float64(most))
		place(i, c, size, (c.Low-c.Width)/2, (c.High-c.Width)/2)
	}
	sort.SliceStable(dots, func(i, j int) bool { return dots[i].size > dots[j].size })
	return dots, spans, true
}

func near(a, b float64) bool { return math.Abs(a-b) < 10*grace }

// mark draws the dot of a slot; five shapes take turns.
func mark(b *strings.Builder, x, y, r float64, slot int) {
	fill := slotColours[slot%MaxSlots]
	switch slot % 5 {
	case 0:
		fmt.Fprintf(b, `<circle cx="%s" cy="%s" r="%s" fill="%s" fill-opacity="0.75"/>`+"\n", px1(x), px1(y), px1(r), fill)
	case 1:
		fmt.Fprintf(b, `<rect x="%s" y="%s" width="%s" height="%s" fill="%s" fill-opacity="0.75"/>`+"\n", px1(x-r), px1(y-r), px1(2*r), px1(2*r), fill)
	case 2:
		fmt.Fprintf(b, `<path d="M%s %sl%s %sh%sz" fill="%s" fill-opacity="0.75"/>`+"\n", px1(x), px1(y-1.2*r), px1(1.2*r), px1(2.2*r), px1(-2.4*r), fill)
	case 3:
		fmt.Fprintf(b, `<path d="M%s %sl%s %sl%s %sl%s %sz" fill="%s" fill-opacity="0.75"/>`+"\n", px1(x), px1(y-1.3*r), px1(1.3*r), px1(1.3*r), px1(-1.3*r), px1(1.3*r), px1(-1.3*r), px1(-1.3*r), fill)
	default:
		fmt.Fprintf(b, `<path d="M%s %sl%s %sh%sz" fill="%s" fill-opacity="0.75"/>`+"\n", px1(x), px1(y+1.2*r), px1(1.2*r), px1(-2.2*r), px1(-2.4*r), fill)
	}
}

// legend names the slots in use in rows under the title.
func legend(b *strings.Builder, res *Result, u Unit) {
	const cell, perRow = 172, 5
	k := 0
	for i := range res.Slots {
		s := &res.Slots[i]
		if !s.Used {
			continue
		}
		x, y := float64(plotLeft+cell*(k%perRow)), float64(42+17*(k/perRow))
		mark(b, x+5, y, 4.5, i)
		fmt.Fprintf(b, `<text x="%s" y="%s" dy="4" font-size="12" fill="#222222">slot %d: %s %s</text>`+"\n",
			px1(x+14), px1(y), i+1, strconv.FormatFloat(round3(s.Next.Width/u.Metres), 'f', -1, 64), escape(u.Name))
		k++
	}
	fmt.Fprintf(b, `<text x="%d" y="%d" font-size="12" fill="#222222">shaded: window of the specification and the roll; dashed: optimum; cross: no wrapper (red: missed, grey: nothing in stock)</text>`+"\n",
		plotLeft, plotHeight-14)
}

// niceStep is 1, 2 or 5 times a power of ten, so that a range has 4 to 10.
func niceStep(width float64) float64 {
	if !positive(width) {
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

func escape(s string) string {
	return strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;", `"`, "&quot;").Replace(s)
}
