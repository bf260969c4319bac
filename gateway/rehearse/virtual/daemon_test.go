package virtual

import (
	"context"
	"errors"
	"fmt"
	"time"

	"lapgate/gateway"
	"lapgate/gateway/config"
	"lapgate/gateway/journal"
	"lapgate/gateway/link"
	"lapgate/gateway/record"
	"lapgate/gateway/stationtest"
)

// life is one run of the daemon's process. Once it is killed nothing that it does
// reaches journal or controller, as if it stood still at that place for ever.
type life struct {
	killed chan struct{}
	dead   bool
	failed bool // a record could not be made durable
}

var (
	errKilled = errors.New("the process was killed")
	errFull   = errors.New("no space left")
)

func (w *world) kill() {
	if !w.life.dead {
		w.life.dead = true
		close(w.life.killed)
	}
}

// fuse kills the daemon at a record or a write, before or after it.
type fuse struct {
	point string
	after bool
}

// points are where a fuse can burn: blocks written and records made durable.
var points = []string{"HELLO", "PAYLOAD", "COMMIT", "ACK", "SESSION", "REQUEST", "INTENT", "COMMIT record", "VERDICT", "VOID", "OUTCOME", "GAP"}

// burns kills the daemon where its fuse is for this point. It reports whether the
// daemon is dead now.
func (w *world) burns(point string, after bool) bool {
	if f := w.fuse; f != nil && f.point == point && f.after == after && !w.life.dead {
		w.fuse = nil
		w.count(map[bool]string{false: "kill-before", true: "kill-after"}[after])
		w.kill()
	}
	return w.life.dead
}

// kept is the journal in its file, watched.
type kept struct {
	*journal.Journal
	w    *world
	life *life
}

func (k kept) Append(ctx context.Context, records ...record.Record) ([]record.Stored, error) {
	k.w.mu.Lock()
	defer k.w.mu.Unlock()
	switch {
	case k.life.dead || k.burns(records, false):
		return nil, errKilled
	case k.w.fullDisk:
		k.w.fullDisk, k.life.failed = false, true
		k.w.count("journal-fails")
		return nil, errFull
	case k.life.failed:
		return nil, errFull
	}
	stored, err := k.Journal.Append(ctx, records...)
	if err != nil {
		return nil, err
	}
	for _, s := range stored {
		k.w.records++
		if k.w.drop == s.Record.Kind() { // sabotage: the history does not learn of it
			k.w.drop = ""
		} else {
			k.w.history.Journal = append(k.w.history.Journal, stationtest.Entry{At: k.w.next(), Record: s.Record})
		}
		if i, ok := s.Record.(record.Intent); ok {
			k.w.offered[i.Offer] = i.Payload
		}
	}
	if k.burns(records, true) {
		return nil, errKilled
	}
	return stored, nil
}

// burns kills the daemon where its fuse is for one of the records.
func (k kept) burns(records []record.Record, after bool) (dead bool) {
	for _, r := range records {
		point := string(r.Kind())
		if r.Kind() == record.KindCommit {
			point = "COMMIT record"
		}
		dead = k.w.burns(point, after)
	}
	return dead
}

// serve keeps a daemon running until ctx ends: one that dies, stops or ends by a
// failed journal is started again after a moment.
func (w *world) serve(ctx context.Context) error {
	for {
		w.mu.Lock()
		l := &life{killed: make(chan struct{})}
		w.life = l
		w.mu.Unlock()
		g, err := gateway.New(gateway.Options{
			Snapshot: w.snapshot, Arm: &gateway.Act{By: "test", Reason: "a simulated controller"},
			Dialer: func(*config.Line) (link.Dialer, error) { return w.dialer, nil },
			OpenJournal: func(ctx context.Context, _ string) (gateway.Journal, error) {
				j, err := journal.Open(ctx, w.path)
				if err != nil {
					return nil, err
				}
				return kept{j, w, l}, nil
			},
			Random: w.random,
			Jitter: func() float64 { return 0.5 },
		})
		if err != nil {
			return err
		}
		ended := make(chan error, 1)
		go func() { ended <- g.Run(context.WithoutCancel(ctx)) }()
		last := false
		select {
		case <-l.killed:
		case <-w.stop:
		case <-ctx.Done():
			last = true
		case err = <-ended:
			ended <- err
		}
		g.Stop()
		err = <-ended
		w.mu.Lock()
		asked := l.dead || l.failed
		w.restarts++
		w.mu.Unlock()
		switch {
		case err != nil && !asked:
			return fmt.Errorf("the daemon ended by itself: %w", err)
		case last:
			return nil
		}
		select {
		case <-time.After(time.Duration(1+w.restarts%5) * time.Second):
		case <-ctx.Done():
			return nil
		}
	}
}
