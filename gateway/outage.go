package gateway

import (
	"errors"
	"net"
	"syscall"
	"time"

	"go.uber.org/zap"

	"lapgate/gateway/cycle"
	"lapgate/gateway/link"
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

// outage is how the shell tells of what fails again and again: when it begins, when
// it fails for another reason, again after minutes, and when it is over how often it
// failed, for how long, and what the first failure said.
type outage struct {
	since  time.Time
	told   time.Time
	count  int
	first  string
	newest string // what the newest failure said
	class  string
}

// againAfter is how long a failure that stays is not told again: whoever looks at the
// log after a change of shift finds it near the end, and a night of it fills a page.
const againAfter = 5 * time.Minute

// begin counts a failure and reports whether people are to be told of it.
func (o *outage) begin(now time.Time, err error) bool {
	o.count++
	o.newest = err.Error()
	if o.count == 1 {
		o.since, o.first = now, o.newest
	}
	class := classOf(err)
	if o.count > 1 && class == o.class && now.Sub(o.told) < againAfter {
		return false
	}
	o.told, o.class = now, class
	return true
}

// classOf tells failures apart that have another cause or another remedy, and not
// those that only name another port or count.
func classOf(err error) string {
	var e *link.Error
	if errors.As(err, &e) {
		return e.Op + "/" + e.Class.String() + "/" + e.Help
	}
	var cause syscall.Errno // of a scanner
	var timeout net.Error
	switch {
	case errors.As(err, &cause):
		return cause.Error()
	case errors.As(err, &timeout) && timeout.Timeout():
		return "timeout"
	}
	return ""
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
