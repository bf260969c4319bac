package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"time"
)

var (
	// ErrInUse says that another process has the journal open.
	ErrInUse = errors.New("the journal is in use")
	// ErrFull says that the disk has no room for a record.
	ErrFull = errors.New("the disk is full")
	// ErrDisk says that the disk failed to read, to write or to synchronise.
	ErrDisk = errors.New("the disk fails")
	// ErrNewer says that a newer version of the program wrote the journal.
	ErrNewer = errors.New("the journal is newer than this program")
	// ErrForeign says that the file is a sound database of something else.
	ErrForeign = errors.New("the file is not a journal")
)

// DamageError says that a journal can be read but does not hold what was
// written to it.
type DamageError struct {
	Path    string
	Seq     uint64 // the record it was found at, 0 when it is the file
	Problem string
}

// Error names the file, the record and what is wrong.
func (e *DamageError) Error() string {
	if e.Seq == 0 {
		return fmt.Sprintf("journal %s is damaged: %s", e.Path, e.Problem)
	}
	return fmt.Sprintf("journal %s is damaged at record %d: %s", e.Path, e.Seq, e.Problem)
}

// applicationID marks the file as a journal of this program: "lapg".
const applicationID = 0x6C617067

// schemaVersion is the schema that this program writes.
const schemaVersion = len(migrations)

// migrations bring a journal from schema n to n + 1; the first begins it. One
// that was released is never changed.
var migrations = [...]func(context.Context, *sql.Tx) error{
	func(ctx context.Context, tx *sql.Tx) error {
		for _, s := range []string{
			`CREATE TABLE schema (version INTEGER PRIMARY KEY, applied_at INTEGER NOT NULL) STRICT`,
			`CREATE TABLE records (
	seq       INTEGER PRIMARY KEY,
	at        INTEGER NOT NULL,
	kind      TEXT    NOT NULL,
	roll_no   INTEGER NOT NULL,
	body      TEXT    NOT NULL,
	prev_hash BLOB    NOT NULL,
	hash      BLOB    NOT NULL
) STRICT`,
			`CREATE INDEX records_by_roll ON records (roll_no, seq) WHERE roll_no <> 0`,
			`CREATE TRIGGER records_never_change BEFORE UPDATE ON records
BEGIN SELECT RAISE(ABORT, 'records are never changed'); END`,
			`CREATE TRIGGER records_never_leave BEFORE DELETE ON records
BEGIN SELECT RAISE(ABORT, 'records are never removed'); END`,
		} {
			if _, err := tx.ExecContext(ctx, s); err != nil {
				return err
			}
		}
		return nil
	},
	func(ctx context.Context, tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `CREATE INDEX records_by_time ON records (at)`)
		return err
	},
}

// timeIndexed is the schema from which on records are found by their time.
const timeIndexed = 2

// uri names the file to SQLite. busy is how long another connection is waited
// for: a reader that opens while the writer recovers, for instance.
func uri(path, query string) string {
	u := url.URL{Scheme: "file", Path: path, RawQuery: query + "&_pragma=busy_timeout(5000)"}
	return u.String()
}

func openWriter(ctx context.Context, path string) (*sql.DB, error) {
	if err := thrifty(); err != nil {
		return nil, fmt.Errorf("journal %s: %w", path, err)
	}
	db, err := sql.Open("sqlite", uri(path,
		"mode=rwc&_txlock=immediate&_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)&_pragma=fullfsync(1)"+
			"&_pragma=checkpoint_fullfsync(1)&_pragma=wal_autocheckpoint(0)"+cachedPages))
	if err != nil {
		return nil, fmt.Errorf("journal %s: %w", path, inWords(err))
	}
	db.SetMaxOpenConns(1)
	db.SetMaxIdleConns(1)
	db.SetConnMaxLifetime(0)
	// What durability rests on is read back, not trusted.
	var mode string
	var sync int
	err = inWords(db.QueryRowContext(ctx, `PRAGMA journal_mode`).Scan(&mode))
	if err == nil {
		err = inWords(db.QueryRowContext(ctx, `PRAGMA synchronous`).Scan(&sync))
	}
	if err == nil && (mode != "wal" || sync != 2) {
		err = fmt.Errorf("the file system gives journal_mode %s and synchronous %d, want wal and 2; "+
			"put the journal on a local disk", mode, sync)
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("journal %s: %w", path, err), db.Close())
	}
	return db, nil
}

// migrate brings a journal of an older schema up, or begins one.
func migrate(ctx context.Context, db *sql.DB, path string, version int, now time.Time) (steps int, err error) {
	if version == schemaVersion {
		return 0, nil
	}
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return 0, fmt.Errorf("journal %s: %w", path, inWords(err))
	}
	defer func() {
		if err != nil {
			err = errors.Join(fmt.Errorf("journal %s: schema: %w", path, inWords(err)), tx.Rollback())
		}
	}()
	for v := version; v < schemaVersion; v++ {
		if err := migrations[v](ctx, tx); err != nil {
			return 0, fmt.Errorf("step %d: %w", v+1, err)
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO schema (version, applied_at) VALUES (?, ?)`, v+1, now.UnixMicro()); err != nil {
			return 0, fmt.Errorf("step %d: %w", v+1, err)
		}
		steps++
	}
	if _, err := tx.ExecContext(ctx, fmt.Sprintf(`PRAGMA application_id = %d`, applicationID)); err != nil {
		return 0, err
	}
	return steps, tx.Commit()
}

type querier interface {
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

// readVersion returns the schema of a file, 0 for one that has no tables.
func readVersion(ctx context.Context, q querier) (int, error) {
	var tables, id, own, version int
	if err := q.QueryRowContext(ctx, `PRAGMA application_id`).Scan(&id); err != nil {
		return 0, err
	}
	if id != applicationID {
		if err := q.QueryRowContext(ctx, `SELECT count(*) FROM sqlite_master`).Scan(&tables); err != nil || tables == 0 {
			return 0, err
		}
		if err := q.QueryRowContext(ctx,
			`SELECT count(*) FROM sqlite_master WHERE type = 'table' AND name IN ('schema', 'records')`).Scan(&own); err != nil {
			return 0, err
		}
		if own != 2 {
			return 0, fmt.Errorf("%w: application id %08X, want %08X; name another path for the journal",
				ErrForeign, uint32(id), uint32(applicationID))
		}
	}
	if err := q.QueryRowContext(ctx, `SELECT coalesce(max(version), 0) FROM schema`).Scan(&version); err != nil {
		return 0, err
	}
	if version > schemaVersion {
		return 0, fmt.Errorf("%w: its schema is %d, this program knows %d; run the newer program, or begin another journal",
			ErrNewer, version, schemaVersion)
	}
	return version, nil
}

// tail is how many of the newest records Open checks.
const tail = 10_000

// checkTail proves what Open relies on, read-only, so that a damaged journal
// stays as it was found. It returns a *DamageError for damage.
func checkTail(ctx context.Context, path string) (err error) {
	if n, err := size(path); err == nil && n <= 0 {
		if empty, err := emptyLog(path); err != nil || empty {
			return err
		}
		return &DamageError{Path: path, Problem: "the file is gone or empty, its write-ahead log is not"}
	}
	r, err := OpenReader(ctx, path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, r.Close()) }()
	head, err := r.Head(ctx)
	if err != nil {
		return err
	}
	from, _, err := r.start(ctx)
	if err != nil {
		return err
	}
	if head.Seq > tail {
		from = max(from, head.Seq-tail+1)
	}
	return r.unbroken(ctx, from, 0, func(Entry) error { return nil })
}

// Sound proves, read-only, that a journal is still there with its first records up to
// least, and that its newest are whole. It returns a *DamageError where that is not so.
func Sound(ctx context.Context, path string, least uint64) (err error) {
	there, err := present(path)
	if err != nil {
		return err
	}
	if !there {
		return &DamageError{Path: path, Problem: "the file is gone or empty"}
	}
	if err := checkTail(ctx, path); err != nil {
		return err
	}
	r, err := OpenReader(ctx, path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, r.Close()) }()
	head, err := r.Head(ctx)
	if err == nil && head.Seq < least {
		err = &DamageError{Path: path, Problem: fmt.Sprintf("it has %d records, and had %d", head.Seq, least)}
	}
	return err
}

// emptyLog reports whether the write-ahead log holds no transaction: a first
// start that was cut short leaves an empty file and a log of a header only.
func emptyLog(path string) (bool, error) {
	const header = 32
	logged, err := size(path + parts[1])
	return err == nil && logged <= header, err
}
