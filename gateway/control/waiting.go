package control

import (
	"io"
	"slices"
	"sync"
)

// mostWaiting bounds the connections that have not sent their request yet.
const mostWaiting = 64

// waiting are the connections that have not sent their request yet, oldest first.
// When there are too many, the oldest of the user who has the most is closed: who
// opens connections and says nothing takes them from himself alone.
type waiting struct {
	mu     sync.Mutex
	ended  bool
	queued []queued
}

type queued struct {
	conn io.Closer
	user string
}

func (w *waiting) enter(c io.Closer, user string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.ended {
		_ = c.Close()
		return
	}
	w.queued = append(w.queued, queued{c, user})
	if len(w.queued) <= mostWaiting {
		return
	}
	count := map[string]int{}
	for _, q := range w.queued {
		count[q.user]++
	}
	oldest := 0
	for i, q := range w.queued {
		if count[q.user] > count[w.queued[oldest].user] {
			oldest = i
		}
	}
	_ = w.queued[oldest].conn.Close() // its reader ends, and leaves
	w.queued = slices.Delete(w.queued, oldest, oldest+1)
}

func (w *waiting) leave(c io.Closer) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.queued = slices.DeleteFunc(w.queued, func(q queued) bool { return q.conn == c })
}

// closeAll closes the connections that wait, and those that come.
func (w *waiting) closeAll() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.ended = true
	for _, q := range w.queued {
		_ = q.conn.Close()
	}
}
