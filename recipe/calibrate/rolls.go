package calibrate

import (
	"fmt"
	"math"
	"slices"
)

// fewestRolls is how many rolls an estimate wants.
const fewestRolls = 10

// Fed is one roll whose wrapper was drawn and wound.
type Fed struct {
	Travel float64 // of the feed rolls by the encoder, m
	Wound  float64 // by diameter, turns and overlap, m
	U      float64 // standard uncertainty of Wound from roll to roll, m
	// Standing is that of what is the same on all rolls: the calibration of the
	// scanner, the caliper, the measured overlap, m.
	Standing float64
}

// Feed is the slip of the feed rolls, 1 − wound/travel.
func Feed(rolls []Fed) (Estimate, error) {
	if len(rolls) < fewestRolls {
		return Estimate{}, tooFew(len(rolls), fewestRolls, "rolls with encoder, turns and overlap")
	}
	var sum, weight, standing float64
	for i, r := range rolls {
		if !positive(r.Travel) || !positive(r.Wound) || !positive(r.U) || !(r.Standing >= 0) {
			return Estimate{}, fmt.Errorf("roll %d of %d: travel %g m, wound %g ± %g m: want numbers above zero", i+1, len(rolls), r.Travel, r.Wound, r.U)
		}
		w := square(r.Travel / r.U)
		sum += w * (1 - r.Wound/r.Travel)
		weight += w
		standing += w * r.Standing / r.Travel
	}
	mean := sum / weight
	birge := 0.0
	for _, r := range rolls {
		birge += square((1 - r.Wound/r.Travel - mean) * r.Travel / r.U)
	}
	u := math.Sqrt(math.Max(1, birge/float64(len(rolls)-1)) / weight)
	return Estimate{mean, math.Hypot(u, standing/weight), len(rolls)}, nil
}

// Unwound is one reading of the outer diameter of a wrapper roll.
type Unwound struct {
	Reel  int     // which wrapper roll: another number for each one hung
	Outer float64 // m
	Drawn float64 // from it before, m
}

// leastSpan is by how many of their uncertainties the diameters of a wrapper
// roll have to differ.
const leastSpan = 10

// Caliper is the wound caliper of the wrapper on some wrapper rolls: OD² falls
// by 4t/π with each metre drawn. outerU is the standard uncertainty of a
// diameter, part of which may be the same in all; feedU is the relative one of
// the length.
func Caliper(readings []Unwound, outerU, feedU float64) (Estimate, error) {
	if !positive(outerU) || !(feedU >= 0) {
		return Estimate{}, fmt.Errorf("uncertainty of the diameter %g m, of the feed %g: want numbers above zero", outerU, feedU)
	}
	var cross, weight, mean, u float64
	used := 0
	for _, reel := range reelsOf(readings) {
		of := slices.DeleteFunc(slices.Clone(readings), func(r Unwound) bool { return r.Reel != reel })
		// OD² has the uncertainty 2·OD·u, so each counts by 1/OD².
		var n, x, y float64
		least, most := math.Inf(1), 0.0
		for _, r := range of {
			if !positive(r.Outer) || !(r.Drawn >= 0) {
				return Estimate{}, fmt.Errorf("wrapper roll %d: diameter %g m after %g m: want numbers above zero", reel, r.Outer, r.Drawn)
			}
			w := 1 / square(r.Outer)
			n, x, y = n+w, x+w*r.Drawn, y+w*square(r.Outer)
			least, most = math.Min(least, r.Outer), math.Max(most, r.Outer)
		}
		if most-least < leastSpan*outerU {
			continue
		}
		x, y = x/n, y/n
		for _, r := range of {
			w := 1 / square(r.Outer)
			weight += w * square(r.Drawn-x)
			cross -= w * (r.Drawn - x) * (square(r.Outer) - y)
			mean += r.Outer
			used++
		}
	}
	if used == 0 {
		return Estimate{}, fmt.Errorf("no wrapper roll has become thinner by %.0f mm: record more before calibrating", 1000*leastSpan*outerU)
	}
	t := math.Pi / 4 * cross / weight
	if !positive(t) {
		return Estimate{}, fmt.Errorf("the wrapper rolls do not grow thinner as they are drawn from: check diameters and encoder")
	}
	u = math.Pi / 4 * 2 * outerU / math.Sqrt(weight)
	// A sensor that reads everything larger makes the caliper larger by its share
	// of the mean diameter.
	standing := outerU / (mean / float64(used))
	return Estimate{t, math.Hypot(u, t*math.Hypot(feedU, standing)), used}, nil
}

// reelsOf are the numbers of the wrapper rolls in their order.
func reelsOf(readings []Unwound) []int {
	var out []int
	for _, r := range readings {
		if !slices.Contains(out, r.Reel) {
			out = append(out, r.Reel)
		}
	}
	return out
}

// Weighed is one roll on the scale.
type Weighed struct {
	Grade   int
	Reading float64 // kg
	Tare    float64 // predicted: core, wrapper, heads and glue, kg
	Volume  float64 // of its paper, m³
	VolumeU float64 // relative standard uncertainty of the volume
	ScaleU  float64 // standard uncertainty of the reading, kg
}

// Densities is what the scale tells.
type Densities struct {
	Grades []GradeDensity // in the order of their codes
	// Offset is the reading of an empty scale, kg; U is 0 where the rolls are
	// too alike to tell it from the density, and the densities then rest on a
	// scale that is right.
	Offset Estimate
}

// GradeDensity is the wound density of one grade, kg/m³.
type GradeDensity struct {
	Code int
	Estimate
	Scatter float64 // standard deviation from roll to roll
}

// leastTold is the share of the mean reading that the uncertainty of the offset
// may be for it to be told.
const leastTold = 0.02

// usualScatter is how much the density of a grade differs from roll to roll
// where nothing is known (J).
const usualScatter = 0.005

// Weigh fits the density of each grade and the zero of the scale to readings:
// reading − tare = offset + density·volume. Grades with fewer than ten rolls
// are left out.
func Weigh(rolls []Weighed) (Densities, error) {
	rolls, codes, err := enough(rolls)
	if err != nil {
		return Densities{}, err
	}
	scatter := make([]float64, len(codes))
	for i := range scatter {
		scatter[i] = usualScatter
	}
	var out Densities
	withOffset := true
	for range 4 { // the scatter found by one fit weighs the next
		x, variance, err := weighFit(rolls, codes, scatter, withOffset)
		if err != nil || withOffset && math.Sqrt(variance[0]) > leastTold*meanReading(rolls) {
			if !withOffset {
				return Densities{}, err
			}
			withOffset = false
			continue
		}
		out = Densities{}
		offset := 0.0
		if withOffset {
			offset = x[0]
			out.Offset = Estimate{x[0], math.Sqrt(variance[0]), len(rolls)}
			x, variance = x[1:], variance[1:]
		}
		for g, code := range codes {
			n, sum := 0, 0.0
			for _, r := range rolls {
				if r.Grade == code {
					rho := (r.Reading - r.Tare - offset) / r.Volume
					sum += square(rho-x[g]) - square(r.ScaleU/r.Volume) - square(x[g]*r.VolumeU)
					n++
				}
			}
			s := math.Sqrt(math.Max(0, sum) / float64(n-1))
			scatter[g] = math.Max(s/x[g], 1e-4)
			out.Grades = append(out.Grades, GradeDensity{code, Estimate{x[g], math.Sqrt(variance[g]), n}, s})
		}
	}
	return out, nil
}

func meanReading(rolls []Weighed) float64 {
	sum := 0.0
	for _, r := range rolls {
		sum += r.Reading
	}
	return sum / float64(len(rolls))
}

// enough are the rolls of grades that have enough of them, and their codes.
func enough(rolls []Weighed) (kept []Weighed, codes []int, err error) {
	count := map[int]int{}
	most := 0
	for i, r := range rolls {
		if !positive(r.Reading) || !(r.Tare >= 0) || !positive(r.Volume) || !(r.VolumeU >= 0) || !positive(r.ScaleU) {
			return nil, nil, fmt.Errorf("roll %d of %d: reading %g kg, tare %g kg, volume %g m³: want numbers above zero", i+1, len(rolls), r.Reading, r.Tare, r.Volume)
		}
		count[r.Grade]++
		most = max(most, count[r.Grade])
	}
	for _, r := range rolls {
		if count[r.Grade] < fewestRolls {
			continue
		}
		kept = append(kept, r)
		if !slices.Contains(codes, r.Grade) {
			codes = append(codes, r.Grade)
		}
	}
	if len(kept) == 0 {
		return nil, nil, tooFew(most, fewestRolls, "weighed rolls of the commonest grade")
	}
	slices.Sort(codes)
	return kept, codes, nil
}

// weighFit is one weighted fit: the offset first where there is one, then the
// densities, and the variance of each.
func weighFit(rolls []Weighed, codes []int, scatter []float64, withOffset bool) (x, variance []float64, err error) {
	first := 0
	if withOffset {
		first = 1
	}
	n := first + len(codes)
	b := make([]float64, n)
	a := make([][]float64, n)
	for i := range a {
		a[i] = make([]float64, n)
	}
	for _, r := range rolls {
		g := slices.Index(codes, r.Grade)
		paper, w := r.Reading-r.Tare, r.weight(scatter[g])
		at := first + g
		a[at][at] += w * square(r.Volume)
		b[at] += w * r.Volume * paper
		if withOffset {
			a[0][0] += w
			a[0][at] += w * r.Volume
			a[at][0] += w * r.Volume
			b[0] += w * paper
		}
	}
	x, inverse, err := solve(a, b)
	if err != nil {
		return nil, nil, err
	}
	return x, fitVariance(rolls, codes, scatter, x, inverse), nil
}

// weight is one over the variance of the paper's mass where the density of the
// grade differs by the given share from roll to roll.
func (r *Weighed) weight(scatter float64) float64 {
	paper := r.Reading - r.Tare
	return 1 / (square(r.ScaleU) + square(paper*r.VolumeU) + square(paper*scatter))
}

// fitVariance is the variance of each fitted value: the greater of what the
// stated uncertainties give and of what the residuals give whatever their
// variance is, so that an uncertainty stated too small for the light rolls or the
// heavy ones does not make the zero of the scale look sure.
//
// Source: H. White, A heteroskedasticity-consistent covariance matrix estimator,
// Econometrica 48 (1980) 817-838, with the factor n/(n-p) for few rolls; from memory.
func fitVariance(rolls []Weighed, codes []int, scatter, x []float64, inverse [][]float64) []float64 {
	p := len(x)
	first := p - len(codes)
	variance := make([]float64, p)
	for i := range rolls {
		r := &rolls[i]
		g := slices.Index(codes, r.Grade)
		residual := r.Reading - r.Tare - x[first+g]*r.Volume
		if first == 1 {
			residual -= x[0]
		}
		for k := range variance {
			pull := inverse[k][first+g] * r.Volume
			if first == 1 {
				pull += inverse[k][0]
			}
			variance[k] += square(pull * r.weight(scatter[g]) * residual)
		}
	}
	for k := range variance {
		variance[k] = math.Max(inverse[k][k], variance[k]*float64(len(rolls))/float64(len(rolls)-p))
	}
	return variance
}
