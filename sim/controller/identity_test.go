package controller

import (
	"testing"

	"lapgate/sim/internal/standin"
	"lapgate/sim/registers"
)

// A session is both its numbers: a block that shares only one of them with the
// session in force is of another.
func TestHalfASessionIsAnother(t *testing.T) {
	for _, half := range []struct {
		name         string
		epoch, nonce uint32
	}{{"other epoch", 1, 0}, {"other nonce", 0, 1}} {
		t.Run(half.name, func(t *testing.T) {
			b := newBench(t)
			epoch, nonce := b.epoch+half.epoch, b.nonce+half.nonce
			p := standin.Payload(1, b.epoch, b.nonce, b.request())
			setpoints(p)
			standin.Seal(p)
			copy(b.area.Payload[:], p)
			copy(b.area.Commit[:], standin.Commit(1, epoch, nonce, b.c.ReqID(), b.tick, p))
			b.refused(b.scan())
			if b.c.StaleCommits() != 1 {
				t.Errorf("%d stale commits, want 1", b.c.StaleCommits())
			}
			b.leave()
			copy(b.area.Ack[:], standin.Ack(epoch, nonce, 1))
			b.scan()
			if produced, acked := b.c.Outcomes(); produced != 1 || acked != 0 {
				t.Errorf("%d outcomes, %d acknowledged by another session", produced, acked)
			}
			b.tick += 260
			copy(b.area.Heartbeat[:], standin.Heartbeat(b.beat+1, epoch, nonce))
			b.scan()
			if b.c.Alive() {
				t.Error("alive by the heartbeat of another session")
			}
		})
	}
}

// The result names the payload that was judged, whatever the verdict.
func TestResultNamesThePayload(t *testing.T) {
	for _, verdict := range []OfferVerdict{Accepted, Rejected} {
		b := newBench(t)
		b.offer(1, func(w []uint16) {
			if verdict == Rejected {
				w[33] = 9
			}
		}, nil)
		b.scan()
		r := b.c.req[:]
		if OfferVerdict(r[47]) != verdict || long(r, 49) == 0 || long(r, 49) != long(b.area.Payload[:], registers.PayloadWords-2) {
			t.Errorf("verdict %d on payload %08X, want %d on %08X", r[47], long(r, 49), verdict, long(b.area.Payload[:], registers.PayloadWords-2))
		}
	}
}
