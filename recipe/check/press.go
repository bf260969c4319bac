package check

import "lapgate/recipe"

var glueLimit = limitOf(GlueRange, "glue_mass_kg")

func (r *run) glue() {
	if sp := &r.rec.Setpoints; sp.Groups.Has(recipe.GroupGlue) {
		r.keeps(&glueLimit)
	}
}
