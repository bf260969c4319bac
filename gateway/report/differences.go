package report

import (
	"lapgate/gateway/replay"
	"lapgate/recipe"
	"lapgate/recipe/quantity"
)

// Differences draws what the controller used less our recipe as an SVG with a
// panel for each setpoint, by roll in the order of the journal and in the units
// of a line.
func Differences(title string, c *replay.Comparison, line *recipe.Line) string {
	var panels []Panel
	for i := range c.Usages {
		p := c.Usages[i].Field.Setpoint
		unit := ""
		if p.Dimension != quantity.None {
			unit = line.Unit(p.Dimension)
		}
		// A difference has no zero point.
		in := func(v float64) float64 {
			return quantity.In(v, p.Dimension, unit) - quantity.In(0, p.Dimension, unit)
		}
		g := Panel{Title: p.Label + ", used less ours", Unit: unit, Across: "roll, in the order of the journal"}
		for k := range c.Wraps {
			w := &c.Wraps[k]
			if w.Held || !w.Readings[i].Compared {
				continue
			}
			r := &w.Readings[i]
			g.Points = append(g.Points, Point{X: float64(k + 1), Y: in(r.Difference()), Band: in(r.Allowed), Out: r.Exceeds()})
		}
		if len(g.Points) > 0 {
			panels = append(panels, g)
		}
	}
	return Panels(title, panels)
}
