package conform

import (
	"time"

	"lapgate/gateway/handshake"
)

func sessionCases() []testCase {
	return []testCase{
		{"publication", "4.1", "REQ is whole, follows the clock, and keeps its free bits zero", false, publication},
		{"hello-adopted", "6.2", "HELLO that fits: floor, session and last OFFER", false, helloAdopted},
		{"hello-repeated", "6.2", "the same HELLO again changes nothing", false, helloRepeated},
		{"hello-boot", "6.2", "HELLO with another BOOT_ID is refused", false, helloBoot},
		{"hello-floor", "6.2", "HELLO with an epoch at or under the floor is refused", false, helloFloor},
		{"hello-step", "6.2", "HELLO up to floor + 1,048,576 is adopted, above it refused", false, helloStep},
		{"hello-bound", "6.2", "HELLO with an epoch above 4,000,000,000 is refused", false, helloBound},
		{"hello-damaged", "6.2", "HELLO that is not whole, or of another layout, is refused", false, helloDamaged},
		{"heartbeat-alive", "6.3", "flag 4 goes on with a heartbeat of the session, and off when it stops", false, heartbeatAlive},
		{"heartbeat-foreign", "6.3", "a heartbeat of another session, or one that is not whole, keeps nothing alive", false, heartbeatForeign},
	}
}

// publication follows REQ for a while. Publications that were not seen are counted
// by their generation.
func publication(t *trial) {
	first := t.look()
	t.always(2*time.Second+5*t.Publication, "REQ has a bit above bit 7 in its flags", func(r *handshake.Request) bool { return r.Flags>>8 == 0 })
	if t.err != nil {
		return
	}
	ticks, published := t.last.Tick-first.Tick, t.last.GenHead-first.GenHead
	t.must(ticks > 0, "the clock of REQ does not move")
	t.must(published > 0, "the generation of REQ does not move")
	if t.err == nil {
		mean := time.Duration(ticks) * 10 * time.Millisecond / time.Duration(published)
		// Half more than promised, for a clock that counts in scans.
		t.must(mean <= t.Publication*3/2, "REQ is published every %v, want %v at most", mean, t.Publication)
	}
	t.must(t.last.DiameterN <= 12 && t.last.WidthN <= 8, "REQ gives %d diameters and %d widths, want 12 and 8 at most", t.last.DiameterN, t.last.WidthN)
}

func helloAdopted(t *trial) {
	t.await()
	t.rejectedHold()
	before := t.look()
	t.adopt(before.Floor + 1)
	r := t.last
	t.must(r.Floor == t.session.Epoch, "floor is %d after epoch %d was adopted", r.Floor, t.session.Epoch)
	t.must(r.LastOffer == 0, "last OFFER is %d in a new session, want 0", r.LastOffer)
	t.must(r.Phase == before.Phase && r.Req == before.Req, "a new session changed phase or request")
	t.must(r.ResultOffer == before.ResultOffer && r.ResultSession == before.ResultSession, "a new session changed the result")
}

func helloRepeated(t *trial) {
	t.await()
	t.rejectedOnce()
	before := t.look()
	again := t.hello(t.session)
	t.send(handshake.HELLO, make([]uint16, handshake.HelloWords)) // so that the words arrive anew
	t.unchanged(&before, "HELLO of zeros")
	t.send(handshake.HELLO, again)
	t.unchanged(&before, "the same HELLO again")
}

// refusedHello sends a HELLO and wants nothing to come of it.
func (t *trial) refusedHello(words []uint16, what string) {
	before := t.look()
	t.send(handshake.HELLO, words)
	t.unchanged(&before, what)
}

func (t *trial) stranger(epoch uint32) handshake.Session {
	return handshake.Session{Epoch: epoch, Nonce: t.session.Nonce ^ 0x5A5A5A5A}
}

func helloBoot(t *trial) {
	t.open()
	for _, boot := range []uint32{t.last.Boot - 1, t.last.Boot + 1, 0, t.last.Boot ^ 0x10000} {
		words := encoded(&handshake.Hello{Session: t.stranger(t.last.Floor + 1), Boot: boot}, handshake.HelloWords)
		t.refusedHello(words, "HELLO with another BOOT_ID")
	}
}

func helloFloor(t *trial) {
	t.open()
	floor := t.last.Floor
	t.refusedHello(t.hello(t.stranger(floor)), "HELLO with the epoch of the floor and another nonce")
	if floor > 1 {
		t.refusedHello(t.hello(handshake.Session{Epoch: floor - 1, Nonce: t.session.Nonce}), "HELLO with an epoch under the floor")
	}
	t.refusedHello(t.hello(t.stranger(0)), "HELLO with epoch 0")
}

// The bounds of an epoch, as the handshake has them.
const (
	lastEpoch = 4_000_000_000
	epochStep = 1_048_576
)

func helloStep(t *trial) {
	t.open()
	floor := t.last.Floor
	if floor > lastEpoch-3*epochStep {
		t.skip("the floor %d is too near its bound", floor)
	}
	t.refusedHello(t.hello(t.stranger(floor+epochStep+1)), "HELLO with an epoch of floor + 1,048,577")
	t.refusedHello(t.hello(t.stranger(lastEpoch)), "HELLO with an epoch of 4,000,000,000 far over the floor")
	t.adopt(floor + epochStep)
}

func helloBound(t *trial) {
	t.open()
	for _, epoch := range []uint32{lastEpoch + 1, 0xFFFFFFFF} {
		t.refusedHello(t.hello(t.stranger(epoch)), "HELLO with an epoch above 4,000,000,000")
	}
}

func helloDamaged(t *trial) {
	t.open()
	next := t.hello(t.stranger(t.last.Floor + 1))
	for register := range next {
		words := append([]uint16{}, next...)
		words[register] ^= 0x0100
		t.refusedHello(words, "HELLO with a checksum that does not hold")
	}
	for _, c := range []struct {
		register int
		word     uint16
		what     string
	}{{0, 0x4846, "HELLO with another type word"}, {1, handshake.LayoutVersion - 1, "HELLO of the layout before"}, {1, handshake.LayoutVersion + 1, "HELLO of a later layout"}} {
		words := append([]uint16{}, next...)
		words[c.register] = c.word
		t.refusedHello(seal(words), c.what)
	}
}

func heartbeatAlive(t *trial) {
	t.open()
	t.always(2*t.HeartbeatLoss, "flag 4 goes off although the heartbeat moves", alive)
	t.stopBeating()
}

// stopBeating lets the heartbeat stop, and waits until the controller sees it.
func (t *trial) stopBeating() {
	t.silent = true
	t.until(t.HeartbeatLoss+t.Reaction, "flag 4 off when the heartbeat stopped", dead)
}

func heartbeatForeign(t *trial) {
	t.open()
	t.stopBeating()
	for range 3 {
		t.beatCount++
		t.send(handshake.HEARTBEAT, encoded(&handshake.Heartbeat{Count: t.beatCount, Session: t.stranger(t.session.Epoch), State: 4}, handshake.HeartbeatWords))
		t.always(t.settle(), "flag 4 is on by a heartbeat of another session", dead)
		t.beatCount++
		words := encoded(&handshake.Heartbeat{Count: t.beatCount, Session: t.session, State: 4}, handshake.HeartbeatWords)
		words[8] ^= 1
		t.send(handshake.HEARTBEAT, words)
		t.always(t.settle(), "flag 4 is on by a heartbeat that is not whole", dead)
	}
	t.silent = false
	t.until(t.Reaction, "flag 4 on when the heartbeat of the session moves again", alive)
}
