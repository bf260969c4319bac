package gateway

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"go.uber.org/zap"

	"lapgate/gateway/record"
)

// noting is a line that is armed to last, with so many records, the newest of them of a time.
func noting(dir string, records uint64, at time.Time) *lineLoop {
	l := &lineLoop{log: zap.NewNop(), armed: true, lastSeq: records}
	l.set.journal = filepath.Join(dir, "north.db")
	l.stands = standing{left: at, mode: &record.Mode{Armed: true, Lasts: &record.Lasting{}}}
	return l
}

// TestLeftByTheNewestWord: how long a line was left is reckoned from what was written last,
// though the clock was put back before that; a note of before the newest record does not make
// the line seem to have been left earlier.
func TestLeftByTheNewestWord(t *testing.T) {
	now := time.Date(2026, 11, 26, 14, 0, 0, 0, time.UTC)
	for name, c := range map[string]struct {
		noted, newest time.Time
		records       uint64 // in the journal; 40 when it was noted
		want          time.Time
	}{
		"clock put back":             {now, now.Add(time.Hour), 40, now},
		"clock right":                {now, now.Add(-time.Minute), 40, now},
		"records after the note":     {now, now.Add(time.Minute), 43, now.Add(time.Minute)},
		"put back, then a record":    {now, now.Add(-time.Hour), 43, now},
		"end of the journal is gone": {now, now.Add(time.Hour), 39, now},
	} {
		dir := t.TempDir()
		noting(dir, 40, c.newest).note(c.noted)
		if got := noting(dir, c.records, c.newest).leftAs().At; !got.Equal(c.want) {
			t.Errorf("%s: left at %s, want %s", name, got, c.want)
		}
	}
}

// TestNotedWhenPutBack: that the clock was put back is noted at once, or a daemon that is killed
// then would find its note in the future.
func TestNotedWhenPutBack(t *testing.T) {
	l := noting(t.TempDir(), 40, time.Now())
	l.note(time.Now().Add(time.Hour).Round(0))
	before, err := os.ReadFile(l.set.journal + servedFile)
	if err != nil {
		t.Fatal(err)
	}
	l.keepTime(context.Background())
	after, err := os.ReadFile(l.set.journal + servedFile)
	if err != nil || string(after) == string(before) {
		t.Errorf("it is still %s, %v", after, err)
	}
}
