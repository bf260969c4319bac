package report

import (
	"fmt"
	"html"
	"math"
	"strconv"
	"strings"

	"lapgate/recipe"
	"lapgate/recipe/quantity"
	"lapgate/recipe/wording"
)

// The drawings of the live page and of a roll's page are 360 wide, so that their
// text is as high on a phone as the text beside them. Their colours are the classes
// of the page.
const liveWidth = 360

// SideView is what the drawing of a roll and its wrapper shows, in metres.
type SideView struct {
	Width, Diameter   float64
	Wrapper, Overhang float64 // 0 for a roll without a wrapper
	Window            *Window // nil where it is not known
	Paper             string
	Slot              int
}

// The side view, in pixels: the body of the roll, the zones beyond its ends and the
// heights. The ends are drawn larger than the roll, or no overhang could be seen.
const (
	sideHeight         = 200
	bodyLeft, bodyWide = 112, 136
	bodyTop, bodyHigh  = 62, 84
	endZone            = 92
)

// Drawing draws the roll from the side with its wrapper around it, and beyond each
// end the overhang against its window.
func (v *SideView) Drawing(w *wording.Words, line *recipe.Line) string {
	length := func(m float64) string { return Short(line, m, quantity.Length) }
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="draw" viewBox="0 0 %d %d" role="img" aria-label="%s">`+"\n", liveWidth, sideHeight, html.EscapeString(v.words(w, length)))
	const bodyRight, bodyBottom = bodyLeft + bodyWide, bodyTop + bodyHigh
	scale := endZone / (1.15 * math.Max(v.Overhang, v.greatest()))
	if x := v.Window; x != nil {
		from, to := scale*x.Min, scale*x.Max
		for _, x := range []float64{bodyLeft - to, bodyRight + from} {
			fmt.Fprintf(&b, `<rect class="win" x="%.1f" y="%d" width="%.1f" height="%d"/>`+"\n", x, bodyTop-10, to-from, bodyHigh+20)
		}
		text := w.Of("span", "from", length(x.Min), "to", length(x.Max))
		fmt.Fprintf(&b, `<text class="mut" x="4" y="%d">%s</text><text class="mut" x="4" y="%d">%s</text>`+"\n", bodyBottom+30, html.EscapeString(w.Of("draw.window")), bodyBottom+46, html.EscapeString(text))
		fmt.Fprintf(&b, `<text class="mut" x="%d" y="%d" text-anchor="end">%s</text>`+"\n", liveWidth-4, bodyBottom+30, html.EscapeString(w.Of("draw.each-side")))
	}
	fmt.Fprintf(&b, `<rect class="roll" x="%d" y="%d" width="%d" height="%d"/>`+"\n", bodyLeft, bodyTop, bodyWide, bodyHigh)
	const mid = bodyLeft + bodyWide/2
	fmt.Fprintf(&b, `<text x="%d" y="%d" text-anchor="middle">%s</text><text x="%d" y="%d" text-anchor="middle">⌀ %s</text>`+"\n",
		mid, bodyTop+38, html.EscapeString(w.Of("draw.wide", "width", length(v.Width))), mid, bodyTop+58, length(v.Diameter))
	if v.Wrapper > 0 {
		over := scale * v.Overhang
		sheet, fits := "sheet", v.fits()
		if !fits {
			sheet = "sheet need"
		}
		fmt.Fprintf(&b, `<rect class="%s" x="%.1f" y="%d" width="%.1f" height="%d"/>`+"\n", sheet, bodyLeft-over, bodyTop-5, bodyWide+2*over, bodyHigh+10)
		mark := ""
		if !fits {
			mark = "▲ "
		}
		for _, x := range []float64{bodyLeft - over/2, bodyRight + over/2} {
			x = math.Min(math.Max(x, 34), liveWidth-34)
			fmt.Fprintf(&b, `<text class="key" x="%.1f" y="%d" text-anchor="middle">%s%s</text>`+"\n", x, bodyTop-16, mark, length(v.Overhang))
		}
		fmt.Fprintf(&b, `<text x="%d" y="18" text-anchor="middle">%s</text>`+"\n", mid, html.EscapeString(w.Of("draw.wrapper", "width", length(v.Wrapper), "paper", v.Paper, "slot", v.Slot)))
	} else {
		fmt.Fprintf(&b, `<text x="%d" y="18" text-anchor="middle">%s</text>`+"\n", mid, html.EscapeString(w.Of("draw.no-wrapper")))
	}
	fmt.Fprintf(&b, `<text class="mut" x="%d" y="%d" text-anchor="end">%s</text>`+"\n</svg>\n", liveWidth-4, bodyBottom+46, html.EscapeString(w.Of("draw.ends-larger")))
	return b.String()
}

func (v *SideView) greatest() float64 {
	if v.Window != nil {
		return math.Max(v.Window.Max, 1e-3)
	}
	return 1e-3
}

func (v *SideView) fits() bool {
	const slack = 1e-6
	return v.Window == nil || v.Overhang >= v.Window.Min-slack && v.Overhang <= v.Window.Max+slack
}

// words is the drawing for whoever cannot see it.
func (v *SideView) words(w *wording.Words, length func(float64) string) string {
	pairs := []any{"width", length(v.Width), "diameter", length(v.Diameter)}
	if v.Wrapper == 0 {
		return w.Of("draw.side.bare", pairs...)
	}
	pairs = append(pairs, "wrapper", length(v.Wrapper), "slot", v.Slot, "overhang", length(v.Overhang))
	x := v.Window
	switch {
	case x == nil:
		return w.Of("draw.side", pairs...)
	case v.fits():
		return w.Of("draw.side.inside", append(pairs, "from", length(x.Min), "to", length(x.Max))...)
	}
	return w.Of("draw.side.outside", append(pairs, "from", length(x.Min), "to", length(x.Max))...)
}

// Short is a quantity to as many digits as are read from afar, in the unit of the
// line.
func Short(line *recipe.Line, v float64, d quantity.Dimension) string {
	unit := line.Unit(d)
	return quantity.Round(v, d, unit, decimalsOf(v, d, unit))
}

// Column is Short with zeros at its end, so that the figures of a column stand below
// each other.
func Column(line *recipe.Line, v float64, d quantity.Dimension) string {
	unit := line.Unit(d)
	return strconv.FormatFloat(quantity.In(v, d, unit), 'f', decimalsOf(v, d, unit), 64) + " " + unit
}

func decimalsOf(v float64, d quantity.Dimension, unit string) int {
	decimals := 1
	switch unit {
	case "m", "m2", "ft", "yd", "m/s":
		decimals = 2
		if math.Abs(quantity.In(v, d, unit)) >= 100 {
			decimals = 0
		}
	case "mm", "kg", "lb":
		decimals = 0
	}
	return decimals
}
