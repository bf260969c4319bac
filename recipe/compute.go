package recipe

import (
	"math"

	"lapgate/recipe/cradle"
	"lapgate/recipe/drive"
	"lapgate/recipe/mass"
)

// lengthSlack is how far, in metres, a length may miss an inclusive limit, or
// two overhangs differ and still count as equal: rounding of the arithmetic,
// far below what any line can measure.
const lengthSlack = 1e-9

// Compute makes the recipe for one roll. It overwrites all of out. The same
// input gives the same output, bit by bit; nothing is kept between calls, and
// any number of goroutines may share line.
//
// A group of setpoints is in force when its station is powered and all its
// setpoints could be computed. What stood in the way of one is a Problem.
func Compute(line *Line, roll *Roll, stand *Stand, out *Recipe) {
	*out = Recipe{}
	j := job{line: line, roll: roll, stand: stand, out: out}
	j.run()
}

// job is one computation under way: what was looked up and what the stations
// hand to each other. Explain runs the same job and reads its intermediates.
type job struct {
	line  *Line
	roll  *Roll
	stand *Stand
	out   *Recipe

	spec  *Spec
	grade *Grade
	core  *Core
	head  *HeadMaterial // of the outer head, nil without one
	inner *HeadMaterial // of the inner head, nil without one

	// chosen is the wrapper that the roll is to be wrapped with, also on a
	// line whose operator hangs it.
	chosen *SlotSpec
	paper  *Paper
	window Window
	rules  ruled
	// candidate is how the slot that the roll is wrapped from serves it.
	candidate Candidate

	wrapped  float64 // diameter of the wrapped roll
	seat     cradle.Seat
	seated   bool
	used     float64 // wrapper that ends on the roll
	feedMove drive.Move
	power    powerPlan
	crimp    crimpPlan
	header   headerPlan
	mass     mass.Parts
	item     mass.Item

	overhangU, feedU, dwellU, massU budget
}

func (j *job) run() {
	if !j.identify() {
		return
	}
	j.readyDrives()
	j.chooseHeads()
	j.chooseSlot()
	j.findSeat()
	j.feed()
	j.planCrimp()
	j.planDrives()
	j.layGlue()
	j.planHeader()
	j.setZones()
	j.setCentring()
	j.predictMass()
	j.geometryRisk()
}

// identify looks up what the roll is and reports whether the rest can go on.
func (j *job) identify() bool {
	r := j.roll
	bad := false
	for i, v := range [...]float64{r.Diameter, r.Width, r.DiameterU, r.WidthU} {
		if !finite(v) || v < 0 || v == 0 && i < 2 {
			j.problem(RollInvalid, v, 0, i)
			bad = true
		}
	}
	code := r.gradeCode()
	j.grade = j.line.Materials.Grade(code)
	if j.grade == nil && code != 0 {
		j.problem(GradeUnknown, float64(code), 0, -1)
	}
	j.core = j.line.Materials.Core(r.Core)
	switch {
	case j.core != nil:
	case r.Core == 0:
		// Nobody told the core: the largest one leaves the least room for the fold.
		j.core = j.line.Materials.largestCore()
	default:
		j.problem(CoreUnknown, float64(r.Core), 0, -1)
		bad = true
	}
	var name string
	j.spec, name = j.line.SpecOf(r)
	if j.spec == nil {
		bad = true
		if name == "" {
			j.problem(SpecMissing, 0, 0, -1)
		} else {
			j.problem(SpecUnknown, 0, 0, -1)
		}
	}
	return !bad
}

func (j *job) problem(code Code, got, want float64, index int) {
	out := j.out
	if out.N == len(out.Problems) {
		return
	}
	// A Problem goes into journals as JSON, which has no NaN and no Inf.
	out.Problems[out.N] = Problem{Code: code, Got: bounded(got), Want: bounded(want), Index: index}
	out.N++
}

// bounded is v with NaN as 0 and infinities as the largest number.
func bounded(v float64) float64 {
	switch {
	case math.IsNaN(v):
		return 0
	case math.IsInf(v, 1):
		return math.MaxFloat64
	case math.IsInf(v, -1):
		return -math.MaxFloat64
	}
	return v
}

// finite compares and does not reckon: where v is a product, v-v may be fused with it, as on
// arm64, and is then the rounding of the product and not 0.
func finite(v float64) bool { return math.Abs(v) <= math.MaxFloat64 }

func positive(v float64) bool { return v > 0 && finite(v) }
