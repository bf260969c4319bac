package journal

import (
	"context"
	"errors"
	"fmt"
)

// Chain is a journal that is kept elsewhere than in a file, for a Reader. It is used by
// several goroutines.
type Chain interface {
	// Head is the newest record, zero for none.
	Head(ctx context.Context) (Head, error)
	// Before is the head before the oldest record that is kept, zero where that is the
	// first.
	Before(ctx context.Context) (Head, error)
	// Rows are records that a filter chooses, in order, at most so many; the last ones
	// where it wants the newest. Its own Limit does not count.
	Rows(ctx context.Context, f Filter, limit int) ([]Row, error)
	Close() error
}

// Row is a record as a chain holds it, and what is wrong with it; nil for nothing.
type Row struct {
	Entry
	Err error
}

// ReaderOf reads a chain that is kept elsewhere, under a name for messages.
func ReaderOf(name string, c Chain) *Reader { return &Reader{path: name, chain: c, locked: true} }

// Path is that of the file, or what the chain is called.
func (r *Reader) Path() string { return r.path }

// errElsewhere is what is asked of a file and not of a chain.
var errElsewhere = errors.New("this is a journal that is kept elsewhere, and no file")

// some reads rows of the file, or of the chain, behind a record.
func (r *Reader) some(ctx context.Context, f Filter, after uint64, limit int) ([]Row, error) {
	if r.chain != nil {
		f.FromSeq = max(f.FromSeq, after+1)
		rows, err := r.chain.Rows(ctx, f, limit)
		if err != nil {
			err = fmt.Errorf("%s: %w", r.path, err)
		}
		return rows, err
	}
	cond, args := f.where(after)
	order := "seq"
	if f.Newest {
		order = "seq DESC"
	}
	stored, err := r.rows(ctx, `SELECT `+columns+` FROM records WHERE `+cond+` ORDER BY `+order+` LIMIT ?`, append(args, limit)...)
	out := make([]Row, len(stored))
	for i := range stored {
		at := i
		if f.Newest {
			at = len(stored) - 1 - i
		}
		out[at].Entry, out[at].Err = stored[i].entry()
	}
	return out, err
}

// startOfChain is start for a chain.
func (r *Reader) startOfChain(ctx context.Context) (from uint64, before Head, err error) {
	if before, err = r.chain.Before(ctx); err != nil {
		return 1, Head{}, fmt.Errorf("%s: %w", r.path, err)
	}
	return before.Seq + 1, before, nil
}

// VerifyReader checks a journal as Verify does, all but what belongs to a file: every
// hash and link, numbers without holes, and the order of the records.
func VerifyReader(ctx context.Context, r *Reader, opts ...VerifyOption) (*Report, error) {
	v := &verifier{report: &Report{Path: r.path, Problems: []Problem{}}}
	for _, o := range opts {
		o(v)
	}
	head, err := r.Head(ctx)
	if err != nil {
		return nil, err
	}
	from, before, err := r.start(ctx)
	if err != nil {
		return nil, err
	}
	if from > 1 {
		v.report.First, v.last = from, before
		v.order.forget()
	}
	for last := v.last; ; {
		rows, err := r.some(ctx, Filter{ToSeq: head.Seq}, last.Seq, batch)
		if err != nil {
			return nil, err
		}
		for i := range rows {
			last = v.record(rows[i].Entry, rows[i].Err, last)
		}
		v.last, v.report.Head = last, last
		if len(rows) < batch {
			break
		}
		if v.progress != nil {
			v.progress(v.report.Records, head.Seq)
		}
	}
	if v.last.Seq < head.Seq {
		v.add(0, ProblemMissing, "records %d to %d are missing", v.last.Seq+1, head.Seq)
	} else if v.last != head {
		v.add(head.Seq, ProblemHead, "it is not the one that was the newest when it was taken")
	}
	v.finish()
	return v.report, nil
}
