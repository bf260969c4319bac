package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
)

// A reader writes nothing, on any medium and as any user. How it opens a journal
// follows from what lies beside it:
//
//	index and log   a daemon is writing, or was killed: read through both, the index
//	                as it is
//	log alone       brought here without the index: an index is made in memory
//	neither         closed, or a copy: the one file, which nobody changes
//
// The last two take no lock, so what was read counts only where the file was left
// alone meanwhile; see unchanged.

// ErrLog says that records lie beside a journal in a log that cannot be read. Without
// it the newest records would be missing.
var ErrLog = errors.New("records beside it cannot be read")

// ErrChanged says that a journal was written while it was read without a lock.
var ErrChanged = errors.New("the journal was written while it was read; read it again")

// openReading opens the database of a journal. It takes no lock where locked is false.
func openReading(path string) (db *sql.DB, locked bool, err error) {
	log, index := path+parts[1], path+parts[2]
	how := "immutable=1"
	logged, err := size(log)
	if err != nil {
		return nil, false, err
	}
	indexed, err := size(index)
	if err != nil {
		return nil, false, err
	}
	switch {
	case logged >= 0 && indexed >= 0:
		how, locked = "readonly_shm=1", true
	case logged > 0:
		how = "vfs=unix-none&_pragma=locking_mode(EXCLUSIVE)"
	}
	for _, part := range []struct {
		path string
		size int64
		err  error
	}{{path, 1, nil}, {log, logged, ErrLog}, {index, indexed, ErrLog}} {
		if part.size <= 0 {
			continue
		}
		if err := readable(part.path); err != nil {
			return nil, false, unread(path, part.err, err)
		}
	}
	if err := thrifty(); err != nil {
		return nil, false, fmt.Errorf("journal %s: %w", path, err)
	}
	db, err = sql.Open("sqlite", uri(path, "mode=ro&_pragma=query_only(1)&"+how))
	if err != nil {
		return nil, false, fmt.Errorf("journal %s: %w", path, err)
	}
	return db, locked, nil
}

func unread(path string, kind, err error) error {
	if kind == nil {
		return fmt.Errorf("journal: %w", err)
	}
	return fmt.Errorf("journal %s: %w: %w; let this account read that file too, or copy the files that begin with this name together",
		path, kind, err)
}

// size is that of a file, -1 where there is none.
func size(path string) (int64, error) {
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return -1, nil
	}
	if err != nil {
		return 0, fmt.Errorf("journal: %w", err)
	}
	return info.Size(), nil
}

// unchanged returns an ErrChanged where the journal was read without a lock and was
// written meanwhile: what was found in it then counts for nothing.
func (r *Reader) unchanged() error {
	if r.locked {
		return nil
	}
	now, err := os.Stat(r.path)
	if err != nil {
		return fmt.Errorf("journal: %w", err)
	}
	if now.Size() != r.was.Size() || !now.ModTime().Equal(r.was.ModTime()) || !os.SameFile(now, r.was) {
		return fmt.Errorf("journal %s: %w", r.path, ErrChanged)
	}
	return nil
}

// damage is an error that says that the journal is damaged, unless it was only
// written meanwhile.
func (r *Reader) damage(seq uint64, problem string) error {
	if err := r.unchanged(); err != nil {
		return err
	}
	return &DamageError{Path: r.path, Seq: seq, Problem: problem}
}

// readVersion reads the schema that a reader finds, and what is wrong with it.
func (r *Reader) readVersion(ctx context.Context) (err error) {
	if r.version, err = readVersion(ctx, r.db); err != nil {
		return r.wrap(ctx, err)
	}
	if r.version > 0 {
		return nil
	}
	// Nothing was ever committed, or what was is gone.
	var tables int
	if err := r.db.QueryRowContext(ctx, `SELECT count(*) FROM sqlite_master`).Scan(&tables); err != nil {
		return r.wrap(ctx, err)
	}
	if tables > 0 {
		return r.damage(0, "its schema has no version")
	}
	return nil
}
