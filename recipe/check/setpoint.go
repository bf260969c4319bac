package check

import (
	"math"
	"strconv"

	"lapgate/recipe"
	"lapgate/recipe/caution"
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
			slotName(sp.Slot)+" is not in the configuration; choose a slot of stand.slots")
	case !near(hung, sp.WrapperWidth):
		r.add(SlotWidth, "wrapper_width_m", r.write(metres, sp.WrapperWidth), r.write(metres, hung), r.slotKey(sp.Slot),
			slotName(sp.Slot)+" holds a wrapper of "+r.write(metres, hung)+", the recipe says "+r.write(metres, sp.WrapperWidth)+"; correct the one that is wrong")
	case !near(sp.WrapperWidth, r.roll.Width+2*sp.Overhang):
		r.add(SlotWidth, "overhang_m", r.write(metres, sp.Overhang), r.write(metres, (sp.WrapperWidth-r.roll.Width)/2), "",
			"the overhang is "+r.write(metres, sp.Overhang)+", wrapper and roll give "+r.write(metres, (sp.WrapperWidth-r.roll.Width)/2)+"; compute the recipe again")
	}
	if r.windowKnown && !r.window.Contains(sp.Overhang) {
		rule := r.window.Upper
		if sp.Overhang < r.window.Overhang.Min {
			rule = r.window.Lower
		}
		r.add(OverhangRange, "overhang_m", r.write(metres, sp.Overhang), r.span(metres, r.window.Overhang), r.boundaryKey(rule),
			"the overhang is "+r.write(metres, sp.Overhang)+", allowed is "+r.span(metres, r.window.Overhang)+" by the "+rule.String()+
				"; a wrapper of "+r.span(metres, r.window.Widths)+" would do")
	}
	if c := r.stand.Confirmed; c != 0 && c != sp.Slot {
		r.add(SlotConfirmed, "slot_confirmed", strconv.Itoa(c), strconv.Itoa(sp.Slot), "",
			"the operator confirmed slot "+strconv.Itoa(c)+", the recipe takes "+slotName(sp.Slot)+"; tell the operator")
	}
	r.newWrapper(sp.Slot)
	if n := sp.Slot; n >= 1 && n <= len(r.stand.Outer) && r.stand.Outer[n-1] == 0 && !r.stand.Counted[n-1].Known {
		r.add(StockUnknown, "outer_m", "not known", "an outer diameter", "",
			"the controller gives no outer diameter for "+slotName(n)+", so nobody knows whether its wrapper reaches; look at the wrapper roll")
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
		what := r.write(metres, s.Width) + " of " + strconv.Quote(s.Paper)
		r.add(NewWrapper, "wrapper_slot", what, "confirmed", r.slotKey(number),
			"this is the first roll on the wrapper that was hung in "+slotName(number)+"; read on the wrapper roll that it is "+what+
				" and lies with the right side out, confirm that at the panel or with lapgate confirm, then press retry. "+caution.Overhead.String())
	}
}

var (
	feedLimit     = limitOf(FeedLengthRange, "feed_length_m", "check layers, overlap and tail of the specification")
	wrapTimeLimit = limitOf(WrapTimeRange, "wrap_time_s", "check speed and ramps of wrap")
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
			"the feed length of "+r.write(metres, sp.FeedLength)+" is "+want+" encoder counts, the recipe says "+integer(sp.FeedCounts)+"; compute the recipe again")
	}
	if c := &r.rec.Risk[recipe.RiskSheet]; c.Known && !(c.Margin >= r.line.Limits.GuardK*c.U) {
		r.add(OverlapShort, "feed_length_m", r.write(metres, c.Margin), "at least "+r.write(metres, r.line.Limits.GuardK*c.U), r.specKey("overlap"),
			"of the overlap "+r.write(metres, c.Margin)+" is left at the thicker end of the roll, but the wrapper may come "+r.write(metres, r.line.Limits.GuardK*c.U)+
				" short; feed more overlap, measure the slip of the feed rolls and enter its uncertainty, or measure the roll again")
	}
	r.keeps(&wrapTimeLimit)
	if least := sp.FeedLength / sp.WrapSpeed; !(sp.WrapTime >= least*(1-rounding)) {
		r.add(WrapTimeSpeed, "wrap_time_s", r.write(seconds, sp.WrapTime), "at least "+r.write(seconds, least), "wrap.speed",
			"the wrap time is "+r.write(seconds, sp.WrapTime)+", but the feed length takes "+r.write(seconds, least)+" at full speed without ramps; compute the recipe again")
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
	r.add(FeedLayers, "feed_length_m", r.write(pure, turns)+" turns", r.span(pure, allowed)+" turns", "",
		"the feed length of "+r.write(metres, sp.FeedLength)+" makes "+r.write(pure, turns)+" turns, "+r.write(pure, sp.Layers)+
			" layers need "+r.span(pure, allowed)+"; compute the recipe again")
}

var (
	crimpTurnsLimit = limitOf(CrimpTurnsRange, "crimp_turns", "check crimp_turns of the specification")
	crimpTimeLimit  = limitOf(CrimpTimeRange, "crimp_time_s", "check speed and ramps of crimp and crimp_turns of the specification")
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
			"the crimp time is "+r.write(seconds, sp.CrimpTime)+", but "+r.write(pure, sp.CrimpTurns)+" turns take "+r.write(seconds, least)+
				" at full speed without ramps; compute the recipe again")
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
		"the "+p.Label+" is "+p.Write(r.line, now)+" after "+p.Write(r.line, before)+" for the roll before, a step of more than "+share+" of it; make sure that the scan is right")
}

func slotName(number int) string { return "slot " + strconv.Itoa(number) }

// near reports whether two lengths agree to a tenth of a micrometre.
func near(a, b float64) bool { return math.Abs(a-b) <= 1e-7 }

// quantityText writes a whole number without exponent.
func quantityText(v float64) string { return strconv.FormatFloat(v, 'f', 0, 64) }
