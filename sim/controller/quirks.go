package controller

import (
	"slices"

	"lapgate/sim/registers"
)

// Quirks are what the registers of a controller by another maker may show and
// refuse, where the description allows it or expects the gateway to bear it. The
// program behind them stays as it is. The zero value has none.
type Quirks struct {
	// Lag is how many publications the result comes after the phase that it leads
	// to, and LagOffer and LagPhase let the last offer and the phase come as late.
	Lag                int
	LagOffer, LagPhase bool
	// LateVerdict shows verdict 0 in the first publication of each result.
	LateVerdict bool
	// Strict refuses every request but one for a whole block of the controller, or
	// for one to three entries of the ring.
	Strict bool
	// NeverWritten are entries of the ring that nobody wrote yet: no data over OPC
	// UA, in one of two ways.
	NeverWritten Emptiness
	// From the roll of the number From on one publication, or with ForGood each,
	// shows a number of the roll that is less by RollBack and a count of outcomes
	// that is more by Jump.
	From, RollBack, Jump uint32
	ForGood              bool
}

// Emptiness is how a variable over OPC UA shows that it was never written.
type Emptiness uint8

// The ways. Zeros are good data.
const (
	Zeros Emptiness = iota
	Bad
	Waiting
)

// mostLag is the greatest lag in publications that a gateway has to bear.
const mostLag = 10

// quirky shows publications as a controller with quirks does.
type quirky struct {
	Quirks
	past  [mostLag + 1]ReqWords // the newest first
	shown ReqWords
	lied  bool
}

// Distort gives the registers quirks. It is called before the first publication.
func (g *Image) Distort(q Quirks) {
	g.mu.Lock()
	defer g.mu.Unlock()
	q.Lag = min(max(q.Lag, 0), mostLag)
	g.quirks = quirky{Quirks: q}
}

// NeverWritten is how an entry of the ring that nobody wrote yet is shown.
func (g *Image) NeverWritten() Emptiness {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.quirks.NeverWritten
}

// publish is the request block as it is shown.
func (q *quirky) publish(req ReqWords) ReqWords {
	if q.Quirks == (Quirks{}) {
		return req
	}
	copy(q.past[1:], q.past[:mostLag])
	q.past[0] = req
	w := req
	v, old, shown := registers.In(registers.Request, w[:]), registers.In(registers.Request, q.past[q.Lag][:]), registers.In(registers.Request, q.shown[:])
	name := []string{"result_req_id", "result_epoch", "result_nonce", "result_offer"}
	late := append(slices.Clone(name), "result_verdict", "result_reason", "result_payload_crc")
	if q.LagOffer {
		late = append(late, "last_offer")
	}
	if q.LagPhase {
		late = append(late, "phase")
	}
	for _, field := range late {
		v.Put(field, old.Get(field))
	}
	if q.LateVerdict && slices.ContainsFunc(name, func(field string) bool { return v.Get(field) != shown.Get(field) }) {
		v.Put("result_verdict", 0)
	}
	q.shown = w
	if roll := v.Get("roll_no"); q.From > 0 && roll >= q.From && (q.ForGood || !q.lied) {
		q.lied = true
		v.Put("roll_no", roll-min(q.RollBack, roll))
		v.Put("outcomes_produced", v.Get("outcomes_produced")+q.Jump)
	}
	v.Seal()
	return w
}

// allows reports whether a strict controller answers a read or write of the
// registers from lo to before hi.
func (q *quirky) allows(b Bases, lo, hi int, write bool) bool {
	if !q.Strict {
		return true
	}
	for _, block := range registers.Blocks() {
		s, first := block.Shape(), int(b.Of(block))
		switch {
		case s.Gateway != write:
		case block == registers.Outcome:
			end := first + s.Words*registers.RingEntries
			if n := hi - lo; lo >= first && hi <= end && (lo-first)%s.Words == 0 && n%s.Words == 0 && n <= 3*s.Words {
				return true
			}
		case lo == first && hi == first+s.Words:
			return true
		}
	}
	return false
}
