package report

import (
	"fmt"
	"html"
	"math"
	"strconv"
	"strings"

	"lapgate/recipe"
	"lapgate/recipe/quantity"
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
func (v *SideView) Drawing(line *recipe.Line) string {
	length := func(m float64) string { return Short(line, m, quantity.Length) }
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="draw" viewBox="0 0 %d %d" role="img" aria-label="%s">`+"\n", liveWidth, sideHeight, html.EscapeString(v.words(length)))
	const bodyRight, bodyBottom = bodyLeft + bodyWide, bodyTop + bodyHigh
	scale := endZone / (1.15 * math.Max(v.Overhang, v.greatest()))
	if w := v.Window; w != nil {
		from, to := scale*w.Min, scale*w.Max
		for _, x := range []float64{bodyLeft - to, bodyRight + from} {
			fmt.Fprintf(&b, `<rect class="win" x="%.1f" y="%d" width="%.1f" height="%d"/>`+"\n", x, bodyTop-10, to-from, bodyHigh+20)
		}
		text := length(w.Min) + " to " + length(w.Max)
		fmt.Fprintf(&b, `<text class="mut" x="4" y="%d">window</text><text class="mut" x="4" y="%d">%s</text>`+"\n", bodyBottom+30, bodyBottom+46, text)
		fmt.Fprintf(&b, `<text class="mut" x="%d" y="%d" text-anchor="end">on each side</text>`+"\n", liveWidth-4, bodyBottom+30)
	}
	fmt.Fprintf(&b, `<rect class="roll" x="%d" y="%d" width="%d" height="%d"/>`+"\n", bodyLeft, bodyTop, bodyWide, bodyHigh)
	const mid = bodyLeft + bodyWide/2
	fmt.Fprintf(&b, `<text x="%d" y="%d" text-anchor="middle">%s wide</text><text x="%d" y="%d" text-anchor="middle">⌀ %s</text>`+"\n",
		mid, bodyTop+38, length(v.Width), mid, bodyTop+58, length(v.Diameter))
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
		fmt.Fprintf(&b, `<text x="%d" y="18" text-anchor="middle">%s wrapper, %s, slot %d</text>`+"\n", mid, length(v.Wrapper), html.EscapeString(v.Paper), v.Slot)
	} else {
		fmt.Fprintf(&b, `<text x="%d" y="18" text-anchor="middle">no wrapper</text>`+"\n", mid)
	}
	fmt.Fprintf(&b, `<text class="mut" x="%d" y="%d" text-anchor="end">ends drawn larger</text>`+"\n</svg>\n", liveWidth-4, bodyBottom+46)
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
func (v *SideView) words(length func(float64) string) string {
	out := fmt.Sprintf("Roll %s wide, %s in diameter", length(v.Width), length(v.Diameter))
	if v.Wrapper == 0 {
		return out + ", without a wrapper."
	}
	out += fmt.Sprintf(", in a wrapper of %s from slot %d: overhang %s on each side", length(v.Wrapper), v.Slot, length(v.Overhang))
	if w := v.Window; w != nil {
		in := "inside"
		if !v.fits() {
			in = "outside"
		}
		out += fmt.Sprintf(", %s its window of %s to %s", in, length(w.Min), length(w.Max))
	}
	return out + "."
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
	case "m", "ft", "yd", "m/s":
		decimals = 2
		if math.Abs(quantity.In(v, d, unit)) >= 100 {
			decimals = 0
		}
	case "mm", "kg", "lb":
		decimals = 0
	}
	return decimals
}
