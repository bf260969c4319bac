package check

import (
	"math"
	"strconv"

	"lapgate/recipe"
	"lapgate/recipe/heads"
	"lapgate/recipe/quantity"
	"lapgate/recipe/thermal"
	"lapgate/recipe/wording"
)

var (
	temperatureLimit = limitOf(HeaderTemperature, "header_temperature_c")
	dwellLimit       = limitOf(DwellRange, "header_dwell_s")
	strokeLimit      = limitOf(StrokeRange, "platen_stroke_m")
	contactLimit     = limitOf(ContactRange, "contact_pressure_pa")
)

// header checks platens, dwell and the press.
func (r *run) header() {
	sp := &r.rec.Setpoints
	if !sp.Groups.Has(recipe.GroupHeader) {
		return
	}
	r.keeps(&temperatureLimit)
	if t := sp.HeaderTemperature; !(t <= recipe.HottestPlaten) {
		r.add(HeaderTemperature, "header_temperature_c", r.write(celsius, t), "at most "+r.write(celsius, recipe.HottestPlaten), "",
			wording.Say("finding.header-temperature-range.ceiling", "setpoint", r.write(celsius, t), "limit", r.write(celsius, recipe.HottestPlaten)))
	}
	// The design point holds the uncertainty of the dwell.
	if span := r.line.Limits.Dwell; !span.Contains(sp.HeaderDwell) {
		r.dwellOutside(sp, span)
	}
	r.press(sp)
	r.platens(sp)
	m := r.headMaterial()
	if m == nil {
		return
	}
	r.bond(sp, m)
	r.scorch(sp, m)
}

func (r *run) headMaterial() *recipe.HeadMaterial {
	if r.spec == nil {
		return nil
	}
	return r.line.Materials.Head(r.spec.Head)
}

// dwellOutside tells of a dwell outside its limit, and of how much hotter
// platens would bring it inside.
func (r *run) dwellOutside(sp *recipe.Setpoints, span recipe.Range) {
	got, want := r.write(seconds, sp.HeaderDwell), r.span(seconds, span)
	said := wording.Say("finding.header-dwell-range", "got", got, "limit", want)
	if m := r.headMaterial(); m != nil && sp.HeaderDwell > span.Max {
		if k, ok := r.warmer(sp, m, span.Max); ok {
			said = wording.Say("finding.header-dwell-range.hotter", "got", got, "limit", want, "more", r.hotter(k))
		}
	}
	r.add(DwellRange, "header_dwell_s", got, want.String(), dwellLimit.key, said)
}

// hotter is a difference of temperatures in whole degrees as people read them, rounded
// up, one at least.
func (r *run) hotter(k float64) string {
	unit := r.line.Unit(kelvins)
	const rounding = 1e-9
	degrees := math.Max(1, math.Ceil(quantity.In(k, kelvins, unit)-rounding))
	return strconv.FormatFloat(degrees, 'f', -1, 64) + " " + unit
}

// warmer is by how many whole kelvins hotter platens would keep the dwell
// within most; ok is false where none below the ceiling does.
func (r *run) warmer(sp *recipe.Setpoints, m *recipe.HeadMaterial, most float64) (float64, bool) {
	h := &r.line.Header
	conductance, err := h.ConductanceAt(sp.ContactPressure)
	if err != nil {
		return 0, false
	}
	target, _ := r.line.TargetOf(m)
	for k := 1.0; sp.CloseMin+k <= recipe.HottestPlaten-h.Allowance; k++ {
		d, err := h.Pressing(m, sp.CloseMin+k, conductance).Design(target, h.UncertaintyOf(m))
		if err == nil && d.Seconds <= most {
			return k, true
		}
	}
	return 0, false
}

// press checks stroke and contact pressure of the platens. The pressure is
// greatest where the fold is narrowest.
func (r *run) press(sp *recipe.Setpoints) {
	r.keeps(&strokeLimit)
	if r.line.Header.Pressure == 0 && sp.ContactPressure == 0 {
		return
	}
	r.keeps(&contactLimit)
	force, err := r.line.Header.ForceOnPlaten()
	if err != nil || force == 0 || sp.OuterHead == 0 || !(sp.ContactPressure <= r.line.Limits.Contact.Max) {
		return
	}
	core := 0.0
	if c := r.line.Materials.Core(r.roll.Core); c != nil {
		core = c.Diameter
	}
	overhang := (sp.WrapperWidth - r.roll.Width) / 2
	if !sp.Groups.Has(recipe.GroupStand) {
		return
	}
	ring := heads.Ring{
		Roll: r.roll.Diameter, Overhang: overhang - r.line.Centring.Tolerance,
		Head: sp.OuterHead, Platen: r.line.Header.Platen, Core: core,
	}
	p, err := ring.Pressure(force)
	if err == nil && p <= r.line.Limits.Contact.Max {
		return
	}
	got, said := "no ring", wording.Say("finding.contact-pressure-range.no-ring")
	if err == nil {
		got = r.write(pascals, p)
		said = wording.Plain(got)
	}
	r.add(ContactRange, "contact_pressure_pa", got, r.span(pascals, r.line.Limits.Contact).String(), contactLimit.key,
		wording.Say("finding.contact-pressure-range.narrow", "got", said, "limit", r.span(pascals, r.line.Limits.Contact)))
}

// platens checks the platens as measured.
func (r *run) platens(sp *recipe.Setpoints) {
	cooler, hotter := r.stand.Platen, r.stand.Hotter()
	if cooler == 0 || math.IsNaN(cooler) || math.IsNaN(r.stand.PlatenHot) {
		if r.stand.Offline && !math.IsNaN(cooler) {
			r.add(PlatenAssumed, "platen_c", "not given", "a temperature", "",
				wording.Say("finding.platen-assumed", "setpoint", r.write(celsius, sp.HeaderTemperature)))
			return
		}
		r.add(PlatenUnknown, "platen_c", "not measured", "a temperature", "",
			wording.Say("finding.platen-not-measured"))
		return
	}
	if !(hotter <= recipe.HottestPlaten) {
		r.add(PlatenHot, "platen_hot_c", r.write(celsius, hotter), "at most "+r.write(celsius, recipe.HottestPlaten), "",
			wording.Say("finding.platen-too-hot", "temperature", r.write(celsius, hotter), "limit", r.write(celsius, recipe.HottestPlaten)))
	}
	if !(hotter >= cooler) {
		r.add(PlatenOrder, "platen_hot_c", r.write(celsius, hotter), "at least "+r.write(celsius, cooler), "",
			wording.Say("finding.platen-order"))
	}
	band := recipe.Range{Min: sp.HeaderTemperature - r.line.Limits.PlatenBand, Max: sp.HeaderTemperature + r.line.Limits.PlatenBand}
	for _, p := range [...]struct {
		field, sentence string
		at              float64
	}{{"platen_c", "finding.platen-temperature.cooler", cooler}, {"platen_hot_c", "finding.platen-temperature.hotter", hotter}} {
		if band.Contains(p.at) || p.at > recipe.HottestPlaten || p.field == "platen_hot_c" && hotter == cooler {
			continue
		}
		r.add(PlatenTemperature, p.field, r.write(celsius, p.at), r.span(celsius, band).String(), "limits.platen_band",
			wording.Say(p.sentence, "temperature", r.write(celsius, p.at), "setpoint", r.write(celsius, sp.HeaderTemperature)))
	}
}

// bond checks that the bond line gets warm, and dry, in the dwell, at the
// unfavourable end of every uncertainty and under the coldest platen on which
// the press may close. An override has to hold it too.
func (r *run) bond(sp *recipe.Setpoints, m *recipe.HeadMaterial) {
	h := &r.line.Header
	r.bondSides(m)
	if r.rec.Designed == sp.Press() {
		return // nobody changed what Compute designed for these uncertainties
	}
	conductance, err := h.ConductanceAt(sp.ContactPressure)
	target, _ := r.line.TargetOf(m)
	platen := math.Min(sp.CloseMin, sp.HeaderTemperature-h.Allowance)
	var d thermal.Design
	if err == nil {
		d, err = h.Pressing(m, platen, conductance).Design(target, h.UncertaintyOf(m))
	}
	if err != nil || !(sp.HeaderDwell >= d.Seconds*(1-rounding)) {
		wanted := wording.Say("finding.header-dwell-short.none")
		if err == nil {
			wanted = wording.Say("limit.least", "limit", r.write(seconds, d.Seconds))
		}
		r.add(DwellShort, "header_dwell_s", r.write(seconds, sp.HeaderDwell), wanted.String(), r.headKey(m.Name, "bond_temperature"),
			wording.Say("finding.header-dwell-short", "dwell", r.write(seconds, sp.HeaderDwell), "temperature", r.write(celsius, platen), "bond", r.write(celsius, target.Bond()), "want", wanted))
	}
}

// bondSides checks that each head meets the side of the wrapper that it bonds
// to.
func (r *run) bondSides(outer *recipe.HeadMaterial) {
	paper := r.wrapper()
	if paper == nil {
		return
	}
	side := func(m *recipe.HeadMaterial, field, sentence string, isOuter bool) {
		if m == nil || m.BondsOn(paper, isOuter) {
			return
		}
		needs := "coated"
		if m.BondsTo == recipe.BondsToPlain {
			needs = "plain"
		}
		r.add(BondSide, field, "paper "+strconv.Quote(paper.Name), "a "+needs+" side", r.headKey(m.Name, "bonds_to"),
			wording.Say(sentence, "head", strconv.Quote(m.Name), "side", wording.Say("side."+needs), "paper", strconv.Quote(paper.Name)))
	}
	side(outer, "outer_head_m", "finding.bond-side.outer", true)
	if r.rec.Setpoints.InnerHead > 0 {
		side(r.line.Materials.Head(r.spec.InnerHead), "inner_head_m", "finding.bond-side.inner", false)
	}
}

// wrapper is the paper of the slot of the recipe, nil when not known.
func (r *run) wrapper() *recipe.Paper {
	for i := range r.line.Stand.Slots {
		if s := &r.line.Stand.Slots[i]; s.Number == r.rec.Setpoints.Slot {
			return r.line.Materials.Paper(s.Paper)
		}
	}
	return nil
}

// scorch checks what the face of the head may suffer in the dwell, and under a
// press that does not open.
func (r *run) scorch(sp *recipe.Setpoints, m *recipe.HeadMaterial) {
	most := r.line.Limits.Dose
	// A face is no hotter than its platen, and mostly that is enough to know.
	if stuck := thermal.StuckDose(sp.CloseMax, sp.HeaderDwell); !(r.line.SureDose(stuck) <= most) {
		conductance, err := r.line.Header.ConductanceAt(sp.ContactPressure)
		if dose := r.line.SureDose(r.line.ScorchDose(m, conductance, sp.CloseMax, sp.HeaderDwell)); err == nil && !(dose <= most) {
			r.add(ScorchDose, "header_dwell_s", r.write(seconds, dose)+" at 180 °C", r.write(seconds, most), "limits.scorch_dose",
				wording.Say("finding.scorch-dose", "temperature", r.write(celsius, sp.CloseMax), "dose", r.write(seconds, dose), "limit", r.write(seconds, most)))
		}
	}
	hottest := math.Max(sp.HeaderTemperature, r.stand.Hotter())
	if dose := thermal.StuckDose(hottest, r.line.Limits.Stuck); !(dose <= most) {
		r.add(StuckPress, "header_temperature_c", r.write(seconds, dose)+" at 180 °C", r.write(seconds, most), "limits.header_stuck",
			wording.Say("finding.stuck-press", "time", r.write(seconds, r.line.Limits.Stuck), "temperature", r.write(celsius, hottest), "dose", r.write(seconds, dose), "limit", r.write(seconds, most)))
	}
}
