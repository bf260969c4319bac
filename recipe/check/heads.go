package check

import (
	"math"
	"strconv"

	"lapgate/recipe"
	"lapgate/recipe/wording"
)

// heads checks the sizes of both heads and the core plug.
func (r *run) heads() {
	sp := &r.rec.Setpoints
	if r.spec == nil || r.rec.Has(recipe.RollInvalid) {
		return
	}
	edge := &r.line.Heads
	if sp.OuterHead > 0 {
		r.headFits("outer_head_m", "finding.head-size.outer", sp.OuterHead, edge.MostOuter(r.line, r.roll), "heads.outer_edge", r.spec.Head)
		// The lap of the chosen size is a rule of the window; another size,
		// as an operator may enter, has a lap of its own.
		if lap := r.line.WorstLap(r.roll, r.spec, sp); sp.Groups.Has(recipe.GroupStand) && !(lap >= r.spec.MinLap-1e-7) {
			r.add(HeadLap, "outer_head_m", r.write(metres, lap), r.write(metres, r.spec.MinLap), r.specKey("lap"),
				wording.Say("finding.head-lap", "lap", r.write(metres, lap), "limit", r.write(metres, r.spec.MinLap)))
		}
	}
	if sp.InnerHead == 0 {
		return
	}
	r.headFits("inner_head_m", "finding.head-size.inner", sp.InnerHead, edge.MostInner(r.line, r.roll), "heads.inner_edge", r.spec.InnerHead)
	if bare := (r.roll.Extent().Largest - sp.InnerHead) / 2; edge.InnerBare > 0 && !(bare <= edge.InnerBare) {
		r.add(InnerHeadBare, "inner_head_m", r.write(metres, bare), r.write(metres, edge.InnerBare), "heads.inner_bare",
			wording.Say("finding.inner-head-bare", "size", r.write(metres, sp.InnerHead), "bare", r.write(metres, bare), "limit", r.write(metres, edge.InnerBare)))
	}
	core := r.line.Materials.Core(r.roll.Core)
	if core != nil && len(edge.Plugs) > 0 && edge.Plug(core) == 0 {
		r.add(CorePlug, "core", "bore of "+r.write(metres, core.Bore()), "a plug smaller by "+r.span(metres, edge.PlugPlay).String(), "heads.plugs",
			wording.Say("finding.no-core-plug", "bore", r.write(metres, core.Bore()), "core", strconv.Quote(core.Name)))
	}
}

func (r *run) headFits(field, sentence string, size, most float64, key, material string) {
	if size <= most+1e-7 {
		return
	}
	r.add(HeadSize, field, r.write(metres, size), r.write(metres, most), key,
		wording.Say(sentence, "size", r.write(metres, size), "limit", r.write(metres, most), "head", strconv.Quote(material)))
}

// vacuum warns when no zone holds the wrapper.
func (r *run) vacuum() {
	sp, edges := &r.rec.Setpoints, r.line.Vacuum.Edges
	if !r.line.Equipment.Vacuum.Powered() || !sp.Groups.Has(recipe.GroupWrap) || sp.VacuumZones != 0 || len(edges) == 0 {
		return
	}
	r.add(VacuumNone, "vacuum_zones", "none", "a wrapper of at least "+r.write(metres, 2*edges[0]), "vacuum.edges.0",
		wording.Say("finding.vacuum-none", "width", r.write(metres, 2*edges[0])))
}

// centring checks the offset that the roll is put at.
func (r *run) centring() {
	sp := &r.rec.Setpoints
	most, e := r.line.Limits.Centring, r.line.Centring.Tolerance
	if !sp.Groups.Has(recipe.GroupCentre) || math.Abs(sp.CentringOffset)+e <= most*(1+rounding) {
		return
	}
	r.add(CentringRange, "centring_offset_m", r.write(metres, sp.CentringOffset)+" ± "+r.write(metres, e), r.write(metres, most)+" either way", "limits.centring_offset",
		wording.Say("finding.centring-offset-range", "offset", r.write(metres, sp.CentringOffset), "tolerance", r.write(metres, e), "limit", r.write(metres, most)))
}
