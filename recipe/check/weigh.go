package check

import (
	"math"
	"strconv"

	"lapgate/recipe"
	"lapgate/recipe/reel"
	"lapgate/recipe/wording"
)

var grossLimit = limitOf(GrossRange, "gross_kg")

// mass checks the predicted mass, and a weighing of the bare roll against it.
func (r *run) mass() {
	sp := &r.rec.Setpoints
	if !r.line.Equipment.Scale.Powered() || r.spec == nil {
		return
	}
	if !sp.Groups.Has(recipe.GroupWeigh) {
		if sp.Groups.Has(recipe.GroupWrap) && !r.rec.Has(recipe.MassIncalculable) && !r.rec.Has(recipe.GradeUnknown) {
			r.add(DensityUnknown, "gross_kg", "no density", "a grade or an order with one", "grades.0.density",
				wording.Say("finding.density-unknown"))
		}
		return
	}
	r.keeps(&grossLimit)
	if known := r.roll.KnownWeight; known > 0 {
		want := sp.Gross - sp.Tare
		want += r.line.Materials.CoreMass(r.roll.Core) * r.roll.Width
		if most := sp.ScaleTolerance * sp.Gross; !(math.Abs(known-want) <= most) {
			r.add(KnownWeight, "known_weight_kg", r.write(kilos, known), r.write(kilos, want)+" ± "+r.write(kilos, most), "scale.tolerance",
				wording.Say("finding.known-weight-differs", "got", r.write(kilos, known), "want", r.write(kilos, want)))
		}
	}
}

// stock warns of a wrapper roll that reaches for few rolls more, and of one
// whose outer diameter and consumption disagree.
func (r *run) stock() {
	sp := &r.rec.Setpoints
	n := sp.Slot
	if !sp.Groups.Has(recipe.GroupStand) || n < 1 || n > len(r.stand.Outer) {
		return
	}
	few := r.line.Stand.WarnRolls
	counted := r.stand.Counted[n-1].Known
	if few == 0 && !counted || r.stand.Outer[n-1] == 0 && !counted {
		return
	}
	c := r.candidate
	if !r.candidateOK || c.Feed <= 0 || math.IsInf(c.Left, 1) {
		return
	}
	if c.Differs {
		r.add(StockDiffers, "outer_m", r.write(metres, r.stand.Outer[n-1]), "what consumption leaves, "+r.write(metres, r.stand.Counted[n-1].Length), "stand.outer_uncertainty",
			wording.Say("finding.slot-stock-differs", "slot", n))
	}
	if all, _ := RollsLeft(r.line, &c); all-1 < few {
		more := max(all-1, 0)
		r.add(StockLow, "wrapper_slot", strconv.Itoa(more)+" more rolls", strconv.Itoa(few), "stand.warn_rolls",
			wording.SayCount("finding.slot-running-out", more, "slot", n, "command", hangCommand(n)))
	}
}

// RollsLeft is for how many rolls like the one at hand a wrapper roll surely reaches,
// that one counted. ok is false where nothing tells.
func RollsLeft(line *recipe.Line, c *recipe.Candidate) (n int, ok bool) {
	if c.Feed <= 0 || math.IsInf(c.Left, 1) {
		return 0, false
	}
	s := &line.Stand
	usable := reel.Usable(reel.Estimate{Length: c.Left, U: c.LeftU, Known: true}, s.Reserve, s.TailReserve, line.Limits.GuardK)
	return reel.Rolls(usable, c.Feed), true
}
