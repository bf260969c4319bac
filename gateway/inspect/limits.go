package inspect

import (
	"context"
	"fmt"
	"math"
	"strconv"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
	"lapgate/recipe"
)

const limitsSubject = "limits of the controller"

// limits demands that the configured limits lie inside those by which the
// controller judges a recipe, where it publishes them. It reports whether there is
// still a connection.
func (l *inspection) limits(ctx context.Context) bool {
	if l.request.Flags&handshake.LimitsPublished == 0 {
		l.items.add(Note, limitsSubject, "not published", "those of the configuration, or wider",
			"compare them at the controller by hand")
		return true
	}
	limits, ok := l.readLimits(ctx)
	if !ok {
		return !l.items.Unreachable
	}
	before, compared := len(l.items.Items), 0
	for _, f := range handshake.SetpointFields() {
		own, key, bounded := limitOf(l.expect.Line, f.Setpoint)
		if !bounded {
			continue
		}
		compared++
		l.inside(&f, own, key, f.Get(&limits.Least), f.Get(&limits.Greatest))
	}
	if len(l.items.Items) == before {
		l.items.add(OK, limitsSubject, fmt.Sprintf("generation %d; %d limits of the configuration lie inside", limits.Gen, compared), "", "")
	}
	return true
}

// readLimits reads the block of limits until it is whole.
func (l *inspection) readLimits(ctx context.Context) (limits handshake.Limits, ok bool) {
	const subject = "block LIMITS"
	words := make([]uint16, handshake.LimitsWords)
	ok = l.whole(ctx, Item{Subject: subject, Want: "a whole block, since flag 7 of REQ says that it is published",
		Remedy: "compare base and controller program with the map of registers, or let the program keep flag 7 off"},
		func(ctx context.Context) error {
			if !l.read(ctx, subject, link.Span{Block: handshake.LIMITS, Dst: words}) {
				return errNotRead
			}
			return handshake.DecodeLimits(words, &limits)
		})
	return limits, ok
}

// inside compares one configured limit with that of the controller.
func (l *inspection) inside(f *handshake.SetpointField, own recipe.Range, key string, least, greatest int64) {
	p := recipe.SetpointOf(f.Setpoint)
	write := func(v float64) string {
		if f.Unit == "" {
			return strconv.FormatFloat(v, 'g', 6, 64)
		}
		return l.expect.Line.Write(v, p.Dimension)
	}
	span := func(low, high float64) string { return write(low) + " to " + write(high) }
	subject := "limit of " + p.Label
	got := span(own.Min, own.Max) + " in " + key
	if least > greatest {
		l.items.add(Fail, subject, got, "a limit of the controller, which has none yet: its least, "+write(f.SI(least))+", is above its greatest, "+write(f.SI(greatest)),
			"enter the machine's own limit at the controller, from its data sheet; until then it rejects every recipe that sets this")
		return
	}
	low, lowFits := f.Nearest(own.Min)
	high, highFits := f.Nearest(own.Max)
	if lowFits && highFits && low >= least && high <= greatest {
		return
	}
	l.items.add(Fail, subject, got, "inside "+span(f.SI(least), f.SI(greatest))+" of the controller",
		"narrow "+key+"; the controller's limit is the machine's own, and only who answers for the machine changes it, by its data sheet")
}

// limitOf is what the configuration of a line allows of a setpoint that the payload
// carries, and the key that says so. bounded is false where it bounds nothing, or
// where the equipment is not there and the controller ignores the setpoint.
func limitOf(line *recipe.Line, setpoint string) (r recipe.Range, key string, bounded bool) {
	p := recipe.SetpointOf(setpoint)
	e := &line.Equipment
	powered := [...]recipe.Mode{
		recipe.GroupStand: e.Stand, recipe.GroupWrap: e.Wrap, recipe.GroupCrimp: e.Crimp, recipe.GroupGlue: e.Glue,
		recipe.GroupHeader: e.Header, recipe.GroupWeigh: e.Scale, recipe.GroupCentre: e.Centring, recipe.GroupDrives: e.Drives,
	}
	if p.Group != recipe.Ungrouped && !powered[p.Group].Powered() {
		return r, "", false
	}
	if p.Limit.Of != nil {
		return p.Limit.Of(line), p.Limit.Key, true
	}
	switch setpoint {
	case "wrapper_slot":
		return spread(line.Stand.Slots, func(s *recipe.SlotSpec) float64 { return float64(s.Number) }, "stand.slots")
	case "wrapper_width_m":
		return spread(line.Stand.Slots, func(s *recipe.SlotSpec) float64 { return s.Width }, "stand.slots")
	case "layers":
		return spread(line.Materials.Specs, func(s *recipe.Spec) float64 { return s.Layers }, "specs")
	case "feed_counts":
		feed := line.Limits.FeedLength
		return recipe.Range{Min: feed.Min * line.Wrap.CountsPerMetre, Max: feed.Max * line.Wrap.CountsPerMetre}, "limits.feed_length times wrap.counts_per_metre", true
	case "inner_head_m", "outer_head_m":
		var all []float64
		for i := range line.Materials.Stock {
			all = append(all, line.Materials.Stock[i].Diameters...)
		}
		return spread(all, func(d *float64) float64 { return *d }, "head_materials.diameters")
	}
	return r, "", false
}

// spread is the least and the greatest of what a list of the configuration allows.
func spread[T any](list []T, of func(*T) float64, key string) (recipe.Range, string, bool) {
	r := recipe.Range{Min: math.Inf(1), Max: math.Inf(-1)}
	for i := range list {
		r.Min, r.Max = min(r.Min, of(&list[i])), max(r.Max, of(&list[i]))
	}
	return r, key, len(list) > 0 && r.Min != 0 && r.Max != 0
}
