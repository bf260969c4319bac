package recipe

import (
	"math"
	"strconv"
)

// Contribution is what one input adds to a standard uncertainty: the magnitude
// of its sensitivity times its own standard uncertainty, in the unit of the
// result (JCGM 100, 5.1.2).
type Contribution struct {
	Name string
	U    float64
}

// budget is the contributions to one setpoint; inputs are independent.
type budget struct {
	parts [5]Contribution
	n     int
}

func (b *budget) add(name string, u float64) {
	b.parts[b.n] = Contribution{name, math.Abs(u)}
	b.n++
}

// total is the combined standard uncertainty.
func (b *budget) total() float64 {
	sum := 0.0
	for _, p := range b.parts[:b.n] {
		sum += p.U * p.U
	}
	return math.Sqrt(sum)
}

// largest is the greatest contribution and its share of the variance; of equal
// ones the first. The share is 0 when nothing contributes.
func (b *budget) largest() (c Contribution, share float64) {
	for _, p := range b.parts[:b.n] {
		if p.U > c.U {
			c = p
		}
	}
	if u := b.total(); u > 0 {
		share = c.U / u * (c.U / u)
	}
	return c, share
}

// text says what contributes most, empty when nothing does.
func (b *budget) text() string {
	c, share := b.largest()
	if c.U == 0 {
		return ""
	}
	return c.Name + ", " + strconv.FormatFloat(100*share, 'f', 0, 64) + " % of the variance"
}
