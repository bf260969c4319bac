package report

import (
	"fmt"
	"html"
	"strconv"
	"strings"

	"lapgate/recipe/quantity"
	"lapgate/recipe/rate"
	"lapgate/recipe/wording"
)

// The drawings of a rate, in pixels.
const (
	rateWidth  = 920
	rateLeft   = 250 // of the bars
	rateRight  = 720
	rateRow    = 24
	rateHead   = 62
	rateBottom = 14
)

// rateStyle names its drawing: in a page the styles of all drawings are one.
const rateStyle = `.rate text{font:12px sans-serif;fill:#222}.rate .t{font-weight:bold;font-size:14px}.rate .m{fill:#555}.rate .g{stroke:#ddd}` +
	`.rate .h{fill:#d7e3f0;stroke:#1f5fa8}.rate .p{fill:#1f5fa8;stroke:#1f5fa8}.rate .k{font-weight:bold}`

// RateView draws the mean cycle of a roll by station: the part of hands and handling
// light, the part of motion and heat dark, and a sign at the station that takes most.
func RateView(w *wording.Words, s *rate.Summary) string {
	var b strings.Builder
	openRate(&b, w.Of("draw.rate", "count", perHour(s.PerHour), "seconds", short(s.Cycle, 1)), len(s.Stations))
	most := 0.0
	for i := range s.Stations {
		most = max(most, s.Stations[i].Seconds)
	}
	fmt.Fprintf(&b, `<rect class="h" x="%d" y="36" width="14" height="12"/><text x="%d" y="47">%s</text>`+"\n", rateLeft, rateLeft+20, html.EscapeString(w.Of("draw.rate.hands")))
	fmt.Fprintf(&b, `<rect class="p" x="%d" y="36" width="14" height="12"/><text x="%d" y="47">%s</text>`+"\n", rateLeft+170, rateLeft+190, html.EscapeString(w.Of("draw.rate.machine")))
	for i := range s.Stations {
		at := &s.Stations[i]
		name, class := wording.Word("rate.station", at.Station), ""
		if at.Mode != "" {
			name = wording.Say("draw.rate.mode", "station", name, "mode", wording.Word("equipment", at.Mode))
		}
		note := fmt.Sprintf("%s s, %s %%", short(at.Seconds, 1), short(at.Share, 1))
		if at.Station == s.Bottleneck {
			class, note = "k", w.Of("draw.rate.most", "text", note)
		}
		y := rateLine(&b, i, w.Text(name), class)
		hands, machine := bar(at.Hands, most), bar(at.Machine, most)
		fmt.Fprintf(&b, `<rect class="h" x="%d" y="%d" width="%.1f" height="15"/><rect class="p" x="%.1f" y="%d" width="%.1f" height="15"/>`+"\n",
			rateLeft, y-12, hands, rateLeft+hands, y-12, machine)
		fmt.Fprintf(&b, `<text class="%s" x="%.1f" y="%d">%s</text>`+"\n", class, rateLeft+hands+machine+8, y, html.EscapeString(note))
	}
	b.WriteString("</svg>\n")
	return b.String()
}

// LadderView draws the rate now and after each best next step of automation.
func LadderView(w *wording.Words, s *rate.Summary) string {
	var b strings.Builder
	openRate(&b, w.Of("draw.ladder"), len(s.Ladder)+1)
	fmt.Fprintf(&b, `<text class="m" x="%d" y="47">%s</text>`+"\n", rateLeft, html.EscapeString(w.Of("draw.ladder.each")))
	most := s.PerHour
	for i := range s.Ladder {
		most = max(most, s.Ladder[i].PerHour)
	}
	step := func(row int, name string, rate float64, note string) { // the figure behind the bar
		y := rateLine(&b, row, name, "")
		wide := bar(rate, most)
		fmt.Fprintf(&b, `<rect class="h" x="%d" y="%d" width="%.1f" height="15"/><text x="%.1f" y="%d">%s</text>`+"\n",
			rateLeft, y-12, wide, rateLeft+wide+8, y, html.EscapeString(note))
	}
	step(0, w.Of("draw.ladder.now"), s.PerHour, perHour(s.PerHour))
	for i := range s.Ladder {
		m := &s.Ladder[i]
		name := w.Of("draw.ladder.step", "station", wording.Word("rate.station", m.Station), "from", wording.Word("equipment", m.From), "to", wording.Word("equipment", m.To))
		step(i+1, name, m.PerHour, w.Of("draw.ladder.saves", "count", perHour(m.PerHour), "seconds", short(m.Saves, 1)))
	}
	b.WriteString("</svg>\n")
	return b.String()
}

func openRate(b *strings.Builder, title string, rows int) {
	height := rateHead + rateRow*rows + rateBottom
	fmt.Fprintf(b, `<svg class="rate" xmlns="http://www.w3.org/2000/svg" width="%d" height="%d" viewBox="0 0 %d %d" role="img">`+"\n", rateWidth, height, rateWidth, height)
	fmt.Fprintf(b, "<title>%s</title>\n<style>%s</style>\n", html.EscapeString(title), rateStyle)
	fmt.Fprintf(b, `<rect width="%d" height="%d" fill="#fff"/>`+"\n", rateWidth, height)
	fmt.Fprintf(b, `<text class="t" x="8" y="22">%s</text>`+"\n", html.EscapeString(title))
	fmt.Fprintf(b, `<path class="g" d="M%d %dV%d"/>`+"\n", rateLeft, rateHead-4, rateHead+rateRow*rows)
}

// rateLine writes the name of a row and returns its line of text.
func rateLine(b *strings.Builder, row int, name, class string) int {
	y := rateHead + rateRow*row + 14
	fmt.Fprintf(b, `<text class="%s" x="%d" y="%d" text-anchor="end">%s</text>`+"\n", class, rateLeft-8, y, html.EscapeString(name))
	return y
}

func bar(v, most float64) float64 {
	if !(most > 0) {
		return 0
	}
	return (rateRight - rateLeft) * v / most
}

func short(v float64, decimals int) string {
	return quantity.Round(v, quantity.None, "", decimals)
}

// perHour is a rate with one digit behind the point.
func perHour(v float64) string { return strconv.FormatFloat(v, 'f', 1, 64) }
