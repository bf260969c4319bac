package journal

import (
	"errors"
	"io/fs"
	"os"
	"strings"
	"time"
)

// keepShipped is how long an archive stays after it was first found to be with an
// engine: one that fails over to a copy may forget what it had taken, and has to be
// told again.
const keepShipped = 30 * 24 * time.Hour

// shippedEnding is that of a file beside an archive that says since when an engine
// has all of it.
const shippedEnding = ".shipped"

// noteShipped notes which archives an engine has now, whose newest record is shipped, and
// counts those, the oldest first, that it has had long enough.
func noteShipped(archives []Archive, shipped uint64, now time.Time) (n int, err error) {
	whole := true
	for _, a := range archives {
		path := a.Path + shippedEnding
		if a.Last > shipped { // not yet, or forgotten
			if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
				return n, err
			}
			whole = false
			continue
		}
		since, err := shippedSince(path, now)
		if err != nil {
			return n, err
		}
		if whole = whole && now.Sub(since) >= keepShipped; whole {
			n++
		}
	}
	return n, nil
}

// shippedSince reads since when an engine has an archive. It begins with now where
// nothing says so, or what does was cut short.
func shippedSince(path string, now time.Time) (time.Time, error) {
	b, err := os.ReadFile(path)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return now, err
	}
	if since, err := time.Parse(time.RFC3339, strings.TrimSpace(string(b))); err == nil {
		return since, nil
	}
	return now, writeDurably(path, []byte(now.UTC().Format(time.RFC3339)+"\n"))
}
