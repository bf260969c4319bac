package journal

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"lapgate/gateway/record"
)

// Archive is a file of a journal that was closed off. The chain goes on in the next:
// the number of its first record is one more, and its first link is the head of this.
type Archive struct {
	Path        string
	First, Last uint64 // records
}

const archiveDigits = 12 // of the numbers in a name, so that names sort

func archiveName(path string, first, last uint64) string {
	end := filepath.Ext(path)
	return fmt.Sprintf("%s.%0*d-%0*d%s", strings.TrimSuffix(path, end), archiveDigits, first, archiveDigits, last, end)
}

var archiveNumbers = regexp.MustCompile(`^\.([0-9]{12,19})-([0-9]{12,19})$`)

// Archives lists the archives of the journal at path, oldest first.
func Archives(path string) ([]Archive, error) {
	end := filepath.Ext(path)
	stem := strings.TrimSuffix(path, end)
	found, err := filepath.Glob(escapeGlob(stem) + ".*-*" + escapeGlob(end))
	if err != nil {
		return nil, err
	}
	var out []Archive
	for _, f := range found {
		m := archiveNumbers.FindStringSubmatch(strings.TrimSuffix(strings.TrimPrefix(f, stem), end))
		if m == nil {
			continue
		}
		a := Archive{Path: f}
		var errs [2]error
		a.First, errs[0] = strconv.ParseUint(m[1], 10, 63)
		a.Last, errs[1] = strconv.ParseUint(m[2], 10, 63)
		if err := errors.Join(errs[:]...); err != nil || a.First > a.Last {
			return nil, fmt.Errorf("journal %s: %s is not named as an archive is, after its first and its last record; give it its name back, or move it away", path, f)
		}
		out = append(out, a)
	}
	slices.SortFunc(out, func(a, b Archive) int { return int(int64(a.First) - int64(b.First)) })
	return out, nil
}

// OpenWhole opens a journal for reading with all archives of it that are there. The
// errors are those of OpenReader.
func OpenWhole(ctx context.Context, path string) (*Reader, error) {
	path, err := filepath.Abs(path)
	if err != nil {
		return nil, fmt.Errorf("journal %s: %w", path, err)
	}
	r, err := OpenReader(ctx, path)
	if err != nil {
		return nil, err
	}
	r.whole = true
	archives, err := Archives(path)
	if err != nil {
		return nil, errors.Join(err, r.Close())
	}
	from, _, err := r.start(ctx)
	if err != nil && !errors.As(err, new(*DamageError)) {
		return nil, errors.Join(err, r.Close())
	}
	for _, a := range slices.Backward(archives) {
		switch {
		case from == 1: // what else lies beside is of a journal before
			return r, nil
		case a.Last != from-1:
			r.apart = append(r.apart, a)
			continue
		}
		older, err := OpenReader(ctx, a.Path)
		if err != nil {
			return nil, errors.Join(err, r.Close())
		}
		older.to, from = a.Last, a.First
		r.older = slices.Insert(r.older, 0, older)
	}
	return r, nil
}

// Whole reports whether the archives that are there are read too.
func (r *Reader) Whole() bool { return r.whole }

// files are the files of a journal, oldest first.
func (r *Reader) files() []*Reader { return append(slices.Clone(r.older), r) }

// start is the number of the first record that has to be there, and the head before
// it: 1, or more where the file goes on from an archive.
func (r *Reader) start(ctx context.Context) (from uint64, before Head, err error) {
	if r.chain != nil {
		return r.startOfChain(ctx)
	}
	if r.version == 0 {
		return 1, Head{}, nil
	}
	first := r.files()[0]
	rows, err := first.rows(ctx, `SELECT `+columns+` FROM records ORDER BY seq LIMIT 1`)
	if err != nil || len(rows) == 0 {
		return 1, Head{}, err
	}
	e, err := rows[0].entry()
	if err != nil {
		return 1, Head{}, nil // found again, and told, by whoever reads it
	}
	if o, ok := e.Record.(record.Origin); ok && o.Before != "" && e.Seq > 1 {
		return e.Seq, Head{e.Seq - 1, e.Prev}, nil
	}
	return 1, Head{}, nil
}

// Name is what the journal is called wherever it is kept besides, which is the hash of
// its first record; it is zero for an empty journal. Before is the head that stands
// before the oldest record that is there, zero where that is the first. A journal of
// an older version whose first archive is gone is named after the oldest record that
// is there.
func (r *Reader) Name(ctx context.Context) (name Hash, before Head, err error) {
	if r.version == 0 && len(r.older) == 0 {
		return name, before, nil
	}
	rows, err := r.files()[0].rows(ctx, `SELECT `+columns+` FROM records ORDER BY seq LIMIT 1`)
	if err != nil || len(rows) == 0 {
		return name, before, err
	}
	e, err := rows[0].entry()
	if err != nil {
		return name, before, r.damage(e.Seq, err.Error())
	}
	if e.Seq > 1 {
		before = Head{e.Seq - 1, e.Prev}
	}
	if o, ok := e.Record.(record.Origin); ok && o.Journal != "" {
		return name, before, name.UnmarshalText([]byte(o.Journal))
	}
	return e.Hash, before, nil
}

// nameOf is the name of the journal at path.
func nameOf(ctx context.Context, path string) (name Hash, err error) {
	r, err := OpenWhole(ctx, path)
	if err != nil {
		return name, err
	}
	defer func() { err = errors.Join(err, r.Close()) }()
	name, _, err = r.Name(ctx)
	return name, err
}

// nextEnding is that of a file that is to take the place of the journal.
const nextEnding = ".next"

// ErrBeingRead says that a journal is not closed off while somebody reads it.
var ErrBeingRead = errors.New("the journal is being read; it is closed off later")

// goingOn lets a new journal go on from a head.
func goingOn(from Head) Option { return func(j *Journal) { j.from = from } }

// CloseOff makes an archive of the file and goes on in a new one, which begins with
// what the records before tell and still counts. A fault on the way leaves the file as
// it was, or poisons the journal; at the next opening one of both files is whole in
// either case.
func (j *Journal) CloseOff(ctx context.Context, carry record.Carry) (a Archive, err error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.failed != nil || j.closed {
		return a, errors.Join(j.failed, os.ErrClosed)
	}
	path := j.path
	a = Archive{First: j.first, Last: j.head.Seq}
	a.Path = archiveName(path, a.First, a.Last)
	if err := j.prepare(ctx, path+nextEnding, filepath.Base(a.Path), carry); err != nil {
		return a, errors.Join(err, removeParts(path+nextEnding))
	}
	if err := j.release(); err != nil {
		j.failed = err
		return a, err
	}
	err = exchange(path, a.Path)
	if n, e := size(path); e != nil || n <= 0 {
		j.failed = errors.Join(err, e, fmt.Errorf("journal %s: it could not be put back after it was closed off; it stands in %s", path, a.Path))
		return a, j.failed
	}
	j.opened.Created, j.opened.Again = false, false
	if e := j.begin(ctx, path); e != nil {
		j.failed = e
		return a, errors.Join(err, e)
	}
	if err != nil {
		return a, errors.Join(err, removeParts(path+nextEnding))
	}
	return a, j.keep()
}

// prepare writes the file in which the journal goes on, whole.
func (j *Journal) prepare(ctx context.Context, path, archive string, carry record.Carry) (err error) {
	if err := removeParts(path); err != nil {
		return err
	}
	name, err := nameOf(ctx, j.path)
	if err != nil {
		return err
	}
	next, err := openBy(ctx, path, j.clock, goingOn(j.head))
	if err != nil {
		return err
	}
	for _, r := range []record.Record{record.Origin{Line: j.owner.Line, Installation: j.name, Before: archive, Journal: name.String()}, carry} {
		if err == nil {
			_, err = next.Append(ctx, r)
		}
	}
	return errors.Join(err, next.Close(), os.Remove(path+lockEnding))
}

// exchange puts the prepared file in the place of the journal, which becomes an
// archive. Both have to be one file. After an error the journal is in its place.
func exchange(path, archive string) error {
	for _, p := range parts[1:] {
		if n, err := size(path + p); err != nil || n >= 0 {
			return errors.Join(err, fmt.Errorf("journal %s: %w", path, ErrBeingRead))
		}
	}
	if _, err := os.Lstat(archive); !errors.Is(err, fs.ErrNotExist) {
		return errors.Join(err, fmt.Errorf("journal %s: its archive %s is there already", path, archive))
	}
	if err := os.Rename(path, archive); err != nil {
		return err
	}
	if err := os.Rename(path+nextEnding, path); err != nil {
		return errors.Join(err, os.Rename(archive, path))
	}
	const readOnly = 0o440
	return errors.Join(os.Chmod(archive, readOnly), syncDir(filepath.Dir(path)))
}

// settleNext finishes or drops a change of files that was cut short.
func settleNext(path string) error {
	if n, err := size(path + nextEnding); err != nil || n < 0 {
		return err
	}
	here, err := present(path)
	if err != nil {
		return err
	}
	archives, err := Archives(path)
	if err != nil {
		return err
	}
	if here || len(archives) == 0 {
		return removeParts(path + nextEnding)
	}
	return errors.Join(os.Rename(path+nextEnding, path), syncDir(filepath.Dir(path)))
}

// removeParts removes all files of a journal that is not one yet.
func removeParts(path string) error {
	var errs []error
	for _, p := range append(parts[:], lockEnding, markerEnding) {
		if err := os.Remove(path + p); err != nil && !errors.Is(err, fs.ErrNotExist) {
			errs = append(errs, err)
		}
	}
	return errors.Join(errs...)
}

// Rule says when a journal is closed off and how long archives are kept. Zero for
// never, and for ever.
type Rule struct {
	Size int64         // bytes of the file
	Age  time.Duration // of its first record
	Keep time.Duration // since the newest record of an archive
	// Shipped is the newest record that an engine has too, 0 for none or where nobody
	// knows. Nil where the journal is kept here alone.
	Shipped *uint64
}

// Tended is what Tend did.
type Tended struct {
	Closed  string        // the archive that was made; empty for none
	Head    Head          // with which it ends
	Carried record.Stored // newest record of the file in which the journal goes on
	Removed []string      // archives
}

// Tend gives back the memory of pages that were read, closes the journal off where the
// rule says so and carry gives what goes over, and removes archives whose time is over. An
// archive with outcomes above acked, the newest that was acknowledged to the controller,
// stays, and so does one that an engine has not, or has had for less than a month.
func (j *Journal) Tend(ctx context.Context, rule Rule, acked uint32, carry func() (record.Carry, bool)) (done Tended, err error) {
	if err := j.shrink(ctx); err != nil {
		return done, err
	}
	now := j.clock()
	bytes, err := size(j.path)
	if err != nil {
		return done, err
	}
	if rule.Size > 0 && bytes >= rule.Size || rule.Age > 0 && now.Sub(j.begun) >= rule.Age {
		if c, ok := carry(); ok {
			done.Head = j.Head()
			a, err := j.CloseOff(ctx, c)
			if err != nil {
				return done, err
			}
			done.Closed = a.Path
			newest, err := j.List(ctx, Filter{Newest: true, Limit: 1})
			if err != nil || len(newest) == 0 {
				return done, err
			}
			done.Carried = newest[0]
		}
	}
	if rule.Keep > 0 {
		done.Removed, err = retire(ctx, j.path, now, rule, acked)
	}
	return done, err
}

// retire removes archives, oldest first, whose time is over by a rule and whose
// outcomes are all acknowledged. What they told and still counts stands in the file
// after them.
func retire(ctx context.Context, path string, now time.Time, rule Rule, acked uint32) (removed []string, err error) {
	archives, err := Archives(path)
	if err != nil {
		return nil, err
	}
	shipped := len(archives)
	if rule.Shipped != nil {
		if shipped, err = noteShipped(archives, *rule.Shipped, now); err != nil {
			return nil, err
		}
	}
	for i, a := range archives[:shipped] {
		next := path
		if i+1 < len(archives) {
			next = archives[i+1].Path
		}
		over, err := outlived(ctx, next, a.Last, now.Add(-rule.Keep), acked)
		if err != nil || !over {
			return removed, err
		}
		if err := errors.Join(os.Remove(a.Path), syncDir(filepath.Dir(path))); err != nil {
			return removed, err
		}
		if err := os.Remove(a.Path + shippedEnding); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return removed, err
		}
		removed = append(removed, a.Path)
	}
	return removed, nil
}

// outlived reports whether the file that follows an archive says that nothing of the
// archive is needed.
func outlived(ctx context.Context, next string, last uint64, before time.Time, acked uint32) (over bool, err error) {
	r, err := OpenReader(ctx, next)
	if err != nil {
		return false, err
	}
	defer func() { err = errors.Join(err, r.Close()) }()
	first, err := r.List(ctx, Filter{Limit: 2})
	if err != nil || len(first) < 2 || first[0].Seq != last+1 {
		return false, err
	}
	c, ok := first[1].Record.(record.Carry)
	return ok && first[0].At.Before(before) && c.Past.Outcomes <= acked, nil
}
