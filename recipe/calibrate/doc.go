// Package calibrate estimates settings of a line from what was recorded and
// measured on it, each with its standard uncertainty. It changes nothing.
//
//	Heat      conductance of the platen's contact and effusivity of the backing,
//	          from a thermocouple at a bond line: the rise tells the conductance
//	          early and the backing late
//	Feed      slip of the feed rolls, from encoder, turns and overlap
//	Caliper   wound caliper of a wrapper, from its outer diameter against the
//	          length drawn
//	Weighed   density of each grade and the zero of the scale, from readings
//
// What is the same in every roll, as a head that is thicker than its data say or
// a slip that is not known, does not average out: it is part of each stated
// uncertainty, however many rolls there are.
package calibrate

import (
	"errors"
	"fmt"
	"math"
)

// Estimate is an estimated setting.
type Estimate struct {
	Value float64
	U     float64 // standard uncertainty
	Rolls int     // that it rests on
}

// errSingular says that the data do not tell the parameters apart.
var errSingular = errors.New("the data do not tell the settings apart")

// tooFew is the error for less data than an estimate wants.
func tooFew(got, want int, what string) error {
	return fmt.Errorf("%s: got %d, want at least %d; record more before calibrating", what, got, want)
}

// solve solves the symmetric positive definite a·x = b by Cholesky's method and
// returns x and the inverse of a, row by row. a and b are overwritten.
func solve(a [][]float64, b []float64) (x []float64, inverse [][]float64, err error) {
	n := len(b)
	for j := range n {
		for i := j; i < n; i++ {
			sum := a[i][j]
			for k := range j {
				sum -= a[i][k] * a[j][k]
			}
			switch {
			case i != j:
				a[i][j] = sum / a[j][j]
			case !(sum > 0) || math.IsInf(sum, 0):
				return nil, nil, errSingular
			default:
				a[j][j] = math.Sqrt(sum)
			}
		}
	}
	substitute := func(rhs []float64) []float64 {
		out := make([]float64, n)
		for i := range n {
			sum := rhs[i]
			for k := range i {
				sum -= a[i][k] * out[k]
			}
			out[i] = sum / a[i][i]
		}
		for i := n - 1; i >= 0; i-- {
			sum := out[i]
			for k := i + 1; k < n; k++ {
				sum -= a[k][i] * out[k]
			}
			out[i] = sum / a[i][i]
		}
		return out
	}
	inverse = make([][]float64, n)
	for i := range n {
		unit := make([]float64, n)
		unit[i] = 1
		inverse[i] = substitute(unit)
	}
	return substitute(b), inverse, nil
}

func square(v float64) float64 { return v * v }

func positive(v float64) bool { return v > 0 && !math.IsInf(v, 1) }
