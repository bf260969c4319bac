package check

import "lapgate/recipe"

var (
	glueLimit    = limitOf(GlueRange, "glue_mass_kg", "check coverage and band of glue")
	strokeLimit  = limitOf(StrokeRange, "platen_stroke_m", "check open_gap of header and limits.width")
	contactLimit = limitOf(ContactRange, "contact_pressure_pa", "check pressure and cylinders of header; keep to the relief setting of the hydraulics")
)

func (r *run) glue() {
	if sp := &r.rec.Setpoints; sp.Groups.Has(recipe.GroupGlue) {
		r.keeps(&glueLimit)
	}
}

// press checks stroke and contact pressure of the platens.
func (r *run) press(sp *recipe.Setpoints) {
	r.keeps(&strokeLimit)
	if r.line.Header.Pressure != 0 || sp.ContactPressure != 0 {
		r.keeps(&contactLimit)
	}
}
