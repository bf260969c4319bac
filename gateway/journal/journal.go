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
	insert  *sql.Stmt
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

// Append makes a record durable and returns it as stored. When it returns an
// error the record may or may not be on disk. After an error of writing, every
// later Append returns the same error, until the journal is opened anew; a
// record that cannot be stored as JSON is refused and leaves the journal as it
// was. A context that ends does not stop a write that has begun.
func (j *Journal) Append(ctx context.Context, r record.Record) (record.Stored, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.append(ctx, r)
}

func (j *Journal) append(ctx context.Context, r record.Record) (record.Stored, error) {
	kind := r.Kind()
	body, stored, err := encode(r)
	if err != nil {
		return record.Stored{}, fmt.Errorf("journal %s: %w", j.path, err)
	}
	if j.failed != nil {
		return record.Stored{}, j.failed
	}
	if j.closed {
		return record.Stored{}, fmt.Errorf("journal %s: %w", j.path, os.ErrClosed)
	}
	if err := ctx.Err(); err != nil {
		return record.Stored{}, fmt.Errorf("journal %s: record %s not begun: %w", j.path, kind, err)
	}
	if err := j.files.still(j.path); err != nil {
		j.failed = fmt.Errorf("journal %s: record %d (%s) was not written: %w; nothing more is written; "+
			"find the file, stop the daemon, put it back and start again", j.path, j.head.Seq+1, kind, err)
		return record.Stored{}, j.failed
	}
	at := time.UnixMicro(j.clock().UnixMicro()).UTC()
	next := Head{Seq: j.head.Seq + 1}
	next.Hash = hashOf(j.head.Hash, next.Seq, at.UnixMicro(), string(kind), body)
	// One statement is one transaction, synchronised when it returns.
	_, err = j.insert.ExecContext(context.WithoutCancel(ctx), int64(next.Seq), at.UnixMicro(), string(kind),
		int64(stored.RollNo()), string(body), j.head.Hash[:], next.Hash[:])
	if err != nil {
		j.failed = fmt.Errorf("journal %s: record %d (%s) could not be written: %w; "+
			"nothing more is written to this open file; mend the cause and start again, which checks the journal first",
			j.path, next.Seq, kind, inWords(err))
		return record.Stored{}, j.failed
	}
	j.head = next
	if kind == record.KindDoubt || kind == record.KindAccept {
		j.told = true
	}
	if j.since++; j.since >= checkpointEvery {
		// The record is durable in any case; a failure is for the next one.
		j.since = 0
		j.failed = j.checkpoint(context.WithoutCancel(ctx))
		_ = j.keep() // what is kept may lag, and the close tells
	}
	return record.Stored{Seq: next.Seq, At: at, Record: stored}, nil
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
	whole := j.failed == nil && j.insert != nil
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
	var errs []error
	if j.insert != nil {
		errs = append(errs, j.insert.Close())
	}
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
	j.insert, j.write = nil, nil
	return errors.Join(errs...)
}
