package gateway

import (
	"time"

	"go.uber.org/zap"

	"lapgate/gateway/cycle"
)

// backoff is the wait between two attempts to connect.
type backoff struct {
	first, last time.Duration
	jitter      func() float64
	wait        time.Duration
	waiting     bool
}

// next returns the wait before the next attempt.
func (b *backoff) next() time.Duration {
	b.waiting = true
	b.wait = cycle.Backoff(b.wait, b.first, b.last)
	return cycle.Spread(b.wait, b.jitter())
}

// reset makes the next wait the first one again.
func (b *backoff) reset() { b.wait = 0 }

// outage is how the shell tells of what fails again and again: once when it
// begins, and when it is over how often it failed, for how long, and what the
// first failure said.
type outage struct {
	since time.Time
	count int
	first string
}

// begin counts a failure and reports whether it is the first.
func (o *outage) begin(now time.Time, err error) bool {
	o.count++
	if o.count > 1 {
		return false
	}
	o.since, o.first = now, err.Error()
	return true
}

// end returns what is to be told of the failures, nothing where there were
// none, and starts afresh.
func (o *outage) end(now time.Time) []zap.Field {
	if o.count == 0 {
		return nil
	}
	told := []zap.Field{zap.Int("failures", o.count), zap.Duration("after", now.Sub(o.since).Round(time.Millisecond)), zap.String("first_error", o.first)}
	*o = outage{}
	return told
}
