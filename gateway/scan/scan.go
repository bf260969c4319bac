// Package scan makes measured rolls out of what measures them: the request
// block of the controller with its samples, and a scanner on TCP that sends
// delimited text.
package scan

import (
	"errors"
	"math"

	"lapgate/gateway/cycle"
	"lapgate/gateway/handshake"
	"lapgate/recipe"
	"lapgate/recipe/stat"
)

// Numbers that rest on judgement (J).
const (
	// SingleReading is the standard uncertainty of one reading without others
	// to compare it with, in metres (J).
	SingleReading = 0.002
	// Absurd is how far, relative to the controller's own value, a sample may
	// be from it before it is no measurement of the same thing (J).
	Absurd = 0.5
	// DifferRel and DifferAbs, in metres, are how far the samples as a whole
	// may be from the controller's own value, the greater of the two (J).
	DifferRel = 0.005
	DifferAbs = 0.005
	// DifferQuality is the factor on the quality of a scan whose samples and
	// own value differ; it brings any scan under the default limit (J).
	DifferQuality = 0.5
	// scatterFloor is the scatter, in wire units of 0.1 mm, below which
	// samples agree too well to call one of them an outlier by it (J).
	scatterFloor = 10
)

// perMetre is the number of wire units of a length, 0.1 mm, in a metre.
const perMetre = 1e4

// resolution is the standard uncertainty of a reading rounded to 0.1 mm:
// rectangular, half a step wide to each side (JCGM 100, 4.3.7).
var resolution = 0.5 / perMetre / math.Sqrt(3)

// MeasuredByController stands in Roll.MeasuredFrom when the values are from
// the request block.
const MeasuredByController = "controller"

// Decode reads the words of a request block into a cycle.View, or a
// cycle.BadView with the cause.
func Decode(words []uint16) cycle.Event {
	var v cycle.View
	if err := handshake.DecodeRequest(words, &v.Request); err != nil {
		var e *handshake.DecodeError
		if errors.As(err, &e) {
			return cycle.BadView{Cause: e.Cause}
		}
		return cycle.BadView{Cause: err.Error()}
	}
	v.Roll, v.Stand = FromRequest(&v.Request)
	return v
}

// FromRequest returns the roll that the block measures and the stand that it
// shows.
//
// Diameter and Width are the means of the samples that are neither absurd nor
// outliers, with the least and the greatest of those; WidthMedian is their
// median, for identity. WidthSpread is over all samples that are not absurd, so
// that one end that stands out is still seen when it is left out of the rest.
// Taper is from the straight line through the diameters, whose sensors stand
// evenly along the roll from left to right.
//
// DiameterU and WidthU are the standard deviations of the means, with the
// resolution of the wire. Where fewer than
// three samples are left SingleReading takes the place of their deviation.
// Without samples the controller's own value is used.
//
// Quality is the controller's, less the share of samples rejected, and by
// DifferQuality where the samples as a whole are not near its own value. A
// roll whose dimensions are not valid, or whose own values are missing, has
// quality 0, no dimensions and MeasuredFrom empty: it is not a roll of size
// zero.
func FromRequest(req *handshake.Request) (recipe.Roll, recipe.Stand) {
	r := recipe.Roll{
		Number:      req.RollNo,
		Tag:         req.Tag.String(),
		Age:         float64(req.ScanAge) / 100,
		KnownWeight: float64(req.Weight) / 10,
		Grade:       int(req.Grade),
		Core:        int(req.Core),
	}
	if req.Flags&handshake.DimensionsValid != 0 && req.Diameter != 0 && req.Width != 0 {
		measure(req, &r)
	}
	return r, standOf(req)
}

func measure(req *handshake.Request, r *recipe.Roll) {
	var buf [stat.Scratch]float64
	r.MeasuredFrom = MeasuredByController

	d := judge(req.Diameters[:], req.DiameterN, req.Diameter, buf[:0])
	r.Diameter = d.Mean / perMetre
	r.DiameterU = math.Hypot(d.deviation()/math.Sqrt(float64(max(d.N, 1))), resolution)
	r.DiameterMin, r.DiameterMax = d.Min/perMetre, d.Max/perMetre
	r.Taper = taper(req)
	r.Ovality = (d.Max - d.Min) / d.Mean
	r.DiameterN = d.N

	w := judge(req.Widths[:], req.WidthN, req.Width, buf[:0])
	r.Width = w.Mean / perMetre
	r.WidthU = math.Hypot(w.deviation()/math.Sqrt(float64(max(w.N, 1))), resolution)
	r.WidthMin, r.WidthMax = w.Min/perMetre, w.Max/perMetre
	r.WidthMedian = w.Median / perMetre
	r.WidthSpread = (w.high - w.low) / perMetre
	r.WidthN = w.N

	r.SamplesRejected = d.rejected() + w.rejected()
	r.SamplesDiffer = d.differs(d.Mean, req.Diameter) || w.differs(w.Median, req.Width)
	if req.Quality <= 100 {
		r.Quality = float64(req.Quality) / 100 * math.Min(d.share, w.share)
	}
	if r.SamplesDiffer {
		r.Quality *= DifferQuality
	}
}

// taper is the diameter at the right end of a roll less that at the left one,
// in metres, by the straight line of least squares through the samples that are
// not absurd, at their places. It is 0 for fewer than three of them.
func taper(req *handshake.Request) float64 {
	var n, sx, sy, sxx, sxy float64
	if int(req.DiameterN) > len(req.Diameters) {
		return 0
	}
	own := float64(req.Diameter)
	for i, v := range req.Diameters[:req.DiameterN] {
		x, y := float64(i), float64(v)
		if math.Abs(y-own) > Absurd*own {
			continue
		}
		n, sx, sy, sxx, sxy = n+1, sx+x, sy+y, sxx+x*x, sxy+x*y
	}
	if n < 3 {
		return 0
	}
	slope := (n*sxy - sx*sy) / (n*sxx - sx*sx)
	return slope * float64(req.DiameterN-1) / perMetre
}

// series is what was made of the samples of one dimension, in wire units.
type series struct {
	stat.Robust
	given     int
	share     float64 // of the samples given that were used, 1 without samples
	low, high float64 // of the samples that are not absurd
}

// judge sorts out samples. own is the controller's own value, not zero; buf is
// scratch.
func judge(samples []uint16, given uint16, own uint32, buf []float64) series {
	s := series{given: int(given), share: 1}
	if s.given > len(samples) {
		// More than there is room for: the count is wrong, and so nobody knows
		// which of the registers hold samples.
		s.given, s.share = 0, 0
	}
	for _, v := range samples[:s.given] {
		if math.Abs(float64(v)-float64(own)) <= Absurd*float64(own) {
			buf = append(buf, float64(v))
		}
	}
	if s.given > 0 {
		s.Robust = stat.Of(buf, scatterFloor)
		s.share = float64(s.N) / float64(s.given)
	}
	if s.N == 0 {
		v := float64(own)
		s.Robust = stat.Robust{Mean: v, Median: v, Min: v, Max: v}
		s.low, s.high = v, v
		return s
	}
	s.low, s.high = s.Min, s.Max
	for _, v := range buf {
		s.low, s.high = math.Min(s.low, v), math.Max(s.high, v)
	}
	return s
}

func (s *series) rejected() int { return s.given - s.N }

// deviation is the standard deviation of one reading, in metres.
func (s *series) deviation() float64 {
	if s.N < 3 {
		return SingleReading
	}
	return s.SD / perMetre
}

func (s *series) differs(value float64, own uint32) bool {
	return s.N > 0 && math.Abs(value-float64(own)) > math.Max(DifferRel*float64(own), DifferAbs*perMetre)
}

func standOf(req *handshake.Request) recipe.Stand {
	s := recipe.Stand{
		Confirmed:   int(req.SlotConfirmed),
		Permissives: req.Permissives,
		Platen:      float64(req.Platen) / 10,
		PlatenHot:   float64(req.PlatenHot) / 10,
		Mode:        int(req.UnitMode),
		State:       int(req.UnitState),
	}
	for i := range s.Ready {
		s.Ready[i] = req.SlotsReady>>i&1 == 1
		s.Outer[i] = float64(req.SlotOuter[i]) / 1000
	}
	return s
}
