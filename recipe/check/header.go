package check

import (
	"math"
	"strconv"

	"lapgate/recipe"
	"lapgate/recipe/heads"
	"lapgate/recipe/quantity"
	"lapgate/recipe/thermal"
)

var (
	temperatureLimit = limitOf(HeaderTemperature, "header_temperature_c", "check platen_temperature of the head material")
	dwellLimit       = limitOf(DwellRange, "header_dwell_s", "one thermocouple curve at a bond line gives conductance and effusivity of the backing; enter both with their uncertainty in header")
	strokeLimit      = limitOf(StrokeRange, "platen_stroke_m", "check open_gap of header and limits.width")
	contactLimit     = limitOf(ContactRange, "contact_pressure_pa", "check pressure and cylinders of header; keep to the relief setting of the hydraulics")
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
			"the platen setpoint is "+r.write(celsius, t)+", and none may be above "+r.write(celsius, recipe.HottestPlaten)+": paper takes fire not far above; lower it")
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
	text := "the header dwell is " + got + " at the unfavourable end of what is uncertain, allowed is " + want + "; "
	if m := r.headMaterial(); m != nil && sp.HeaderDwell > span.Max {
		if k, ok := r.warmer(sp, m, span.Max); ok {
			text += "platens " + r.hotter(k) + " hotter would do within the limits of the paper; "
		}
	}
	r.add(DwellRange, "header_dwell_s", got, want, dwellLimit.key, text+dwellLimit.remedy)
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
	got := "no ring"
	if err == nil {
		got = r.write(pascals, p)
	}
	r.add(ContactRange, "contact_pressure_pa", got, r.span(pascals, r.line.Limits.Contact), contactLimit.key,
		"on the side where the centring leaves the narrower fold the platen presses with "+got+", allowed is "+r.span(pascals, r.line.Limits.Contact)+"; "+contactLimit.remedy+", or use a wider wrapper")
}

// platens checks the platens as measured.
func (r *run) platens(sp *recipe.Setpoints) {
	cooler, hotter := r.stand.Platen, r.stand.Hotter()
	if cooler == 0 || math.IsNaN(cooler) || math.IsNaN(r.stand.PlatenHot) {
		if r.stand.Offline && !math.IsNaN(cooler) {
			r.add(PlatenAssumed, "platen_c", "not given", "a temperature", "",
				"no platen temperature is given, the setpoint of "+r.write(celsius, sp.HeaderTemperature)+" is taken; give it with --platen or in a column platen")
			return
		}
		r.add(PlatenUnknown, "platen_c", "not measured", "a temperature", "",
			"the controller gives no temperature of the platens, so nobody knows whether the bond would hold; look at their sensors, then press retry")
		return
	}
	if !(hotter <= recipe.HottestPlaten) {
		r.add(PlatenHot, "platen_hot_c", r.write(celsius, hotter), "at most "+r.write(celsius, recipe.HottestPlaten), "",
			"the hotter platen is at "+r.write(celsius, hotter)+", paper takes fire not far above "+r.write(celsius, recipe.HottestPlaten)+"; keep the press open, find out why its heater does not stop, and let it cool")
	}
	if !(hotter >= cooler) {
		r.add(PlatenOrder, "platen_hot_c", r.write(celsius, hotter), "at least "+r.write(celsius, cooler), "",
			"the hotter platen is told colder than the cooler one; correct the program of the controller")
	}
	band := recipe.Range{Min: sp.HeaderTemperature - r.line.Limits.PlatenBand, Max: sp.HeaderTemperature + r.line.Limits.PlatenBand}
	for _, p := range [...]struct {
		field, name string
		at          float64
	}{{"platen_c", "cooler", cooler}, {"platen_hot_c", "hotter", hotter}} {
		if band.Contains(p.at) || p.at > recipe.HottestPlaten || p.name == "hotter" && hotter == cooler {
			continue
		}
		r.add(PlatenTemperature, p.field, r.write(celsius, p.at), r.span(celsius, band), "limits.platen_band",
			"the "+p.name+" platen is at "+r.write(celsius, p.at)+", its setpoint is "+r.write(celsius, sp.HeaderTemperature)+
				"; wait until it is there, and look at its heater when it does not come")
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
		want := "no dwell"
		if err == nil {
			want = "at least " + r.write(seconds, d.Seconds)
		}
		r.add(DwellShort, "header_dwell_s", r.write(seconds, sp.HeaderDwell), want, r.headKey(m.Name, "bond_temperature"),
			"in "+r.write(seconds, sp.HeaderDwell)+" under a platen of "+r.write(celsius, platen)+" the bond line does not surely reach "+r.write(celsius, target.Bond())+
				"; wanted is "+want+". Press longer, or correct the platen temperature within its limits")
	}
}

// bondSides checks that each head meets the side of the wrapper that it bonds
// to.
func (r *run) bondSides(outer *recipe.HeadMaterial) {
	paper := r.wrapper()
	if paper == nil {
		return
	}
	side := func(m *recipe.HeadMaterial, field, which, shown string, isOuter bool) {
		if m == nil || m.BondsOn(paper, isOuter) {
			return
		}
		needs := "coated"
		if m.BondsTo == recipe.BondsToPlain {
			needs = "plain"
		}
		r.add(BondSide, field, "paper "+strconv.Quote(paper.Name), "a "+needs+" side", r.headKey(m.Name, "bonds_to"),
			"the fold shows its "+shown+" side to the "+which+" head, and "+strconv.Quote(m.Name)+" bonds to a "+needs+" side, which "+strconv.Quote(paper.Name)+
				" has not there; use another wrapper or head, or correct coated_side and bonds_to")
	}
	side(outer, "outer_head_m", "outer", "outer", true)
	if r.rec.Setpoints.InnerHead > 0 {
		side(r.line.Materials.Head(r.spec.InnerHead), "inner_head_m", "inner", "inner", false)
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
	if conductance, err := r.line.Header.ConductanceAt(sp.ContactPressure); err == nil {
		if dose := r.line.SureDose(r.line.ScorchDose(m, conductance, sp.CloseMax, sp.HeaderDwell)); !(dose <= most) {
			r.add(ScorchDose, "header_dwell_s", r.write(seconds, dose)+" at 180 °C", r.write(seconds, most), "limits.scorch_dose",
				"under a platen of "+r.write(celsius, sp.CloseMax)+" the face of the head may suffer as much as in "+r.write(seconds, dose)+" at 180 °C, allowed is "+r.write(seconds, most)+
					"; lower the platen temperature, or measure the conductance so that the dwell gets shorter")
		}
	}
	hottest := math.Max(sp.HeaderTemperature, r.stand.Hotter())
	if dose := thermal.StuckDose(hottest, r.line.Limits.Stuck); !(dose <= most) {
		r.add(StuckPress, "header_temperature_c", r.write(seconds, dose)+" at 180 °C", r.write(seconds, most), "limits.header_stuck",
			"a press that stays closed for "+r.write(seconds, r.line.Limits.Stuck)+" at "+r.write(celsius, hottest)+" does as much as "+r.write(seconds, dose)+" at 180 °C, allowed is "+r.write(seconds, most)+
				"; let the platens cool, lower their setpoint, or see that a stuck press opens sooner and write that time in limits.header_stuck")
	}
}
