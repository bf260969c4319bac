package gateway_test

import (
	"context"
	"os"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway/handshake"
)

// TestJournalTakenAway: a journal that is deleted under a line that is served ends the
// line before anything more is offered, the controller is told, and it does not come
// back by itself.
func TestJournalTakenAway(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		p := newPair(ctx, t)
		g, stop := p.start(p.options)
		until(t, time.Minute, "south wraps", func() bool { return p.counts["south"].Load() > 0 })
		path := p.snapshot.Journal.Path("south")
		if err := os.Remove(path); err != nil {
			t.Fatal(err)
		}
		until(t, time.Minute, "south ends", func() bool { return g.Lines()[1].Ended })
		st := g.Lines()[1]
		if !strings.Contains(st.Error, "was deleted or renamed") || !st.Again.IsZero() {
			t.Errorf("the line is shown as %+v", st)
		}
		beat := make([]uint16, handshake.HeartbeatWords)
		p.south.image.Load(handshake.HEARTBEAT, 0, beat)
		if beat[7]&handshake.FlagJournalFault == 0 {
			t.Errorf("the controller was not told: %v", beat)
		}
		offers := func() []uint16 {
			words := make([]uint16, handshake.CommitWords)
			p.south.image.Load(handshake.COMMIT, 0, words)
			return words
		}
		before := offers()
		<-time.After(10 * time.Minute) // of virtual time
		if !g.Lines()[1].Ended || g.Lines()[0].Ended {
			t.Error("the line came back by itself, or its neighbour ended")
		}
		if now := offers(); !slices.Equal(now, before) {
			t.Errorf("offered after the journal was gone: %v, before it %v", now, before)
		}
		if err := stop(); err != nil && !strings.Contains(err.Error(), "was deleted or renamed") {
			t.Error(err)
		}
		cancel()
	})
}
