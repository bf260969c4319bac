package reel

import "math"

// Ledger is the account of one slot: what was on the wrapper roll when it was
// hung, and what the encoder drew from it since. The zero Ledger knows
// nothing. It is a plain value for one goroutine.
type Ledger struct {
	Start Estimate // when it was hung, or first seen
	Drawn float64  // since, m
}

// Hang begins a new account.
func (l *Ledger) Hang(start Estimate) { *l = Ledger{Start: start} }

// Left is what the account leaves; feedU is the relative standard uncertainty
// of what the encoder books. It is unknown until something was hung or seen.
func (l *Ledger) Left(feedU float64) Estimate {
	e, err := AfterUse(l.Start, l.Drawn, feedU)
	if err != nil {
		return Estimate{}
	}
	return e
}

// See puts a length by the outer diameter beside the account. A roll only gets
// smaller while it is drawn from: where the diameter tells more than the
// account leaves by over k standard uncertainties, another roll was hung, and
// a new account begins with it. changed says so. Otherwise the two are
// reconciled, and the account goes on.
func (l *Ledger) See(byDiameter Estimate, feedU, k float64) (r Reconciled, changed bool, err error) {
	left := l.Left(feedU)
	if byDiameter.Known && notNegative(byDiameter.Length) && notNegative(byDiameter.U) &&
		(!left.Known || byDiameter.Length-left.Length > k*math.Hypot(byDiameter.U, left.U)) {
		changed = left.Known
		l.Hang(byDiameter)
		return Reconciled{Estimate: byDiameter}, changed, nil
	}
	r, err = Reconcile(byDiameter, left, k)
	return r, false, err
}
