package report

import (
	"fmt"
	"html"
	"math"
	"strings"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/quantity"
	"lapgate/recipe/wording"
)

// Trend is one quantity over the rolls of a shift, against what it must keep.
type Trend struct {
	Title  string
	Unit   string
	Points []TrendPoint
}

// TrendPoint is one roll. Band tells whether Low and High mean anything.
type TrendPoint struct {
	At        time.Time
	Y         float64 // in the unit of the trend
	Low, High float64
	Band      bool
}

// Out tells whether the roll left its window.
func (p *TrendPoint) Out() bool { return p.Band && (p.Y < p.Low-1e-6 || p.Y > p.High+1e-6) }

// TrendsOf are the trends of the rolls that left since a moment, in the units of a
// line: overhang in its window, dwell in its limits, deviation of the scale in its
// tolerance, and the time at the station.
func TrendsOf(w *wording.Words, line *recipe.Line, rolls []*record.Roll, since time.Time) []Trend {
	unit := line.Unit(quantity.Length)
	inUnit := quantity.In(1, quantity.Length, unit) // once: to find it takes longer than all else of a roll
	over, dwell := Trend{Title: w.Of("draw.trend.overhang"), Unit: unit}, Trend{Title: w.Of("draw.trend.dwell"), Unit: "s"}
	scale, cycle := Trend{Title: w.Of("draw.trend.scale"), Unit: "%"}, Trend{Title: w.Of("draw.trend.cycle"), Unit: "s"}
	for _, r := range rolls {
		if r.Outcome == nil || r.OutcomeAt.At.Before(since) || len(r.Rounds) == 0 {
			continue
		}
		at := r.OutcomeAt.At
		cycle.Points = append(cycle.Points, TrendPoint{At: at, Y: at.Sub(r.Rounds[0].RequestAt.At).Seconds()})
		if g := r.Outcome.Weighing; g != nil && g.Gross > 0 {
			t := 100 * line.Scale.Tolerance
			scale.Points = append(scale.Points, TrendPoint{At: at, Y: 100 * g.Delta / g.Gross, Low: -t, High: t, Band: true})
		}
		d := r.Used()
		words, _, ok := d.Decided()
		var p handshake.Payload
		if !ok || handshake.DecodeStoredPayload(words, &p) != nil || p.Kind != handshake.KindRecipe {
			continue
		}
		points := record.SetpointsOf(&p)
		if points.Groups.Has(recipe.GroupHeader) {
			l := line.Limits.Dwell
			dwell.Points = append(dwell.Points, TrendPoint{At: at, Y: points.HeaderDwell, Low: l.Min, High: l.Max, Band: true})
		}
		roll, _ := d.Request.Measurement()
		if x, known := recipe.WrapperWindow(line, &roll, points.Slot); points.WrapperWidth > 0 {
			band := known && !x.Empty() && !math.IsNaN(x.Overhang.Min)
			over.Points = append(over.Points, TrendPoint{At: at, Y: inUnit * (points.WrapperWidth - roll.Width) / 2, Low: inUnit * x.Overhang.Min, High: inUnit * x.Overhang.Max, Band: band})
		}
	}
	return []Trend{over, dwell, scale, cycle}
}

// The plot of a trend, in pixels.
const (
	trendHeight           = 114
	trendLeft, trendRight = 54, 352
	trendTop, trendBottom = 10, 84
)

// Drawing draws the trend, times in a zone.
func (g *Trend) Drawing(w *wording.Words, zone *time.Location) string {
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="draw plot" viewBox="0 0 %d %d" role="img" aria-label="%s">`+"\n", liveWidth, trendHeight, html.EscapeString(g.words(w, zone)))
	if len(g.Points) == 0 {
		fmt.Fprintf(&b, `<text class="mut" x="4" y="%d">%s</text>`+"\n</svg>\n", trendHeight/2, html.EscapeString(w.Of("draw.no-roll")))
		return b.String()
	}
	first, last := g.Points[0].At, g.Points[len(g.Points)-1].At
	across := axis{0, math.Max(last.Sub(first).Seconds(), 1), trendLeft + 6, trendRight - 6}
	up := g.upright()
	x := func(p *TrendPoint) float64 { return across.at(p.At.Sub(first).Seconds()) }
	g.band(&b, x, up)
	for _, v := range []float64{up.least, up.most} {
		fmt.Fprintf(&b, `<line class="grid" x1="%d" y1="%.1f" x2="%d" y2="%.1f"/><text class="mut" x="%d" y="%.1f" text-anchor="end">%s</text>`+"\n",
			trendLeft, up.at(v), trendRight, up.at(v), trendLeft-4, up.at(v)+4, plain(v))
	}
	for i := range g.Points {
		p := &g.Points[i]
		if p.Out() {
			fmt.Fprintf(&b, `<path class="out" d="M%.1f %.1fl5 9h-10z"/>`+"\n", x(p), up.at(p.Y)-6)
		} else {
			fmt.Fprintf(&b, `<circle class="dot" cx="%.1f" cy="%.1f" r="2.4"/>`+"\n", x(p), up.at(p.Y))
		}
	}
	fmt.Fprintf(&b, `<text class="mut" x="%d" y="%d">%s</text><text class="mut" x="%d" y="%d" text-anchor="end">%s</text>`+"\n</svg>\n",
		trendLeft, trendHeight-6, first.In(zone).Format("15:04"), trendRight, trendHeight-6, last.In(zone).Format("15:04"))
	return b.String()
}

// upright is the axis of the values, over points and windows.
func (g *Trend) upright() axis {
	low, high := math.Inf(1), math.Inf(-1)
	for i := range g.Points {
		p := &g.Points[i]
		low, high = math.Min(low, p.Y), math.Max(high, p.Y)
		if p.Band {
			low, high = math.Min(low, p.Low), math.Max(high, p.High)
		}
	}
	if low == high {
		low, high = low-1, high+1
	}
	ticks := ticksOf(low, high, 4)
	return axis{ticks[0], ticks[len(ticks)-1], trendBottom, trendTop}
}

// band shades the window from roll to roll.
func (g *Trend) band(b *strings.Builder, x func(*TrendPoint) float64, up axis) {
	for i := range g.Points {
		p := &g.Points[i]
		if !p.Band {
			continue
		}
		from, to := x(p)-3, x(p)+3
		if i > 0 {
			from = (x(&g.Points[i-1]) + x(p)) / 2
		}
		if i+1 < len(g.Points) {
			to = (x(p) + x(&g.Points[i+1])) / 2
		}
		fmt.Fprintf(b, `<rect class="win" x="%.1f" y="%.1f" width="%.1f" height="%.1f"/>`+"\n", from, up.at(p.High), math.Max(to-from, 0.5), up.at(p.Low)-up.at(p.High))
	}
}

// words is the trend for whoever cannot see it.
func (g *Trend) words(w *wording.Words, zone *time.Location) string {
	if len(g.Points) == 0 {
		return w.Of("draw.trend.none", "title", g.Title)
	}
	low, high, out := math.Inf(1), math.Inf(-1), 0
	for i := range g.Points {
		p := &g.Points[i]
		low, high = math.Min(low, p.Y), math.Max(high, p.Y)
		if p.Out() {
			out++
		}
	}
	return w.Of("draw.trend", "title", g.Title, "count", len(g.Points),
		"since", g.Points[0].At.In(zone).Format("15:04"), "until", g.Points[len(g.Points)-1].At.In(zone).Format("15:04"), "from", plain(low), "to", plain(high), "unit", g.Unit, "outside", out)
}
