package report

import (
	"fmt"
	"html"
	"math"
	"strings"

	"lapgate/recipe"
	"lapgate/recipe/quantity"
)

// slotHigh is the height of one slot in the drawing of the stand, in pixels.
const slotHigh = 44

// StandView draws the stand: for each slot the wrapper roll as wide as it is, what
// hangs and how long it lasts, with a sign at one that runs out and at the one that is
// taken.
func StandView(line *recipe.Line, list []Candidate) string {
	var b strings.Builder
	height := max(1, len(list))*slotHigh + 4
	var words []string
	widest := 0.0
	for i := range list {
		words = append(words, list[i].words(line))
		widest = math.Max(widest, list[i].Width)
	}
	label := "The stand. " + strings.Join(words, " ")
	fmt.Fprintf(&b, `<svg class="draw" viewBox="0 0 %d %d" role="img" aria-label="%s">`+"\n", liveWidth, height, html.EscapeString(label))
	for i := range list {
		c, y := &list[i], i*slotHigh
		class := "slot"
		switch {
		case c.Few:
			class = "slot need"
		case c.Chosen:
			class = "slot taken"
		}
		const left, room = 34, liveWidth - 38
		fmt.Fprintf(&b, `<text class="key" x="4" y="%d">%d</text>`+"\n", y+17, c.Slot)
		fmt.Fprintf(&b, `<text x="%d" y="%d">%s %s</text>`+"\n", left, y+15, Short(line, c.Width, quantity.Length), html.EscapeString(c.Paper))
		fmt.Fprintf(&b, `<text class="%s" x="%d" y="%d" text-anchor="end">%s</text>`+"\n", endClass(c), liveWidth-4, y+15, html.EscapeString(c.lasts(line)))
		fmt.Fprintf(&b, `<rect class="%s" x="%d" y="%d" width="%.1f" height="12"/>`+"\n", class, left, y+22, room*c.Width/widest)
	}
	b.WriteString("</svg>\n")
	return b.String()
}

func endClass(c *Candidate) string {
	if c.Few {
		return "key need"
	}
	return "mut"
}

// lasts says what is left, in length and rolls.
func (c *Candidate) lasts(line *recipe.Line) string {
	if c.Left == nil || c.Chosen || c.Few {
		return c.rolls()
	}
	return Reach(line, *c.Left) + ", " + c.rolls()
}

// Reach is a length of paper, in the greater unit of the system that the line has.
func Reach(line *recipe.Line, m float64) string {
	return quantity.Round(m, quantity.Length, reachUnit(line), 0)
}

// reachUnit is the greater unit of length of the system that the line has.
func reachUnit(line *recipe.Line) string {
	if u := line.Unit(quantity.Length); u == "in" || u == "ft" || u == "yd" {
		return "ft"
	}
	return "m"
}

// rolls says how long the wrapper roll lasts, with a sign where that is short.
func (c *Candidate) rolls() string {
	text := "length not known"
	switch {
	case c.More == nil && c.Left == nil:
	case c.More == nil:
		text = "other paper"
	case *c.More == 0:
		text = "▲ too little for one roll"
	case *c.More == 1:
		text = "1 roll left"
	default:
		text = fmt.Sprintf("%d rolls left", *c.More)
	}
	if c.Few && c.More != nil && *c.More > 0 {
		text = "▲ " + text
	}
	if c.Chosen {
		text = "● taken, " + text
	}
	return text
}

func (c *Candidate) words(line *recipe.Line) string {
	out := fmt.Sprintf("Slot %d: %s of %s", c.Slot, Short(line, c.Width, quantity.Length), c.Paper)
	if c.Left != nil {
		out += ", " + Reach(line, *c.Left) + " left"
	}
	return out + ", " + strings.NewReplacer("▲ ", "", "● ", "").Replace(c.rolls()) + ", " + c.Why + "."
}
