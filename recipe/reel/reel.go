// Package reel tells how much wrapper is left on a wrapper roll, by its outer
// diameter and by what was drawn from it, puts both together, and how many rolls
// it still does. Quantities are SI.
//
// A length L wound at a caliper t around a core of diameter ID fills the ring
// up to OD:
//
//	L·t = π/4·(OD² − ID²)
//
// The exact spiral is longer by t/(4π)·ln(OD/ID), a tenth of a millimetre.
package reel

import "math"

// Fault is why there is no answer.
type Fault uint8

// Faults.
const (
	BadDiameter Fault = 1 + iota
	BadCaliper
	BadLength
	BadUncertainty
	Unknown
)

func (f Fault) Error() string {
	switch f {
	case BadDiameter:
		return "reel: outer diameter is not a number from the core diameter up, or the core diameter is below zero"
	case BadCaliper:
		return "reel: wound caliper is not positive"
	case BadLength:
		return "reel: length is not a number in range"
	case BadUncertainty:
		return "reel: an uncertainty is not a number from zero up"
	case Unknown:
		return "reel: neither the outer diameter nor the consumption tells what is left"
	}
	return "reel: unknown fault"
}

func positive(v float64) bool    { return v > 0 && !math.IsInf(v, 1) }
func notNegative(v float64) bool { return v >= 0 && !math.IsInf(v, 1) }

// Estimate is a length with its standard uncertainty, m. The zero Estimate
// with Known false is none.
type Estimate struct {
	Length, U float64
	Known     bool
}

// Winding is a wrapper roll as it is measured.
type Winding struct {
	Outer, OuterU     float64 // outer diameter, m
	Core              float64 // outer diameter of its core, m
	Caliper, CaliperU float64 // wound caliper of one layer, m
}

// Left is the length left by the outer diameter. Its uncertainty is
// first-order (JCGM 100): π·OD·u(OD)/(2t) and L·u(t)/t in quadrature.
func (w *Winding) Left() (Estimate, error) {
	switch {
	case !notNegative(w.Core) || !(w.Outer >= w.Core) || math.IsInf(w.Outer, 1):
		return Estimate{}, BadDiameter
	case !positive(w.Caliper):
		return Estimate{}, BadCaliper
	case !notNegative(w.OuterU) || !notNegative(w.CaliperU):
		return Estimate{}, BadUncertainty
	}
	l := math.Pi * (w.Outer - w.Core) * (w.Outer + w.Core) / (4 * w.Caliper)
	return Estimate{
		Length: l,
		U:      math.Hypot(math.Pi*w.Outer*w.OuterU/(2*w.Caliper), l*w.CaliperU/w.Caliper),
		Known:  true,
	}, nil
}

// AfterUse is the length left by consumption: what was there, less what was
// drawn. The error of the feed is one and the same for all that was drawn, so
// its relative standard uncertainty feedU counts in full. More drawn than
// there was leaves nothing.
func AfterUse(start Estimate, drawn, feedU float64) (Estimate, error) {
	switch {
	case !start.Known || !notNegative(start.Length) || !notNegative(drawn):
		return Estimate{}, BadLength
	case !notNegative(start.U) || !notNegative(feedU):
		return Estimate{}, BadUncertainty
	}
	return Estimate{Length: math.Max(0, start.Length-drawn), U: math.Hypot(start.U, drawn*feedU), Known: true}, nil
}

// Reconciled is one length from two estimates.
type Reconciled struct {
	Estimate
	Gap      float64 // by diameter less by consumption, m; 0 unless both are known
	Disagree bool    // the gap is over k times its uncertainty
}

// Reconcile puts two independent estimates together, each weighted by the
// inverse of its variance. When they differ by more than k standard
// uncertainties of their difference one of them is wrong and a mean would be
// too: the lesser is taken, so that a roll does not run out in a wrap, with
// the gap as its uncertainty where that is greater. An estimate that is not
// known, or no number, is passed over.
func Reconcile(diameter, consumption Estimate, k float64) (Reconciled, error) {
	a, b := diameter, consumption
	a.Known = a.Known && notNegative(a.Length) && notNegative(a.U)
	b.Known = b.Known && notNegative(b.Length) && notNegative(b.U)
	switch {
	case !notNegative(k):
		return Reconciled{}, BadUncertainty
	case !a.Known && !b.Known:
		return Reconciled{}, Unknown
	case !b.Known:
		return Reconciled{Estimate: a}, nil
	case !a.Known:
		return Reconciled{Estimate: b}, nil
	}
	r := Reconciled{Gap: a.Length - b.Length}
	if math.Abs(r.Gap) > k*math.Hypot(a.U, b.U) {
		r.Disagree = true
		r.Estimate = a
		if b.Length < a.Length {
			r.Estimate = b
		}
		r.U = math.Max(r.U, math.Abs(r.Gap))
		return r, nil
	}
	va, vb := a.U*a.U, b.U*b.U
	if va+vb == 0 {
		r.Estimate = a // both exact, and equal
		return r, nil
	}
	r.Estimate = Estimate{
		Length: (a.Length*vb + b.Length*va) / (va + vb),
		U:      math.Sqrt(va * vb / (va + vb)),
		Known:  true,
	}
	return r, nil
}

// Usable is what may be drawn of an estimate: less k standard uncertainties
// and the reserves for a splice and a bad tail, m. It is 0 when nothing is, or
// when a quantity is no number.
func Usable(e Estimate, splice, tail, k float64) float64 {
	u := e.Length - k*e.U - splice - tail
	if !e.Known || !(u > 0) || math.IsInf(u, 1) || !(k >= 0) || !(splice >= 0) || !(tail >= 0) {
		return 0
	}
	return u
}

// mostRolls bounds the prediction of Rolls.
const mostRolls = 1_000_000

// Rolls is how many rolls of one feed, m, a usable length does. It is 0 when
// the feed is not positive, and at most a million.
func Rolls(usable, feed float64) int {
	if !positive(usable) || !positive(feed) {
		return 0
	}
	// One part in 10¹² is added, so that a length of ten feeds makes ten rolls
	// in spite of rounding.
	return int(math.Min(math.Floor(usable/feed*(1+1e-12)), mostRolls))
}

// Caliper calibrates the wound caliper, m, from a roll whose length, m, is
// labelled: t = π·(OD² − ID²)/(4L), with its standard uncertainty from those
// of the outer diameter and the label.
func Caliper(outer, outerU, core float64, label Estimate) (caliper, u float64, err error) {
	switch {
	case !notNegative(core) || !(outer > core) || math.IsInf(outer, 1):
		return 0, 0, BadDiameter
	case !label.Known || !positive(label.Length):
		return 0, 0, BadLength
	case !notNegative(outerU) || !notNegative(label.U):
		return 0, 0, BadUncertainty
	}
	caliper = math.Pi * (outer - core) * (outer + core) / (4 * label.Length)
	u = math.Hypot(math.Pi*outer*outerU/(2*label.Length), caliper*label.U/label.Length)
	return caliper, u, nil
}
