package gateway

import "time"

// backoff is the wait between two attempts to connect: it doubles from first
// to last, and each wait is spread over its upper half, so that gateways that
// lost the same controller do not come back together.
type backoff struct {
	first, last time.Duration
	jitter      func() float64
	wait        time.Duration
	waiting     bool
}

// next returns the wait before the next attempt.
func (b *backoff) next() time.Duration {
	b.waiting = true
	switch {
	case b.wait == 0:
		b.wait = b.first
	case b.wait*2 < b.last:
		b.wait *= 2
	default:
		b.wait = b.last
	}
	return b.wait/2 + time.Duration(b.jitter()*float64(b.wait/2))
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
