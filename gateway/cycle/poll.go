package cycle

import (
	"fmt"
	"math"
	"slices"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe/quantity"
	"lapgate/recipe/wording"
)

// Causes of a gap other than loss of memory.
const (
	gapAcked       = "acknowledged before this journal knew of them"
	gapOverwritten = "overwritten in the ring before they were read"
	gapRolls       = "no outcome of these rolls is known"
	gapBegins      = "a record begins; what came before is in none"
	gapUnknown     = "nothing tells whether the recipe was used"
)

// job is the request in hand.
type job struct {
	token    handshake.Token
	roll     uint32
	since    time.Duration
	attempts int // offers that came to nothing

	notBefore time.Duration // no offer before
	permUntil time.Duration // a permissive may return until then, 0: not waiting
	done      bool          // accepted or held
	held      bool
	rejected  uint16 // newest reason of a rejection that people were told
}

// poll does what a valid request block calls for while no offer is on its way.
// Outcomes come before the waiting roll.
func (m *Machine) poll(v *View) {
	r := &v.Request
	if m.collect(r) {
		return
	}
	// After a write nothing is journaled in the same step. If the write failed,
	// the record would be dropped with it, and the machine would know more than
	// the journal.
	if m.ackAgain(r) {
		return
	}
	m.coverRolls(r)
	m.serve(v)
}

// collect writes gaps for outcomes that can no longer be read from the ring, and
// asks for the next ones. It reports whether their answer has to come before
// anything else is done.
func (m *Machine) collect(r *handshake.Request) bool {
	if acked := min(r.Acked, r.Produced); acked > m.mem.Outcomes {
		cause := gapAcked
		if m.pair {
			cause = record.HeldByOther
		}
		lags := cause == gapAcked && !m.begins
		from := m.mem.Outcomes + 1
		m.gap(record.Gap{FromIndex: from, ToIndex: acked, Cause: cause})
		if lags {
			m.doubtJournal(fmt.Sprintf("outcomes %d to %d were acknowledged to the controller, and this journal does not hold them: "+
				"it is a restored backup, or another gateway served the line", from, acked))
		}
	}
	if r.Produced > m.mem.Outcomes+handshake.OutEntries {
		m.gap(record.Gap{FromIndex: m.mem.Outcomes + 1, ToIndex: r.Produced - handshake.OutEntries, Cause: gapOverwritten})
		m.outTries, m.outAt = 0, 0
	}
	left := r.Produced - m.mem.Outcomes
	if left == 0 {
		m.outTries, m.outAt = 0, 0
		m.end(condOutcome)
		return false
	}
	if m.now.Mono < m.outAt {
		return false
	}
	from := m.mem.Outcomes + 1
	// One read does not go over the end of the ring.
	n := min(left, outcomesPerRead, handshake.OutEntries-from%handshake.OutEntries)
	m.ask(someOutcomes, FetchOutcomes{From: from, N: int(n)})
	return true
}

// collected journals the entries that are whole and have the index expected,
// and acknowledges them together. An entry with another index is either not
// written yet or overwritten; the next request block tells which.
func (m *Machine) collected(entries []OutcomeRead) {
	switch m.state {
	case StateSettle, StatePoll, StateVerdict, StateWatch:
	default:
		return
	}
	n := 0
	for i := range entries {
		e := &entries[i]
		if e.Err != "" || e.Outcome.Index != m.mem.Outcomes+1 {
			break
		}
		m.journalOutcome(e)
		n++
	}
	m.end(refusedKey(handshake.OUT))
	if n > 0 {
		m.outTries, m.outAt = 0, 0
		m.end(condOutcome)
		if m.state != StateWatch {
			m.sendAck()
		}
		m.askView()
		return
	}
	m.count("outcomes-unreadable")
	m.outTries++
	if m.outTries < readTries {
		m.askView()
		return
	}
	m.outTries = 0
	m.outAt = m.now.Mono + m.times.Verdict
	m.raise(condOutcome, wording.Say("told.outcome-unreadable", "outcome", m.mem.Outcomes+1, "reads", readTries),
		Field{"index", m.mem.Outcomes + 1})
}

func (m *Machine) journalOutcome(e *OutcomeRead) {
	o := e.Outcome
	m.coverBefore(o.RollNo)
	w := m.compareScale(&o)
	against := m.mem.Contradicted(&o)
	m.journal(record.Outcome{Outcome: o, Words: slices.Clone(e.Words), Weighing: w, Contradicts: against})
	m.count("outcomes/" + handshake.Spelled(o.Outcome.String()))
	fields := []Field{{"roll_no", o.RollNo}, {"outcome", o.Outcome}, {"index", o.Index}}
	if o.Reason != 0 { // a number of the controller's own
		fields = append(fields, Field{"reason", o.Reason})
	}
	if o.Scale > 0 {
		fields = append(fields, Field{"scale", m.line.Write(float64(o.Scale)/10, quantity.Mass)})
	}
	m.tell(noteOutcome, wording.Say("told.roll-left", "roll", o.RollNo, "outcome", o.Outcome.Said()), fields...)
	if against != "" {
		n := record.OfferName{Session: o.Session, Offer: o.Offer}
		m.count("contradictions")
		said := wording.Say("told.controller-contradicts", "roll", o.RollNo, "offer", n, "as", against)
		fields := []Field{{"roll_no", o.RollNo}, {"offer", n.String()}, {"ended_as", against}}
		if m.standing(condContradiction) >= 0 { // each is told
			m.tell(condContradiction, said, fields...)
		}
		m.raise(condContradiction, said, fields...)
	}
	m.tellScale(&o, w)
	m.lookAtWrapper(&o, w)
}

// coverRolls finds roll numbers of which no outcome will come.
func (m *Machine) coverRolls(r *handshake.Request) {
	m.cover(m.missing(r))
	m.begins = m.begins && (r.Produced != m.mem.Outcomes || r.Phase == handshake.Empty && r.RollNo > m.mem.Covered)
}

// cover writes a gap over the roll numbers up to upTo that have no record.
func (m *Machine) cover(upTo uint32) {
	if upTo > m.mem.Covered {
		m.gap(record.Gap{FromRoll: m.mem.Covered + 1, ToRoll: upTo, Cause: m.causeOfRolls()})
	}
}

// coverBefore writes a gap over the rolls before one that have no record.
func (m *Machine) coverBefore(roll uint32) {
	if roll > 0 {
		m.cover(roll - 1)
	}
}

// ackable is the outcome up to which the controller may forget: what is durable
// here and, in a pair, in the store as well. Where the store is away that long that
// many wait, this gateway's journal alone must do.
func (m *Machine) ackable() uint32 {
	known := m.mem.Outcomes
	if !m.pair {
		return known
	}
	stored := uint32(0)
	if m.stored.Losses == m.mem.Losses {
		stored = min(m.stored.UpTo, known)
	}
	switch {
	case stored == known:
		m.end(condAckAlone)
	case m.view.produced-m.view.acked >= ackAlone && m.view.produced >= m.view.acked:
		m.raise(condAckAlone, wording.Say("told.acknowledged-alone", "from", stored+1, "to", known),
			Field{"from_index", stored + 1}, Field{"to_index", known})
		return known
	}
	return stored
}

// sendAck acknowledges what may be.
func (m *Machine) sendAck() {
	upTo := m.ackable()
	if m.pair && upTo <= m.view.acked {
		return
	}
	m.ses.ackTo = upTo
	m.ses.ackAt = m.now.Mono
	a := handshake.Ack{Session: m.ses.name, UpTo: upTo}
	w := make([]uint16, handshake.AckWords)
	m.send(handshake.ACK, w, a.Encode(w))
}

// ackAgain sends the acknowledgement that this session has not sent yet, or
// that the controller has not taken. It reports whether it did.
func (m *Machine) ackAgain(r *handshake.Request) bool {
	switch upTo := m.ackable(); {
	case r.Acked >= upTo:
		return false
	case m.ses.ackTo != upTo:
	case m.now.Mono-m.ses.ackAt >= m.times.Verdict:
		m.count("resends/ACK")
	default:
		return false
	}
	m.sendAck()
	return true
}

// serve gives a waiting roll its offer.
func (m *Machine) serve(v *View) {
	r := &v.Request
	if r.Phase != handshake.Await {
		return
	}
	m.beginJob(r)
	j := &m.job
	over := m.override != nil && m.override.token == r.Token() || m.confirm != nil && m.confirm.token == r.Token()
	if j.done || !over && (v.Wait || m.now.Mono < j.notBefore) {
		return
	}
	if j.permUntil != 0 && !permitted(m.line, r.Flags, r.Permissives) && m.now.Mono < j.permUntil {
		return
	}
	j.permUntil = 0
	m.offer(v)
}

// beginJob begins a new job if the request is new. A configuration that waits
// takes effect with the next roll, and also with the operator's retry of a held
// roll, so that a corrected configuration can serve it.
func (m *Machine) beginJob(r *handshake.Request) {
	if m.job.token == r.Token() {
		return
	}
	if m.job.roll != r.RollNo || m.job.held {
		m.takeConfig()
	}
	m.endHangs()
	m.job = job{token: r.Token(), roll: r.RollNo, since: m.now.Mono}
	m.tell(noteRequest, wording.Say("told.roll-waits", "roll", r.RollNo, "tag", r.Tag),
		Field{"roll_no", r.RollNo}, Field{"roll", r.Tag.String()}, Field{"req_id", r.Req})
	if b := m.mem.Basis(r.Token()); len(b.Rejections) > 0 {
		m.waitAfter(b.Rejections[len(b.Rejections)-1]) // rejected before a restart of this process
	}
}

// journalRequest makes durable what the recipe is about to be computed from,
// with what consumption leaves on the wrapper rolls.
func (m *Machine) journalRequest(v *View) {
	r := &v.Request
	// The outcome of a roll before may be one that cannot be read yet.
	if r.Produced == m.mem.Outcomes {
		m.coverBefore(r.RollNo)
	}
	m.journal(m.requestOf(v))
}

// requestOf is the record of the request in view, with what consumption leaves
// on the wrapper rolls.
func (m *Machine) requestOf(v *View) record.Request {
	r := &v.Request
	stand, flags := v.Stand, r.Flags
	rec := record.Request{
		Hung:  m.countStand(&stand),
		Token: r.Token(), Roll: r.RollNo,
		Diameters:   slices.Clone(r.Diameters[:min(int(r.DiameterN), len(r.Diameters))]),
		Widths:      slices.Clone(r.Widths[:min(int(r.WidthN), len(r.Widths))]),
		Permissives: r.Permissives, Tick: r.Tick, Flags: &flags, Diameter: r.Diameter, Width: r.Width,
	}
	rec.SetMeasurement(v.Roll, stand)
	rec.SetTag(r.Tag)
	return rec
}

func finite(f float64) float64 {
	if math.IsNaN(f) || math.IsInf(f, 0) {
		return 0
	}
	return f
}

// watchView serves shadow: it reads and journals, and sends nothing.
func (m *Machine) watchView(v *View) {
	r := &v.Request
	if m.collect(r) {
		return
	}
	m.coverRolls(r)
	if r.Phase != handshake.Await {
		return
	}
	m.beginJob(r)
	if m.mem.Shadow == r.Token() || m.job.done || v.Wait {
		return
	}
	m.job.done = true
	m.journalRequest(v)
	d := m.decide(nil)
	words, err := d.Words()
	if err != nil {
		m.halt(err.Error())
		return
	}
	m.tellStock(&d)
	verdict := "go"
	if d.Held() {
		verdict = "hold"
	}
	m.journal(record.Shadow{Token: r.Token(), Roll: r.RollNo, Tag: r.Tag.String(), Verdict: verdict, Payload: words, Findings: d.Findings, Risk: d.Risk})
	m.count("shadow/" + verdict)
	said, fields := wording.Say("told.shadow-recipe", "roll", r.RollNo), []Field{{"roll_no", r.RollNo}, {"verdict", verdict}}
	if d.Held() {
		h := HoldingOf(m.asTold(), &m.mem.Request, d.Payload.HoldReason, d.Findings)
		said, fields = wording.Say("told.shadow-recipe.hold", "roll", r.RollNo, "finding", h.Text), append(fields, h.fields()...)
	}
	m.tell(noteShadow, said, fields...)
}
