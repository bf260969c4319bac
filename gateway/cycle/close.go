package cycle

import (
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe/wording"
)

// Evidence that a committed offer can no longer be accepted. It closes the offer
// only after newer publications that keep it.
const (
	voidRequested = "the roll is requested anew, and eleven newer publications do not name the offer"
	voidWaits     = "settled: the request still waits, the session of the offer is over, and eleven newer publications do not name it"
	voidOutcome   = "the outcome of the roll names another offer or none, and eleven newer publications do not name this one"
	voidNewer     = "settled: an offer of a newer session was judged, and a newer publication shows again that this one was not used"
	// rollLeft closes the offer as unknown, not as void.
	rollLeft = "the roll left, and its outcome can no longer be read"
)

// closing is what was seen since an offer was committed, or found open. It is
// gone after a restart, and everything is counted anew.
type closing struct {
	offer    record.OfferName
	evidence string // that the newest view showed, empty without any
	newer    int    // publications since the first that showed it
	gen      uint16 // of the newest publication counted
	tick     uint32

	handled     bool // the phase or the last offer told that the controller judged the offer
	lag         int  // publications since that one; the result does not name the offer yet
	lagGen      uint16
	lagTick     uint32
	noVerdict   bool // the result names the offer beside a verdict that is none
	noVerdictAt time.Duration
}

// awaitVerdict waits for the controller's verdict. While the request still waits
// the commit may be lost, and is repeated. A controller that shows anything else
// has handled the offer: its result or the outcome of the roll will tell.
func (m *Machine) awaitVerdict(v *View) {
	r := &v.Request
	o := m.mem.Open
	switch {
	case m.closeOpen(v, false):
		m.state = StatePoll
		m.poll(v)
	case m.pending != nothing, r.Token() != o.Token, r.Phase != handshake.Await,
		m.now.Mono-m.fly.commitAt < m.times.Verdict:
	case m.fly.resends >= commitResends:
		m.tell(noteNoVerdict, wording.Say("told.offer-unanswered"), m.offerFields(o)...)
		m.leave(causeNoVerdict)
	default:
		m.fly.resends++
		m.fly.commitAt = m.now.Mono
		if r.LastOffer < o.Name.Offer {
			m.count("resends/COMMIT")
			m.sendCommit(r)
		}
	}
}

// settle closes the offer that an earlier session left open. That session is
// over, so an offer that was not accepted in it never will be.
func (m *Machine) settle(v *View) {
	if m.mem.Open != nil && !m.closeOpen(v, true) {
		return
	}
	m.state = StatePoll
	m.poll(v)
}

// closeOpen closes the open offer if the view says what became of it. Result and
// token come from one and the same block; read one after the other, an offer that
// was accepted in between could be called void. The result is asked first: a hold
// that it took may have been released since, and then the phase no longer tells
// that it was taken. What closes nothing is waited out, and outcomes are read.
func (m *Machine) closeOpen(v *View, settling bool) bool {
	r := &v.Request
	o := m.mem.Open
	if m.ending.offer != o.Name {
		m.ending = closing{offer: o.Name}
	}
	switch {
	case resultNames(r, o.Name):
		if !verdictKnown(r.ResultVerdict) {
			m.seeNoVerdict(r)
			return false
		}
		m.tellLag(r)
		m.closeOffer(r.ResultVerdict, r.ResultReason, settling)
	case o.Outcome != nil && outcomeNames(o.Outcome, o.Name):
		m.closeOffer(handshake.Accepted, 0, true)
	case o.Losses != m.mem.Losses:
		m.closeUnknown()
	default:
		m.countLag(r)
		evidence := m.evidence(r, settling)
		past := resultPast(r, o.Name)
		needed := newerPublications
		if past {
			needed = 1
		}
		if !m.ending.stands(r, evidence, needed) {
			m.collect(r)
			return false
		}
		if settling {
			m.count("settled/void")
		}
		switch {
		case evidence == rollLeft:
			m.closeUnknown()
		case past:
			m.void(voidNewer)
		default:
			m.void(evidence)
		}
	}
	m.ending = closing{}
	m.end(condNoVerdict)
	return true
}

// evidence tells why the open offer can no longer be accepted, as far as one view
// shows it. Another start of the controller's program is none: a roll that is being
// wrapped keeps its recipe over it. Nor is another roll or an empty station: the
// roll has an outcome, which tells.
func (m *Machine) evidence(r *handshake.Request, settling bool) string {
	o := m.mem.Open
	same := r.RollNo == o.Roll && r.Phase != handshake.Empty
	switch {
	case o.Outcome != nil && o.Outcome.Outcome != handshake.Lost:
		return voidOutcome
	case same && r.Req > o.Token.Req:
		return voidRequested
	case same && settling && r.Req == o.Token.Req && r.Phase == handshake.Await:
		return voidWaits
	case !same && r.Produced == m.mem.Outcomes:
		return rollLeft
	}
	return ""
}

// stands counts the publications that keep the same evidence, and reports whether
// they are as many as needed. The publication that showed it first is not counted.
func (c *closing) stands(r *handshake.Request, evidence string, needed int) bool {
	switch {
	case evidence != c.evidence:
		c.evidence, c.newer = evidence, 0
	case evidence == "" || !newerThan(r, c.gen, c.tick):
		return false
	default:
		c.newer++
	}
	c.gen, c.tick = r.GenHead, r.Tick
	return evidence != "" && c.newer >= needed
}

// resultPast reports whether the result of an offer can come no more. Results come in the
// order of the judgements, and that of an offer of a newer session shows, as it does where
// the other of a pair served the line meanwhile. Who knows that waits for no lag.
func resultPast(r *handshake.Request, n record.OfferName) bool {
	return r.ResultSession.Epoch > n.Session.Epoch && verdictKnown(r.ResultVerdict)
}

// newerThan reports whether a block is another publication than one that was seen
// before it.
func newerThan(r *handshake.Request, gen uint16, tick uint32) bool {
	return r.GenHead != gen && r.Tick != tick
}

// seeNoVerdict takes a view whose result names the open offer beside a verdict
// that is none. It proves nothing.
func (m *Machine) seeNoVerdict(r *handshake.Request) {
	c := &m.ending
	c.evidence, c.newer = "", 0
	m.count("reads-invalid/verdict")
	if !c.noVerdict {
		c.noVerdict, c.noVerdictAt = true, m.now.Mono
	}
	m.countLag(r)
	if m.now.Mono-c.noVerdictAt >= m.times.Verdict {
		m.raise(condNoVerdict, wording.Say("told.verdict-invalid", "verdict", uint16(r.ResultVerdict)),
			m.offerFields(m.mem.Open)...)
	}
	m.collect(r)
}

// countLag counts the publications between the first that told that the offer was
// handled and the one whose result names it.
func (m *Machine) countLag(r *handshake.Request) {
	c, o := &m.ending, m.mem.Open
	if !c.handled {
		taken := r.Token() == o.Token && (r.Phase == handshake.Run || r.Phase == handshake.Held)
		if !taken && !(m.ses.name == o.Name.Session && r.LastOffer >= o.Name.Offer) {
			return
		}
		c.handled = true
	} else if newerThan(r, c.lagGen, c.lagTick) {
		c.lag += int(r.GenHead - c.lagGen) // it goes up by one with each publication
	} else {
		return
	}
	c.lagGen, c.lagTick = r.GenHead, r.Tick
}

// tellLag tells, once in the life of this process, by how many publications the
// result came later than the phase.
func (m *Machine) tellLag(r *handshake.Request) {
	if !m.ending.handled {
		return
	}
	m.countLag(r)
	n := m.ending.lag
	if told := m.mostLag > 0; n > 0 && !told {
		m.tell(noteLag, wording.Say("told.result-lags", "count", n),
			Field{"publications", n})
	}
	m.mostLag = max(m.mostLag, n)
	if m.mostLag > 0 {
		m.counter("result-lags/greatest").N = uint64(m.mostLag)
	}
}

// closeUnknown closes the open offer where nothing tells what became of it.
func (m *Machine) closeUnknown() {
	o := m.mem.Open
	name := o.Name
	m.count("settled/unknown")
	g := record.Gap{Closed: &name, Cause: gapUnknown}
	if o.Losses == m.mem.Losses { // otherwise its roll number may come again
		m.coverBefore(o.Roll)
		g.FromRoll, g.ToRoll = o.Roll, o.Roll
	}
	m.gap(g)
}

func verdictKnown(v handshake.Verdict) bool {
	return v >= handshake.Accepted && v <= handshake.HeldVerdict
}

// resultNames reports whether the controller's result is of the offer.
func resultNames(r *handshake.Request, n record.OfferName) bool {
	return r.ResultSession == n.Session && r.ResultOffer == n.Offer
}

func outcomeNames(o *handshake.Outcome, n record.OfferName) bool {
	return o.Session == n.Session && o.Offer == n.Offer
}
