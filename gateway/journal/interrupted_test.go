package journal_test

import (
	"context"
	"path/filepath"
	"testing"
	"time"

	"lapgate/gateway/journal"
)

// TestInterruptedReadingLeavesTheConnection has the context of a reading of an open journal end
// in its midst, and then has somebody read the journal beside: it can still be written.
func TestInterruptedReadingLeavesTheConnection(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	j := open(t, path)
	records := shift(t, 40)
	lasts := []time.Duration{time.Millisecond, 3 * time.Millisecond, 9 * time.Millisecond}
	last := len(records) - len(lasts)
	appendAll(t, j, records[:last])
	rows := 200_000 // take many times as long as the context lasts
	if testing.Short() {
		rows = 10_000 // as they do under the race detector
	}
	for i, after := range lasts {
		ctx, cancel := context.WithTimeout(t.Context(), after)
		if n, err := j.Count(ctx, rows); err == nil && n != rows || err != nil && ctx.Err() == nil {
			t.Errorf("counted %d, %v", n, err)
		}
		cancel()
		beside, err := journal.OpenReader(t.Context(), path)
		if err != nil {
			t.Fatal(err)
		}
		if head, err := beside.Head(t.Context()); err != nil || head != j.Head() {
			t.Errorf("head %v beside, %v", head, err)
		}
		appendAll(t, j, records[last+i:last+i+1])
		if err := beside.Close(); err != nil {
			t.Error(err)
		}
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := j.Reader.Head(ended); err == nil {
		t.Error("a reading was begun whose context had ended")
	}
	if got := replay(t, j.Reader); len(got) != len(records) {
		t.Errorf("%d records, want %d", len(got), len(records))
	}
}
