package journal

import (
	"context"
	"errors"
	"sync"
)

// Shared is the journal of a line within the process that writes it. Whatever else of that
// process reads it does so here, for SQLite has one index of a file for all connections of
// a process: where one that only reads opens it first, none can write. So a journal is
// opened for writing, and changes its files, only while nobody reads it here. It is safe
// for concurrent use.
type Shared struct {
	path string
	mu   sync.RWMutex // held to read, and alone to open or change files
}

// NewShared is the journal at path, which need not be there yet.
func NewShared(path string) *Shared { return &Shared{path: path} }

// Path is that of the journal.
func (s *Shared) Path() string { return s.path }

// Read opens the journal by OpenReader or OpenWhole, has f read it and closes it again. It
// waits while the journal is opened for writing. f waits for nobody: the line waits for it
// when it opens the journal.
func (s *Shared) Read(ctx context.Context, open func(context.Context, string) (*Reader, error), f func(*Reader) error) (err error) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	r, err := open(ctx, s.path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, r.Close()) }()
	return f(r)
}

// Alone waits until nobody reads the journal here, and has f open it or change its files.
func (s *Shared) Alone(f func() error) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return f()
}

// TryAlone is Alone for what can wait: where somebody reads the journal here, it does
// nothing and reports false.
func (s *Shared) TryAlone(f func()) bool {
	if !s.mu.TryLock() {
		return false
	}
	defer s.mu.Unlock()
	f()
	return true
}
