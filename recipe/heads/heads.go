// Package heads chooses the discs that cover the roll ends from the sizes in
// stock, and tells how hard the platens press the ring that carries them and
// how well the contact conducts. Quantities are SI.
package heads

import (
	"math"

	"lapgate/recipe/wording"
)

// Fault is why there is no answer.
type Fault uint8

// Faults. Of the first three the first that holds for a stock is given.
const (
	NoStock    Fault = 1 + iota // no size in stock is a positive number
	AllTooWide                  // every size is over the greatest that fits
	NoneCovers                  // the largest that fits does not cover enough
	BadWindow                   // a dimension of the roll is not a number in range
	BadForce
	BadArea
	BadPressure
	NoRing     // the fold leaves no ring that the platen presses
	BadContact // a property of the contact is not a positive number in range
)

func (f Fault) Error() string { return f.Said().String() }

// Said is the fault in words.
func (f Fault) Said() wording.Said {
	switch f {
	case NoStock:
		return wording.Say("fault.heads.no-stock")
	case AllTooWide:
		return wording.Say("fault.heads.all-too-wide")
	case NoneCovers:
		return wording.Say("fault.heads.none-covers")
	case BadWindow:
		return wording.Say("fault.heads.bad-window")
	case BadForce:
		return wording.Say("fault.heads.bad-force")
	case BadArea:
		return wording.Say("fault.heads.bad-area")
	case BadPressure:
		return wording.Say("fault.heads.bad-pressure")
	case NoRing:
		return wording.Say("fault.heads.no-ring")
	case BadContact:
		return wording.Say("fault.heads.bad-contact")
	}
	return wording.Say("fault.heads")
}

// slack is how far, in m, a size in inches may be off once it is a binary number.
const slack = 1e-9

// Window is the head diameters that do, m, both included.
type Window struct{ Least, Most float64 }

func finite(v float64) bool   { return !math.IsNaN(v) && !math.IsInf(v, 0) }
func positive(v float64) bool { return v > 0 && !math.IsInf(v, 1) }

// Plug is the window of the core plug that holds an inner head: tightest and
// loosest play in a core of an inner diameter, m.
func Plug(bore, tightest, loosest float64) (Window, error) {
	if !positive(bore) || !(tightest >= 0) || !(loosest >= tightest) || !finite(loosest) {
		return Window{}, BadWindow
	}
	return Window{bore - loosest, bore - tightest}, nil
}

// Choice is a size from the stock.
type Choice struct {
	Index    int     // in the stock; -1 when none does
	Diameter float64 // m
	// Below is the largest size that fits whether or not it covers enough,
	// Above the smallest that covers enough whether or not it fits, m; zero
	// when there is none. They tell what to order when nothing does.
	Below, Above float64
}

// Choose picks the largest size in the window, and of equal sizes the first.
// The sizes may come in any order; those that are no positive number are
// passed over. When none does the error is NoStock, AllTooWide or NoneCovers.
func Choose(sizes []float64, w Window) (Choice, error) {
	c := Choice{Index: -1}
	if !finite(w.Least) || !finite(w.Most) {
		return c, BadWindow
	}
	stock := false
	for i, d := range sizes {
		if !positive(d) {
			continue
		}
		stock = true
		fits, covers := d <= w.Most+slack, d >= w.Least-slack
		if fits && d > c.Below {
			c.Below = d
		}
		if covers && (c.Above == 0 || d < c.Above) {
			c.Above = d
		}
		if fits && covers && d > c.Diameter {
			c.Index, c.Diameter = i, d
		}
	}
	switch {
	case c.Index >= 0:
		return c, nil
	case !stock:
		return c, NoStock
	case c.Below == 0:
		return c, AllTooWide
	}
	return c, NoneCovers
}

// Cylinder is a hydraulic cylinder that pushes a platen.
type Cylinder struct {
	Bore       float64 // m
	Efficiency float64 // share of the force that friction leaves, above 0, at most 1
	Count      int     // cylinders on one platen
}

// Force on a platen, N, at a hydraulic pressure, Pa.
func (c Cylinder) Force(pressure float64) (float64, error) {
	area := float64(c.Count) * math.Pi / 4 * c.Bore * c.Bore * c.Efficiency
	switch {
	case !positive(area) || c.Efficiency > 1:
		return 0, BadArea
	case !(pressure >= 0) || !finite(pressure):
		return 0, BadPressure
	}
	return pressure * area, nil
}
