package config

import (
	"math"
	"slices"
	"strings"
	"sync"

	"lapgate/gateway/handshake"
	"lapgate/recipe"
	"lapgate/recipe/quantity"
)

// capacity is the room of a field of the wire for what a configured limit
// bounds. A value that does not fit its field is an error of the
// configuration, never clamped.
type capacity struct {
	limit recipe.Limit
	dim   quantity.Dimension
	field handshake.FieldInfo
}

// capacities lists the limits by field of the payload, and for the measured
// dimensions by the samples of the request; each limit once.
var capacities = sync.OnceValue(func() []capacity {
	diameter := recipe.Limit{Key: "limits.diameter", Of: func(l *recipe.Line) recipe.Range { return l.Limits.Diameter }}
	width := recipe.Limit{Key: "limits.width", Of: func(l *recipe.Line) recipe.Range { return l.Limits.Width }}
	out := []capacity{
		{diameter, quantity.Length, handshake.FieldOf(handshake.REQ, "diameter_samples")},
		{width, quantity.Length, handshake.FieldOf(handshake.REQ, "width_samples")},
	}
	for _, f := range handshake.SetpointFields() {
		p := recipe.SetpointOf(f.Setpoint)
		told := slices.ContainsFunc(out, func(c capacity) bool { return c.limit.Key == p.Limit.Key })
		if p.Limit.Of != nil && !told {
			out = append(out, capacity{p.Limit, p.Dimension, f.FieldInfo})
		}
	}
	return out
})

// maxHead is the greatest head that the payload holds, in metres.
var maxHead = sync.OnceValue(func() float64 {
	fields := handshake.SetpointFields()
	c := capacity{field: fields[slices.IndexFunc(fields, func(f handshake.SetpointField) bool { return f.Setpoint == "outer_head_m" })].FieldInfo}
	_, most := c.room()
	return most
})

// room is the least and the greatest value that the field holds.
func (c *capacity) room() (least, most float64) {
	low, high := c.field.Range()
	return c.field.SI(low), c.field.SI(high)
}

// fits checks the limits of a line against the fields that carry them.
func (d *decoder) fits(l *line, path string, units *Units) {
	for _, c := range capacities() {
		key := join(path, c.limit.Key)
		if !d.good(key) {
			continue
		}
		r := c.limit.Of(&l.Line)
		least, most := c.room()
		show := func(v float64) string { return quantity.Round(v, c.dim, units.For(c.dim), 4) }
		problem := "limit does not fit its field on the wire (" + strings.ReplaceAll(c.field.Name, "_", " ") + ")"
		if r.Max > most {
			d.problem(d.where(key), key, problem, show(r.Max), "at most "+show(most), "lower the greatest limit")
		}
		if r.Min < least {
			d.problem(d.where(key), key, problem, show(r.Min), "at least "+show(least), "raise the least limit")
		}
	}
	counts, feed := join(path, "wrap.counts_per_metre"), join(path, "limits.feed_length")
	if n := l.Limits.FeedLength.Max * l.Wrap.CountsPerMetre; d.good(counts, feed) && n > math.MaxUint32 {
		d.problem(d.given(feed, counts), feed, "encoder counts of the greatest feed length do not fit their field on the wire", quantity.Round(n, quantity.None, "", 0), "at most "+quantity.Round(math.MaxUint32, quantity.None, "", 0), "lower the limit or wrap.counts_per_metre")
	}
}
