package cycle

import (
	"fmt"
	"slices"
	"strconv"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/caution"
	"lapgate/recipe/check"
	"lapgate/recipe/wording"
)

// Codes of the findings that arise on the way to the controller.
const (
	CodeDoesNotFit      recipe.Code = "setpoint-does-not-fit"
	CodePermissives     recipe.Code = "permissives-not-all-on"
	CodeMeasurement     recipe.Code = "measurement-not-valid"
	CodeTag             recipe.Code = "roll-tag-bytes"
	CodeRollData        recipe.Code = "controller-roll-data"
	CodeControllerLimit recipe.Code = "controller-limit"
	CodeControllerOther recipe.Code = "controller-rejects"
)

// Codes returns the codes of the findings that this package adds to those of
// the checks. None of them can be overridden.
func Codes() []check.CodeInfo {
	return []check.CodeInfo{
		{Code: CodeDoesNotFit, Severity: recipe.Hold, Reason: uint16(handshake.HoldConfigFault)},
		{Code: CodePermissives, Severity: recipe.Hold, Reason: uint16(handshake.HoldPermissive)},
		{Code: CodeMeasurement, Severity: recipe.Hold, Reason: uint16(handshake.HoldMeasurement)},
		{Code: CodeTag, Severity: recipe.Hold, Reason: uint16(handshake.HoldTag)},
		{Code: CodeRollData, Severity: recipe.Hold, Reason: uint16(handshake.HoldImplausible)},
		{Code: CodeControllerLimit, Severity: recipe.Hold, Reason: uint16(handshake.HoldInterlock)},
		{Code: CodeControllerOther, Severity: recipe.Hold, Reason: uint16(handshake.HoldConfigFault)},
	}
}

// Decision is what is to be offered for a request: a recipe, or a hold with
// its reason.
type Decision struct {
	// Payload is what is offered, but for the session and number of the offer
	// and the hash of the configuration, which whoever offers it gives.
	Payload   handshake.Payload
	Setpoints recipe.Setpoints // behind the payload; of a hold, as far as they could be computed
	OverhangU float64          // standard uncertainty of the overhang, m
	Findings  []recipe.Finding
	Risk      recipe.Risk // chances alone; none of an override
	// Override tells what became of the override, and is nil without one. It
	// is refused when Refused holds anything: then the decision is the one that
	// was to be made without it.
	Override *record.Override
}

// Held reports whether the roll is to be held.
func (d *Decision) Held() bool { return d.Payload.Kind == handshake.KindHold }

// Words returns the payload as it goes over the wire.
func (d *Decision) Words() ([]uint16, error) {
	words := make([]uint16, handshake.PayloadWords)
	if err := d.Payload.Encode(words); err != nil {
		return nil, fmt.Errorf("encode block PAYLOAD: %w", err)
	}
	return words, nil
}

// Decide returns what is to be offered on a line for a request. It rests on
// its arguments alone: what stands in the journal is enough to decide again.
// override is a named person's choice of setpoints for this request, or nil.
// A request without flags is decided as if none were set.
func Decide(line *recipe.Line, r *record.Request, b *record.Basis, override *record.Override) Decision {
	line = b.Acts.Line(line)
	c := deciding{line: line, request: r, basis: b}
	c.roll, c.stand = r.Measurement()
	c.stand.PlatenRate = b.PlatenRate
	recipe.Compute(line, &c.roll, &c.stand, &c.rec)
	if override == nil {
		return c.computed()
	}
	computed := c.rec.Setpoints
	told := *override
	told.Old, told.Refused = c.change(override.New)
	findings := c.check()
	for i := range findings {
		if c.stands(&findings[i]) {
			told.Refused = append(told.Refused, findings[i])
		}
	}
	d := c.decision(handshake.NoHold, findings)
	d.Payload.Origin = handshake.Override
	d.Risk = recipe.Risk{} // of the computed recipe, not of this
	d.Payload.OverrideReason, d.Payload.Operator = override.Reason, override.Operator
	told.Refused = append(told.Refused, Fill(&d.Payload, &c.rec.Setpoints)...)
	if len(told.Refused) > 0 {
		c.rec.Setpoints = computed
		d = c.computed()
	}
	d.Override = &told
	return d
}

// deciding is one decision under way.
type deciding struct {
	line    *recipe.Line
	request *record.Request
	basis   *record.Basis
	roll    recipe.Roll
	stand   recipe.Stand
	rec     recipe.Recipe
}

// computed decides on the recipe as it was computed.
func (c *deciding) computed() Decision {
	findings := c.check()
	reason := holdReason(findings)
	if f, forced := forcedHold(c.basis.Rejections); forced {
		findings = append(findings, f)
		reason = HoldReason(f.Code)
	}
	d := c.decision(reason, findings)
	if reason != handshake.NoHold {
		return d
	}
	if bad := Fill(&d.Payload, &c.rec.Setpoints); len(bad) > 0 {
		return c.decision(handshake.HoldConfigFault, append(findings, bad...))
	}
	return d
}

// decision is a hold for a reason, or without one the frame of a recipe.
func (c *deciding) decision(reason handshake.HoldReason, findings []recipe.Finding) Decision {
	r := c.request
	d := Decision{Setpoints: c.rec.Setpoints, OverhangU: c.rec.Uncertainty.Overhang, Findings: findings, Payload: handshake.Payload{
		Boot: r.Token.Boot, Req: r.Token.Req, RollNo: r.Roll,
		Kind: handshake.KindRecipe, Origin: handshake.Computed,
		Tag: r.Tag(), Diameter: r.Diameter, Width: r.Width,
	}}
	for k, chance := range c.rec.Risk {
		d.Risk[k] = recipe.Chance{Known: chance.Known, P: chance.P}
	}
	if reason != handshake.NoHold {
		d.Payload.Kind, d.Payload.HoldReason = handshake.KindHold, reason
	}
	return d
}

// check judges the recipe at hand. What the controller says of permissives
// and dimensions holds beside the checks, so that nothing is offered that the
// look before the commit would refuse.
func (c *deciding) check() []recipe.Finding {
	r := c.request
	ctx := check.Context{LastRoll: c.basis.Finished, Duplicate: r.Roll <= c.basis.Finished, HoldAll: c.basis.HoldAll}
	ctx.Prev, ctx.PrevSpec = previous(c.line, c.basis.Previous)
	for i := range c.basis.Confirms {
		ctx.Confirmed = append(ctx.Confirmed, check.Confirmation{Code: c.basis.Confirms[i].Finding, By: c.basis.Confirms[i].By})
	}
	found := check.Run(c.line, &c.roll, &c.stand, &c.rec, &ctx, nil)
	if r.TagHex != "" && r.Tag().Strange() { // before what is missing only because nothing is known by such a tag
		found = slices.Insert(found, 0, recipe.Finding{Code: CodeTag, Severity: recipe.Hold, Field: "tag",
			Got: r.Measured.Tag, Limit: "printable ASCII"}.Saying(wording.Say("finding.roll-tag-bytes")))
	}
	var flags handshake.Flags
	if r.Flags != nil {
		flags = *r.Flags
	}
	if !permitted(c.line, flags, r.Permissives) && !holdsFor(found, handshake.HoldPermissive) {
		found = append(found, recipe.Finding{Code: CodePermissives, Severity: recipe.Hold, Field: "permissives",
			Got: fmt.Sprintf("0x%X", r.Permissives), Limit: "all on"}.Saying(wording.Say("finding.permissives-not-all-on", "caution", caution.ReachIn.Said())))
	}
	if !measured(c.line, flags, &c.roll) && !holdsFor(found, handshake.HoldMeasurement) {
		found = append(found, recipe.Finding{Code: CodeMeasurement, Severity: recipe.Hold, Field: "scan",
			Got: "dimensions not valid", Limit: "valid"}.Saying(wording.Say("finding.measurement-not-valid")))
	}
	return found
}

// previous returns the setpoints that the controller accepted for the roll
// before, and its specification, or nil without one. What the payload does not
// carry is computed again by the line in force. Without a payload all of it is,
// as that line would have offered it.
func previous(line *recipe.Line, o *record.Offer) (*recipe.Setpoints, string) {
	if o == nil || o.Request == nil {
		return nil, ""
	}
	roll, stand := o.Request.Measurement()
	var rec recipe.Recipe
	recipe.Compute(line, &roll, &stand, &rec)
	var p handshake.Payload
	if o.Payload == nil {
		Fill(&p, &rec.Setpoints)
	} else if err := handshake.DecodeStoredPayload(o.Payload, &p); err != nil {
		return nil, ""
	}
	s := record.SetpointsOf(&p)
	s.WrapTime = rec.Setpoints.WrapTime
	_, spec := line.SpecOf(&roll)
	return &s, spec
}

// permitted reports whether a recipe may be accepted, as far as the
// permissives go.
func permitted(line *recipe.Line, flags handshake.Flags, permissives uint32) bool {
	return flags&handshake.AllPermissives != 0 && permissives&line.Limits.Permissives == line.Limits.Permissives
}

// measured reports whether the measurement may be used. It is apart from the
// validity of the block: a poor scan is a reason to hold the roll, with a
// reason that people see, and not to be silent.
func measured(line *recipe.Line, flags handshake.Flags, roll *recipe.Roll) bool {
	return flags&handshake.DimensionsValid != 0 && roll.Quality >= line.Limits.MinQuality && roll.Age <= line.Limits.MaxScanAge
}

func holdsFor(findings []recipe.Finding, reason handshake.HoldReason) bool {
	return slices.ContainsFunc(findings, func(f recipe.Finding) bool {
		return f.Severity == recipe.Hold && HoldReason(f.Code) == reason
	})
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

// RemedyOf is what a person does about a code that holds a roll, whether it is of
// the checks or of this package. ok is false for any other code.
func RemedyOf(code recipe.Code) (r check.Remedy, ok bool) {
	if !slices.ContainsFunc(Codes(), func(i check.CodeInfo) bool { return i.Code == code }) {
		return check.RemedyOf(code)
	}
	r.Do = wording.Say("do." + string(code))
	if code == CodePermissives {
		r.Caution = caution.ReachIn.Said()
	}
	return r, true
}

// Holding is why a roll is held and what is to be done about it, as a person reads
// it.
type Holding struct {
	Code    recipe.Code  // empty where nothing but the reason on the wire is known
	Meaning wording.Said // in a few words
	Text    wording.Said // with the numbers
	Where   string       // the limit stands in the configuration
	check.Remedy
}

// HoldingOf tells of the first finding that holds a roll. line and request make the
// remedy name the slot and the width; both may be nil. reason is what the wire tells,
// for a hold without findings.
func HoldingOf(line *recipe.Line, request *record.Request, reason handshake.HoldReason, findings []recipe.Finding) Holding {
	for i := range findings {
		f := &findings[i]
		if f.Severity != recipe.Hold {
			continue
		}
		h := Holding{Code: f.Code, Meaning: check.Meaning(f.Code), Text: f.Told(), Where: f.Where}
		h.Remedy, _ = RemedyOf(f.Code)
		if line != nil && request != nil {
			roll, stand := request.Measurement()
			if r, ok := check.RemedyFor(line, &roll, &stand, f.Code); ok {
				h.Remedy = r
			}
		}
		return h
	}
	return Holding{
		Meaning: reason.Said(), Text: wording.Say("held.reason", "reason", reason.Said()),
		Remedy: check.Remedy{Do: wording.Say("held.do")},
	}
}

// remedy is what follows a rejection for the same request.
type remedy uint8

const (
	offerAgain     remedy = iota // after a pause: what was wrong passes by itself
	waitPermissive               // for a while, then the permissive holds the roll
	holdRoll                     // it would fail the same way again, so a person decides
)

// permissivesOfWord is how many permissives the controller can name.
const permissivesOfWord = 32

// remedyOf tells what follows a reason of the controller for a rejection. A
// damaged or foreign payload, a late commit and a heartbeat not seen pass by
// themselves. A permissive may return. Wrong roll data, a limit of the
// controller, and a reason that the handshake does not know come again.
func remedyOf(reason uint16) remedy {
	switch {
	case reason == handshake.RejectDamaged, reason == handshake.RejectOtherOffer, reason == handshake.RejectTooLate, reason == handshake.RejectNotAlive:
		return offerAgain
	case reason >= handshake.RejectPermissive && reason < handshake.RejectPermissive+permissivesOfWord:
		return waitPermissive
	}
	return holdRoll
}

// RejectRemedy is what a person does about a reason of the controller for a
// rejection.
func RejectRemedy(reason uint16) wording.Said {
	switch {
	case remedyOf(reason) == waitPermissive:
		return wording.Say("rejected.permissive", "caution", caution.ReachIn.Said())
	case reason == handshake.RejectNotAlive:
		return wording.Say("rejected.not-alive")
	case remedyOf(reason) == offerAgain:
		return wording.Say("rejected.again")
	case reason == handshake.RejectWrongRoll:
		return wording.Say("rejected.roll")
	case reason >= handshake.RejectLimit:
		return wording.Say("rejected.limit")
	}
	return wording.Say("rejected.unknown")
}

// forcedHold returns the finding that holds a roll because of the newest
// rejection that would come again.
func forcedHold(rejections []uint16) (f recipe.Finding, forced bool) {
	for _, reason := range slices.Backward(rejections) {
		if remedyOf(reason) != holdRoll {
			continue
		}
		f = recipe.Finding{Severity: recipe.Hold, Got: strconv.Itoa(int(reason)), Limit: "accepted"}
		switch {
		case reason == handshake.RejectWrongRoll:
			f.Code, f.Field = CodeRollData, "roll data"
			f = f.Saying(wording.Say("finding.controller-roll-data"))
		case reason >= handshake.RejectLimit:
			f.Code, f.Field = CodeControllerLimit, handshake.SetpointAt(int(reason-handshake.RejectLimit)+handshake.FirstSetpoint)
			f = f.Saying(wording.Say("finding.controller-limit", "setpoint", f.Field))
		default:
			f.Code, f.Field = CodeControllerOther, "offer"
			f = f.Saying(wording.Say("finding.controller-rejects"))
		}
		return f, true
	}
	return recipe.Finding{}, false
}

// RequestOf is the request of a roll that no controller asks for, with all
// that a controller would have to allow allowed. A roll without a number gets
// the first one: 0 would be one that has been at the station before.
func RequestOf(roll recipe.Roll, stand recipe.Stand) record.Request {
	flags := handshake.AllPermissives | handshake.DimensionsValid
	r := record.Request{Roll: max(roll.Number, 1), Permissives: stand.Permissives, Flags: &flags}
	r.SetMeasurement(roll, stand)
	return r
}
