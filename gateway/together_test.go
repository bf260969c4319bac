package gateway_test

import (
	"context"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway"
	"lapgate/gateway/handshake"
	"lapgate/gateway/link/memory"
	"lapgate/gateway/record"
)

// appends is a journal that tells which records are made durable together.
type appends struct {
	gateway.Journal
	each func([]record.Kind)
}

func (a appends) Append(ctx context.Context, records ...record.Record) ([]record.Stored, error) {
	stored, err := a.Journal.Append(ctx, records...)
	var kinds []record.Kind
	for _, s := range stored {
		kinds = append(kinds, s.Record.Kind())
	}
	a.each(kinds)
	return stored, err
}

// The controller waits for the disk twice: for its request with the offer for it, before a word
// of that goes out, and for the commit.
func TestWaitsForTheDiskOfOneRoll(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(fitting(1))
		s := newShop(t, b, nil)
		o := s.options()
		var happened []string
		open := o.OpenJournal
		o.OpenJournal = func(ctx context.Context, line string) (gateway.Journal, error) {
			j, err := open(ctx, line)
			return appends{j, func(kinds []record.Kind) {
				at := "durable:"
				for _, k := range kinds {
					at += " " + string(k)
				}
				happened = append(happened, at)
			}}, err
		}
		s.dialer.After = func(c memory.Call) {
			if c.Op == "write" && c.Block != handshake.HEARTBEAT {
				happened = append(happened, "written: "+c.Block.String())
			}
		}
		ctx, cancel := context.WithCancel(context.Background())
		go b.run(ctx)
		_, stop := s.start(o)
		<-time.After(20 * time.Second) // of virtual time
		if err := stop(); err != nil {
			t.Error(err)
		}
		cancel()
		synctest.Wait()
		from := slices.Index(happened, "durable: REQUEST INTENT")
		want := []string{"durable: REQUEST INTENT", "written: PAYLOAD", "durable: COMMIT", "written: COMMIT", "durable: VERDICT", "durable: OUTCOME", "written: ACK"}
		if from < 0 || from+len(want) > len(happened) || !slices.Equal(happened[from:from+len(want)], want) {
			t.Errorf("got %q, want in it %q", happened, want)
		}
	})
}
