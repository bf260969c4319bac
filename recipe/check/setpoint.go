package check

import (
	"math"
	"strconv"

	"lapgate/recipe"
	"lapgate/recipe/caution"
	"lapgate/recipe/wording"
)

// rounding is the relative difference that arithmetic may leave between two
// ways to the same value.
const rounding = 1e-9

// coarse is the relative difference allowed between a setpoint and a rough
// second calculation, a judgement: wider than any rounding on the wire,
// narrower than one layer or one turn.
const coarse = 0.01

// slot checks wrapper and overhang.
func (r *run) slot() {
	sp := &r.rec.Setpoints
	if !sp.Groups.Has(recipe.GroupStand) {
		return
	}
	hung, known := 0.0, false
	for i := range r.line.Stand.Slots {
		if s := &r.line.Stand.Slots[i]; s.Number == sp.Slot {
			hung, known = s.Width, true
		}
	}
	switch {
	case !known:
		r.add(SlotWidth, "wrapper_slot", strconv.Itoa(sp.Slot), "a slot of the stand", "",
			wording.Say("finding.slot-width.unknown", "slot", sp.Slot))
	case !near(hung, sp.WrapperWidth):
		r.add(SlotWidth, "wrapper_width_m", r.write(metres, sp.WrapperWidth), r.write(metres, hung), r.slotKey(sp.Slot),
			wording.Say("finding.slot-width", "slot", sp.Slot, "hung", r.write(metres, hung), "width", r.write(metres, sp.WrapperWidth)))
	case !near(sp.WrapperWidth, r.roll.Width+2*sp.Overhang):
		r.add(SlotWidth, "overhang_m", r.write(metres, sp.Overhang), r.write(metres, (sp.WrapperWidth-r.roll.Width)/2), "",
			wording.Say("finding.slot-width.overhang", "overhang", r.write(metres, sp.Overhang), "computed", r.write(metres, (sp.WrapperWidth-r.roll.Width)/2)))
	}
	if r.windowKnown && !r.window.Contains(sp.Overhang) {
		rule := r.window.Upper
		if sp.Overhang < r.window.Overhang.Min {
			rule = r.window.Lower
		}
		r.add(OverhangRange, "overhang_m", r.write(metres, sp.Overhang), r.span(metres, r.window.Overhang).String(), r.boundaryKey(rule),
			wording.Say("finding.overhang-range", "overhang", r.write(metres, sp.Overhang), "limit", r.span(metres, r.window.Overhang), "rule", rule.Said(), "widths", r.span(metres, r.window.Widths)))
	}
	if c := r.stand.Confirmed; c != 0 && c != sp.Slot {
		r.add(SlotConfirmed, "slot_confirmed", strconv.Itoa(c), strconv.Itoa(sp.Slot), "",
			wording.Say("finding.slot-confirmed-differs", "confirmed", c, "slot", sp.Slot))
	}
	r.newWrapper(sp.Slot)
	if n := sp.Slot; n >= 1 && n <= len(r.stand.Outer) && r.stand.Outer[n-1] == 0 && !r.stand.Counted[n-1].Known {
		r.add(StockUnknown, "outer_m", "not known", "an outer diameter", "",
			wording.Say("finding.slot-stock-unknown", "slot", n))
	}
}

// newWrapper has the first roll on a wrapper that a person hung confirmed: at the
// panel, or by command.
func (r *run) newWrapper(number int) {
	if _, ok := r.confirmedBy(NewWrapper); ok || r.stand.Confirmed == number {
		return
	}
	for i := range r.line.Stand.Slots {
		s := &r.line.Stand.Slots[i]
		if s.Number != number || !s.NewlyHung {
			continue
		}
		what := wording.Say("wrapper", "width", r.write(metres, s.Width), "paper", strconv.Quote(s.Paper))
		r.add(NewWrapper, "wrapper_slot", what.String(), "confirmed", r.slotKey(number),
			wording.Say("finding.new-wrapper", "slot", number, "what", what, "caution", caution.Overhead.Said()))
	}
}

var (
	feedLimit     = limitOf(FeedLengthRange, "feed_length_m")
	wrapTimeLimit = limitOf(WrapTimeRange, "wrap_time_s")
)

// wrap checks feed length, counts and time.
func (r *run) wrap() {
	sp := &r.rec.Setpoints
	if !sp.Groups.Has(recipe.GroupWrap) {
		return
	}
	r.keeps(&feedLimit)
	r.feedLayers(sp)
	exact := sp.FeedLength * r.line.Wrap.CountsPerMetre
	if d := float64(sp.FeedCounts) - exact; !(d >= -rounding*exact && d < 1+rounding*exact) {
		want := quantityText(math.Ceil(exact))
		r.add(FeedCounts, "feed_counts", integer(sp.FeedCounts), want, "wrap.counts_per_metre",
			wording.Say("finding.feed-counts", "length", r.write(metres, sp.FeedLength), "want", want, "counts", sp.FeedCounts))
	}
	if c := &r.rec.Risk[recipe.RiskSheet]; c.Known && !(c.Margin >= r.line.Limits.GuardK*c.U) {
		r.add(OverlapShort, "feed_length_m", r.write(metres, c.Margin), "at least "+r.write(metres, r.line.Limits.GuardK*c.U), r.specKey("overlap"),
			wording.Say("finding.overlap-short", "overlap", r.write(metres, c.Margin), "short", r.write(metres, r.line.Limits.GuardK*c.U)))
	}
	r.keeps(&wrapTimeLimit)
	if least := sp.FeedLength / sp.WrapSpeed; !(sp.WrapTime >= least*(1-rounding)) {
		r.add(WrapTimeSpeed, "wrap_time_s", r.write(seconds, sp.WrapTime), "at least "+r.write(seconds, least), "wrap.speed",
			wording.Say("finding.wrap-time-speed", "time", r.write(seconds, sp.WrapTime), "least", r.write(seconds, least)))
	}
}

// feedLayers checks that what is fed, less overlap and tail, is the wanted
// number of bare circumferences, but for the growth by the layers themselves.
func (r *run) feedLayers(sp *recipe.Setpoints) {
	d := r.roll.Diameter
	if r.spec == nil || !(d > 0) {
		return
	}
	turns := (sp.FeedLength*(1-r.line.Wrap.FeedSlip) - r.spec.Overlap - r.spec.Tail) / (math.Pi * d)
	_, thick := r.calipers()
	allowed := recipe.Range{Min: sp.Layers * (1 - coarse), Max: sp.Layers * (1 + coarse + sp.Layers*thick/d)}
	if allowed.Contains(turns) {
		return
	}
	r.add(FeedLayers, "feed_length_m", r.write(pure, turns)+" turns", r.span(pure, allowed).String()+" turns", "",
		wording.Say("finding.feed-length-layers", "length", r.write(metres, sp.FeedLength), "turns", r.write(pure, turns), "layers", r.write(pure, sp.Layers), "want", r.span(pure, allowed)))
}

var (
	crimpTurnsLimit = limitOf(CrimpTurnsRange, "crimp_turns")
	crimpTimeLimit  = limitOf(CrimpTimeRange, "crimp_time_s")
)

// crimp checks turns and time.
func (r *run) crimp() {
	sp := &r.rec.Setpoints
	if !sp.Groups.Has(recipe.GroupCrimp) {
		return
	}
	r.keeps(&crimpTurnsLimit)
	r.keeps(&crimpTimeLimit)
	r.crimpers(sp)
	c := &r.line.Crimp
	fastest := c.Speed
	if r.spec != nil {
		fastest = math.Min(fastest, r.spec.CrimpSpeed)
	}
	least := c.Engage + c.Retract + sp.CrimpTurns*math.Pi*r.roll.Diameter/fastest
	if !(sp.CrimpTime >= least*(1-rounding)) {
		r.add(CrimpTimeTurns, "crimp_time_s", r.write(seconds, sp.CrimpTime), "at least "+r.write(seconds, least), "crimp.speed",
			wording.Say("finding.crimp-time-turns", "time", r.write(seconds, sp.CrimpTime), "turns", r.write(pure, sp.CrimpTurns), "least", r.write(seconds, least)))
	}
}

// step warns when a setpoint is far from the previous recipe of the same
// specification: often right, now and then the first sign of a wrong scan.
func (r *run) step() {
	if r.ctx.Prev == nil || r.specName == "" || r.ctx.PrevSpec != r.specName {
		return
	}
	for _, p := range stepped {
		if p.InForce(&r.rec.Setpoints) && p.InForce(r.ctx.Prev) {
			r.stepped(p, p.Get(&r.rec.Setpoints), p.Get(r.ctx.Prev))
		}
	}
}

// stepped are the setpoints that follow from the size of the roll and from its
// specification alone.
var stepped = [...]*recipe.Setpoint{
	recipe.SetpointOf("feed_length_m"), recipe.SetpointOf("wrap_time_s"), recipe.SetpointOf("crimp_time_s"),
	recipe.SetpointOf("header_temperature_c"), recipe.SetpointOf("header_dwell_s"),
}

func (r *run) stepped(p *recipe.Setpoint, now, before float64) {
	most := r.line.Limits.StepWarn
	if math.Abs(now-before) <= most*math.Abs(before) {
		return
	}
	share := r.write(pure, most)
	r.add(StepFromPrevious, p.Name, p.Write(r.line, now), p.Write(r.line, before)+" ± "+share+" of it", "limits.step",
		wording.Say("finding.step-from-previous", "setpoint", p.Said(), "got", p.Write(r.line, now), "before", p.Write(r.line, before), "share", share))
}

// near reports whether two lengths agree to a tenth of a micrometre.
func near(a, b float64) bool { return math.Abs(a-b) <= 1e-7 }

// quantityText writes a whole number without exponent.
func quantityText(v float64) string { return strconv.FormatFloat(v, 'f', 0, 64) }
