package control

import (
	"slices"
	"sync"
	"time"
)

// mostWaiting bounds the connections that have not sent their request yet.
const mostWaiting = 64

// waiting are the connections that have not sent their request yet, oldest first.
// When there are too many, the time of the oldest is over, of the user who has the most:
// who opens connections and says nothing takes them from himself alone.
type waiting struct {
	mu     sync.Mutex
	ended  bool
	queued []queued
}

type queued struct {
	conn limited
	user uint32 // number
}

// limited is a connection with a time to read in.
type limited interface{ SetReadDeadline(time.Time) error }

// over is a time that is over.
var over = time.Unix(1, 0)

func (w *waiting) enter(c limited, user uint32) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.ended {
		_ = c.SetReadDeadline(over)
		return
	}
	w.queued = append(w.queued, queued{c, user})
	if len(w.queued) <= mostWaiting {
		return
	}
	count := map[uint32]int{}
	for _, q := range w.queued {
		count[q.user]++
	}
	oldest := 0
	for i, q := range w.queued {
		if count[q.user] > count[w.queued[oldest].user] {
			oldest = i
		}
	}
	_ = w.queued[oldest].conn.SetReadDeadline(over) // its reader looks once more
	w.queued = slices.Delete(w.queued, oldest, oldest+1)
}

func (w *waiting) leave(c limited) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.queued = slices.DeleteFunc(w.queued, func(q queued) bool { return q.conn == c })
}

// endAll ends the time of the connections that wait, and of those that come.
func (w *waiting) endAll() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.ended = true
	for _, q := range w.queued {
		_ = q.conn.SetReadDeadline(over)
	}
}
