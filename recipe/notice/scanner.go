package notice

import (
	"math"
	"slices"
	"strconv"
)

// Limits of the scanner (J).
const (
	fewestReadings = 8
	positionU      = 0.0005 // m, least scatter of a position that is believed
	positionWrong  = 0.0005 // m, standing error of a sound position
	lostSound      = 0.02   // share of readings that a sound position loses
	lostWrong      = 0.20   // share that is looked for
	// The sum of logarithms of the likelihoods exceeds its limit on a sound
	// position no oftener than once in e^limit readings (Lorden 1971).
	blindLimit = 15
)

// takeScanner compares each position with a line through all of them: a roll
// may be tapered, and its ovality is at every roll at another place.
func (w *Watch) takeScanner(r *Roll) {
	if len(r.Samples) > mostPositions {
		return
	}
	first, last, n := -1, -1, 0
	for i, d := range r.Samples {
		if d > 0 && finite(d) {
			if first < 0 {
				first = i
			}
			last = i
			n++
		}
	}
	for i := first + 1; i < last; i++ {
		step := math.Log((1 - lostWrong) / (1 - lostSound))
		lost := 0.0
		if !(r.Samples[i] > 0) {
			step, lost = math.Log(lostWrong/lostSound), 100
		}
		s := &w.blind[i]
		if c := s.take(r.Number, step, lost, blindLimit); c != none {
			w.tell(c, ScannerBlind, positionName(i), s, Number{"lost_percent", s.mean()})
		}
	}
	if n < fewestReadings {
		return
	}
	var buf [mostPositions]float64
	residuals := fit(r.Samples, buf[:len(r.Samples)])
	u := math.Max(positionU, scatter(residuals))
	for i, v := range residuals {
		if math.IsNaN(v) {
			continue
		}
		p := &w.scanner[i]
		up, down := p.take(r.Number, v, u, positionWrong, scannerLimit)
		if up != none || down != none {
			w.tellPair(up, down, ScannerPosition, positionName(i), p, "_m", u, positionWrong)
		}
	}
}

func positionName(i int) string { return "position " + strconv.Itoa(i+1) }

// fit returns the readings less a line that a few wild ones do not move: the
// median of the slopes of all pairs (Theil 1950, Sen 1968), and the median of
// what is left. NaN stands for no reading.
func fit(samples, residuals []float64) []float64 {
	var slopes [mostPositions * (mostPositions - 1) / 2]float64
	n := 0
	for i, a := range samples {
		for j := i + 1; j < len(samples); j++ {
			if b := samples[j]; a > 0 && b > 0 {
				slopes[n] = (b - a) / float64(j-i)
				n++
			}
		}
	}
	slope := median(slopes[:n])
	var rest [mostPositions]float64
	n = 0
	for i, d := range samples {
		residuals[i] = math.NaN()
		if d > 0 {
			residuals[i] = d - slope*float64(i)
			rest[n] = residuals[i]
			n++
		}
	}
	middle := median(rest[:n])
	for i := range residuals {
		residuals[i] -= middle
	}
	return residuals
}

// scatter is the standard deviation of normal readings by their median
// distance from zero. Two degrees of freedom went into the line.
func scatter(residuals []float64) float64 {
	var sizes [mostPositions]float64
	n := 0
	for _, v := range residuals {
		if !math.IsNaN(v) {
			sizes[n] = math.Abs(v)
			n++
		}
	}
	return 1.4826 * median(sizes[:n]) * math.Sqrt(float64(n)/float64(n-2))
}

// median sorts its argument.
func median(v []float64) float64 {
	slices.Sort(v)
	n := len(v)
	return (v[(n-1)/2] + v[n/2]) / 2
}
