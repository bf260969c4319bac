package cycle

import (
	"fmt"
	"slices"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe/wording"
)

// Evidence of a void.
const (
	voidDiffers    = "never committed: payload read back differs"
	voidRefused    = "never committed: the controller refuses the payload"
	voidToken      = "never committed: the request changed"
	voidPermissive = "never committed: permissive off"
	voidMeasured   = "never committed: measurement no longer valid"
	voidHoldAll    = "never committed: operator hold"
)

// offer computes and makes durable what is offered before a word of it is
// sent.
func (m *Machine) offer(v *View) {
	if m.ses.offer >= m.offerLimit {
		m.leave(causeOffers)
		return
	}
	m.journalRequest(v)
	m.takeConfirm(v)
	d := m.decide(m.takeOverride(v))
	m.ses.offer++
	d.Payload.Session, d.Payload.Offer = m.ses.name, m.ses.offer
	words, err := d.Words()
	if err != nil {
		m.halt(err.Error())
		return
	}
	r := &m.mem.Request
	rec := record.Intent{
		Token: r.Token, Roll: r.Roll, Tag: r.Measured.Tag,
		Offer: record.OfferName{Session: m.ses.name, Offer: m.ses.offer},
		Form:  d.Payload.Kind, HoldReason: d.Payload.HoldReason, Origin: d.Payload.Origin,
		ConfigHash: m.hash, Payload: words, Findings: d.Findings, Risk: d.Risk,
	}
	rec.Heads = headsOf(m.asTold(), r, &d)
	if d.Payload.Origin == handshake.Override {
		rec.By, rec.User, rec.Reason = d.Override.By, d.Override.User, d.Override.Text
	}
	m.journal(rec)
	m.fly = flight{startedAt: m.now.Mono, setpoints: d.Setpoints, measured: v.Roll, line: m.asTold(), overhangU: d.OverhangU}
	m.tellStock(&d)
	m.state = StatePrepare
	m.sendPayload()
}

// decide decides on the request that was journaled last, and makes durable
// what becomes of an override.
func (m *Machine) decide(override *record.Override) Decision {
	r := &m.mem.Request
	basis := m.mem.Basis(r.Token)
	d := Decide(m.line, r, &basis, override)
	d.Payload.ConfigHash = m.hash
	if d.Override != nil {
		m.journal(*d.Override)
		m.tellOverride(d.Override)
	}
	return d
}

func (m *Machine) sendPayload() {
	if m.fly.tries >= payloadTries {
		m.count("readback-differs")
		m.void(voidDiffers)
		m.leave(causeReadback)
		return
	}
	m.fly.tries++
	m.do(Send{Block: handshake.PAYLOAD, Words: m.mem.Open.Payload})
	m.ask(aPayload, FetchPayload{})
}

// compare checks the payload read back against the one written. Where the controller
// does not let it be read, its own check of the checksum is the only one.
func (m *Machine) compare(p Payload) {
	if m.state != StatePrepare {
		return
	}
	words := p.Words
	if p.Closed {
		words = m.mem.Open.Payload
		if !m.closed {
			m.closed = true
			m.tell(notePayloadClosed, wording.Say("told.payload-not-readable"))
		}
	}
	if !slices.Equal(words, m.mem.Open.Payload) {
		m.count("readback-differs")
		m.raise(condReadback, wording.Say("told.payload-differs", "difference", firstDifference(words, m.mem.Open.Payload)))
		if m.fly.tries >= payloadTries {
			m.void(voidDiffers)
			m.leave(causeReadback)
			return
		}
		m.sendPayload()
		return
	}
	m.end(refusedKey(handshake.PAYLOAD))
	m.end(condReadback)
	m.state = StateLook
	m.fly.lookAt = m.now.Mono
	m.askView()
}

func firstDifference(got, want []uint16) string {
	if len(got) != len(want) {
		return fmt.Sprintf("%d registers, want %d", len(got), len(want))
	}
	for i := range want {
		if got[i] != want[i] {
			return fmt.Sprintf("register %d holds %04X, want %04X", i, got[i], want[i])
		}
	}
	return "none"
}

// commit commits the offer if the request, the measurement and the permissives
// are still as they were decided on. The controller checks the same before it
// accepts; this check only saves time and tells people more.
func (m *Machine) commit(v *View) {
	r := &v.Request
	o := m.mem.Open
	going := o.Form == handshake.KindRecipe
	evidence := ""
	switch {
	case r.Token() != o.Token || r.Phase != handshake.Await:
		evidence = voidToken
	case going && m.mem.HoldAll:
		evidence = voidHoldAll
	case going && !measured(m.line, r.Flags, &v.Roll):
		evidence = voidMeasured
	case going && !permitted(m.line, r.Flags, r.Permissives):
		evidence = voidPermissive
		m.job.permUntil = m.now.Mono + permissiveWait
	}
	if evidence != "" {
		m.void(evidence)
		m.state = StatePoll
		m.poll(v)
		return
	}
	if r.Flags&handshake.GatewayAlive == 0 && m.now.Mono-m.fly.lookAt < m.times.Verdict {
		return // the heartbeat has not been seen yet; it would be rejected
	}
	m.journal(record.Commit{Roll: o.Roll, Offer: o.Name})
	m.state = StateVerdict
	m.sendCommit(r)
}

func (m *Machine) sendCommit(r *handshake.Request) {
	o := m.mem.Open
	m.fly.commitAt = m.now.Mono
	c := handshake.Commit{Offer: o.Name.Offer, Session: o.Name.Session, Req: o.Token.Req, PayloadCRC: handshake.PayloadCRC(o.Payload), Tick: r.Tick}
	w := make([]uint16, handshake.CommitWords)
	m.send(handshake.COMMIT, w, c.Encode(w))
}

func (m *Machine) offerFields(o *record.Offer) []Field {
	return []Field{{"roll_no", o.Roll}, {"offer", o.Name.String()}, {"kind", o.Form}}
}

// void closes the open offer: no recipe of it was or will be used.
func (m *Machine) void(evidence string) {
	o := m.mem.Open
	m.journal(record.Void{Roll: o.Roll, Offer: o.Name, Evidence: evidence})
	m.count("offers/void")
	m.tell(noteVoid, wording.Say("told.offer-void", "evidence", wording.Word("void", evidence)), m.offerFields(o)...)
	m.delayNext(o)
}

// delayNext delays the next offer for the same request.
func (m *Machine) delayNext(o *record.Offer) {
	j := &m.job
	if j.token != o.Token {
		return
	}
	j.attempts++
	j.notBefore = m.now.Mono + retryPause(j.attempts)
}

func retryPause(attempts int) time.Duration {
	d := firstPause
	for range min(attempts-1, 10) {
		d = Backoff(d, firstPause, longestPause)
	}
	return d
}

// closeOffer journals the controller's verdict and draws the conclusions.
func (m *Machine) closeOffer(v handshake.Verdict, reason uint16, settled bool) {
	o := m.mem.Open
	m.journal(record.Verdict{Roll: o.Roll, Offer: o.Name, Verdict: v, Reason: reason, Settled: settled})
	m.count("offers/" + v.String())
	if settled {
		m.count("settled/" + v.String())
	}
	m.ses.pause = 0
	j := &m.job
	mine := j.token == o.Token
	fields := append(m.offerFields(o), Field{"reason", reasonWords(v, reason)})
	switch v {
	case handshake.Accepted:
		m.tell(noteAccepted, wording.Say("told.offer-accepted", "roll", o.Roll), fields...)
		if !settled {
			m.cycleTime = m.now.Mono - j.since
			m.wrapping = wrapping{roll: o.Roll, offer: o.Name, line: m.fly.line, measured: m.fly.measured, setpoints: m.fly.setpoints, overhangU: m.fly.overhangU}
		}
		j.done = j.done || mine
	case handshake.HeldVerdict:
		// The roll now waits for the operator: a retry is a new request, raised
		// at the controller.
		m.tellHeld(o)
		if mine {
			j.done, j.held = true, true
		}
	case handshake.Rejected:
		m.count("rejected/" + handshake.Spelled(handshake.RejectReason(reason).String()))
		if !mine || j.rejected != reason {
			m.tell(noteRejected, wording.Say("told.offer-rejected", "roll", o.Roll, "reason", handshake.RejectReason(reason).Said()), fields...)
		}
		if mine {
			j.rejected = reason
			m.delayNext(o)
			m.waitAfter(reason)
		}
	}
}

func reasonWords(v handshake.Verdict, reason uint16) string {
	if v == handshake.HeldVerdict {
		return handshake.HoldReason(reason).String()
	}
	return handshake.RejectReason(reason).String()
}

// tellHeld tells that the controller holds the roll of an offer, why, and what a
// person is to do about it.
func (m *Machine) tellHeld(o *record.Offer) {
	h := HoldingOf(m.asTold(), o.Request, holdReasonOf(o.Payload), o.Findings)
	fields := append(m.offerFields(o), h.fields()...)
	m.tell(noteHeld, wording.Say("told.offer-held", "roll", o.Roll, "finding", h.Text), fields...)
}

// fields are what a log has of a hold beside its sentence.
func (h *Holding) fields() []Field {
	out := []Field{{"hold", h.Code}, {"meaning", h.Meaning}, {"remedy", h.Do}}
	if h.Where != "" {
		out = append(out, Field{"where", h.Where})
	}
	if !h.Caution.IsZero() {
		out = append(out, Field{"caution", h.Caution})
	}
	return out
}

func holdReasonOf(payload []uint16) handshake.HoldReason {
	var p handshake.Payload
	if err := handshake.DecodeStoredPayload(payload, &p); err != nil {
		return handshake.NoHold
	}
	return p.HoldReason
}

// waitAfter lets a permissive return that a rejection named: the new offer
// waits for it, for a while.
func (m *Machine) waitAfter(reason uint16) {
	if remedyOf(reason) == waitPermissive {
		m.job.permUntil = m.now.Mono + permissiveWait
	}
}
