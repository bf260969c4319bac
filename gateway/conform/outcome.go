package conform

import (
	"slices"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
)

// outcome reads an entry of the ring into the journal of the proof.
func (t *trial) outcome(n uint32) (o handshake.Outcome) {
	entry := int(n % handshake.OutEntries)
	var words []uint16
	for began := time.Now(); t.err == nil; t.pause() {
		words = t.read(handshake.OUT, entry)
		if words != nil && handshake.DecodeOutcome(words, &o) == nil && o.Index == n {
			break
		}
		if time.Since(began) > t.Reaction {
			t.readOther = &Frame{handshake.OUT.String(), "read", words}
			t.fail("outcome %d does not stand in entry %d of OUT", n, entry)
		}
	}
	if t.err == nil {
		t.readOther = &Frame{handshake.OUT.String(), "read", words}
		t.err = t.out.Journal(t.ctx, record.Outcome{Outcome: o, Words: slices.Clone(words)})
		t.journaled = n
	}
	return o
}

// newOutcome wants one more outcome than before, of the roll that was there.
func (t *trial) newOutcome(before *handshake.Request, kind handshake.OutcomeKind, what string) handshake.Outcome {
	r := t.until(t.ActLimit, "an outcome after "+what, func(r *handshake.Request) bool { return r.Produced == before.Produced+1 })
	o := t.outcome(r.Produced)
	if t.err != nil {
		return o
	}
	t.must(o.Outcome == kind, "%s: outcome %s, want %s", what, o.Outcome, kind)
	t.must(o.RollNo == before.RollNo, "%s: outcome of roll %d, want roll %d", what, o.RollNo, before.RollNo)
	t.must(r.Phase == handshake.Empty, "%s: phase %s, want %s", what, r.Phase, handshake.Empty)
	return o
}

// unnamed wants a new outcome that names no recipe, and the newest token of its roll.
func (t *trial) unnamed(before *handshake.Request, kind handshake.OutcomeKind, what string) {
	o, token := t.newOutcome(before, kind, what), before.Token()
	t.must(o.Session == handshake.Session{} && o.Offer == 0 && o.PayloadCRC == 0,
		"%s: the outcome names session %d, offer %d, payload %08X, although no recipe was accepted", what, o.Session.Epoch, o.Offer, o.PayloadCRC)
	t.must(o.Boot == token.Boot && o.Req == token.Req, "%s: the outcome names request %d of start %d, want %d of %d", what, o.Req, o.Boot, token.Req, token.Boot)
}

// named wants a new outcome that names the recipe that was accepted.
func (t *trial) named(before *handshake.Request, kind handshake.OutcomeKind, accepted offer, what string) {
	o := t.newOutcome(before, kind, what)
	var p handshake.Payload
	if t.err != nil || handshake.DecodePayload(accepted.payload, &p) != nil {
		return
	}
	t.must(o.Session == p.Session && o.Offer == p.Offer && o.PayloadCRC == handshake.PayloadCRC(accepted.payload),
		"%s: the outcome names session %d, offer %d, payload %08X; accepted was session %d, offer %d, payload %08X",
		what, o.Session.Epoch, o.Offer, o.PayloadCRC, p.Session.Epoch, p.Offer, handshake.PayloadCRC(accepted.payload))
	t.must(o.Boot == p.Boot && o.Req == p.Req, "%s: the outcome names request %d of start %d; accepted was %d of %d", what, o.Req, o.Boot, p.Req, p.Boot)
}
