package conform

import (
	"slices"
	"time"

	"lapgate/gateway/handshake"
)

func commitCases() []testCase {
	return []testCase{
		{"commit-damaged", "6.2", "COMMIT that is not whole is not judged, in any prefix and any mixed half", false, commitDamaged},
		{"commit-session", "6.2", "COMMIT of another session is not judged", false, commitSession},
		{"commit-request", "6.2", "COMMIT for another request is not judged", false, commitRequest},
		{"commit-offer", "6.2", "COMMIT with an offer under the last, or 0, is not judged", false, commitOffer},
		{"commit-repeated", "6.2", "the same COMMIT again changes nothing and is not counted", false, commitRepeated},
		{"commit-superseded", "5", "COMMIT of a session that HELLO has just ended is not judged", false, commitSuperseded},
	}
}

// raceCases look closely at what happens between two looks. Each hold that is taken
// wants an act.
func raceCases() []testCase {
	return []testCase{
		{"copy-dropped", "5", "a copy that is being judged is dropped when HELLO is adopted", false, copyDropped},
		{"one-publication", "4.1", "phase, result and last OFFER change in one publication", false, onePublication},
	}
}

// commitDamaged mixes the words of the commit that was judged with those of the next.
func commitDamaged(t *trial) {
	t.await()
	old := t.rejectedHold()
	next := t.hold()
	before := t.look()
	t.send(handshake.PAYLOAD, next.payload)
	for n := 1; n < handshake.CommitWords && t.ok(); n++ {
		for _, m := range mixed(old.commit, next.commit, n) {
			if slices.Equal(m, old.commit) || slices.Equal(m, next.commit) {
				continue
			}
			t.send(handshake.COMMIT, m)
			t.keeps(&before, 5*t.Publication/2, "COMMIT half old and half new")
		}
	}
	next.commit[5] ^= 1
	t.send(handshake.COMMIT, next.commit)
	t.unchanged(&before, "COMMIT with a checksum that does not hold")
	next.commit[5] ^= 1
	next.commit[0]++
	t.send(handshake.COMMIT, seal(next.commit))
	t.unchanged(&before, "COMMIT with another type word")
	t.must(t.last.StaleCommits > before.StaleCommits, "commits that are not whole are not counted as stale")
}

// spent is an offer that is to be rejected.
func (t *trial) spent() offer {
	return t.hold().flipping(handshake.FieldOf(handshake.PAYLOAD, "roll_no").Register + 1)
}

// rejectedHold has an offer judged that leaves the roll waiting.
func (t *trial) rejectedHold() offer {
	o := t.spent()
	t.rejected(o, "a hold for another roll", handshake.RejectOtherOffer)
	return o
}

// mixed are two blocks that are half old and half new, cut before a register.
func mixed(old, next []uint16, n int) [][]uint16 {
	return [][]uint16{slices.Concat(next[:n], old[n:]), slices.Concat(old[:n], next[n:])}
}

func commitSession(t *trial) {
	t.await()
	t.ignored(t.hold().committing("epoch", int64(t.session.Epoch)+1), "COMMIT with another epoch")
	t.ignored(t.hold().committing("nonce", int64(t.session.Nonce^1)), "COMMIT with another nonce")
}

func commitRequest(t *trial) {
	t.await()
	t.ignored(t.hold().committing("req_id", int64(t.last.Req)+1), "COMMIT for the next request")
	t.ignored(t.hold().committing("req_id", int64(t.last.Req)-1), "COMMIT for the request before")
}

func commitOffer(t *trial) {
	t.await()
	first := t.rejectedHold()
	t.rejectedHold()
	under := t.hold()
	t.ignored(under.setting("offer", int64(first.name)).committing("offer", int64(first.name)), "COMMIT with an offer under the last")
	zero := t.hold()
	t.ignored(zero.setting("offer", 0).committing("offer", 0), "COMMIT with offer 0")
}

// rejectedOnce has an offer rejected that would pass the second time.
func (t *trial) rejectedOnce() offer {
	good := t.hold()
	bad := append([]uint16{}, good.payload...)
	bad[40] ^= 1
	t.send(handshake.PAYLOAD, bad)
	before := t.last
	t.send(handshake.COMMIT, good.commit)
	t.answered(good, &before, "a payload that is damaged", handshake.Rejected, handshake.RejectDamaged)
	t.send(handshake.PAYLOAD, good.payload)
	return good
}

func commitRepeated(t *trial) {
	t.await()
	good := t.rejectedOnce()
	seen := t.look()
	t.send(handshake.COMMIT, good.commit)
	t.unchanged(&seen, "the same COMMIT again")
	t.must(t.last.StaleCommits == seen.StaleCommits, "the same COMMIT again is counted as stale")
	// The same offer with other bytes is the same offer.
	t.send(handshake.COMMIT, good.committing("tick", int64(t.last.Tick)).commit)
	t.unchanged(&seen, "COMMIT with the offer handled last")
	t.must(t.last.StaleCommits == seen.StaleCommits, "COMMIT with the offer handled last is counted as stale")
}

// commitSuperseded writes HELLO and then a commit of the session before it, so that
// whether they come in one scan or two, the session is over.
func commitSuperseded(t *trial) {
	for range 5 {
		t.await()
		o := t.hold()
		before := t.look()
		t.send(handshake.PAYLOAD, o.payload)
		t.offerSession(before.Floor + 1)
		t.send(handshake.COMMIT, o.commit)
		t.always(t.settle(), "COMMIT of the session before HELLO is judged", func(r *handshake.Request) bool {
			return r.ResultOffer != o.name || r.ResultSession != before.Active
		})
		t.adopted()
	}
}

// copyDropped writes HELLO shortly after a commit, at more and more distance. The
// hold of the session before is in time when it was taken while that session was in
// force: then a publication of its own has told it, since the phase changed.
func copyDropped(t *trial) {
	for n := range 12 {
		t.await()
		o := t.hold()
		before := t.look()
		t.send(handshake.PAYLOAD, o.payload)
		t.send(handshake.COMMIT, o.commit)
		if n > 0 && t.ok() {
			t.sleep(time.Duration(n) * 7 * time.Millisecond)
		}
		t.offerSession(before.Floor + 1)
		for began, last := time.Now(), before; t.ok() && time.Since(began) < t.settle(); t.sleep(time.Millisecond) {
			r := t.look()
			judged, adopted := r.ResultSession == before.Active && r.ResultOffer == o.name, r.Active == t.session
			t.must(!judged || last.Active != t.session, "an offer of the session before was judged after HELLO was adopted")
			t.must(!judged || !adopted || r.GenHead != last.GenHead+1 && r.ResultVerdict == handshake.HeldVerdict,
				"an offer of the session before was judged (%s) when HELLO was adopted", handshake.VerdictText(r.ResultVerdict, r.ResultReason))
			if judged {
				break // in time
			}
			last = r
		}
		// A session of the next round before this one is adopted would be another
		// stranger under the same epoch.
		t.adopted()
	}
}

// onePublication looks at as many publications as it can while offers are judged.
func onePublication(t *trial) {
	for n := range 6 {
		t.await()
		o := t.spent()
		if n%2 == 1 {
			o = t.hold()
		}
		before := t.look()
		t.deliver(o)
		for began := time.Now(); t.ok() && time.Since(began) < t.settle(); t.sleep(time.Millisecond) {
			r := t.look()
			named := r.ResultSession == t.session && r.ResultOffer == o.name
			t.must(named == (r.LastOffer == o.name), "last OFFER is %d while the result names offer %d", r.LastOffer, r.ResultOffer)
			t.must(!named || r.ResultVerdict >= handshake.Accepted && r.ResultVerdict <= handshake.HeldVerdict, "verdict %d beside the name of an offer", r.ResultVerdict)
			t.must((r.Phase == handshake.Held) == (named && r.ResultVerdict == handshake.HeldVerdict), "phase %s while the result is %s of offer %d", r.Phase, r.ResultVerdict, r.ResultOffer)
		}
		t.must(t.last.LastOffer == o.name, "the offer was not handled; last OFFER is %d, before %d", t.last.LastOffer, before.LastOffer)
	}
}
