package gateway

import (
	"time"

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

// outage folds repeated failures into the first, the count and the recovery.
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

// end returns how many failures there were, for how long, and what the first
// one said, and starts afresh.
func (o *outage) end(now time.Time) (count int, lasted time.Duration, first string) {
	if o.count == 0 {
		return 0, 0, ""
	}
	count, lasted, first = o.count, now.Sub(o.since), o.first
	*o = outage{}
	return count, lasted, first
}
