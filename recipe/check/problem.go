package check

import (
	"math"
	"strconv"

	"lapgate/recipe"
	"lapgate/recipe/cradle"
	"lapgate/recipe/drive"
	"lapgate/recipe/heads"
	"lapgate/recipe/mass"
	"lapgate/recipe/quantity"
	"lapgate/recipe/thermal"
	"lapgate/recipe/wording"
)

// problems turns what kept Compute from a setpoint into findings.
func (r *run) problems() {
	for i := range r.rec.Problems[:r.rec.N] {
		r.problem(&r.rec.Problems[i])
	}
}

// problem tells what the roll, its specification and its wrapper lack, then
// what a station could not compute.
func (r *run) problem(p *recipe.Problem) {
	specName := strconv.Quote(r.specName)
	switch p.Code {
	case recipe.RollInvalid:
		field := [...]string{"diameter_m", "width_m", "diameter_u_m", "width_u_m"}[p.Index&3]
		got := r.write(metres, p.Got)
		r.add(p.Code, field, got, "a positive length", "",
			wording.Say("finding.roll-invalid", "field", field, "got", got))
	case recipe.GradeUnknown:
		r.add(p.Code, "grade", integer(int64(p.Got)), "a code from grades", "grades.0.code",
			wording.Say("finding.grade-unknown", "got", int64(p.Got)))
	case recipe.CoreUnknown:
		r.add(p.Code, "core", integer(int64(p.Got)), "a code from cores", "cores.0.code",
			wording.Say("finding.core-unknown", "got", int64(p.Got)))
	case recipe.SpecMissing:
		r.add(p.Code, "spec", "none", "a name from specs", "specs.0.name",
			wording.Say("finding.spec-missing"))
	case recipe.SpecUnknown:
		r.add(p.Code, "spec", r.specName, "a name from specs", "specs.0.name",
			wording.Say("finding.spec-unknown", "spec", specName))
	case recipe.HeadUnknown:
		r.add(p.Code, "head", r.spec.Head, "a name from head_materials", r.specKey("head"),
			wording.Say("finding.head-unknown", "spec", specName, "head", strconv.Quote(r.spec.Head)))
	case recipe.InnerHeadUnknown:
		r.add(p.Code, "inner_head", r.spec.InnerHead, "a name from head_materials", r.specKey("inner_head"),
			wording.Say("finding.inner-head-unknown", "spec", specName, "head", strconv.Quote(r.spec.InnerHead)))
	case recipe.NoHeadSize:
		r.headSize(p, "outer_head_m", r.spec.Head)
	case recipe.NoInnerHeadSize:
		r.headSize(p, "inner_head_m", r.spec.InnerHead)
	case recipe.NoWindow:
		r.add(p.Code, "overhang_m", "at least "+r.write(metres, p.Got), "at most "+r.write(metres, p.Want), r.boundaryKey(r.window.Lower),
			wording.Say("finding.no-overhang-window", "lower", r.window.Lower.Said(), "got", r.write(metres, p.Got), "upper", r.window.Upper.Said(), "want", r.write(metres, p.Want), "relief", r.relief()))
	case recipe.NoSlot:
		r.noSlot(p)
	case recipe.SlotUnconfirmed:
		r.add(p.Code, "slot_confirmed", "none", "slot "+strconv.Itoa(p.Index), "equipment.stand",
			wording.Say("finding.slot-not-confirmed", "slot", p.Index, "want", r.write(metres, p.Want)))
	case recipe.SlotUnfit:
		r.slotUnfit(p)
	default:
		r.incalculable(p)
	}
}

// incalculable tells what a station could not compute.
func (r *run) incalculable(p *recipe.Problem) {
	specName := strconv.Quote(r.specName)
	switch p.Code {
	case recipe.CradleRefuses:
		r.add(p.Code, "diameter_m", r.write(metres, p.Got), "a roll that lies on the cradle", "cradle.spacing",
			wording.Say("finding.cradle-refuses", "fault", cradle.Fault(p.Index).Said(), "got", r.write(metres, p.Got)))
	case recipe.GripUnknown:
		r.add(p.Code, "grade", "no density", "a grade or an order with one", "grades.0.density",
			wording.Say("finding.grip-unknown", "drag", r.write(quantity.Force, p.Got)))
	case recipe.NoGrip:
		r.add(p.Code, "diameter_m", r.write(quantity.Force, p.Got)+" on "+r.write(kilos, p.Want), "less than the grip of the turning rolls", "cradle.friction",
			wording.Say("finding.no-grip", "drag", r.write(quantity.Force, p.Got), "mass", r.write(kilos, p.Want)))
	case recipe.WrapIncalculable:
		r.add(p.Code, "feed_length_m", r.write(metres, p.Got), "a positive length", "wrap.speed",
			wording.Say("finding.wrap-incalculable", "spec", specName))
	case recipe.CrimpIncalculable:
		r.add(p.Code, "crimp_time_s", "path "+r.write(metres, p.Got), "a positive time", "crimp.speed",
			wording.Say("finding.crimp-incalculable", "spec", specName))
	case recipe.PressNotMeasured:
		r.add(p.Code, "header_dwell_s", "uncertain by "+percent(p.Got), "30 %", "header.conductance_uncertainty",
			wording.Say("finding.press-not-measured", "uncertainty", percent(p.Got)))
	case recipe.BondAbovePlaten:
		r.add(p.Code, "header_temperature_c", "platen taken at "+r.write(celsius, p.Want), "above "+r.write(celsius, p.Got), r.headKey(r.spec.Head, "platen_temperature"),
			wording.Say("finding.bond-above-platen", "head", strconv.Quote(r.spec.Head), "bond", r.write(celsius, p.Got), "temperature", r.write(celsius, p.Want), "more", r.hotter(p.Got-p.Want)))
	case recipe.HeaderIncalculable:
		r.add(p.Code, "header_dwell_s", "no dwell", "settings of a press", "header.conductance",
			wording.Say("finding.header-incalculable", "fault", thermal.Fault(p.Got).Said(), "head", strconv.Quote(r.spec.Head)))
	case recipe.DriveIncalculable:
		i := p.Index & 3
		name := [...]string{"turning", "feed", "crimper", "turning"}[i]
		r.add(p.Code, [...]string{"turning_hz", "feed_hz", "crimper_hz", "turning_hz"}[i], "no frequency", "settings of a motor", "drives."+name+".rated_speed",
			wording.Say("finding.drive-incalculable", "fault", drive.Fault(p.Got).Said(), "name", name))
	case recipe.ContactIncalculable:
		r.add(p.Code, "contact_pressure_pa", "no pressure", "settings of a press", "header.cylinder_bore",
			wording.Say("finding.contact-incalculable", "fault", heads.Fault(p.Got).Said()))
	case recipe.GlueIncalculable:
		r.add(p.Code, "glue_mass_kg", r.write(kilos, p.Got), "a mass from zero up", "glue.coverage",
			wording.Say("finding.glue-incalculable"))
	case recipe.CentringIncalculable:
		r.add(p.Code, "centring_offset_m", "no number", "an offset", "centring.target", wording.Say("finding.centring-incalculable"))
	case recipe.MassIncalculable:
		r.add(p.Code, "gross_kg", "no mass", "settings of a roll", "grades.0.density",
			wording.Say("finding.mass-incalculable", "fault", mass.Fault(p.Got).Said()))
	default:
		r.add(p.Code, "", r.write(pure, p.Got), r.write(pure, p.Want), "", Meaning(p.Code))
	}
}

func (r *run) headSize(p *recipe.Problem, field, material string) {
	limit := wording.Say("limit.sizes-from", "size", r.write(metres, p.Want))
	if p.Want == 0 {
		limit = wording.Say("limit.no-size")
	}
	r.add(p.Code, field, "room for "+r.write(metres, p.Got), limit.String(), r.headKey(material, "diameters"),
		wording.Say("finding."+string(p.Code), "head", strconv.Quote(material), "got", r.write(metres, p.Got), "limit", limit, "relief", r.relief()))
}

// boundaryKey is the setting behind one end of the window.
func (r *run) boundaryKey(b recipe.Boundary) string {
	switch b {
	case recipe.ByMinimum:
		return r.specKey("overhang.min")
	case recipe.ByMaximum:
		return r.specKey("overhang.max")
	case recipe.ByLap:
		return r.specKey("lap")
	}
	return "crimp.core_clearance"
}

// specKey is the full key of a setting of the roll's specification.
func (r *run) specKey(key string) string {
	list := r.line.Materials.Specs
	for i := range list {
		if list[i].Name == r.specName {
			return "specs." + strconv.Itoa(i) + "." + key
		}
	}
	return ""
}

// headKey is the full key of a setting of a head material.
func (r *run) headKey(material, key string) string {
	list := r.line.Materials.Stock
	for i := range list {
		if list[i].Name == material {
			return "head_materials." + strconv.Itoa(i) + "." + key
		}
	}
	return ""
}

// slotKey is the full key of the width of a slot.
func (r *run) slotKey(number int) string {
	list := r.line.Stand.Slots
	for i := range list {
		if list[i].Number == number {
			return "stand.slots." + strconv.Itoa(i) + ".width"
		}
	}
	return ""
}

// noSlot says which wrapper widths would do, why each slot does not, and
// which slot is the nearest to change.
func (r *run) noSlot(p *recipe.Problem) {
	widths := recipe.Range{Min: p.Got, Max: p.Want}
	list := recipe.Candidates(r.line, r.roll, r.stand)
	var slots []wording.Said
	for i := range list {
		c := &list[i]
		slots = append(slots, wording.Say("finding.no-slot.slot", "slot", c.Slot.Number, "width", r.write(metres, c.Slot.Width), "fit", c.Fit.Said()))
	}
	if len(list) == 0 {
		r.add(p.Code, "wrapper_slot", "no slots", r.span(metres, widths).String(), "",
			wording.Say("finding.no-slot.no-stand", "widths", r.span(metres, widths), "relief", r.relief()))
		return
	}
	c, why := nearest(list, widths), wording.Join("list.comma", slots)
	r.add(p.Code, "wrapper_slot", why.String(), r.span(metres, widths).String(), r.slotKey(c.Slot.Number),
		wording.Say("finding.no-slot", "widths", r.span(metres, widths), "slots", why, "nearest", r.nearestSlot(c), "relief", r.relief()))
}

// relief says what else would turn the hold into a go, empty where no single
// thing would.
func (r *run) relief() wording.Said {
	var list []wording.Said
	for _, c := range recipe.Reliefs(r.line, r.roll, r.stand) {
		list = append(list, wording.Say("relief.change", "what", c.What, "from", r.write(c.Dimension, c.From), "to", r.write(c.Dimension, c.To)))
	}
	if list == nil {
		return wording.Said{}
	}
	return wording.Say("relief", "changes", wording.Join("relief.or", list))
}

// nearestSlot names the slot that is nearest to serve; what to do with it is said by
// RemedyFor.
func (r *run) nearestSlot(c *recipe.Candidate) wording.Said {
	if c.Fit == recipe.TooShort {
		return wording.Say("finding.no-slot.nearest.short", "slot", c.Slot.Number, "left", r.write(metres, math.Round(c.Left*10)/10), "need", r.write(metres, math.Ceil(c.Need*10)/10))
	}
	return wording.Say("finding.no-slot.nearest", "slot", c.Slot.Number)
}

// hangCommand is how a person tells what is hung in a slot.
func hangCommand(slot int) string { return "lapgate hang --slot " + strconv.Itoa(slot) }

func (r *run) slotUnfit(p *recipe.Problem) {
	why := wording.Say("finding.slot-unfit.unknown")
	for _, c := range recipe.Candidates(r.line, r.roll, r.stand) {
		if c.Slot.Number == p.Index {
			why = wording.Say("finding.slot-unfit.fit", "fit", c.Fit.Said(), "width", r.write(metres, c.Slot.Width))
			break
		}
	}
	widths := r.span(metres, r.window.Widths)
	r.add(p.Code, "slot_confirmed", integer(int64(p.Index)), widths.String(), r.slotKey(p.Index),
		wording.Say("finding.slot-unfit", "slot", p.Index, "why", why, "widths", widths, "papers", orList(r.spec.Papers)))
}

// outside is how far a width lies outside an interval, 0 inside.
func outside(v float64, r recipe.Range) float64 {
	return math.Max(0, math.Max(r.Min-v, v-r.Max))
}

// orList are names of papers, any of which would do.
func orList(names []string) wording.Said {
	if len(names) == 0 {
		return wording.Say("list.any-paper")
	}
	quoted := make([]wording.Said, len(names))
	for i, n := range names {
		quoted[i] = wording.Plain(strconv.Quote(n))
	}
	return wording.Join("list.or", quoted)
}

func percent(v float64) string { return strconv.FormatFloat(math.Round(1000*v)/10, 'f', -1, 64) + " %" }
