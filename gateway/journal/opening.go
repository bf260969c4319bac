package journal

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"
)

// Open opens the journal at path for appending, or begins it. The directory
// must exist.
//
// It fails when another process has the journal open (ErrInUse), when its
// schema is newer than this program (ErrNewer), when the file is another
// program's database (ErrForeign), and when the file cannot be read or
// written. A journal that can be read but is damaged is no error: it is set
// aside under another name and a new one is begun; see Opened. Only the newest
// records are checked here, Verify checks all.
func Open(ctx context.Context, path string, options ...Option) (*Journal, error) {
	return openBy(ctx, path, time.Now, options...)
}

// openBy opens a journal whose records are dated by a clock.
func openBy(ctx context.Context, path string, clock func() time.Time, options ...Option) (*Journal, error) {
	path, err := filepath.Abs(path)
	if err != nil {
		return nil, fmt.Errorf("journal %s: %w", path, err)
	}
	lock, err := lockFile(path)
	if err != nil {
		return nil, err
	}
	j := &Journal{lock: lock, clock: clock, folders: new(Folders)}
	for _, o := range options {
		o(j)
	}
	if err := j.open(ctx, path); err != nil {
		return nil, errors.Join(err, j.Close())
	}
	return j, nil
}

// ProvedByReplay is for who replays a journal next. A journal that was closed in good order
// is then opened without reading it first: what is wrong with its records is a
// *DamageError of Replay, and BeginAnew sets it aside.
func ProvedByReplay() Option { return func(j *Journal) { j.proved = true } }

func (j *Journal) open(ctx context.Context, path string) error {
	if err := settleNext(path); err != nil {
		return fmt.Errorf("journal %s: %w", path, err)
	}
	exists, err := present(path)
	if err != nil {
		return err
	}
	again := false
	if exists {
		if again, err = j.marked(path); err != nil {
			return err
		}
	}
	if exists && !again && j.proved && inOrder(path) {
		j.unread = true
		err := j.begin(ctx, path)
		j.unread = false
		if !broken(err) && !errors.Is(err, errOlder) {
			return err
		}
		if err := j.withdraw(path); err != nil {
			return err
		}
	}
	if exists {
		err := checkTail(ctx, path)
		var damage *DamageError
		switch {
		case errors.As(err, &damage):
			if j.opened.SetAside, err = setAside(path, j.clock()); err != nil {
				return fmt.Errorf("journal %s is damaged (%s) and could not be set aside: %w", path, damage.Problem, err)
			}
			j.opened.Problem = damage.Error()
			exists, again = false, false
		case err != nil:
			return err
		}
	}
	if j.opened.Again = again; again {
		if err := writeAgain(path + parts[1]); err != nil {
			return fmt.Errorf("journal %s was not closed, and what was written last could not be written again: %w; "+
				"look at the system's log and at the disk", path, err)
		}
	}
	j.opened.Created = !exists
	return j.begin(ctx, path)
}

// errOlder says that the schema is to be brought up, before which the records are read: a
// damaged journal stays as it was found.
var errOlder = errors.New("its schema is older")

// inOrder reports whether a file looks as one does that was closed: this program's, in
// write-ahead mode, and nothing beside it. To open that for writing changes nothing of it.
func inOrder(path string) bool {
	for _, beside := range []string{parts[1], parts[2], "-journal"} {
		if n, err := size(path + beside); err != nil || n >= 0 {
			return false
		}
	}
	f, err := os.Open(path)
	if err != nil {
		return false
	}
	defer func() { _ = f.Close() }() // only read
	// Offsets of the file format of SQLite, section 1.3.
	const length, writeVersion, readVersion, application, writeAhead = 100, 18, 19, 68, 2
	var h [length]byte
	if _, err := io.ReadFull(f, h[:]); err != nil {
		return false
	}
	return strings.HasPrefix(string(h[:]), magic) && h[writeVersion] == writeAhead && h[readVersion] == writeAhead &&
		binary.BigEndian.Uint32(h[application:]) == applicationID
}

// broken reports whether an error speaks of what the file holds.
func broken(err error) bool { return errors.As(err, new(*DamageError)) || damaged(err) }

// withdraw closes what was opened before anything was written, and leaves the file as it
// was found.
func (j *Journal) withdraw(path string) error {
	errs := []error{j.closeInserts()}
	if j.write != nil {
		errs = append(errs, j.write.Close())
	}
	j.write, j.Reader, j.head, j.opened = nil, nil, Head{}, Opened{}
	return errors.Join(append(errs, j.unmark(path))...)
}

// BeginAnew sets the journal aside, untouched, for a reason that its reader found
// and Open did not: its records contradict each other, or one is damaged. It goes on with
// a new one in its place, under the same lock; see Opened. After an error the journal can
// only be closed.
func (j *Journal) BeginAnew(ctx context.Context, problem string) error {
	j.mu.Lock()
	defer j.mu.Unlock()
	path := j.path
	if err := j.release(); err != nil {
		return fmt.Errorf("journal %s: %w", path, err)
	}
	aside, err := setAside(path, j.clock())
	if err != nil {
		return fmt.Errorf("journal %s cannot be gone on with (%s) and could not be set aside: %w", path, problem, err)
	}
	j.opened = Opened{Created: true, SetAside: aside, Problem: problem}
	return j.begin(ctx, path)
}

// begin opens the database for writing and for reading, and brings its schema up.
func (j *Journal) begin(ctx context.Context, path string) (err error) {
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("journal %s: not opened: %w", path, err)
	}
	ctx = context.WithoutCancel(ctx) // see database
	if err := makePrivate(path); err != nil {
		return err
	}
	if err := j.mark(path); err != nil {
		return err
	}
	if j.write, err = openWriter(ctx, path); err != nil {
		return err
	}
	version, err := readVersion(ctx, j.write)
	if err != nil {
		return fmt.Errorf("journal %s: schema: %w", path, inWords(err))
	}
	if j.unread && version != schemaVersion {
		return errOlder
	}
	if err := j.syncNames(path); err != nil {
		return fmt.Errorf("journal %s: %w", path, err)
	}
	if j.opened.Migrated, err = migrate(ctx, j.write, path, version, j.clock()); err != nil {
		return err
	}
	// Read by the connection that writes: a second one for each line would take as much
	// memory again.
	j.Reader = &Reader{path: path, db: database{j.write, true}, version: schemaVersion, locked: true}
	if j.opened.Again {
		if err := j.checkpoint(ctx); err != nil {
			return err
		}
	}
	if j.files, err = identifyParts(path); err != nil {
		return err
	}
	if j.head, err = j.Reader.Head(ctx); err != nil {
		return err
	}
	j.opened.Head, j.opened.Records = j.head, j.head.Seq
	if err := j.measure(ctx); err != nil {
		return err
	}
	if _, err := j.insert(ctx, 1); err != nil {
		return fmt.Errorf("journal %s: %w", path, inWords(err))
	}
	return j.own(ctx)
}

// measure finds where the file begins.
func (j *Journal) measure(ctx context.Context) error {
	if j.head == (Head{}) {
		j.head = j.from
		j.first, j.begun = j.head.Seq+1, j.clock()
		return nil
	}
	var first, at int64
	if err := j.write.QueryRowContext(ctx, `SELECT seq, at FROM records ORDER BY seq LIMIT 1`).Scan(&first, &at); err != nil {
		return j.wrap(ctx, err)
	}
	j.first, j.begun = uint64(first), time.UnixMicro(at).UTC()
	return nil
}
