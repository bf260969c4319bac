// Package journal is the durable record of one line: an append-only table in
// an SQLite file, each record chained to the one before it by a hash. A record
// that Append returned is on disk; nothing that depends on a record may go out
// before that.
//
// A record is one row:
//
//	seq  INTEGER  1, 2, 3 … without holes
//	at   INTEGER  wall clock, microseconds since 1970 UTC, for people only
//	kind TEXT     SESSION, REQUEST, INTENT, COMMIT, VERDICT, VOID, OUTCOME, …
//	roll_no       the roll it is about, 0 none; repeats the body, for searching
//	body TEXT     the record as JSON
//	prev_hash     hash of the record seq − 1, 32 bytes; zeros for the first
//	hash          of this record, 32 bytes:
//
//	   ┌───────────┬───────┬───────┬──────────┬──────┬──────────┬──────┐
//	   │ prev_hash │  seq  │  at   │ len kind │ kind │ len body │ body │
//	   │    32     │   8   │   8   │    4     │      │    4     │      │
//	   └───────────┴───────┴───────┴──────────┴──────┴──────────┴──────┘
//	                   SHA-256, numbers big-endian
//
// The chain shows a record that was changed, taken out, put in or moved. It
// cannot show that its end was cut off: for that its head, which is the last
// number and hash, has to be kept elsewhere (see Head and ExpectHead).
//
// The file is in write-ahead mode with full synchronisation. One process has
// it open for writing, held by a lock on a file beside it; any number may read
// it meanwhile. After a write that failed the journal refuses every other: a
// synchronisation that failed is never repeated on an open file.
package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"strings"
	"sync"
	"time"

	"lapgate/gateway/record"
)

// Journal is the journal of one line, open for appending. It is safe for
// concurrent use.
type Journal struct {
	*Reader
	lock    *os.File
	write   *sql.DB
	inserts []*sql.Stmt // of one record, of two and so on; nil for one that was not needed yet
	clock   func() time.Time
	owner   Owner // zero for nobody in particular
	proved  bool  // by whoever replays it next, not at opening
	unread  bool  // while it is opened so
	folders *Folders
	name    string // of the installation
	doubts  []string
	told    bool // that the doubts are records
	opened  Opened
	files   opened // as they were when they were opened

	mu     sync.Mutex
	head   Head
	first  uint64    // record of the file
	begun  time.Time // when that was made
	from   Head      // from which a new file goes on
	since  int       // records since the log was carried over
	failed error
	closed bool
}

// Option changes how a journal is opened.
type Option func(*Journal)

// Opened tells what Open found and did.
type Opened struct {
	Created  bool   // a new journal was begun
	Records  uint64 // found in it
	Head     Head   // found in it, zero when new
	Migrated int    // steps of the schema that were brought up
	Again    bool   // it was not closed, and what was written last was written again

	// SetAside is where the files of a journal that failed its check were
	// moved to, untouched; empty when there was none. The caller owes the new
	// journal a GAP record and people an alarm. Problem says what was wrong.
	SetAside string
	Problem  string
}

// Opened tells what Open found and did.
func (j *Journal) Opened() Opened { return j.opened }

// SetAside tells where the journal that stood here before was moved to, because it
// was damaged or contradicted itself, and what was wrong. Both are empty where none
// was.
func (j *Journal) SetAside() (path, problem string) { return j.opened.SetAside, j.opened.Problem }

// Head returns the end of the chain as it stands now.
func (j *Journal) Head() Head {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.head
}

// Append makes records durable, all of them or none, and returns them as stored. It
// synchronises once, however many they are. When it returns an error the records may or
// may not be on disk. After an error of writing, every later Append returns the same
// error, until the journal is opened anew; records of which one cannot be stored as JSON
// are refused and leave the journal as it was. A context that ends does not stop a write
// that has begun.
func (j *Journal) Append(ctx context.Context, records ...record.Record) ([]record.Stored, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.append(ctx, records...)
}

func (j *Journal) append(ctx context.Context, records ...record.Record) ([]record.Stored, error) {
	if len(records) == 0 {
		return nil, nil
	}
	stored := make([]record.Stored, len(records))
	rows := make([]any, 0, 7*len(records))
	at := time.UnixMicro(j.clock().UnixMicro()).UTC()
	head := j.head
	for i, r := range records {
		body, back, err := encode(r)
		if err != nil {
			return nil, fmt.Errorf("journal %s: %w", j.path, err)
		}
		before, next := head, Head{Seq: head.Seq + 1}
		next.Hash = hashOf(before.Hash, next.Seq, at.UnixMicro(), string(r.Kind()), body)
		rows = append(rows, int64(next.Seq), at.UnixMicro(), string(r.Kind()), int64(back.RollNo()), string(body), before.Hash[:], next.Hash[:])
		stored[i] = record.Stored{Seq: next.Seq, At: at, Record: back}
		head = next
	}
	if err := j.insertAll(ctx, records, rows); err != nil {
		return nil, err
	}
	j.head = head
	for _, r := range records {
		if k := r.Kind(); k == record.KindDoubt || k == record.KindAccept {
			j.told = true
		}
	}
	if j.since += len(records); j.since >= checkpointEvery {
		// The records are durable in any case; a failure is for the next one.
		j.since = 0
		j.failed = j.checkpoint(context.WithoutCancel(ctx))
		_ = j.keep() // what is kept may lag, and the close tells
	}
	return stored, nil
}

// insertAll writes the rows of records, unless the journal is not to be written to any more.
func (j *Journal) insertAll(ctx context.Context, records []record.Record, rows []any) error {
	if j.failed != nil {
		return j.failed
	}
	kind := records[0].Kind()
	if j.closed {
		return fmt.Errorf("journal %s: %w", j.path, os.ErrClosed)
	}
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("journal %s: record %s not begun: %w", j.path, kind, err)
	}
	if err := j.files.still(j.path); err != nil {
		j.failed = fmt.Errorf("journal %s: record %d (%s) was not written: %w; nothing more is written; "+
			"find the file, stop the daemon, put it back and start again", j.path, j.head.Seq+1, kind, err)
		return j.failed
	}
	ctx = context.WithoutCancel(ctx)
	insert, err := j.insert(ctx, len(records))
	if err == nil {
		// One statement is one transaction, synchronised when it returns.
		_, err = insert.ExecContext(ctx, rows...)
	}
	if err != nil {
		j.failed = fmt.Errorf("journal %s: record %d (%s) could not be written: %w; "+
			"nothing more is written to this open file; mend the cause and start again, which checks the journal first",
			j.path, j.head.Seq+1, kind, inWords(err))
	}
	return j.failed
}

// insert is the statement that inserts so many records.
func (j *Journal) insert(ctx context.Context, n int) (*sql.Stmt, error) {
	if n <= len(j.inserts) && j.inserts[n-1] != nil {
		return j.inserts[n-1], nil
	}
	const one = `(?, ?, ?, ?, ?, ?, ?)`
	s, err := j.write.PrepareContext(ctx, `INSERT INTO records (`+columns+`) VALUES `+one+strings.Repeat(`, `+one, n-1))
	if err != nil {
		return nil, err
	}
	for len(j.inserts) < n {
		j.inserts = append(j.inserts, nil)
	}
	j.inserts[n-1] = s
	return s, nil
}

// closeInserts closes the statements that insert.
func (j *Journal) closeInserts() error {
	var errs []error
	for _, s := range j.inserts {
		if s != nil {
			errs = append(errs, s.Close())
		}
	}
	j.inserts = nil
	return errors.Join(errs...)
}

// Close frees the journal. It does not change what is durable. Where nothing failed
// the journal is one file after it, but for one that is read meanwhile.
func (j *Journal) Close() error {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.closed {
		return nil
	}
	j.closed = true
	return errors.Join(j.release(), j.lock.Close())
}

// release closes the database and keeps the lock. After a failure everything stays
// as it is, markers too.
func (j *Journal) release() (err error) {
	whole := j.failed == nil && j.inserts != nil
	if whole {
		err = errors.Join(j.files.still(j.path), j.checkpoint(context.Background()))
		if err == nil {
			err = j.keep()
		}
		whole = err == nil
	}
	if err = errors.Join(err, j.closeFiles(whole)); err == nil && whole {
		return j.unmark(j.path)
	}
	return err
}

// closeFiles closes what is open of the database. The connection closed last carries
// the log over and removes it, unless it can only read: where the log is to stay, one that
// only reads is the last. Where that cannot be had of the same files, the connection stays
// open until the process ends.
func (j *Journal) closeFiles(whole bool) error {
	if j.write == nil {
		return nil
	}
	errs := []error{j.closeInserts()}
	if !whole && j.Reader != nil {
		last, err := OpenReader(context.Background(), j.path)
		if err == nil {
			defer func() { _ = last.Close() }() // only read from
			err = j.files.still(j.path)
		}
		if err != nil {
			// A connection that is in use is not closed with its database.
			_, err = j.write.Conn(context.Background())
			errs = append(errs, err)
		}
	}
	errs = append(errs, j.write.Close())
	j.write = nil
	return errors.Join(errs...)
}
