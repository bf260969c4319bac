package cycle

import "time"

// Backoff is how long to wait after a wait of d that came to nothing: first
// after none, then twice as long each time, and last at most.
func Backoff(d, first, last time.Duration) time.Duration { return min(max(2*d, first), last) }

// Spread makes half of a wait certain and draws the other half by a number of
// [0, 1), so that gateways that lost the same machine do not come back together.
func Spread(d time.Duration, drawn float64) time.Duration {
	return d/2 + time.Duration(drawn*float64(d/2))
}
