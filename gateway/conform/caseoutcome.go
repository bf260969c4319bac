package conform

import (
	"lapgate/gateway/handshake"
)

func outcomeCases() []testCase {
	return []testCase{
		{"ack", "6.2", "ACK between acknowledged and produced, and no other; again it changes nothing", false, acknowledged},
		{"ring-full", "11", "64 outcomes: each in its entry, without holes; in automatic no roll is requested then", false, ringFull},
		{"ring-beyond", "11", "a full ring in manual: the oldest is overwritten and counted", false, ringBeyond},
	}
}

func acknowledged(t *trial) {
	t.await()
	t.collect()
	t.gone()
	t.await()
	t.gone()
	before := t.look()
	refused := func(words []uint16, what string) {
		t.send(handshake.ACK, words)
		t.unchanged(&before, what)
	}
	ack := func(s handshake.Session, n uint32) []uint16 {
		return encoded(&handshake.Ack{Session: s, UpTo: n}, handshake.AckWords)
	}
	refused(ack(t.session, before.Produced+1), "ACK of an outcome that was not produced")
	refused(ack(t.session, 0), "ACK of outcome 0")
	refused(ack(t.session, before.Acked), "ACK of what is acknowledged")
	refused(ack(t.stranger(t.session.Epoch), before.Produced), "ACK of another nonce")
	refused(ack(handshake.Session{Epoch: t.session.Epoch + 1, Nonce: t.session.Nonce}, before.Produced), "ACK of another epoch")
	damaged := ack(t.session, before.Produced)
	damaged[9] ^= 1
	refused(damaged, "ACK that is not whole")
	for _, n := range []uint32{before.Produced - 1, before.Produced} {
		t.acknowledge(n)
	}
	before = t.look()
	refused(ack(t.session, before.Produced-1), "ACK under what is acknowledged")
	refused(ack(t.session, before.Produced), "the same ACK again")
}

// fill has the ring full. It returns what was acknowledged before.
func (t *trial) fill() uint32 {
	t.await()
	t.collect()
	acked := t.look().Acked
	t.act(actFillRing)
	t.until(t.ActLimit, "flag 3 when 64 outcomes wait", func(r *handshake.Request) bool { return r.Flags&handshake.RingFull != 0 })
	return acked
}

// emptied acknowledges a full ring, and wants it to be full no more.
func (t *trial) emptied(upTo uint32) {
	t.acknowledge(upTo)
	t.until(t.Reaction, "flag 3 off after ACK", func(r *handshake.Request) bool { return r.Flags&handshake.RingFull == 0 })
}

func ringFull(t *trial) {
	acked := t.fill()
	r := t.look()
	t.must(r.Produced-r.Acked == handshake.OutEntries, "flag 3 is on with %d outcomes waiting, want %d", r.Produced-r.Acked, handshake.OutEntries)
	before := uint32(0)
	for n := acked + 1; t.ok() && n <= r.Produced; n++ {
		o := t.outcome(n)
		t.must(before == 0 || o.RollNo == before+1, "outcome %d is of roll %d after roll %d: one outcome for each ROLL_NO, without holes", n, o.RollNo, before)
		before = o.RollNo
	}
	full := t.look()
	t.act(actPlace)
	t.unchanged(&full, "a roll that comes while the ring is full")
	t.emptied(full.Produced)
}

func ringBeyond(t *trial) {
	t.fill()
	before := t.look()
	t.act(actManual)
	t.act(actPlace)
	t.phase(handshake.ByHand, "a roll that comes in manual while the ring is full")
	t.act(actByHand)
	r := t.until(t.ActLimit, "an outcome beyond the ring", func(r *handshake.Request) bool { return r.Produced == before.Produced+1 })
	t.must(r.Overwritten == before.Overwritten+1, "the counter of overwritten outcomes went from %d to %d, want one more", before.Overwritten, r.Overwritten)
	for n := r.Produced - handshake.OutEntries + 1; t.ok() && n <= r.Produced; n++ {
		t.outcome(n)
	}
	t.act(actAuto)
	t.emptied(r.Produced)
}
