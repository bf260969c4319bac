package cycle

import (
	"math"
	"slices"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/check"
)

// ghosts know everything that happened, on both sides and on disk, and hold it
// against the guarantees S1 to S10 of the handshake.
type ghosts struct {
	w         *world
	era       int // of the controller's memory
	newest    handshake.Session
	accepted  map[record.OfferName]bool
	held      map[record.OfferName]bool
	perRoll   map[[2]int]int // accepts by era and roll
	outcomes  [][40]uint16   // of this era, by index - 1
	durable   durable
	lastView  map[handshake.Token]uint32 // tick of the newest view of a request
	acked     uint32
	wantsRoll map[uint32]bool   // rolls of this era
	drawn     [6]uint32         // of each slot in truth, 0.1 mm
	drawnAt   map[int][6]uint32 // likewise, when a record was made durable
}

// durable is what the journal ever held, also after it was set back.
type durable struct {
	intents  map[record.OfferName]record.Intent
	inputs   map[record.OfferName]record.Request
	commits  map[record.OfferName]bool
	sessions map[handshake.Session]bool
	void     map[record.OfferName]bool
	request  record.Request
	indexes  map[[2]int]bool // outcomes and gaps, by era and index
}

func (g *ghosts) begin(w *world) {
	g.w = w
	g.accepted, g.held, g.perRoll = map[record.OfferName]bool{}, map[record.OfferName]bool{}, map[[2]int]int{}
	g.drawnAt = map[int][6]uint32{}
	g.lastView, g.wantsRoll = map[handshake.Token]uint32{}, map[uint32]bool{}
	g.durable = durable{map[record.OfferName]record.Intent{}, map[record.OfferName]record.Request{}, map[record.OfferName]bool{},
		map[handshake.Session]bool{}, map[record.OfferName]bool{}, record.Request{}, map[[2]int]bool{}}
	p := w.plc
	p.onAdopt = func(epoch, nonce uint32) {
		if epoch <= g.newest.Epoch {
			w.fail("S7: epoch %d adopted after %d", epoch, g.newest.Epoch)
		}
		g.newest = handshake.Session{Epoch: epoch, Nonce: nonce}
		w.stats["adopted"]++
	}
	p.onAccept = g.accepts
	p.onAck = g.acks
	p.onOutcome = func(e [40]uint16) {
		g.outcomes = append(g.outcomes, e)
		if e[19] != 0 {
			g.drawn[e[19]-1] += long(e[:], 30)
		}
		w.stats["outcome"]++
	}
}

func (g *ghosts) accepts(commit, payload []uint16, held bool) {
	w, p := g.w, g.w.plc
	n := nameOf(commit, 1)
	if held {
		w.stats["held"]++
	} else {
		w.stats["accepted"]++
	}
	in, ok := g.durable.intents[n]
	if !ok || !g.durable.commits[n] || !slices.Equal(in.Payload, payload) {
		w.fail("S4: offer %s accepted, but the journal does not hold intent and commit of it", n)
	}
	if g.accepted[n] || g.held[n] {
		w.fail("S3: offer %s accepted twice", n)
	}
	if n.Session != g.newest {
		w.fail("S7: offer %s accepted under a session that is not the newest, %v", n, g.newest)
	}
	if g.durable.void[n] {
		w.fail("S6: offer %s accepted after the journal called it void or rejected", n)
	}
	if seen, ok := g.lastView[handshake.Token{Boot: p.boot, Req: p.req}]; !ok || p.tick-long(commit, 10) > plcTTL || seen < long(commit, 10) {
		w.fail("S9: offer %s accepted at tick %d, request last seen at %d, commit says %d", n, p.tick, seen, long(commit, 10))
	}
	if held {
		g.held[n] = true
		return
	}
	g.accepted[n] = true
	from := g.durable.inputs[n]
	if from.Token != (handshake.Token{Boot: p.boot, Req: p.req}) || len(from.Diameters) == 0 || uint32(from.Diameters[0]) != p.diameter {
		w.fail("S1: offer %s was computed from %v, the measurement at the station is of request %d, diameter %d", n, from, p.req, p.diameter)
	}
	key := [2]int{g.era, int(p.roll)}
	g.perRoll[key]++
	if g.perRoll[key] > 1 {
		w.fail("S2: roll %d accepted %d offers", p.roll, g.perRoll[key])
	}
	if p.perms != plcPerms {
		w.fail("S8: offer %s accepted with permissives %02X", n, p.perms)
	}
}

func (g *ghosts) acks(from, to uint32) {
	for i := from + 1; i <= to; i++ {
		if !g.durable.indexes[[2]int{g.era, int(i)}] {
			g.w.fail("S5: outcome %d is forgotten by the controller, and not in the journal", i)
		}
	}
	g.acked = to
	g.w.stats["acknowledged"] += int(to - from)
}

// thisEra is the journal since the controller's memory was last found lost.
func (g *ghosts) thisEra() []record.Record {
	log := g.w.log
	for i := len(log) - 1; i >= 0; i-- {
		if gap, ok := log[i].(record.Gap); ok && gap.Boot != 0 {
			return log[i+1:]
		}
	}
	return log
}

func (g *ghosts) holdsIndex(i uint32) bool {
	return slices.ContainsFunc(g.thisEra(), func(r record.Record) bool {
		switch r := r.(type) {
		case record.Outcome:
			return r.Outcome.Index == i
		case record.Gap:
			return r.FromIndex != 0 && r.FromIndex <= i && i <= r.ToIndex
		}
		return false
	})
}

func (g *ghosts) holdsRoll(n uint32) bool {
	return slices.ContainsFunc(g.thisEra(), func(r record.Record) bool {
		if gap, ok := r.(record.Gap); ok {
			return gap.FromRoll != 0 && gap.FromRoll <= n && n <= gap.ToRoll
		}
		return r.RollNo() == n
	})
}

func (g *ghosts) sees(ev Event) {
	if v, ok := ev.(View); ok {
		g.lastView[v.Request.Token()] = v.Request.Tick
	}
}

// sends holds each write against the journal.
func (g *ghosts) sends(a Send) {
	w := g.w
	if !w.m.armed {
		w.fail("block %s sent while writing is forbidden", a.Block)
	}
	switch a.Block {
	case handshake.HELLO:
		s := handshake.Session{Epoch: long(a.Words, 2), Nonce: long(a.Words, 4)}
		if !g.durable.sessions[s] {
			w.fail("HELLO of session %v sent before it was durable", s)
		}
	case handshake.PAYLOAD:
		n := nameOf(a.Words, 12)
		if in, ok := g.durable.intents[n]; !ok || !slices.Equal(in.Payload, a.Words) {
			w.fail("PAYLOAD of offer %s sent before its intent was durable", n)
		}
	case handshake.COMMIT:
		if n := nameOf(a.Words, 1); !g.durable.commits[n] {
			w.fail("S4: COMMIT of offer %s sent before it was durable", n)
		}
		w.stats["commit"]++
	case handshake.ACK:
		if i := long(a.Words, 6); !g.holdsIndex(i) {
			w.fail("S5: ACK of outcome %d sent before it was durable", i)
		}
	case handshake.HEARTBEAT:
	default:
		w.fail("block %s is not the gateway's", a.Block)
	}
}

// journals holds each record against what really happened.
func (g *ghosts) journals(r record.Record) {
	w, d := g.w, &g.durable
	switch r := r.(type) {
	case record.Session:
		if d.sessions[r.Session] {
			w.fail("session %v was taken before", r.Session)
		}
		d.sessions[r.Session] = true
	case record.Request:
		d.request = r
		g.counts(&r)
	case record.Intent:
		if _, again := d.intents[r.Offer]; again {
			w.fail("offer %s was made before", r.Offer)
		}
		d.intents[r.Offer], d.inputs[r.Offer] = r, d.request
		if r.Form == handshake.KindRecipe && holdReason(r.Findings) != handshake.NoHold && r.Origin == handshake.Computed {
			w.fail("a recipe with a hold among its findings is offered: %+v", r.Findings)
		}
		if r.Origin == handshake.Override && slices.ContainsFunc(r.Findings, func(f recipe.Finding) bool { return f.Severity == recipe.Hold && !check.Overridable(f.Code) }) {
			w.fail("an override passes an interlock: %+v", r.Findings)
		}
	case record.Commit:
		d.commits[r.Offer] = true
	case record.Verdict:
		ok := r.Verdict == handshake.Accepted && g.accepted[r.Offer] ||
			r.Verdict == handshake.HeldVerdict && g.held[r.Offer] ||
			r.Verdict == handshake.Rejected && !g.accepted[r.Offer] && !g.held[r.Offer]
		if !ok {
			w.fail("S6: the journal calls offer %s %s, which is not so", r.Offer, r.Verdict)
		}
		d.void[r.Offer] = r.Verdict == handshake.Rejected
	case record.Void:
		if g.accepted[r.Offer] {
			w.fail("S6: the journal calls offer %s void (%s), but it was accepted", r.Offer, r.Evidence)
		}
		if res := w.plc.res[:]; nameOf(res, 6) == r.Offer && res[7] != 2 {
			w.fail("S6: the journal calls offer %s void (%s), but the result says %d", r.Offer, r.Evidence, res[7])
		}
		d.void[r.Offer] = true
	case record.Outcome:
		i := r.Outcome.Index
		if i == 0 || int(i) > len(g.outcomes) || !slices.Equal(r.Words, g.outcomes[i-1][:]) {
			w.fail("outcome %d in the journal is not the one that the controller made", i)
		}
		if g.holdsIndex(i) {
			w.fail("outcome %d is in the journal twice", i)
		}
		d.indexes[[2]int{g.era, int(i)}] = true
	case record.Gap:
		if r.Boot == 0 && r.ToIndex != 0 && uint32(len(g.outcomes)) < r.ToIndex {
			w.fail("gap up to outcome %d, but only %d were made", r.ToIndex, len(g.outcomes))
		}
		for i := r.FromIndex; r.Boot == 0 && i != 0 && i <= r.ToIndex; i++ {
			if i > g.acked && int(i)+64 > len(g.outcomes) {
				w.fail("gap over outcome %d, which could still be read", i)
			}
			d.indexes[[2]int{g.era, int(i)}] = true
		}
		w.stats["gap"]++
	}
}

// counts holds that no slot is counted to have more left than its account began
// with, less what the controller drew since and the journal could know.
func (g *ghosts) counts(r *record.Request) {
	w := g.w
	g.drawnAt[len(w.log)] = g.drawn
	for i, e := range r.Stand.Counted {
		if !e.Known {
			continue
		}
		w.stats["counted"]++
		at := -1
		for n := len(w.log) - 1; n >= 0 && at < 0; n-- {
			if q, ok := w.log[n].(record.Request); ok && slices.ContainsFunc(q.Hung, func(h record.HungRoll) bool { return h.Slot == i+1 }) {
				at = n
			}
		}
		if at < 0 {
			w.fail("slot %d is counted, but no account of it was begun", i+1)
			continue
		}
		unread := uint32(0)
		for n := w.m.mem.Outcomes; n < uint32(len(g.outcomes)); n++ {
			if o := g.outcomes[n]; int(o[19]) == i+1 {
				unread += long(o[:], 30)
			}
		}
		// 900 mm on a core of 3 in with a caliper of 0.012 in.
		const start = math.Pi / 4 * (0.9*0.9 - 0.0762*0.0762) / 0.0003048
		if most := start - float64(g.drawn[i]-g.drawnAt[at][i]-unread)/1e4; e.Length > most+1e-6 {
			w.fail("slot %d is counted to have %v m, at most %v m can be there", i+1, e.Length, most)
		}
	}
}

// check is called after each scan: what the controller has forgotten, the
// journal must tell of.
func (g *ghosts) check() {
	if g.w.m.mem.Open != nil && g.w.m.state == StatePoll {
		g.w.fail("S6: POLL with offer %s not closed", g.w.m.mem.Open.Name)
	}
}

// everyRoll holds S10 at rest.
func (g *ghosts) everyRoll() {
	for n := uint32(1); n <= g.w.plc.roll; n++ {
		if !g.holdsRoll(n) {
			g.w.fail("S10: roll %d is neither a record nor in a gap", n)
		}
	}
	for i := uint32(1); i <= g.w.plc.produced; i++ {
		if !g.holdsIndex(i) {
			g.w.fail("S10: outcome %d is neither a record nor in a gap", i)
		}
	}
}

// memoryLost tells the ghosts that the controller counts from the start.
func (g *ghosts) memoryLost() {
	g.era++
	g.outcomes = nil
	g.acked = 0
	g.lastView = map[handshake.Token]uint32{}
}
