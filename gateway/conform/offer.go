package conform

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"lapgate/gateway/handshake"
)

// offer is the two blocks of an offer, as they are written.
type offer struct {
	name    uint16
	payload []uint16
	commit  []uint16
}

// open has a session of the proof in force, with a living heartbeat.
func (t *trial) open() {
	r := t.look()
	if t.err != nil {
		return
	}
	if r.Flags&handshake.MemoryLost != 0 {
		t.act(actAcknowledge)
		r = t.look()
	}
	if t.session == (handshake.Session{}) || r.Active != t.session {
		t.adopt(r.Floor + 1)
	}
	t.silent = false
	t.until(t.Reaction, "flag 4 after a heartbeat of the session", alive)
}

func alive(r *handshake.Request) bool { return r.Flags&handshake.GatewayAlive != 0 }
func dead(r *handshake.Request) bool  { return !alive(r) }

// adopt opens a session with an epoch, and fails where it is not adopted.
func (t *trial) adopt(epoch uint32) {
	t.offerSession(epoch)
	t.adopted()
	t.beatAt = time.Time{}
}

// adopted wants the session that was offered in force.
func (t *trial) adopted() {
	want := t.session
	t.until(t.Reaction, "a HELLO that fits adopted", func(r *handshake.Request) bool { return r.Active == want })
}

// offerSession sends the HELLO of a new session.
func (t *trial) offerSession(epoch uint32) {
	t.session, t.offers = handshake.Session{Epoch: epoch, Nonce: max(t.out.Random(), 1)}, 0
	t.send(handshake.HELLO, t.hello(t.session))
}

// hello are the words of a HELLO for the controller's own start.
func (t *trial) hello(s handshake.Session) []uint16 {
	return encoded(&handshake.Hello{Session: s, Boot: t.last.Boot}, handshake.HelloWords)
}

// hold makes an offer of kind hold for the roll in view.
func (t *trial) hold() offer {
	r := t.look()
	return t.make(&handshake.Payload{Kind: handshake.KindHold, HoldReason: handshake.HoldOperator}, &r)
}

// make names a payload for the roll in view, and commits to it.
func (t *trial) make(p *handshake.Payload, r *handshake.Request) offer {
	t.offers++
	p.Session, p.Boot, p.Req, p.RollNo, p.Offer, p.Origin = t.session, r.Boot, r.Req, r.RollNo, t.offers, handshake.Computed
	p.Diameter, p.Width = r.Diameter, r.Width
	o := offer{name: t.offers, payload: encoded(p, handshake.PayloadWords)}
	if t.lastWords != nil { // the tag is echoed as it stands, all eight words
		from, to := handshake.FieldOf(handshake.REQ, "roll_tag"), handshake.FieldOf(handshake.PAYLOAD, "roll_tag")
		copy(o.payload[to.Register:][:to.Words], t.lastWords[from.Register:])
		seal(o.payload)
	}
	o.commit = encoded(&handshake.Commit{Offer: t.offers, Session: t.session, Req: r.Req, PayloadCRC: handshake.PayloadCRC(o.payload), Tick: r.Tick}, handshake.CommitWords)
	return o
}

// with changes the payload, and commits to what it became.
func (o offer) with(change func(payload []uint16)) offer {
	change(o.payload)
	seal(o.payload)
	crc := handshake.FieldOf(handshake.COMMIT, "payload_crc")
	crc.PutNumber(o.commit, int64(handshake.PayloadCRC(o.payload)))
	seal(o.commit)
	return o
}

// setting changes one field of the payload.
func (o offer) setting(field string, n int64) offer {
	return o.with(func(w []uint16) {
		f := handshake.FieldOf(handshake.PAYLOAD, field)
		f.PutNumber(w, n)
	})
}

// flipping changes one bit of a register of the payload.
func (o offer) flipping(register int) offer {
	return o.with(func(w []uint16) { w[register] ^= 1 })
}

// committing changes one field of the commit.
func (o offer) committing(field string, n int64) offer {
	f := handshake.FieldOf(handshake.COMMIT, field)
	f.PutNumber(o.commit, n)
	seal(o.commit)
	return o
}

// deliver writes the two blocks, the commit last.
func (t *trial) deliver(o offer) {
	t.send(handshake.PAYLOAD, o.payload)
	t.send(handshake.COMMIT, o.commit)
}

// judged delivers an offer and wants a verdict. Reasons are those that will do; the
// verdict comes with the phase that belongs to it.
func (t *trial) judged(o offer, what string, verdict handshake.Verdict, reasons ...uint16) {
	before := t.last
	t.deliver(o)
	t.answered(o, &before, what, verdict, reasons...)
}

// verdictOn waits until the result names an offer.
func (t *trial) verdictOn(o offer, what string) handshake.Request {
	session := t.session
	return t.until(t.Reaction, "a verdict on "+what, func(r *handshake.Request) bool {
		return r.ResultSession == session && r.ResultOffer == o.name
	})
}

// answered wants a verdict on an offer that was delivered.
func (t *trial) answered(o offer, before *handshake.Request, what string, verdict handshake.Verdict, reasons ...uint16) {
	r := t.verdictOn(o, what)
	if t.err != nil {
		return
	}
	if len(reasons) == 0 {
		reasons = []uint16{0}
	}
	got, want := handshake.VerdictText(r.ResultVerdict, r.ResultReason), handshake.VerdictText(verdict, reasons[0])
	t.must(r.ResultVerdict == verdict && slices.Contains(reasons, r.ResultReason), "%s: %s, want %s", what, got, want)
	t.must(r.LastOffer == o.name, "%s: last OFFER is %d, want %d whatever the verdict", what, r.LastOffer, o.name)
	t.must(r.ResultReq == before.Req, "%s: the result names request %d, want %d", what, r.ResultReq, before.Req)
	phase := map[handshake.Verdict]handshake.Phase{handshake.Accepted: handshake.Run, handshake.Rejected: handshake.Await, handshake.HeldVerdict: handshake.Held}[verdict]
	t.must(r.Phase == phase, "%s: phase %s, want %s", what, r.Phase, phase)
	if verdict != handshake.Rejected {
		t.must(r.ResultCRC == handshake.PayloadCRC(o.payload), "%s: the result names the payload %08X, want %08X", what, r.ResultCRC, handshake.PayloadCRC(o.payload))
	}
}

// rejected is judged for an offer that is to be rejected.
func (t *trial) rejected(o offer, what string, reasons ...uint16) {
	t.judged(o, what, handshake.Rejected, reasons...)
}

// part is one thing that no message may change that a rule calls nothing.
type part struct {
	name string
	of   func(*handshake.Request) any
}

var parts = [...]part{
	{"BOOT_ID", func(r *handshake.Request) any { return r.Boot }},
	{"the active session", func(r *handshake.Request) any { return r.Active }},
	{"the floor", func(r *handshake.Request) any { return r.Floor }},
	{"last OFFER", func(r *handshake.Request) any { return r.LastOffer }},
	{"the phase", func(r *handshake.Request) any { return r.Phase }},
	{"ROLL_NO", func(r *handshake.Request) any { return r.RollNo }},
	{"REQ_ID", func(r *handshake.Request) any { return r.Req }},
	{"the request of the result", func(r *handshake.Request) any { return r.ResultReq }},
	{"the session of the result", func(r *handshake.Request) any { return r.ResultSession }},
	{"the offer of the result", func(r *handshake.Request) any { return r.ResultOffer }},
	{"the verdict", func(r *handshake.Request) any { return r.ResultVerdict }},
	{"the reason", func(r *handshake.Request) any { return r.ResultReason }},
	{"outcomes produced", func(r *handshake.Request) any { return r.Produced }},
	{"outcomes acknowledged", func(r *handshake.Request) any { return r.Acked }},
}

// changed tells what changed between two views, empty for nothing.
func changed(before, now *handshake.Request) string {
	var out []string
	for _, p := range parts {
		if a, b := p.of(before), p.of(now); a != b {
			out = append(out, fmt.Sprintf("%s from %v to %v", p.name, a, b))
		}
	}
	return strings.Join(out, ", ")
}

// unchanged wants the state to stay as it was for a while.
func (t *trial) unchanged(before *handshake.Request, what string) { t.keeps(before, t.settle(), what) }

// keeps wants the state to stay as it was for a time.
func (t *trial) keeps(before *handshake.Request, during time.Duration, what string) {
	t.watch(during, func(r *handshake.Request) {
		difference := changed(before, r)
		t.must(difference == "", "%s changes %s", what, difference)
	})
}

// ignored delivers a commit that is not for the controller, and wants it counted
// and nothing else.
func (t *trial) ignored(o offer, what string) {
	before := t.last
	t.deliver(o)
	t.uncommitted(&before, what)
}

// uncommitted wants a commit to have been counted as stale and to have changed
// nothing else. A block that arrives in two halves may count twice.
func (t *trial) uncommitted(before *handshake.Request, what string) {
	t.unchanged(before, what)
	counted := t.last.StaleCommits - before.StaleCommits
	t.must(counted == 1 || counted == 2, "%s: the counter of stale commits went up by %d, want 1: it is raised when the bytes changed", what, counted)
}
