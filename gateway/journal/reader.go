package journal

import (
	"bufio"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"lapgate/gateway/plainfile"
	"lapgate/gateway/record"
	"lapgate/recipe"
)

// Reader reads a journal without writing to it, also while a daemon appends to
// it. It is safe for concurrent use.
type Reader struct {
	path    string
	db      database
	version int
	locked  bool        // a daemon that writes meanwhile does no harm
	was     os.FileInfo // of the file when it was opened
	to      uint64      // the last record of an archive, 0 for none known
	whole   bool        // opened with its archives
	older   []*Reader   // archives, oldest first
	apart   []Archive   // that lie beside and do not go on into the others
	chain   Chain       // that is read in place of a file; nil for a file
}

// database is a database that is read from.
type database struct {
	*sql.DB
	// writes says that a journal is written by the same connection. One that is interrupted
	// is closed by database/sql and opened again, and where somebody began to read the
	// journal in between, the index would be read-only for it: so a query that began is
	// finished.
	writes bool
}

// QueryContext is that of sql.DB.
func (d database) QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error) {
	ctx, err := d.steady(ctx)
	if err != nil {
		return nil, err
	}
	return d.DB.QueryContext(ctx, query, args...)
}

// QueryRowContext is that of sql.DB.
func (d database) QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row {
	if steady, err := d.steady(ctx); err == nil {
		ctx = steady
	}
	return d.DB.QueryRowContext(ctx, query, args...)
}

// steady is the context that a query may be called with, or why it is not begun.
func (d database) steady(ctx context.Context) (context.Context, error) {
	if !d.writes {
		return ctx, nil
	}
	return context.WithoutCancel(ctx), ctx.Err()
}

// OpenReader opens the journal at path for reading. Nothing is written for it, so it
// may lie on a medium that cannot be, or belong to another user. Records that lie
// beside it in a log of a daemon are read too, and where they cannot be, that is an
// ErrLog. It also fails with os.ErrNotExist, ErrNewer or ErrForeign, and with a
// *DamageError where the file is not readable as a journal.
func OpenReader(ctx context.Context, path string) (*Reader, error) {
	path, err := filepath.Abs(path)
	if err != nil {
		return nil, fmt.Errorf("journal %s: %w", path, err)
	}
	r := &Reader{path: path}
	const remedy = "name the file of one line, as journal/north.db"
	if r.was, err = os.Stat(path); err != nil {
		return nil, fmt.Errorf("journal %s: %w; %s", path, plainfile.Reason(err), remedy)
	}
	if !r.was.Mode().IsRegular() {
		return nil, fmt.Errorf("journal %s is no file; %s", path, remedy)
	}
	if r.db.DB, r.locked, err = openReading(path); err != nil {
		return nil, err
	}
	r.db.SetMaxOpenConns(2)
	if err := r.readVersion(ctx); err != nil {
		return nil, errors.Join(err, r.db.Close())
	}
	return r, nil
}

// Close frees the reader.
func (r *Reader) Close() error {
	if r.chain != nil {
		return r.chain.Close()
	}
	var errs []error
	for _, f := range r.files() {
		errs = append(errs, f.db.Close())
	}
	return errors.Join(errs...)
}

// wrap names the file and sorts damage from other failures.
func (r *Reader) wrap(ctx context.Context, err error) error {
	if err == nil {
		return nil
	}
	if ctx.Err() == nil && damaged(err) {
		return r.damage(0, inWords(err).Error())
	}
	return fmt.Errorf("journal %s: %w", r.path, inWords(err))
}

// Head returns the end of the chain, as stored.
func (r *Reader) Head(ctx context.Context) (Head, error) {
	if r.chain != nil {
		head, err := r.chain.Head(ctx)
		if err != nil {
			err = fmt.Errorf("%s: %w", r.path, err)
		}
		return head, err
	}
	if r.version == 0 {
		return Head{}, nil
	}
	var seq int64
	var stored any
	err := r.db.QueryRowContext(ctx, `SELECT seq, hash FROM records ORDER BY seq DESC LIMIT 1`).Scan(&seq, &stored)
	if errors.Is(err, sql.ErrNoRows) {
		return Head{}, nil
	}
	if err != nil {
		return Head{}, r.wrap(ctx, err)
	}
	hash, ok := asHash(stored)
	if !ok || seq < 1 {
		return Head{}, r.damage(uint64(seq), "the newest record has no sound number and hash")
	}
	return Head{uint64(seq), hash}, nil
}

// Filter chooses records. A field at zero chooses all.
type Filter struct {
	Roll           uint32
	Kind           record.Kind
	FromSeq, ToSeq uint64    // both inclusive
	From, To       time.Time // from inclusive, to exclusive
	Limit          int       // at most so many, the first ones
	Newest         bool      // with Limit: the last ones instead
}

// where returns the condition and its arguments.
func (f Filter) where(after uint64) (string, []any) {
	// One lower bound: of two SQLite seeks by the first, and reads on from there.
	conds := []string{"seq >= ?"}
	args := []any{int64(max(after+1, f.FromSeq))}
	add := func(cond string, arg any) {
		conds = append(conds, cond)
		args = append(args, arg)
	}
	if f.Roll != 0 {
		add("roll_no = ? AND roll_no <> 0", int64(f.Roll))
	}
	if f.Kind != "" {
		add("kind = ?", string(f.Kind))
	}
	if f.ToSeq != 0 {
		add("seq <= ?", int64(f.ToSeq))
	}
	if !f.From.IsZero() {
		add("at >= ?", f.From.UnixMicro())
	}
	if !f.To.IsZero() {
		add("at < ?", f.To.UnixMicro())
	}
	return strings.Join(conds, " AND "), args
}

// batch is how many rows are read at once, so that no reading transaction
// stays open while somebody works on a record, and the writer's log is free to
// start over.
const batch = 512

// Views are the records chosen as people and other programs read them, in the
// units of a line. The errors are those of Walk.
func (r *Reader) Views(ctx context.Context, f Filter, line *recipe.Line) iter.Seq2[record.View, error] {
	return func(yield func(record.View, error) bool) {
		err := r.Walk(ctx, f, func(e Entry) error {
			v, err := record.ViewOf(e.Stored, line)
			if err == nil && !yield(v, nil) {
				err = errStopped
			}
			return err
		})
		if err != nil && !errors.Is(err, errStopped) {
			yield(record.View{}, err)
		}
	}
}

// errStopped ends a walk that nobody follows any more.
var errStopped = errors.New("the walk was stopped")

// Walk calls f with each record chosen, in order, each proved by its hash and,
// where its predecessor was chosen too, by its link. An error of f stops the
// walk and is returned as it is; a record that does not hold is a
// *DamageError.
func (r *Reader) Walk(ctx context.Context, f Filter, each func(Entry) error) error {
	if f.Newest && f.Limit > 0 {
		return r.walkNewest(ctx, f, each)
	}
	var last Head
	left := f.Limit
	if r.chain != nil {
		_, _, err := r.walk(ctx, f, last, left, each)
		return err
	}
	for _, file := range r.files() {
		if file.version == 0 || f.FromSeq > file.to && file.to != 0 {
			continue
		}
		g, some, err := file.narrow(ctx, f)
		if err != nil {
			return err
		}
		if !some {
			continue
		}
		if last, left, err = file.walk(ctx, g, last, left, each); err != nil || f.Limit > 0 && left == 0 {
			return err
		}
	}
	return nil
}

// walk goes over one file, from a record on, and returns the last record and how many
// are still wanted.
func (r *Reader) walk(ctx context.Context, f Filter, last Head, left int, each func(Entry) error) (Head, int, error) {
	for {
		n := batch
		if f.Limit > 0 {
			n = min(n, left)
		}
		rows, err := r.some(ctx, f, last.Seq, n)
		if err != nil {
			return last, left, err
		}
		if last, err = r.deliver(rows, last, each); err != nil {
			return last, left, err
		}
		left -= len(rows)
		if len(rows) < n || f.Limit > 0 && left == 0 {
			return last, left, nil
		}
	}
}

// walkNewest goes over the last records chosen, oldest first.
func (r *Reader) walkNewest(ctx context.Context, f Filter, each func(Entry) error) error {
	var found []Row
	for _, file := range slices.Backward(r.files()) {
		if r.chain == nil && file.version == 0 || len(found) == f.Limit {
			continue
		}
		rows, err := file.some(ctx, f, 0, f.Limit-len(found))
		if err != nil {
			return err
		}
		found = append(rows, found...)
	}
	_, err := r.deliver(found, Head{}, each)
	return err
}

func (r *Reader) deliver(rows []Row, last Head, each func(Entry) error) (Head, error) {
	for i := range rows {
		e := rows[i].Entry
		if err := rows[i].Err; err != nil {
			return last, r.damage(e.Seq, err.Error())
		}
		if e.Seq <= last.Seq {
			return last, r.damage(e.Seq, fmt.Sprintf("it follows record %d", last.Seq))
		}
		if e.Seq == last.Seq+1 && e.Prev != last.Hash {
			return last, r.damage(e.Seq, "it is not linked to the record before it")
		}
		last = Head{e.Seq, e.Hash}
		if err := each(e); err != nil {
			return last, err
		}
	}
	return last, nil
}

func (r *Reader) rows(ctx context.Context, query string, args ...any) (out []row, err error) {
	q, err := r.db.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, r.wrap(ctx, err)
	}
	defer func() {
		if e := q.Close(); err == nil {
			err = r.wrap(ctx, e)
		}
	}()
	for q.Next() {
		var w row
		if err := q.Scan(w.dest()...); err != nil {
			return out, r.wrap(ctx, err)
		}
		out = append(out, w)
	}
	return out, r.wrap(ctx, q.Err())
}

// Replay calls f with every record in order. An error of f stops it and is
// returned as it is; a record that is missing or does not hold is a
// *DamageError.
func (r *Reader) Replay(ctx context.Context, f func(record.Stored) error) error {
	from, _, err := r.start(ctx)
	if err != nil {
		return err
	}
	return r.unbroken(ctx, from, 0, func(e Entry) error { return f(e.Stored) })
}

// unbroken walks over the records from one to another, 0 for the newest. None before
// the last that is there may be missing.
func (r *Reader) unbroken(ctx context.Context, from, to uint64, each func(Entry) error) error {
	next := from
	return r.Walk(ctx, Filter{FromSeq: from, ToSeq: to}, func(e Entry) error {
		if e.Seq != next {
			return r.damage(e.Seq, fmt.Sprintf("records %d to %d are missing", next, e.Seq-1))
		}
		next++
		return each(e)
	})
}

// List returns the records chosen, in order.
func (r *Reader) List(ctx context.Context, f Filter) ([]record.Stored, error) {
	var out []record.Stored
	err := r.Walk(ctx, f, func(e Entry) error {
		out = append(out, e.Stored)
		return nil
	})
	return out, err
}

// exported is one line of an export.
type exported struct {
	Seq  uint64          `json:"seq"`
	At   time.Time       `json:"at"`
	Kind record.Kind     `json:"kind"`
	Roll uint32          `json:"roll_no"`
	Body json.RawMessage `json:"body"`
	Prev Hash            `json:"prev_hash"`
	Hash Hash            `json:"hash"`
}

// Export writes the records chosen to w, one JSON object a line, with their
// links, and returns their number.
func (r *Reader) Export(ctx context.Context, f Filter, w io.Writer) (n uint64, err error) {
	b := bufio.NewWriter(w)
	enc := json.NewEncoder(b)
	enc.SetEscapeHTML(false)
	err = r.Walk(ctx, f, func(e Entry) error {
		n++
		return enc.Encode(exported{e.Seq, e.At, e.Record.Kind(), e.Record.RollNo(), e.Body, e.Prev, e.Hash})
	})
	if err != nil {
		return n, errors.Join(err, b.Flush())
	}
	return n, b.Flush()
}

// Backup copies the journal as it stands to a new file, whole or not at all,
// and returns the head of the copy. A live daemon is not disturbed. It fails
// with os.ErrExist when dst is there already.
func (r *Reader) Backup(ctx context.Context, dst string) (head Head, err error) {
	if r.chain != nil {
		return Head{}, fmt.Errorf("%s: %w", r.path, errElsewhere)
	}
	if _, err := os.Lstat(dst); err == nil {
		return Head{}, fmt.Errorf("backup %s: %w; name a new file", dst, os.ErrExist)
	} else if !errors.Is(err, os.ErrNotExist) {
		return Head{}, fmt.Errorf("backup: %w", err)
	}
	part, err := filepath.Abs(dst + ".part")
	if err != nil {
		return Head{}, fmt.Errorf("backup: %w", err)
	}
	if err := os.Remove(part); err != nil && !errors.Is(err, os.ErrNotExist) {
		return Head{}, fmt.Errorf("backup: %w", err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, removeParts(part))
		}
	}()
	if err = r.copyTo(ctx, part); err != nil {
		return Head{}, fmt.Errorf("backup %s: %w", dst, r.wrap(ctx, err))
	}
	if head, err = headOf(ctx, part); err != nil {
		return Head{}, fmt.Errorf("backup %s: %w", dst, err)
	}
	if err = syncFile(part); err != nil {
		return Head{}, fmt.Errorf("backup %s: %w", dst, err)
	}
	// A link fails when the name was taken meanwhile, where a rename would
	// overwrite.
	if err = os.Link(part, dst); err != nil {
		return Head{}, fmt.Errorf("backup: %w", err)
	}
	if err = os.Remove(part); err != nil {
		return Head{}, fmt.Errorf("backup: %w", err)
	}
	return head, syncDir(filepath.Dir(part))
}

// copyTo copies the journal as it stands, by a connection of its own, which alone may write
// elsewhere than into the journal.
func (r *Reader) copyTo(ctx context.Context, part string) (err error) {
	own, err := OpenReader(ctx, r.path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, own.Close()) }()
	conn, err := own.db.Conn(ctx)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, conn.Close()) }()
	if _, err = conn.ExecContext(ctx, `PRAGMA query_only = 0`); err == nil {
		_, err = conn.ExecContext(ctx, `VACUUM INTO ?`, part)
	}
	return err
}

func headOf(ctx context.Context, path string) (head Head, err error) {
	r, err := OpenReader(ctx, path)
	if err != nil {
		return Head{}, err
	}
	defer func() { err = errors.Join(err, r.Close()) }()
	return r.Head(ctx)
}
