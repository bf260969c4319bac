package sim

import (
	"strings"
	"testing"
)

// TestBenchRefuses is about what a bench cannot wrap; what it wraps is judged
// by the tests of the whole way from scan to payload.
func TestBenchRefuses(t *testing.T) {
	b := NewBench(DefaultConfig())
	if _, err := b.Wrap(make([]uint16, 80)); err == nil || !strings.Contains(err.Error(), "no roll was scanned") {
		t.Errorf("without a roll: %v", err)
	}
	m, err := b.Scan(1, good)
	if err != nil || !m.Valid || m.DiameterN != 12 {
		t.Fatalf("scan %+v, %v", m, err)
	}
	again, err := b.Scan(1, good)
	if err != nil || again != m {
		t.Errorf("the same roll measures differently: %+v and %+v, %v", m, again, err)
	}
	for _, n := range []int{0, 79, 80} {
		if _, err := b.Wrap(make([]uint16, n)); err == nil || !strings.Contains(err.Error(), "damaged") {
			t.Errorf("%d empty words: %v", n, err)
		}
	}
}
