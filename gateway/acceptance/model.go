package acceptance

import (
	"math"

	"lapgate/recipe"
	"lapgate/recipe/check"
	"lapgate/recipe/offline"
)

// How a roll is measured where nobody has measured it yet (J): by twelve samples of
// the diameter and six of the width that scatter by half a millimetre or so. The
// steps keep clear of what differs between this and a scan.
const (
	scatterDiameter = 0.0008 // m, of the least and the greatest sample from the mean
	scatterWidth    = 0.001
	meanDiameter    = 0.00012 // m, standard uncertainty of the mean
	meanWidth       = 0.00025
	fullRoll        = 1.0 // m, outer diameter of a fresh wrapper roll
)

// model tells what the configuration says of a roll before it came.
type model struct {
	line  *recipe.Line
	stand recipe.Stand
}

func newModel(line *recipe.Line) *model {
	return &model{line, offline.Stand(line, fullRoll)}
}

// said is what the gateway would answer to a roll: a code of a hold, or none with
// the slot.
type said struct {
	code recipe.Code
	slot int
}

func (s said) goes() bool { return s.code == "" }

// of answers for a roll.
func (m *model) of(r *Roll) said {
	const widths = 6 // samples, of which the last one looks at the edge
	telescoped := 0.0
	for i := range widths {
		share := float64(i+1) / widths
		telescoped += r.Telescoping * share * share / widths
	}
	edge := r.Telescoping * (1 - 1.0/widths/widths)
	oval := r.Ovality/2*r.Diameter + scatterDiameter
	roll := recipe.Roll{
		Number: 1, Tag: r.Tag, Diameter: r.Diameter, DiameterU: meanDiameter, DiameterMin: r.Diameter - oval, DiameterMax: r.Diameter + oval,
		Ovality: 2 * oval / r.Diameter, Taper: r.Taper * r.Width,
		Width: r.Width + telescoped, WidthU: meanWidth, WidthMedian: r.Width, WidthMin: r.Width - scatterWidth, WidthMax: r.Width + r.Telescoping + scatterWidth,
		WidthSpread: edge + 2*scatterWidth, Quality: 1, Age: r.ScanAge, Grade: r.Grade, Core: r.Core, MeasuredFrom: "planned",
	}
	if r.Quality > 0 {
		roll.Quality = r.Quality
	}
	stand := m.stand
	if r.Permissive > 0 {
		stand.Permissives &^= 1 << (r.Permissive - 1)
	}
	if !m.line.Equipment.Stand.Powered() {
		stand.Confirmed = m.confirms(&roll, &stand)
	}
	var rec recipe.Recipe
	recipe.Compute(m.line, &roll, &stand, &rec)
	for _, f := range check.Run(m.line, &roll, &stand, &rec, nil, nil) {
		if f.Severity == recipe.Hold {
			return said{code: f.Code}
		}
	}
	return said{slot: rec.Setpoints.Slot}
}

// confirms is the slot that an operator would confirm at a stand that is worked by
// hand: the one whose overhang is nearest to the middle of its window.
func (m *model) confirms(roll *recipe.Roll, stand *recipe.Stand) (slot int) {
	best := math.Inf(1)
	for _, c := range recipe.Candidates(m.line, roll, stand) {
		if off := math.Abs(c.Overhang - (c.Window.Overhang.Min+c.Window.Overhang.Max)/2); c.Fit == recipe.Fits && off < best {
			best, slot = off, c.Slot.Number
		}
	}
	return slot
}

// around is how far a scan may differ from the model, m.
const (
	aroundDiameter = 0.004
	aroundWidth    = 0.002
)

// stands reports whether the answer is the same for all rolls near by, so that the
// noise of a scan does not change it.
func (m *model) stands(r Roll, want said) bool {
	for _, d := range []float64{-aroundDiameter, 0, aroundDiameter} {
		for _, w := range []float64{-aroundWidth, 0, aroundWidth} {
			near := r
			near.Diameter, near.Width = r.Diameter+d, r.Width+w
			if got := m.of(&near); got.code != want.code || want.slot != 0 && got.slot != want.slot {
				return false
			}
		}
	}
	return true
}
