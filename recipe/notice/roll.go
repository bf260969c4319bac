package notice

import (
	"math"
	"time"
)

// Roll is what the record tells of one roll, in SI. What it does not tell is
// zero, and is not tested.
type Roll struct {
	Number uint32
	At     time.Time // of its request

	// Setpoint of the platens and the cooler of them as measured at the
	// request, °C. Both are zero where they are not known.
	Setpoint, Platen float64
	Allowed          float64 // K that the platen may be below its setpoint: what the dwell allows for

	Slot int // of the wrapper as used, 0 unknown
	// Feed is the wrapper drawn by the encoder less the slip of the feed rolls,
	// beside what lies on the roll by its diameter, turns and overlap, m.
	Feed Compared
	// Weighing is the reading of the scale beside the predicted gross mass, kg.
	Weighing Compared
	// Others is by how much the roll would weigh more, kg, had another of the
	// wrappers at hand hung in its slot; negative for less.
	Others []float64
	// Overhang is that of the wrapper as measured, m.
	Overhang Compared
	// Pressure is that of the press as measured, Pa.
	Pressure Compared

	// Samples are the diameters by position of the scanner, m, 0 for none.
	Samples []float64

	Hung  []int   // slots into which a wrapper roll was hung before this roll
	Reels []Reel  // on the stand at the request
	Drawn float64 // from the wrapper roll of Slot by this roll, m; 0 unknown
	Bare  bool    // the roll left without a wrapper: nothing was drawn
}

// Compared is a measured value beside the expected one.
type Compared struct {
	Expected, Measured float64
	U                  float64 // standard uncertainty of the difference from roll to roll
	Standing           float64 // that of what is the same for all rolls
}

// known reports whether there is something to compare.
func (c *Compared) known() bool {
	return finite(c.Expected) && finite(c.Measured) && finite(c.Standing) && c.Standing >= 0 && finite(c.U) && c.U > 0
}

// Reel is a wrapper roll on the stand.
type Reel struct {
	Slot            int
	Outer, OuterU   float64 // diameter, m
	Caliper         float64 // wound, as configured, m
	CaliperStanding float64 // relative standard uncertainty of it, and of the feed
}

// finite reports whether v is a number of a size that sums of it stay numbers.
func finite(v float64) bool { return math.Abs(v) <= 1e12 }
