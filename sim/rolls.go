package sim

import (
	"fmt"
	"math"
	"math/rand/v2"
)

// Roll is one roll as it truly is, and what goes wrong around it.
type Roll struct {
	Tag      string
	Diameter float64 // m, true mean
	Width    float64 // m
	Ovality  float64 // (largest − smallest diameter)/mean
	Taper    float64 // by how much the diameter grows from the left end to the right, for each m of width
	// Telescoping is how far the end stands out at the edge, m.
	Telescoping float64
	Grade       int
	Core        int

	Quality    int     // of its scans, 0 to 100; 0 for that of the scanner
	ScanAge    float64 // s that the first scan is already old when the roll asks
	Permissive int     // 1 + the bit that is off when the roll asks, 0 none
}

// largestRoll is the largest size in m that the request has room for.
const largestRoll = 6.5

// Shift makes up n rolls of the line's sizes, grades and cores, that the wrappers at
// its slots fit with about the overhang that is wanted on each side; from five rolls
// on, three of them call for a hold.
func (c *Config) Shift(seed uint64, n int) []Roll {
	rng := rand.New(rand.NewPCG(seed, 0x5111F7))
	served := c.served()
	rolls := make([]Roll, n)
	for i := range rolls {
		s := served[rng.IntN(len(served))]
		off, size, oval := rng.Float64()*2-1, rng.Float64(), rng.Float64()
		g := s.grades[rng.IntN(len(s.grades))]
		overhang, reach := c.wrapping(g).drawn()
		width := s.width - 2*overhang + 2*off*reach
		r := Roll{
			Tag:      fmt.Sprintf("M%02d-%05d", seed%100, 41001+i),
			Diameter: c.Sizes.DiameterMin + (c.Sizes.DiameterMax-c.Sizes.DiameterMin)*size,
			Width:    min(max(width, c.Sizes.WidthMin), c.Sizes.WidthMax),
			Ovality:  0.004 * oval,
			Grade:    g.Code,
			Core:     c.Cores[rng.IntN(len(c.Cores))].Code,
		}
		r.Diameter, r.Width = math.Round(r.Diameter*1e4)/1e4, math.Round(r.Width*1e4)/1e4
		rolls[i] = r
	}
	if n >= 5 {
		rolls[n/5].Width = c.misfit()
		rolls[n*2/5].ScanAge = 180
		rolls[n*3/5].Permissive = 1 + Air
	}
	return rolls
}

// served is a slot with the grades that are wrapped from it.
type served struct {
	width  float64
	grades []*Grade
}

// served are the slots that a grade is wrapped from; where there is none, all of them
// with every grade.
func (c *Config) served() (all []served) {
	for _, any := range []bool{false, true} {
		for _, slot := range c.Stand.Slots {
			s := served{width: slot.Width}
			for i := range c.Grades {
				if g := &c.Grades[i]; any || g.takes(slot.Number) {
					s.grades = append(s.grades, g)
				}
			}
			if len(s.grades) > 0 {
				all = append(all, s)
			}
		}
		if len(all) > 0 {
			break
		}
	}
	return all
}

// drawn is the overhang that rolls are made up for, and how far from it they may be:
// well within what the wrap is judged by.
func (c *Config) drawn() (overhang, reach float64) {
	const most, share = 0.8 * inch, 0.4
	o := c.Habit.Overhang
	return o, max(0, min(most, share*min(o-c.Accept.OverhangMin, c.Accept.OverhangMax-o)))
}

// misfit is the width of the line's rolls that is furthest from what any slot would
// suit.
func (c *Config) misfit() float64 {
	best, far := 0.0, -1.0
	for w := c.Sizes.WidthMin; w <= c.Sizes.WidthMax; w += inch / 4 {
		near := math.Inf(1)
		for _, s := range c.Stand.Slots {
			near = min(near, math.Abs(s.Width-2*c.Habit.Overhang-w))
		}
		if near > far {
			best, far = w, near
		}
	}
	return math.Round(best*1e4) / 1e4
}
