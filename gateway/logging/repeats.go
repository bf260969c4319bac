package logging

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"lapgate/gateway/present"
)

// repeatsWindow is how long a message is kept quiet after it was written; a
// message that was repeated and then not seen for as long is over.
const repeatsWindow = time.Minute

// repeatsLimit bounds the messages remembered.
const repeatsLimit = 256

// repeatsCore writes the first of equal warnings and errors and counts the rest: after
// repeatsWindow the next one carries their number, and when none came for as
// long a last line says that it is over. Entries are equal when level,
// message and the fields line, code, block, of and roll are; the first one's other
// fields stand for all. What answers a person, which the field by shows, is always
// written: whoever tries again looks for the new answer.
type repeatsCore struct {
	zapcore.Core
	prefix string // from fields added by With
	state  *repeatsState
}

type repeatsState struct {
	mu   sync.Mutex
	seen map[string]*repeated
}

type repeated struct {
	entry   zapcore.Entry
	key     string
	core    zapcore.Core // with the fields of its logger
	written time.Time
	last    time.Time
	count   int // not written since written
}

func newRepeatsCore(c zapcore.Core) zapcore.Core {
	return &repeatsCore{Core: c, state: &repeatsState{seen: map[string]*repeated{}}}
}

func repeatsKey(fields []zapcore.Field) string {
	var b strings.Builder
	for _, f := range fields {
		switch f.Key {
		case "line", "code", "block", "of", "roll":
			b.WriteByte(0)
			b.WriteString(f.String)
			b.WriteString(strconv.FormatInt(f.Integer, 10))
			if s, ok := f.Interface.(fmt.Stringer); ok {
				b.WriteString(s.String())
			}
		}
	}
	return b.String()
}

func (c *repeatsCore) With(fields []zapcore.Field) zapcore.Core {
	return &repeatsCore{Core: c.Core.With(fields), prefix: c.prefix + repeatsKey(fields), state: c.state}
}

func (c *repeatsCore) Check(e zapcore.Entry, ce *zapcore.CheckedEntry) *zapcore.CheckedEntry {
	if c.Enabled(e.Level) {
		return ce.AddCore(e, c)
	}
	return ce
}

func (c *repeatsCore) Write(e zapcore.Entry, fields []zapcore.Field) error {
	e.Message = present.Clean(e.Message) // the encoders escape the fields alone
	if e.Level < zapcore.WarnLevel || slices.ContainsFunc(fields, func(f zapcore.Field) bool { return f.Key == "by" }) {
		return c.Core.Write(e, fields)
	}
	key := e.Level.String() + "\x00" + e.Message + c.prefix + repeatsKey(fields)
	s := c.state
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.sweep(e.Time, key); err != nil {
		return err
	}
	f := s.seen[key]
	switch {
	case f == nil:
		s.seen[key] = &repeated{entry: e, key: key, core: c.Core, written: e.Time, last: e.Time}
	case e.Time.Sub(f.written) < repeatsWindow:
		f.count++
		f.last = e.Time
		return nil
	default:
		if f.count > 0 {
			fields = append(slices.Clone(fields), zap.Int("repeats", f.count))
		}
		f.written, f.last, f.count = e.Time, e.Time, 0
	}
	return c.Core.Write(e, fields)
}

// sweep forgets messages that are over, but for the one at hand, and says so
// of those that were repeated.
func (s *repeatsState) sweep(now time.Time, but string) error {
	var over []*repeated
	for key, f := range s.seen {
		if key != but && now.Sub(f.last) >= repeatsWindow {
			over = append(over, f)
		}
	}
	if len(over) == 0 && len(s.seen) >= repeatsLimit {
		oldest := (*repeated)(nil)
		for key, f := range s.seen {
			if key != but && (oldest == nil || f.last.Before(oldest.last)) {
				oldest = f
			}
		}
		over = append(over, oldest)
	}
	return s.forget(over)
}

func (s *repeatsState) forget(over []*repeated) error {
	slices.SortFunc(over, func(a, b *repeated) int {
		return cmp.Or(a.last.Compare(b.last), cmp.Compare(a.key, b.key))
	})
	for _, f := range over {
		delete(s.seen, f.key)
		if f.count == 0 {
			continue
		}
		e := f.entry
		e.Time = f.last
		if err := f.core.Write(e, []zapcore.Field{zap.Int("repeats", f.count), zap.Bool("over", true)}); err != nil {
			return err
		}
	}
	return nil
}

// Sync writes what is still counted.
func (c *repeatsCore) Sync() error {
	s := c.state
	s.mu.Lock()
	defer s.mu.Unlock()
	all := make([]*repeated, 0, len(s.seen))
	for _, f := range s.seen {
		all = append(all, f)
	}
	if err := s.forget(all); err != nil {
		return err
	}
	return c.Core.Sync()
}
