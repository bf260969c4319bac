package check

import (
	"math"
	"strconv"
	"strings"

	"lapgate/recipe"
	"lapgate/recipe/cradle"
	"lapgate/recipe/drive"
	"lapgate/recipe/heads"
	"lapgate/recipe/mass"
	"lapgate/recipe/quantity"
	"lapgate/recipe/thermal"
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
			field+" is "+got+" or not a number; measure the roll again")
	case recipe.GradeUnknown:
		r.add(p.Code, "grade", integer(int64(p.Got)), "a code from grades", "grades.0.code",
			"grade "+integer(int64(p.Got))+" is not in the configuration; add it to grades or correct the code at the controller")
	case recipe.CoreUnknown:
		r.add(p.Code, "core", integer(int64(p.Got)), "a code from cores", "cores.0.code",
			"core "+integer(int64(p.Got))+" is not in the configuration; add it to cores or correct the code at the controller")
	case recipe.SpecMissing:
		r.add(p.Code, "spec", "none", "a name from specs", "specs.0.name",
			"neither the roll nor its order nor its grade names a wrap specification; enter the grade at the controller or send the order")
	case recipe.SpecUnknown:
		r.add(p.Code, "spec", r.specName, "a name from specs", "specs.0.name",
			"wrap specification "+specName+" is not in the configuration; add it to specs or correct the name")
	case recipe.HeadUnknown:
		r.add(p.Code, "head", r.spec.Head, "a name from head_materials", r.specKey("head"),
			"specification "+specName+" names outer head "+strconv.Quote(r.spec.Head)+", which is not in head_materials; add it or correct the name")
	case recipe.InnerHeadUnknown:
		r.add(p.Code, "inner_head", r.spec.InnerHead, "a name from head_materials", r.specKey("inner_head"),
			"specification "+specName+" names inner head "+strconv.Quote(r.spec.InnerHead)+", which is not in head_materials; add it or correct the name")
	case recipe.NoHeadSize:
		r.headSize(p, "outer_head_m", "outer", r.spec.Head)
	case recipe.NoInnerHeadSize:
		r.headSize(p, "inner_head_m", "inner", r.spec.InnerHead)
	case recipe.NoWindow:
		r.add(p.Code, "overhang_m", "at least "+r.write(metres, p.Got), "at most "+r.write(metres, p.Want), r.boundaryKey(r.window.Lower),
			"no wrapper width would do: the "+r.window.Lower.String()+" asks for "+r.write(metres, p.Got)+" on each side, the "+
				r.window.Upper.String()+" allows "+r.write(metres, p.Want)+"; use another specification or head size, or wrap by hand"+r.relief())
	case recipe.NoSlot:
		r.noSlot(p)
	case recipe.SlotUnconfirmed:
		r.add(p.Code, "slot_confirmed", "none", "slot "+strconv.Itoa(p.Index), "equipment.stand",
			"hang or choose the wrapper of slot "+strconv.Itoa(p.Index)+", "+r.write(metres, p.Want)+" wide, confirm the slot at the panel, then press retry")
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
		why := cradle.Fault(p.Index).Error()
		r.add(p.Code, "diameter_m", r.write(metres, p.Got), "a roll that lies on the cradle", "cradle.spacing",
			why+" (wrapped roll of "+r.write(metres, p.Got)+"); correct the cradle settings or wrap by hand elsewhere")
	case recipe.GripUnknown:
		r.add(p.Code, "grade", "no density", "a grade or an order with one", "grades.0.density",
			"neither grade nor order tells the density of the roll, so nobody knows whether it slips under "+r.write(quantity.Force, p.Got)+
				" of wrapper tension or crimper drag; enter the grade at the controller")
	case recipe.NoGrip:
		r.add(p.Code, "diameter_m", r.write(quantity.Force, p.Got)+" on "+r.write(kilos, p.Want), "less than the grip of the turning rolls", "cradle.friction",
			"the wrapper tension or crimper drag of "+r.write(quantity.Force, p.Got)+" alone makes a roll of "+r.write(kilos, p.Want)+
				" slip on the turning rolls; ease the brake of the stand or the crimpers, check tension of wrap, drag of crimp and friction of cradle, or wrap by hand")
	case recipe.WrapIncalculable:
		r.add(p.Code, "feed_length_m", r.write(metres, p.Got), "a positive length", "wrap.speed",
			"feed length and wrap time cannot be computed; check speed, ramps, feed_slip and counts_per_metre of wrap, and layers, overlap and tail of specification "+specName)
	case recipe.CrimpIncalculable:
		r.add(p.Code, "crimp_time_s", "path "+r.write(metres, p.Got), "a positive time", "crimp.speed",
			"the crimp time cannot be computed; check speed, ramps, engage and retract of crimp, friction and slip_safety of cradle, and crimp_turns and crimp_speed of specification "+specName)
	case recipe.PressNotMeasured:
		r.add(p.Code, "header_dwell_s", "uncertain by "+percent(p.Got), "30 %", "header.conductance_uncertainty",
			"the contact conductance is uncertain by "+percent(p.Got)+", above 30 % no dwell can promise a bond; take one thermocouple curve at a bond line and enter conductance and conductance_uncertainty of header")
	case recipe.BondAbovePlaten:
		r.add(p.Code, "header_temperature_c", "platen taken at "+r.write(celsius, p.Want), "above "+r.write(celsius, p.Got), r.headKey(r.spec.Head, "platen_temperature"),
			"the bond line of "+strconv.Quote(r.spec.Head)+" must reach "+r.write(celsius, p.Got)+", but the cooler platen is taken at "+r.write(celsius, p.Want)+
				" and cannot give that; platens "+r.hotter(p.Got-p.Want)+" hotter are the least. Wait until they are warm, or correct bond_temperature or platen_temperature of the material within the limits of the paper")
	case recipe.HeaderIncalculable:
		r.add(p.Code, "header_dwell_s", "no dwell", "settings of a press", "header.conductance",
			"the dwell cannot be computed ("+thermal.Fault(p.Got).Error()+"); check conductance, backing_effusivity, start_temperature and their uncertainties in header, and the thermal values of head "+strconv.Quote(r.spec.Head))
	case recipe.DriveIncalculable:
		i := p.Index & 3
		name := [...]string{"turning", "feed", "crimper", "turning"}[i]
		r.add(p.Code, [...]string{"turning_hz", "feed_hz", "crimper_hz", "turning_hz"}[i], "no frequency", "settings of a motor", "drives."+name+".rated_speed",
			drive.Fault(p.Got).Error()+"; correct drives."+name+" from the motor's plate and the gear, and the speeds of wrap and crimp")
	case recipe.ContactIncalculable:
		r.add(p.Code, "contact_pressure_pa", "no pressure", "settings of a press", "header.cylinder_bore",
			heads.Fault(p.Got).Error()+"; check pressure, cylinder_bore, cylinders, cylinder_efficiency and platen_diameter of header")
	case recipe.GlueIncalculable:
		r.add(p.Code, "glue_mass_kg", r.write(kilos, p.Got), "a mass from zero up", "glue.coverage",
			"the edge glue cannot be computed; check coverage and band of glue")
	case recipe.CentringIncalculable:
		r.add(p.Code, "centring_offset_m", "no number", "an offset", "centring.target", "the centring target is not a number; correct target of centring")
	case recipe.MassIncalculable:
		r.add(p.Code, "gross_kg", "no mass", "settings of a roll", "grades.0.density",
			mass.Fault(p.Got).Error()+"; check density of the grade, mass of the core, basis weight of wrapper and heads, and tolerance of scale")
	default:
		r.add(p.Code, "", r.write(pure, p.Got), r.write(pure, p.Want), "", info(p.Code).Meaning)
	}
}

func (r *run) headSize(p *recipe.Problem, field, which, material string) {
	limit := "sizes in stock from " + r.write(metres, p.Want)
	if p.Want == 0 {
		limit = "no size in stock"
	}
	r.add(p.Code, field, "room for "+r.write(metres, p.Got), limit, r.headKey(material, "diameters"),
		"no "+which+" head of "+strconv.Quote(material)+" is small enough for the "+r.write(metres, p.Got)+" that the roll surely keeps"+" ("+limit+"); cut or stock a smaller head, or wrap by hand"+r.relief())
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
	var why strings.Builder
	for i := range list {
		c := &list[i]
		if i > 0 {
			why.WriteString(", ")
		}
		why.WriteString("slot " + strconv.Itoa(c.Slot.Number) + " (" + r.write(metres, c.Slot.Width) + ") " + c.Fit.String())
	}
	text := "no wrapper fits; a width of " + r.span(metres, widths) + " would do"
	got, key := "no slots", ""
	if len(list) > 0 {
		c := nearest(list, widths)
		got, key = why.String(), r.slotKey(c.Slot.Number)
		text += ": " + got + ". " + r.nearestSlot(c)
	} else {
		text += ", but the stand has no slots; add them to stand.slots"
	}
	r.add(p.Code, "wrapper_slot", got, r.span(metres, widths), key, text+r.relief())
}

// relief says what else would turn the hold into a go, empty where no single
// thing would.
func (r *run) relief() string {
	text := ""
	for i, c := range recipe.Reliefs(r.line, r.roll, r.stand) {
		if i > 0 {
			text += ", or "
		}
		text += c.What + " " + r.write(c.Dimension, c.From) + " → " + r.write(c.Dimension, c.To)
	}
	if text != "" {
		text = ". It would go with " + text
	}
	return text
}

// nearestSlot names the slot that is nearest to serve; what to do with it is said by
// RemedyFor.
func (r *run) nearestSlot(c *recipe.Candidate) string {
	text := "Slot " + strconv.Itoa(c.Slot.Number) + " is the nearest to serve"
	if c.Fit == recipe.TooShort {
		text += ": " + r.write(metres, math.Round(c.Left*10)/10) + " left, " + r.write(metres, math.Ceil(c.Need*10)/10) + " needed"
	}
	return text
}

// hangCommand is how a person tells what is hung in a slot.
func hangCommand(slot int) string { return "lapgate hang --slot " + strconv.Itoa(slot) }

func (r *run) slotUnfit(p *recipe.Problem) {
	why := "not in the configuration"
	for _, c := range recipe.Candidates(r.line, r.roll, r.stand) {
		if c.Slot.Number == p.Index {
			why = c.Fit.String() + " with " + r.write(metres, c.Slot.Width)
			break
		}
	}
	widths := r.span(metres, r.window.Widths)
	r.add(p.Code, "slot_confirmed", integer(int64(p.Index)), widths, r.slotKey(p.Index),
		"confirmed slot "+integer(int64(p.Index))+": "+why+"; a width of "+widths+" would do. Hang such a wrapper of "+orList(r.spec.Papers)+" and confirm its slot")
}

// outside is how far a width lies outside an interval, 0 inside.
func outside(v float64, r recipe.Range) float64 {
	return math.Max(0, math.Max(r.Min-v, v-r.Max))
}

func orList(names []string) string {
	if len(names) == 0 {
		return "an allowed material"
	}
	quoted := make([]string, len(names))
	for i, n := range names {
		quoted[i] = strconv.Quote(n)
	}
	return strings.Join(quoted, " or ")
}

func percent(v float64) string { return strconv.FormatFloat(math.Round(1000*v)/10, 'f', -1, 64) + " %" }
