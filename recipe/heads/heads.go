// Package heads chooses the discs that cover the roll ends from the sizes in
// stock, and tells how hard the platens press them and how well the contact
// conducts. Quantities are SI.
package heads

import "math"

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
	BadCurve
	BadPressure
	NoRing     // the fold leaves no ring that the platen presses
	BadContact // a property of the contact is not a positive number in range
)

func (f Fault) Error() string {
	switch f {
	case NoStock:
		return "heads: no size in stock"
	case AllTooWide:
		return "heads: every size in stock is larger than the roll allows"
	case NoneCovers:
		return "heads: the largest size in stock that fits does not cover enough"
	case BadWindow:
		return "heads: roll diameter, overhang, lap or clearance is not a number in range"
	case BadForce:
		return "heads: force is not a number from zero up"
	case BadArea:
		return "heads: pressed area is not positive"
	case BadCurve:
		return "heads: the conductance curve has no points, or points that are not positive and in ascending order of pressure"
	case BadPressure:
		return "heads: contact pressure is not positive"
	case NoRing:
		return "heads: the folded overhang ends outside the edge of the head or of the platen: nothing carries the force"
	case BadContact:
		return "heads: conductance, exponent or pressures of the contact are not positive numbers in range"
	}
	return "heads: unknown fault"
}

// slack is what decimals of inches may be off in binary fractions, m.
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

// Lap is how far the folded overhang comes in under the edge of an outer
// head, m: o − (R − R_head).
func Lap(diameter, overhang, head float64) float64 { return overhang - (diameter-head)/2 }

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

// Pressure is the hydraulic pressure, Pa, for a force on a platen, N.
func (c Cylinder) Pressure(force float64) (float64, error) {
	unit, err := c.Force(1)
	switch {
	case err != nil:
		return 0, err
	case !(force >= 0) || !finite(force):
		return 0, BadForce
	}
	return force / unit, nil
}

// ContactPressure is the mean pressure on a head, Pa, under a force, N: the
// force over the ring from the core hole, which bears nothing, to the edge of
// the head or of the platen, whichever is smaller. Diameters in m; hole 0 for
// none.
func ContactPressure(force, head, platen, hole float64) (float64, error) {
	edge := math.Min(head, platen)
	switch {
	case !(force >= 0) || !finite(force):
		return 0, BadForce
	case !positive(edge) || !(hole >= 0) || hole >= edge:
		return 0, BadArea
	}
	return force / (math.Pi / 4 * (edge - hole) * (edge + hole)), nil
}

// Point is a calibrated contact: a conductance, W/(m²·K), at a pressure, Pa.
type Point struct{ Pressure, Conductance float64 }

// Conductance of a contact at a pressure, W/(m²·K), from calibrated points in
// ascending order of pressure. Between two points it follows the power law
// through both, h = h₀·(p/p₀)ⁿ. Outside it never promises more than was
// measured: below the first point it falls on with the power of the first
// two (n = 1 for a single point), above the last it stays. outside tells that
// the pressure is not among the calibrated ones.
//
// Published values for platens on paper are 97 to 200 W/(m²·K) at 2.3 kPa and
// 146 to 452 near 300 kPa (abstract of ASME J. Heat Transfer 114(2):326); a
// line calibrates its own.
func Conductance(curve []Point, pressure float64) (h float64, outside bool, err error) {
	if len(curve) == 0 {
		return 0, false, BadCurve
	}
	for i, p := range curve {
		if !positive(p.Pressure) || !positive(p.Conductance) || i > 0 && p.Pressure <= curve[i-1].Pressure {
			return 0, false, BadCurve
		}
	}
	if !positive(pressure) {
		return 0, false, BadPressure
	}
	first, last := curve[0], curve[len(curve)-1]
	if pressure > last.Pressure {
		return last.Conductance, true, nil
	}
	if len(curve) == 1 {
		return first.Conductance * (pressure / first.Pressure), pressure < first.Pressure, nil
	}
	i := 1
	for pressure > curve[i].Pressure {
		i++
	}
	a, b := curve[i-1], curve[i]
	n := math.Log(b.Conductance/a.Conductance) / math.Log(b.Pressure/a.Pressure)
	if pressure < first.Pressure {
		// A falling pair would promise more at less pressure.
		n = math.Max(n, 0)
	}
	return a.Conductance * math.Pow(pressure/a.Pressure, n), pressure < first.Pressure, nil
}
