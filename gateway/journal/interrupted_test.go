package journal_test

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// TestInterruptedReadingLeavesTheLog breaks off readings of an open journal. Its connection,
// log and index stay what they were, and it goes on.
func TestInterruptedReadingLeavesTheLog(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	j := open(t, path)
	records := shift(t, 400)
	appendAll(t, j, records[:len(records)-1])
	before, err := os.Stat(path + "-wal")
	if err != nil {
		t.Fatal(err)
	}
	broken := 0
	for n := range 500 {
		ctx, cancel := context.WithTimeout(t.Context(), time.Duration(n)*time.Microsecond) // at some moment of the reading
		if _, err := j.Reader.Head(ctx); err != nil {
			broken++
		}
		cancel()
	}
	if broken == 0 {
		t.Error("no reading was broken off")
	}
	after, err := os.Stat(path + "-wal")
	if err != nil || !os.SameFile(before, after) {
		t.Errorf("the log is another: %v", err)
	}
	appendAll(t, j, records[len(records)-1:])
	if got := replay(t, j.Reader); len(got) != len(records) {
		t.Errorf("%d records, want %d", len(got), len(records))
	}
}
