// Package stat holds the robust statistics of repeated readings: mean and
// standard deviation that keep their digits, median, median absolute
// deviation, outlier flags and what is left when they are taken out.
//
// No function allocates for up to Scratch values. A NaN among the values gives
// NaN, except where a function says otherwise.
package stat

import (
	"math"
	"slices"
)

// Scratch is the number of values up to which nothing is allocated.
const Scratch = 12

// zLimit is the modified z-score above which a value is flagged (Iglewicz and
// Hoaglin, as in NIST/SEMATECH e-Handbook 1.3.5.17).
const zLimit = 3.5

// zFactor is the constant of the modified z-score as the same handbook prints it.
const zFactor = 0.6745

// sum is Neumaier's compensated sum.
func sum(x []float64) float64 {
	var s, c float64
	for _, v := range x {
		t := s + v
		if math.Abs(s) >= math.Abs(v) {
			c += (s - t) + v
		} else {
			c += (v - t) + s
		}
		s = t
	}
	return s + c
}

// Mean returns the arithmetic mean, NaN of no values.
func Mean(x []float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	return sum(x) / float64(len(x))
}

// MeanSD returns the mean and the standard deviation with n − 1 degrees of
// freedom. The deviation is taken about the mean and corrected for the
// rounding of the mean, so that it holds where the values are large and close
// together. The deviation of fewer than two values is NaN.
func MeanSD(x []float64) (mean, sd float64) {
	mean = Mean(x)
	n := float64(len(x))
	if len(x) < 2 {
		return mean, math.NaN()
	}
	var sq, rest float64
	for _, v := range x {
		d := v - mean
		sq += d * d
		rest += d
	}
	return mean, math.Sqrt(math.Max(0, (sq-rest*rest/n)/(n-1)))
}

// sorted copies x into buf, or into new memory where it does not fit, and
// sorts the copy. NaN comes first.
func sorted(x, buf []float64) []float64 {
	buf = append(buf[:0], x...)
	slices.Sort(buf)
	return buf
}

func middle(s []float64) float64 {
	n := len(s)
	switch {
	case n == 0 || math.IsNaN(s[0]):
		return math.NaN()
	case n%2 == 1:
		return s[n/2]
	}
	return s[n/2-1] + (s[n/2]-s[n/2-1])/2
}

// medianMAD is the middle value, the mean of the two middle ones of an even
// number, and the raw median absolute deviation from it, not scaled to a
// standard deviation.
func medianMAD(x []float64) (median, mad float64) {
	var buf [Scratch]float64
	s := sorted(x, buf[:])
	median = middle(s)
	for i, v := range s {
		s[i] = math.Abs(v - median)
	}
	slices.Sort(s)
	return median, middle(s)
}

// score is the modified z-score of a value, 0.6745·(v − median)/MAD with the
// raw MAD, as in NIST/SEMATECH e-Handbook 1.3.5.17. Where the MAD is zero, a
// value on the median scores 0 and any other infinity.
func score(v, median, mad float64) float64 {
	d := v - median
	if d == 0 {
		return 0
	}
	return zFactor * d / mad
}

// outliers appends to dst one flag for each value of x: whether its modified
// z-score exceeds limit in size. Readings that agree better than they can be
// measured would make the MAD too small to judge by, so it is taken as no less
// than floor, in the unit of x; 0 takes it as it is. A NaN is always flagged.
// Of fewer than three values none can be told from the others.
func outliers(dst []bool, x []float64, limit, floor float64) []bool {
	if len(x) < 3 {
		for _, v := range x {
			dst = append(dst, math.IsNaN(v))
		}
		return dst
	}
	median, mad := medianMAD(x)
	mad = math.Max(mad, floor)
	for _, v := range x {
		dst = append(dst, !(math.Abs(score(v, median, mad)) <= limit))
	}
	return dst
}

// Robust is what is left of repeated readings when outliers are taken out.
type Robust struct {
	N        int     // values used
	Rejected int     // values flagged
	Mean     float64 // of the values used
	SD       float64 // of the values used, NaN of fewer than two
	Median   float64 // of the values used
	Min, Max float64 // of the values used
}

// Of returns the robust statistics of x: values whose modified z-score exceeds
// zLimit are left out; floor as with outliers. Of no values all is NaN.
func Of(x []float64, floor float64) Robust {
	var flagBuf [Scratch]bool
	var keepBuf [Scratch]float64
	flags := outliers(flagBuf[:0], x, zLimit, floor)
	keep := keepBuf[:0]
	for i, v := range x {
		if !flags[i] {
			keep = append(keep, v)
		}
	}
	r := Robust{N: len(keep), Rejected: len(x) - len(keep)}
	r.Mean, r.SD = MeanSD(keep)
	slices.Sort(keep)
	r.Median = middle(keep)
	r.Min, r.Max = math.NaN(), math.NaN()
	if len(keep) > 0 {
		r.Min, r.Max = keep[0], keep[len(keep)-1]
	}
	return r
}
