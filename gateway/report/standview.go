package report

import (
	"fmt"
	"html"
	"math"
	"strings"

	"lapgate/recipe"
	"lapgate/recipe/quantity"
	"lapgate/recipe/wording"
)

// slotHigh is the height of one slot in the drawing of the stand, in pixels.
const slotHigh = 44

// StandView draws the stand: for each slot the wrapper roll as wide as it is, what
// hangs and how long it lasts, with a sign at one that runs out and at the one that is
// taken.
func StandView(w *wording.Words, line *recipe.Line, list []Candidate) string {
	var b strings.Builder
	height := max(1, len(list))*slotHigh + 4
	var words []string
	widest := 0.0
	for i := range list {
		words = append(words, list[i].words(w, line))
		widest = math.Max(widest, list[i].Width)
	}
	label := w.Of("draw.stand") + " " + strings.Join(words, " ")
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
		fmt.Fprintf(&b, `<text class="%s" x="%d" y="%d" text-anchor="end">%s</text>`+"\n", endClass(c), liveWidth-4, y+15, html.EscapeString(c.lasts(w, line)))
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
func (c *Candidate) lasts(w *wording.Words, line *recipe.Line) string {
	if c.Left == nil || c.Chosen || c.Few {
		return c.rolls(w)
	}
	return Reach(line, *c.Left) + ", " + c.rolls(w)
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
func (c *Candidate) rolls(w *wording.Words) string {
	text := c.count(w)
	if c.Few && c.More != nil {
		text = "▲ " + text
	}
	if c.Chosen {
		text = "● " + w.Of("draw.taken", "left", text)
	}
	return text
}

// count says how many rolls the wrapper roll lasts for.
func (c *Candidate) count(w *wording.Words) string {
	switch {
	case c.More == nil && c.Left == nil:
		return w.Of("draw.length-unknown")
	case c.More == nil:
		return w.Of("draw.other-paper")
	case *c.More == 0:
		return w.Of("draw.too-little")
	case *c.More == 1:
		return w.Of("draw.one-roll-left")
	}
	return w.Of("draw.rolls-left", "count", *c.More)
}

func (c *Candidate) words(w *wording.Words, line *recipe.Line) string {
	left := c.count(w)
	if c.Chosen {
		left = w.Of("draw.taken", "left", left)
	}
	pairs := []any{"slot", c.Slot, "width", Short(line, c.Width, quantity.Length), "paper", c.Paper, "left", left, "why", c.Why}
	if c.Left != nil {
		return w.Of("draw.slot.length", append(pairs, "length", Reach(line, *c.Left))...)
	}
	return w.Of("draw.slot", pairs...)
}
