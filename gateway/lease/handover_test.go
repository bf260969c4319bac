package lease_test

import (
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway/engine"
	"lapgate/gateway/lease"
	"lapgate/gateway/lease/leasetest"
)

// TestHandedOverWithWord: a machine that is stopped just after a person's word has the engine
// have that word before it lets the line go, and what it answered likewise.
func TestHandedOverWithWord(t *testing.T) {
	for range 20 { // what a keeper sees first, the word or its end, is left to chance
		inPair(t, func(t *testing.T, e *leasetest.Engine, a, b *daemon) {
			asked := b.keeper.Post(engine.Act{Line: "north", Kind: lease.ActHold, Key: "of b"}, time.Now(), nil)
			wait(time.Second)
			wake := a.sleep()
			wait(time.Second) // it is in the middle of a turn
			a.keeper.Answer(a.acts[0].Number, "")
			a.keeper.Post(engine.Act{Line: "north", Kind: lease.ActDisarm, Key: "of a"}, time.Now(), nil)
			go a.stop()
			synctest.Wait()
			wake()
			until(t, time.Second, "the other takes it", func() bool { return b.holds("north") })
			if len(b.acts) != 1 || b.acts[0].Key != "of a" {
				all, open := e.Acts()
				t.Errorf("the other was told %+v; the engine has %+v, %d open", b.acts, all, open)
			}
			select {
			case <-asked.Answered():
			default:
				t.Error("what was done is not answered")
			}
		})
	}
}
