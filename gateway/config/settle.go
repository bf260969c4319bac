package config

import (
	"bytes"
	"context"
	"fmt"
	"time"
)

// ReadSettled reads a file that may be being saved at this moment: it returns
// bytes that stood unchanged for the quiet time, so that a file that is written
// in place is never taken half written. A cut file can be a valid one, with
// defaults for what is missing. Errors: the file cannot be read, it changes
// without end, ctx has ended.
func ReadSettled(ctx context.Context, path string, quiet time.Duration) ([]byte, error) {
	const tries = 20
	var last []byte
	for n := 1; ; n++ {
		data, problem := read(path)
		switch {
		case problem == nil && last != nil && bytes.Equal(data, last):
			return data, nil
		case problem != nil && n >= missing:
			problem.File = path
			return nil, &Error{Problems: []Problem{*problem}}
		case n == tries:
			return nil, fmt.Errorf("%s: changed at every look for %s; save it once, then read it again", path, tries*quiet)
		}
		last = nil
		if problem == nil {
			last = append([]byte{}, data...)
		}
		wait := time.NewTimer(quiet)
		select {
		case <-ctx.Done():
			wait.Stop()
			return nil, ctx.Err()
		case <-wait.C:
		}
	}
}

// missing is how often a file may be found missing: some editors take the old
// one away before the new one is in its place.
const missing = 3
