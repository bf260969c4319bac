package journal

import (
	"fmt"
	"maps"
	"slices"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
)

// order follows the records of one line and tells where they contradict the
// handshake: what must be durable before what, and what may happen once.
//
// After a record that cannot be read part of the past is unknown. Nothing is
// then reported that the unknown part could explain.
type order struct {
	session  handshake.Session
	boot     uint32
	known    bool // session and boot are known
	lost     bool // records before are not known
	request  handshake.Token
	last     uint16 // offer of the session
	offers   map[record.OfferName]*offer
	closed   map[record.OfferName]string // not used: void, rejected
	accepted map[rollKey]bool
	index    uint32 // of the last outcome, 0 not known
	roll     uint32 // of the last outcome, 0 not known

	contradictions []string // of the controller, by the newest record
}

type rollKey struct{ boot, roll uint32 }

type offer struct {
	roll      uint32
	boot      uint32
	hold      bool
	committed bool
}

// forget drops what the records so far told, after one that cannot be read.
func (o *order) forget() {
	o.lost, o.known = true, false
	o.index, o.roll = 0, 0
	o.request = handshake.Token{}
	o.offers = nil
}

// stillOpen returns the offers without an end, oldest session first.
func (o *order) stillOpen() []record.OfferName {
	return slices.SortedFunc(maps.Keys(o.offers), func(a, b record.OfferName) int {
		for _, d := range []int64{
			int64(a.Session.Epoch) - int64(b.Session.Epoch),
			int64(a.Session.Nonce) - int64(b.Session.Nonce),
			int64(a.Offer) - int64(b.Offer),
		} {
			if d != 0 {
				return int(d / max(d, -d))
			}
		}
		return 0
	})
}

func name(n record.OfferName) string {
	return fmt.Sprintf("offer %d of session %d/%08X", n.Offer, n.Session.Epoch, n.Session.Nonce)
}

// contradict says that the controller told something else before.
func (o *order) contradict(format string, args ...any) {
	o.contradictions = append(o.contradictions, fmt.Sprintf(format, args...))
}

// add takes the next record and returns what is wrong with it. What the
// controller said and contradicts itself is in contradictions.
func (o *order) add(r record.Record) []string {
	var out []string
	o.contradictions = nil
	say := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	switch r := r.(type) {
	case record.Session:
		o.addSession(r, say)
	case record.Request:
		o.request = r.Token
	case record.Intent:
		o.addIntent(r, say)
	case record.Commit:
		if f := o.find(r.Offer, "commit", say); f != nil {
			o.sameRoll(r.Offer, f, r.Roll, say)
			if r.Offer.Session != o.session && (o.known || !o.lost) {
				say("%s is committed under session %d/%08X", name(r.Offer), o.session.Epoch, o.session.Nonce)
			}
			f.committed = true
		}
	case record.Verdict:
		o.addVerdict(r, say)
	case record.Void:
		if f := o.find(r.Offer, "void", say); f != nil {
			o.sameRoll(r.Offer, f, r.Roll, say)
		}
		o.end(r.Offer, "void")
	case record.Outcome:
		o.addOutcome(r, say)
	case record.Gap:
		o.addGap(r, say)
	}
	return out
}

func (o *order) addSession(r record.Session, say func(string, ...any)) {
	if r.Session.Epoch == 0 || r.Session.Nonce == 0 {
		say("session %d/%08X has an epoch or nonce of zero", r.Session.Epoch, r.Session.Nonce)
	}
	if r.Session.Epoch != 0 && r.Session.Epoch <= o.session.Epoch {
		say("epoch %d does not exceed epoch %d before it", r.Session.Epoch, o.session.Epoch)
	}
	o.session, o.boot, o.known, o.last = r.Session, r.Boot, true, 0
}

func (o *order) addIntent(r record.Intent, say func(string, ...any)) {
	switch {
	case o.lost && !o.known:
	case r.Offer.Session != o.session:
		say("%s is not of the session in force, %d/%08X", name(r.Offer), o.session.Epoch, o.session.Nonce)
	case r.Offer.Offer <= o.last:
		say("%s does not exceed offer %d before it", name(r.Offer), o.last)
	case r.Token.Boot != o.boot:
		say("%s is for boot %d, its session for boot %d", name(r.Offer), r.Token.Boot, o.boot)
	}
	if r.Token != o.request && (o.request != handshake.Token{} || !o.lost) {
		say("%s is for request %d/%d, the newest REQUEST is %d/%d",
			name(r.Offer), r.Token.Boot, r.Token.Req, o.request.Boot, o.request.Req)
	}
	for _, n := range o.stillOpen() {
		say("%s begins while %s has no end", name(r.Offer), name(n))
	}
	var p handshake.Payload
	if err := handshake.DecodeStoredPayload(r.Payload, &p); err != nil {
		say("%s: its payload cannot be read: %v", name(r.Offer), err)
	} else if p.Session != r.Offer.Session || p.Offer != r.Offer.Offer || p.Boot != r.Token.Boot ||
		p.Req != r.Token.Req || p.RollNo != r.Roll || p.Kind != r.Form {
		say("%s: its payload is of another offer, request, roll or kind", name(r.Offer))
	}
	o.last = r.Offer.Offer
	if o.offers == nil {
		o.offers = map[record.OfferName]*offer{}
	}
	o.offers[r.Offer] = &offer{roll: r.Roll, boot: r.Token.Boot, hold: r.Form == handshake.KindHold}
}

// find returns the open offer, or says that there is none.
func (o *order) find(n record.OfferName, what string, say func(string, ...any)) *offer {
	f := o.offers[n]
	if f == nil && !o.lost {
		how := "has no INTENT"
		if end, ok := o.closed[n]; ok {
			how = "has ended as " + end
		} else if n.Session == o.session && n.Offer <= o.last {
			how = "has ended"
		}
		say("%s of %s, which %s", what, name(n), how)
	}
	return f
}

func (o *order) sameRoll(n record.OfferName, f *offer, roll uint32, say func(string, ...any)) {
	if f.roll != roll {
		say("%s is for roll %d, this says roll %d", name(n), f.roll, roll)
	}
}

func (o *order) end(n record.OfferName, how string) {
	delete(o.offers, n)
	if how == "" {
		return
	}
	if o.closed == nil {
		o.closed = map[record.OfferName]string{}
	}
	o.closed[n] = how
}

func (o *order) addVerdict(r record.Verdict, say func(string, ...any)) {
	f := o.find(r.Offer, "verdict", say)
	how := ""
	switch r.Verdict {
	case handshake.Accepted:
	case handshake.Rejected:
		how = "rejected"
	case handshake.HeldVerdict:
		how = "held"
	default:
		say("%s on %s is none of accepted, rejected and held", r.Verdict, name(r.Offer))
	}
	defer o.end(r.Offer, how)
	if f == nil {
		return
	}
	o.sameRoll(r.Offer, f, r.Roll, say)
	if !f.committed {
		say("verdict of %s, which has no COMMIT: it was never made durable, or is lost, as in a journal from a backup", name(r.Offer))
	}
	if f.hold && r.Verdict == handshake.Accepted || !f.hold && r.Verdict == handshake.HeldVerdict {
		say("the verdict %s does not fit the kind of %s", r.Verdict, name(r.Offer))
	}
	if r.Verdict != handshake.Accepted {
		return
	}
	key := rollKey{f.boot, f.roll}
	if o.accepted[key] {
		say("roll %d of boot %d is accepted twice", f.roll, f.boot)
	}
	if o.accepted == nil {
		o.accepted = map[rollKey]bool{}
	}
	o.accepted[key] = true
}

func (o *order) addOutcome(r record.Outcome, say func(string, ...any)) {
	x := r.Outcome
	switch {
	case o.index == 0:
	case x.Index <= o.index:
		say("outcome %d comes after outcome %d", x.Index, o.index)
	case x.Index > o.index+1:
		say("outcomes %d to %d are missing, and no GAP says so", o.index+1, x.Index-1)
	}
	if o.roll != 0 && x.RollNo <= o.roll {
		told := say
		if x.Index > o.index { // another outcome, so the controller's number went back
			told = o.contradict
		}
		told("outcome of roll %d comes after that of roll %d", x.RollNo, o.roll)
	}
	o.index, o.roll = x.Index, x.RollNo
	n := record.OfferName{Session: x.Session, Offer: x.Offer}
	end, ended := o.closed[n]
	switch {
	case ended && r.Contradicts == end:
		o.contradict("outcome %d says that %s was used, which ended as %s", x.Index, name(n), end)
	case ended && r.Contradicts == "":
		say("outcome %d says that %s was used, which ended as %s, and was not told so when it was recorded", x.Index, name(n), end)
	case r.Contradicts != "" && !o.lost:
		say("outcome %d is recorded as contradicting %s, which is said to have ended as %s", x.Index, name(n), r.Contradicts)
	}
	var back handshake.Outcome
	if err := handshake.DecodeStoredOutcome(r.Words, &back); err != nil {
		say("outcome %d: its registers cannot be read: %v", x.Index, err)
	} else if back != x {
		say("outcome %d: its registers say something else", x.Index)
	}
}

func (o *order) addGap(r record.Gap, say func(string, ...any)) {
	if r.Closed != nil {
		o.find(*r.Closed, "gap", say)
		delete(o.offers, *r.Closed)
	}
	if r.Boot != 0 {
		// The controller lost its memory and counts from the start again.
		o.index, o.roll = 0, 0
		return
	}
	if r.ToIndex == 0 {
		return
	}
	if o.index != 0 && r.FromIndex > o.index+1 {
		say("outcomes %d to %d are missing, and no GAP says so", o.index+1, r.FromIndex-1)
	}
	o.index = max(o.index, r.ToIndex)
}
