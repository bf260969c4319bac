package main

import (
	"fmt"
	"io"
	"os"
	"time"
)

// progress tells on standard error how far long work is. It is silent for the
// first second, and writes no control characters unless it is on a terminal.
type progress struct {
	w        io.Writer
	terminal bool
	what     string
	total    int // 0 unknown
	every    time.Duration
	started  time.Time
	last     time.Time
	shown    bool
}

func newProgress(w io.Writer, what string) *progress {
	now := time.Now()
	p := &progress{w: w, what: what, started: now, last: now, every: 10 * time.Second}
	if f, ok := w.(*os.File); ok {
		if info, err := f.Stat(); err == nil && info.Mode()&os.ModeCharDevice != 0 {
			p.terminal, p.every = true, 200*time.Millisecond
		}
	}
	return p
}

// at says that n pieces are done.
func (p *progress) at(n int) {
	now := time.Now()
	due := p.every
	if !p.shown {
		due = time.Second
	}
	if now.Sub(p.last) < due {
		return
	}
	p.last, p.shown = now, true
	text := fmt.Sprintf("%s: %d", p.what, n)
	if p.total > 0 {
		text = fmt.Sprintf("%s: %d of %d", p.what, n, p.total)
	}
	if p.terminal {
		fmt.Fprintf(p.w, "\r\x1b[K%s", text)
		return
	}
	fmt.Fprintln(p.w, text)
}

// follow says that done of a total are done.
func (p *progress) follow(done, total uint64) {
	p.total = int(total)
	p.at(int(done))
}

// clear takes the line away, so that other text can be written.
func (p *progress) clear() {
	if p.terminal && p.shown {
		fmt.Fprint(p.w, "\r\x1b[K")
	}
}
