package cycle

import (
	"fmt"
	"slices"
	"strconv"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/check"
)

// Codes of the findings that arise on the way to the controller.
const (
	CodeDoesNotFit      recipe.Code = "setpoint-does-not-fit"
	CodePermissives     recipe.Code = "permissives-not-all-on"
	CodeMeasurement     recipe.Code = "measurement-not-valid"
	CodeRollData        recipe.Code = "controller-roll-data"
	CodeControllerLimit recipe.Code = "controller-limit"
	CodeControllerOther recipe.Code = "controller-rejects"
)

// Codes returns the codes of the findings that this package adds to those of
// the checks.
func Codes() []check.CodeInfo {
	return []check.CodeInfo{
		{Code: CodeDoesNotFit, Severity: recipe.Hold, Reason: uint16(handshake.HoldConfigFault), Meaning: "a setpoint does not fit its field in the payload"},
		{Code: CodePermissives, Severity: recipe.Hold, Reason: uint16(handshake.HoldPermissive), Meaning: "the controller says that not all permissives are on"},
		{Code: CodeMeasurement, Severity: recipe.Hold, Reason: uint16(handshake.HoldMeasurement), Meaning: "the controller says that its dimensions are not valid"},
		{Code: CodeRollData, Severity: recipe.Hold, Reason: uint16(handshake.HoldImplausible), Meaning: "the controller rejected the roll data echoed to it"},
		{Code: CodeControllerLimit, Severity: recipe.Hold, Reason: uint16(handshake.HoldInterlock), Meaning: "the controller rejected a value by its own limit"},
		{Code: CodeControllerOther, Severity: recipe.Hold, Reason: uint16(handshake.HoldConfigFault), Meaning: "the controller rejected the recipe for a reason that is not in the handshake"},
	}
}

// Evidence of a void.
const (
	voidDiffers    = "never committed: payload read back differs"
	voidRefused    = "never committed: the controller refuses the payload"
	voidToken      = "never committed: the request changed"
	voidPermissive = "never committed: permissive off"
	voidMeasured   = "never committed: measurement no longer valid"
	voidHoldAll    = "never committed: operator hold"
	voidSuperseded = "superseded: the request is gone and the result names another offer"
	voidStation    = "settled: the roll is at the station and the result names another offer or none"
	voidOutcome    = "settled: the outcome of the roll names another offer or none"
)

// permissivesOfWord is how many permissives the controller can name.
const permissivesOfWord = 32

// decision is what is to be offered.
type decision struct {
	payload  handshake.Payload
	findings []recipe.Finding
	spec     string
}

// decide computes the recipe for the request in view and judges it. With an
// override, the recipe is the named person's, already allowed.
func (m *Machine) decide(v *View, over *overridden) decision {
	r := &v.Request
	d := decision{payload: handshake.Payload{
		Session: m.ses.name, Boot: r.Boot, Req: r.Req, RollNo: r.RollNo,
		Kind: handshake.KindRecipe, Origin: handshake.Computed,
		ConfigHash: m.hash, Tag: r.Tag, Diameter: r.Diameter, Width: r.Width,
	}}
	_, d.spec = m.line.SpecOf(&v.Roll)
	if over != nil {
		d.payload.Origin = handshake.Override
		d.payload.OverrideReason, d.payload.Operator = over.reason, over.operator
		m.rec.Setpoints = over.setpoints
		d.findings = over.findings
	} else {
		recipe.Compute(m.line, &v.Roll, &v.Stand, &m.rec)
		d.findings = m.check(v)
	}
	reason := holdReason(d.findings)
	if over != nil {
		reason = handshake.NoHold
	}
	if f := m.job.forced; f != nil && over == nil {
		d.findings = append(d.findings, f.finding)
		reason = f.reason
	}
	if reason == handshake.NoHold {
		if bad := Fill(&d.payload, &m.rec.Setpoints); len(bad) > 0 {
			d.findings = append(d.findings, bad...)
			reason = handshake.HoldConfigFault
		}
	}
	if reason != handshake.NoHold {
		d.payload = handshake.Payload{
			Session: m.ses.name, Boot: r.Boot, Req: r.Req, RollNo: r.RollNo,
			Kind: handshake.KindHold, HoldReason: reason, Origin: handshake.Computed,
			ConfigHash: m.hash, Tag: r.Tag, Diameter: r.Diameter, Width: r.Width,
		}
	}
	return d
}

// check judges the recipe in m.rec. What the controller says of permissives
// and dimensions holds beside the checks, so that nothing is offered that the
// last look would refuse.
func (m *Machine) check(v *View) []recipe.Finding {
	r := &v.Request
	ctx := check.Context{LastRoll: m.mem.finished, Duplicate: r.RollNo <= m.mem.finished, HoldAll: m.mem.holdAll}
	if m.hasPrev {
		ctx.Prev, ctx.PrevSpec = &m.prev, m.prevSpec
	}
	found := check.Run(m.line, &v.Roll, &v.Stand, &m.rec, &ctx, nil)
	has := func(reason handshake.HoldReason) bool {
		return slices.ContainsFunc(found, func(f recipe.Finding) bool {
			return f.Severity == recipe.Hold && HoldReason(f.Code) == reason
		})
	}
	if !m.permitted(r) && !has(handshake.HoldPermissive) {
		found = append(found, recipe.Finding{Code: CodePermissives, Severity: recipe.Hold, Field: "permissives",
			Got: fmt.Sprintf("0x%X", r.Permissives), Limit: "all on",
			Text: "not all permissives are on; see at the controller which one is off"})
	}
	if !m.measured(v) && !has(handshake.HoldMeasurement) {
		found = append(found, recipe.Finding{Code: CodeMeasurement, Severity: recipe.Hold, Field: "scan",
			Got: "dimensions not valid", Limit: "valid",
			Text: "the controller does not call its dimensions valid; measure the roll again"})
	}
	return found
}

// holdReason is the reason of the first hold.
func holdReason(findings []recipe.Finding) handshake.HoldReason {
	for i := range findings {
		if findings[i].Severity == recipe.Hold {
			return HoldReason(findings[i].Code)
		}
	}
	return handshake.NoHold
}

// HoldReason is the reason on the wire that a finding of severity hold is told
// by, whether its code is of the checks or of this package.
func HoldReason(c recipe.Code) handshake.HoldReason {
	for _, i := range Codes() {
		if i.Code == c {
			return handshake.HoldReason(i.Reason)
		}
	}
	return handshake.HoldReason(check.HoldReason(c))
}

// offer computes and makes durable what is offered before a word of it is
// sent.
func (m *Machine) offer(v *View) {
	if m.ses.offer >= m.offerLimit {
		m.leave(causeOffers)
		return
	}
	r := &v.Request
	m.journalRequest(v)
	over := m.takeOverride(v)
	d := m.decide(v, over)
	m.ses.offer++
	d.payload.Offer = m.ses.offer
	words := make([]uint16, handshake.PayloadWords)
	if err := d.payload.Encode(words); err != nil {
		m.halt("encode block PAYLOAD: " + err.Error())
		return
	}
	rec := record.Intent{
		Token: r.Token(), Roll: r.RollNo, Tag: r.Tag,
		Offer: record.OfferName{m.ses.name, m.ses.offer},
		Form:  d.payload.Kind, HoldReason: d.payload.HoldReason, Origin: d.payload.Origin,
		ConfigHash: m.hash, Payload: words, Findings: d.findings,
	}
	if d.payload.Origin == handshake.Override {
		rec.By, rec.Reason = over.by, over.text
	}
	m.journal(rec)
	m.fly = flight{startedAt: m.now.Mono, setpoints: m.rec.Setpoints, spec: d.spec, measured: v.Roll}
	m.state = StatePrepare
	m.sendPayload()
}

func (m *Machine) sendPayload() {
	if m.fly.tries >= payloadTries {
		m.count("readback-differs")
		m.void(voidDiffers)
		m.leave(causeReadback)
		return
	}
	m.fly.tries++
	m.do(Send{Block: handshake.PAYLOAD, Words: m.mem.open.payload})
	m.ask(aPayload, FetchPayload{})
}

// compare checks what stands in the controller, register by register.
func (m *Machine) compare(words []uint16) {
	if m.state != StatePrepare {
		return
	}
	if !slices.Equal(words, m.mem.open.payload) {
		m.count("readback-differs")
		m.raise(condReadback, "the payload read back differs from the one written: "+firstDifference(words, m.mem.open.payload))
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

// lastLook commits the offer if all that it rests on still stands. It saves
// time and makes better messages; the controller judges.
func (m *Machine) lastLook(v *View) {
	r := &v.Request
	o := m.mem.open
	going := o.kind == handshake.KindRecipe
	evidence := ""
	switch {
	case r.Token() != o.token || r.Phase != handshake.Await:
		evidence = voidToken
	case going && m.mem.holdAll:
		evidence = voidHoldAll
	case going && !m.measured(v):
		evidence = voidMeasured
	case going && !m.permitted(r):
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
	m.journal(record.Commit{Roll: o.roll, Offer: o.name})
	m.state = StateVerdict
	m.sendCommit(r)
}

func (m *Machine) sendCommit(r *handshake.Request) {
	o := m.mem.open
	m.fly.commitAt = m.now.Mono
	c := handshake.Commit{Offer: o.name.Offer, Session: o.name.Session, Req: o.token.Req, PayloadCRC: o.crc, Tick: r.Tick}
	w := make([]uint16, handshake.CommitWords)
	m.send(handshake.COMMIT, w, c.Encode(w))
}

// awaitVerdict takes result and token from the same block: read apart, an
// offer could be called void that was accepted in between.
func (m *Machine) awaitVerdict(v *View) {
	r := &v.Request
	o := m.mem.open
	switch {
	case resultNames(r, o.name):
		m.closeOffer(r.ResultVerdict, r.ResultReason, false)
	case r.Token() != o.token || r.Phase != handshake.Await:
		m.void(voidSuperseded)
	case m.now.Mono-m.fly.commitAt < m.times.Verdict:
		return
	case m.fly.resends >= commitResends:
		m.tell(noteNoVerdict, Warning, "the controller gives no verdict; a new session settles the offer", m.offerFields(o)...)
		m.leave(causeNoVerdict)
		return
	default:
		m.fly.resends++
		m.count("resends/COMMIT")
		m.sendCommit(r)
		return
	}
	m.state = StatePoll
	m.poll(v)
}

func (m *Machine) offerFields(o *offer) []Field {
	return []Field{{"roll_no", o.roll}, {"offer", o.name.String()}, {"kind", uint16(o.kind)}}
}

// void closes the open offer: no recipe of it was or will be used.
func (m *Machine) void(evidence string) {
	o := m.mem.open
	m.journal(record.Void{Roll: o.roll, Offer: o.name, Evidence: evidence})
	m.count("offers/void")
	m.tell(noteVoid, Info, "offer closed, nothing of it was used: "+evidence, m.offerFields(o)...)
	m.fail(o)
}

// fail delays the next offer for the same request.
func (m *Machine) fail(o *offer) {
	j := &m.job
	if j.token != o.token {
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
	o := m.mem.open
	m.journal(record.Verdict{Roll: o.roll, Offer: o.name, Verdict: v, Reason: reason, Settled: settled})
	m.count("offers/" + v.String())
	if settled {
		m.count("settled/" + v.String())
	}
	m.ses.pause = 0
	j := &m.job
	mine := j.token == o.token
	fields := append(m.offerFields(o), Field{"reason", reason})
	switch v {
	case handshake.Accepted:
		m.tell(noteAccepted, Info, fmt.Sprintf("roll %d: the controller accepted the recipe", o.roll), fields...)
		if !settled {
			m.cycleTime = m.now.Mono - j.since
			m.prev, m.prevSpec, m.hasPrev = m.fly.setpoints, m.fly.spec, true
			m.wrapping = wrapping{roll: o.roll, offer: o.name, line: m.line, measured: m.fly.measured, setpoints: m.fly.setpoints}
		}
		j.done = j.done || mine
	case handshake.HeldVerdict:
		// The roll now waits for the operator: a retry is a new request, raised
		// at the controller.
		m.tell(noteHeld, Warning, fmt.Sprintf("roll %d is held: %s", o.roll, heldFor(o.payload)), fields...)
		if mine {
			j.done, j.held = true, true
		}
	case handshake.Rejected:
		m.count("rejected/" + strconv.Itoa(int(reason)))
		if !mine || j.rejected != reason {
			m.tell(noteRejected, Warning, fmt.Sprintf("roll %d: the controller rejected the offer with reason %d", o.roll, reason), fields...)
		}
		if mine {
			j.rejected = reason
			m.fail(o)
			m.weigh(reason)
		}
	}
}

func heldFor(payload []uint16) string {
	var p handshake.Payload
	if err := handshake.DecodePayload(payload, &p); err != nil {
		return "reason not known"
	}
	return p.HoldReason.String()
}

// weigh decides what follows a rejection for the same request. A damaged or
// foreign payload, a late commit and a heartbeat not seen pass by themselves:
// a new offer is made after a pause that doubles up to its limit. A permissive
// may return: the new offer waits for it, for a while, and then the check
// holds the roll. Wrong roll data and a limit of the controller would fail the
// same way again: the roll is held, so that a person decides.
func (m *Machine) weigh(reason uint16) {
	j := &m.job
	switch {
	case reason == handshake.RejectDamaged, reason == handshake.RejectOtherOffer, reason == handshake.RejectTooLate, reason == handshake.RejectNotAlive:
	case reason >= handshake.RejectPermissive && reason < handshake.RejectPermissive+permissivesOfWord:
		j.permUntil = m.now.Mono + permissiveWait
	case reason == handshake.RejectWrongRoll:
		j.force(handshake.HoldImplausible, CodeRollData, "roll data", "12",
			"the controller's tag, diameter or width differ from what it published; measure the roll again")
	case reason >= handshake.RejectLimit:
		name := setpointAt(int(reason-handshake.RejectLimit) + handshake.FirstSetpoint)
		j.force(handshake.HoldInterlock, CodeControllerLimit, name, strconv.Itoa(int(reason)),
			"the controller's own limit on "+name+" was broken; compare it with the limits in the configuration")
	default:
		j.force(handshake.HoldConfigFault, CodeControllerOther, "offer", strconv.Itoa(int(reason)),
			"the controller gave a reason that the handshake does not know; check the program version of the controller")
	}
}

// setpointAt names the setpoint at a register of the payload.
func setpointAt(register int) string {
	for _, f := range handshake.Fields(handshake.PAYLOAD) {
		if register >= f.Register && register < f.Register+f.Words {
			return f.Name
		}
	}
	return "register " + strconv.Itoa(register) + " of the payload"
}

func (j *job) force(reason handshake.HoldReason, code recipe.Code, field, got, text string) {
	j.forced = &forced{reason, recipe.Finding{
		Code: code, Severity: recipe.Hold, Field: field, Got: got, Limit: "accepted", Text: text,
	}}
}
