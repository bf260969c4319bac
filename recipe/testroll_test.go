package recipe_test

import (
	"math/rand"

	"lapgate/recipe"
	"lapgate/recipe/recipetest"
)

const inch = 0.0254

// sampleRoll fits slot 2 of recipetest.Line at an overhang of 5 in.
func sampleRoll() *recipe.Roll {
	return &recipe.Roll{
		Number: 1190, Tag: "R-1190",
		Diameter: 1.2, DiameterU: 0.5e-3, Ovality: 0.004,
		Width: 40 * inch, WidthU: 0.4e-3, WidthMedian: 40 * inch, WidthSpread: 0.002,
		Quality: 0.95, Age: 3, Grade: 1, Core: 1,
	}
}

func sampleStand() *recipe.Stand {
	return &recipe.Stand{
		Ready:       [6]bool{true, true, true, true, true, true},
		Outer:       [6]float64{1, 0.9, 0.8, 0.9, 1, 0.6},
		Permissives: 0x3F, Platen: 176, PlatenHot: 178, Mode: 1, State: 6,
	}
}

// randomRoll and randomStand range over the trade, with some rolls and slots
// that cannot be served.
func randomRoll(r *rand.Rand, line *recipe.Line) *recipe.Roll {
	roll := sampleRoll()
	roll.Number = r.Uint32()
	roll.Diameter = (12 + 60*r.Float64()) * inch
	roll.DiameterU = 2e-3 * r.Float64()
	roll.Width = (6 + 100*r.Float64()) * inch
	roll.WidthU = 1e-3 * r.Float64()
	roll.Ovality, roll.WidthSpread = 0.02*r.Float64(), 0.02*r.Float64()
	roll.Grade = 1 + r.Intn(2)
	roll.Core = r.Intn(3)
	slots := line.Stand.Slots
	switch r.Intn(8) {
	case 0: // somewhere in the trade
	case 1: // halfway between two sheets, with the optimum at a tie
		i := r.Intn(len(slots) - 1)
		optimum := line.Materials.Specs[roll.Grade-1].Overhang.Optimum
		roll.Width = (slots[i].Width+slots[i+1].Width)/2 - 2*optimum
	default: // near what a sheet serves
		roll.Width = slots[r.Intn(len(slots))].Width - 2*(0.08+0.1*r.Float64())
	}
	roll.DiameterMin, roll.DiameterMax, roll.WidthMin, roll.WidthMax = 0, 0, 0, 0
	if r.Intn(2) == 0 {
		roll.DiameterMin, roll.DiameterMax = roll.Diameter*(1-0.01*r.Float64()), roll.Diameter*(1+0.01*r.Float64())
		roll.WidthMin, roll.WidthMax = roll.Width-0.01*r.Float64(), roll.Width+0.01*r.Float64()
	}
	return roll
}

func randomStand(r *rand.Rand) *recipe.Stand {
	s := sampleStand()
	for i := range s.Ready {
		s.Ready[i] = r.Intn(5) > 0
		switch r.Intn(4) {
		case 0:
			s.Outer[i] = 0
		case 1:
			s.Outer[i] = 0.08 + 0.05*r.Float64()
		default:
			s.Outer[i] = 0.2 + r.Float64()
		}
	}
	return s
}

// randomLine varies the settings of recipetest.Line.
func randomLine(r *rand.Rand) *recipe.Line {
	l := recipetest.Line()
	vary := func(v *float64, share float64) { *v *= 1 + share*(2*r.Float64()-1) }
	for i := range l.Stand.Slots {
		vary(&l.Stand.Slots[i].Width, 0.2)
		if r.Intn(3) == 0 && i > 0 {
			l.Stand.Slots[i].Width = l.Stand.Slots[i-1].Width
		}
		l.Stand.Slots[i].Paper = []string{"kraft", "poly"}[r.Intn(2)]
	}
	vary(&l.Centring.Tolerance, 1)
	l.Centring.Target = 0.2 * (r.Float64() - 0.5)
	vary(&l.Stand.WidthU, 1)
	vary(&l.Heads.SizeU, 1)
	vary(&l.Heads.Placement, 1)
	l.Heads.OuterEdge, l.Heads.InnerEdge = 0.01*r.Float64(), 0.01*r.Float64()
	vary(&l.Wrap.Tension, 1)
	vary(&l.Crimp.Drag, 1)
	for i := range l.Materials.Papers {
		vary(&l.Materials.Papers[i].Caliper, 0.9)
	}
	vary(&l.Header.Conductance, 0.9)
	vary(&l.Header.Start, 0.9)
	vary(&l.Header.ConductanceU, 0.9)
	vary(&l.Header.Backing, 0.5)
	vary(&l.Wrap.Accel, 0.8)
	vary(&l.Crimp.Accel, 0.9)
	vary(&l.Cradle.Friction, 0.9)
	vary(&l.Drives.Turning.Gear, 0.5)
	vary(&l.Drives.Crimper.Gear, 0.9)
	l.Drives.Feed.Compensate = r.Intn(2) == 0
	l.Wrap.Draw = 0.02 * r.Float64()
	vary(&l.Header.Pressure, 0.5)
	l.Header.Exponent = []float64{0, 0.3 * r.Float64()}[r.Intn(2)]
	for i := range l.Materials.Specs {
		s := &l.Materials.Specs[i]
		vary(&s.Overhang.Optimum, 0.3)
		s.Layers = float64(1 + r.Intn(5))
		vary(&s.CrimpTurns, 0.8)
	}
	for i := range l.Materials.Stock {
		vary(&l.Materials.Stock[i].Thickness, 0.8)
		vary(&l.Materials.Stock[i].BondTarget, 0.3)
	}
	return l
}
