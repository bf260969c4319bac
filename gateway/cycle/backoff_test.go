package cycle_test

import (
	"testing"
	"time"

	"lapgate/gateway/cycle"
)

func TestBackoff(t *testing.T) {
	const first, last = 250 * time.Millisecond, 5 * time.Second
	d := time.Duration(0)
	for i, want := range []time.Duration{250 * time.Millisecond, 500 * time.Millisecond, time.Second, 2 * time.Second, 4 * time.Second, last, last} {
		if d = cycle.Backoff(d, first, last); d != want {
			t.Errorf("wait %d: got %s, want %s", i, d, want)
		}
	}
	if got := cycle.Spread(time.Second, 0); got != 500*time.Millisecond {
		t.Errorf("the least of a second: got %s", got)
	}
	if got := cycle.Spread(time.Second, 0.999); got < 999*time.Millisecond || got >= time.Second {
		t.Errorf("the most of a second: got %s", got)
	}
}
