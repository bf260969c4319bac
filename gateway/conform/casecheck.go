package conform

import (
	"slices"
	"time"

	"lapgate/gateway/handshake"
)

func checkCases() []testCase {
	return []testCase{
		{"check-damaged", "6.2", "check 1: a payload that is not whole, or not the one committed, in any prefix and any mixed half", false, checkDamaged},
		{"check-offer", "6.2", "check 2: session, BOOT_ID, REQ_ID, ROLL_NO and OFFER of the payload", false, checkOffer},
		{"check-roll", "6.2", "check 3: tag, diameter and width echoed", false, checkRoll},
		{"check-late", "6.2", "check 4: older than COMMIT_TTL, or from the future", false, checkLate},
		{"check-alive", "6.2", "check 5: the gateway's heartbeat is silent", false, checkAlive},
		{"check-order", "6.2", "the first check that fails gives the reason", false, checkOrder},
		{"check-hold", "6.2", "check 6: a hold is held, just in time", false, checkHold},
		{"check-hold-permissive", "6.2", "check 6: a hold is held with a permissive off, and requests go on", false, checkHoldPermissive},
	}
}

func checkDamaged(t *trial) {
	t.await()
	o := t.hold()
	o.payload[70] ^= 0x0400
	t.rejected(o, "a payload with a checksum that does not hold", handshake.RejectDamaged)
	o = t.hold()
	t.rejected(o.committing("payload_crc", int64(handshake.PayloadCRC(o.payload)^1)), "a payload that is another than committed", handshake.RejectDamaged)
	other := t.hold()
	for _, what := range []string{"a payload that was changed and sealed again", "the same once more"} {
		o = t.hold()
		changed := append([]uint16{}, o.payload...)
		changed[14] ^= 1
		o.payload = seal(changed)
		t.rejected(o, what, handshake.RejectDamaged)
	}
	for n := 1; n < handshake.PayloadWords && t.ok(); n++ {
		for half := range 2 {
			o = t.hold()
			parts := mixed(other.payload, o.payload, n)[half]
			if slices.Equal(parts, o.payload) {
				continue
			}
			o.payload = parts
			t.rejected(o, "a payload half old and half new", handshake.RejectDamaged)
		}
	}
	for _, field := range []string{"type", "layout"} {
		f := handshake.FieldOf(handshake.PAYLOAD, field)
		t.rejectedAnyhow(t.hold().flipping(f.Register), "a payload with another word of "+field)
	}
}

// rejectedAnyhow wants an offer rejected, for whatever reason.
func (t *trial) rejectedAnyhow(o offer, what string) {
	t.deliver(o)
	r := t.verdictOn(o, what)
	t.must(r.ResultVerdict == handshake.Rejected, "%s: %s, want it rejected", what, r.ResultVerdict)
}

func checkOffer(t *trial) {
	t.othersRejected(handshake.RejectOtherOffer, "epoch", "nonce", "boot_id", "req_id", "roll_no", "offer")
}

func checkRoll(t *trial) {
	t.othersRejected(handshake.RejectWrongRoll, "roll_tag", "diameter", "width")
}

// othersRejected wants holds rejected that have another word in a field.
func (t *trial) othersRejected(reason uint16, fields ...string) {
	t.await()
	for _, field := range fields {
		f := handshake.FieldOf(handshake.PAYLOAD, field)
		for register := f.Register; register < f.Register+f.Words; register++ {
			t.rejected(t.hold().flipping(register), "a payload with another "+field, reason)
		}
	}
}

// ticksOf is a time in the controller's ticks of 10 ms.
func ticksOf(d time.Duration) int64 { return int64(d / (10 * time.Millisecond)) }

// late is a commit that was made so long before the look.
func (t *trial) late(o offer, age time.Duration) offer {
	return o.committing("tick", int64(t.last.Tick-uint32(ticksOf(age))))
}

func checkLate(t *trial) {
	t.await()
	t.rejected(t.late(t.hold(), t.CommitTTL+10*time.Millisecond), "an offer one tick older than COMMIT_TTL", handshake.RejectTooLate)
	t.rejected(t.late(t.hold(), 10*t.CommitTTL), "an offer much older than COMMIT_TTL", handshake.RejectTooLate)
	t.rejected(t.hold().committing("tick", int64(t.last.Tick+1<<31)), "an offer of half the clock's range", handshake.RejectTooLate)
	t.rejected(t.hold().committing("tick", int64(t.last.Tick+uint32(ticksOf(time.Minute)))), "an offer from the future", handshake.RejectTooLate)
}

func checkAlive(t *trial) {
	t.await()
	t.stopBeating()
	t.rejected(t.hold(), "a hold while the heartbeat is silent", handshake.RejectNotAlive)
	t.silent = false
}

// checkOrder breaks two checks at once.
func checkOrder(t *trial) {
	t.await()
	tag := handshake.FieldOf(handshake.PAYLOAD, "roll_tag")
	roll := handshake.FieldOf(handshake.PAYLOAD, "roll_no")
	o := t.hold().flipping(roll.Register + 1)
	o.payload[78] ^= 1
	t.rejected(o, "a payload that is damaged and for another roll", handshake.RejectDamaged)
	t.rejected(t.hold().flipping(tag.Register).flipping(roll.Register+1), "a payload for another roll with another tag", handshake.RejectOtherOffer)
	t.rejected(t.late(t.hold().flipping(tag.Register), 2*t.CommitTTL), "a payload with another tag that is late", handshake.RejectWrongRoll)
	t.stopBeating()
	t.rejected(t.late(t.hold(), 2*t.CommitTTL), "an offer that is late while the heartbeat is silent", handshake.RejectTooLate)
	t.silent = false
}

func checkHold(t *trial) {
	t.await()
	t.judged(t.late(t.hold(), t.CommitTTL/2), "a hold at half of COMMIT_TTL", handshake.HeldVerdict)
	before := t.look()
	t.unchanged(&before, "a hold that was taken")
	t.ignored(t.hold(), "COMMIT in phase held")
}

func checkHoldPermissive(t *trial) {
	t.await()
	t.permissiveOff()
	t.judged(t.hold(), "a hold with a permissive off", handshake.HeldVerdict)
	before := t.look()
	t.act(actRetry)
	t.again(&before, "retry with a permissive off")
	t.act(actPermitOn)
}
