package present

import (
	"fmt"
	"io"
	"os"
	"time"
)

// Progress tells on standard error how far long work is. It is silent for the
// first second, and writes no control characters unless it is on a terminal.
type Progress struct {
	w        io.Writer
	terminal bool
	what     string
	total    int // 0 unknown
	every    time.Duration
	started  time.Time
	last     time.Time
	shown    bool
}

// NewProgress begins to tell on w of work, whose pieces are named what.
func NewProgress(w io.Writer, what string) *Progress {
	now := time.Now()
	p := &Progress{w: w, what: what, started: now, last: now, every: 10 * time.Second}
	if f, ok := w.(*os.File); ok {
		if info, err := f.Stat(); err == nil && info.Mode()&os.ModeCharDevice != 0 {
			p.terminal, p.every = true, 200*time.Millisecond
		}
	}
	return p
}

// At says that n pieces are done.
func (p *Progress) At(n int) {
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

// Follow says that done of a total are done.
func (p *Progress) Follow(done, total uint64) {
	p.total = int(total)
	p.At(int(done))
}

// Clear takes the line away, so that other text can be written.
func (p *Progress) Clear() {
	if p.terminal && p.shown {
		fmt.Fprint(p.w, "\r\x1b[K")
	}
}
