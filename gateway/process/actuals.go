package process

import (
	"cmp"
	"math"
	"slices"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/calibrate"
	"lapgate/recipe/mass"
)

// Actuals gathers what the rolls of a line tell for a calibration. The zero
// value is ready. It is for one goroutine.
type Actuals struct {
	Fed     []calibrate.Fed
	Weighed []calibrate.Weighed
	Papers  []Unwound // in the order of their names

	reels  map[int]*reel // by slot
	hung   int
	newest uint32
}

// Unwound is what the wrapper rolls of one paper tell.
type Unwound struct {
	Paper    string
	Readings []calibrate.Unwound
}

// reel is the wrapper roll in a slot.
type reel struct {
	number int
	drawn  float64
	read   bool // since it was drawn from
}

// overlapStanding is the standard uncertainty of a measured overlap that is the
// same on all rolls, m (J).
const overlapStanding = 0.003

// straight is the spread of the widths up to which a roll is taken to be as wide
// as its paper, m (J): that of a scanner's own noise.
const straight = 0.003

// Take takes the next roll of a journal.
func (a *Actuals) Take(line *recipe.Line, r *record.Roll) {
	if used := r.Used(); used != nil {
		line = used.Basis.Acts.Line(line)
	}
	roll := Of(line, r)
	for _, slot := range roll.Hung {
		delete(a.reels, slot)
	}
	if r.Number != a.newest+1 {
		a.reels = nil
	}
	a.newest = r.Number
	for _, one := range roll.Reels {
		a.read(line, one.Slot, one.Outer)
	}
	switch {
	case roll.Bare:
	case !(roll.Drawn > 0):
		a.reels = nil // it may have drawn from any
	case a.reels[roll.Slot] != nil:
		a.reels[roll.Slot].drawn += roll.Drawn
		a.reels[roll.Slot].read = false
	}
	used := r.Used()
	if used == nil || r.Outcome == nil || r.Outcome.Outcome.Outcome != handshake.Wrapped {
		return
	}
	measured, stand := used.Request.Measurement()
	if _, paper := hanging(line, roll.Slot); paper != nil && roll.Feed.U > 0 && !math.IsNaN(roll.Feed.Expected) {
		n := float64(r.Outcome.Outcome.Layers) / 100
		a.Fed = append(a.Fed, calibrate.Fed{
			Travel: float64(r.Outcome.Outcome.EncoderUsed) / perMetre, Wound: roll.Feed.Expected,
			U: roll.Feed.U, Standing: math.Hypot(math.Pi*n*n*paper.CaliperU, overlapStanding),
		})
	}
	if w := r.Outcome.Weighing; w != nil && w.Reading > 0 {
		a.weigh(line, &measured, &stand, w.Reading)
	}
}

// read takes the outer diameter of the wrapper roll in a slot, once for each roll
// that drew from it: a reading again tells nothing new.
func (a *Actuals) read(line *recipe.Line, slot int, outer float64) {
	if a.reels == nil {
		a.reels = map[int]*reel{}
	}
	now := a.reels[slot]
	if now == nil {
		a.hung++
		now = &reel{number: a.hung}
		a.reels[slot] = now
	}
	if now.read {
		return
	}
	now.read = true
	_, paper := hanging(line, slot)
	i, found := slices.BinarySearchFunc(a.Papers, paper.Name, func(u Unwound, name string) int { return cmp.Compare(u.Paper, name) })
	if !found {
		a.Papers = slices.Insert(a.Papers, i, Unwound{Paper: paper.Name})
	}
	a.Papers[i].Readings = append(a.Papers[i].Readings, calibrate.Unwound{Reel: now.number, Outer: outer, Drawn: now.drawn})
}

// weigh takes a reading of the scale, where everything about the roll but its
// density is known. A telescoped one is wider than its paper by nobody knows how
// much.
func (a *Actuals) weigh(line *recipe.Line, roll *recipe.Roll, stand *recipe.Stand, reading float64) {
	var r recipe.Recipe
	recipe.Compute(line, roll, stand, &r)
	core := line.Materials.Core(roll.Core)
	grade := roll.Grade
	if grade == 0 && roll.Order != nil {
		grade = roll.Order.Grade
	}
	if roll.WidthSpread > straight || !r.Setpoints.Groups.Has(recipe.GroupWeigh) || core == nil || line.Materials.Grade(grade) == nil {
		return
	}
	d, inner := roll.Diameter, core.Diameter
	a.Weighed = append(a.Weighed, calibrate.Weighed{
		Grade: grade, Reading: reading, Tare: r.Setpoints.Tare, Volume: mass.Solid(d, inner, roll.WidthMedian, 1),
		VolumeU: math.Hypot(2*d*roll.DiameterU/((d-inner)*(d+inner)), roll.WidthU/roll.WidthMedian), ScaleU: math.Hypot(scaleLeastU, scaleU*reading),
	})
}
