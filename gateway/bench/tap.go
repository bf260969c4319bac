package bench

import (
	"context"
	"errors"
	"sync"

	"lapgate/gateway/record"
)

// tap hands the records of a line on to the run as they become durable.
type tap struct {
	news chan struct{} // something was added or the gateway ended

	mu    sync.Mutex
	queue []record.Record
	armed bool // by the newest record that tells of it
	ended bool
}

func (t *tap) add(r record.Record) {
	t.mu.Lock()
	t.queue = append(t.queue, r)
	if m, ok := r.(record.Mode); ok {
		t.armed = m.Armed
	}
	t.mu.Unlock()
	t.wake()
}

func (t *tap) close() {
	t.mu.Lock()
	t.ended = true
	t.mu.Unlock()
	t.wake()
}

func (t *tap) wake() {
	select {
	case t.news <- struct{}{}:
	default: // it is awake already
	}
}

var errEnded = errors.New("the gateway ended")

// next is the next record, in order.
func (t *tap) next(ctx context.Context) (record.Record, error) {
	for {
		if r, err := t.take(); r != nil || err != nil {
			return r, err
		}
		select {
		case <-t.news:
		case <-ctx.Done():
			return nil, context.Cause(ctx)
		}
	}
}

func (t *tap) take() (r record.Record, err error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	switch {
	case len(t.queue) > 0:
		r, t.queue = t.queue[0], t.queue[1:]
		return r, nil
	case t.ended:
		return nil, errEnded
	}
	return nil, nil
}

// isArmed reports whether the line is armed by its records.
func (t *tap) isArmed() bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.armed
}
