package gateway

import (
	"context"
	"time"
)

// turns bounds how many lines open and read their journals at once. More than a few gain
// nothing: they wait for the same disk and the same processors, and each holds a thread of
// the system meanwhile, which is never given back.
type turns chan struct{}

const (
	mostTurns = 16
	// A line that hangs while it is opened stops no other: each waits so long and then goes
	// on without its turn.
	turnWait = 10 * time.Second
)

// take waits for a turn. The caller calls done when it is over.
func (t turns) take(ctx context.Context) (done func()) {
	wait := time.NewTimer(turnWait)
	defer wait.Stop()
	select {
	case t <- struct{}{}:
		return func() { <-t }
	case <-wait.C:
	case <-ctx.Done():
	}
	return func() {}
}

// awaitStart waits until the line is being served or has ended, and reports false where ctx
// ends before.
func (l *lineLoop) awaitStart(ctx context.Context) bool {
	select {
	case <-l.begun:
	case <-l.gone:
	case <-ctx.Done():
		return false
	}
	return true
}
