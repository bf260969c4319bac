package ship

import (
	"context"
	"errors"
	"io/fs"
	"time"

	"lapgate/gateway/journal"
	"lapgate/gateway/record"
)

// position is how far a journal has arrived in the engine.
type position struct {
	known    bool
	name     journal.Hash // under which it is there
	head     journal.Head // newest record that has arrived
	outcomes record.Outcomes
}

var (
	errReplaced = errors.New("the journal is another one than before, or an archive of it is gone")
	errOlder    = errors.New("the next record stands in an archive")
	errEnough   = errors.New("enough was read")
)

// read reads the records behind the one that has arrived, and the time of the one
// behind them, zero where there is none. The journal is closed again, for it is opened
// for writing, and closed off, only while nobody reads it.
func (l *line) read(ctx context.Context) (batch []journal.Entry, next time.Time, err error) {
	batch, next, err = l.readBy(ctx, journal.OpenReader)
	if errors.Is(err, errOlder) {
		batch, next, err = l.readBy(ctx, journal.OpenWhole)
	}
	if err != nil && !errors.Is(err, errReplaced) {
		err = localError{err}
	}
	return batch, next, err
}

func (l *line) readBy(ctx context.Context, open func(context.Context, string) (*journal.Reader, error)) (batch []journal.Entry, next time.Time, err error) {
	err = l.Journal.Read(ctx, open, func(r *journal.Reader) (err error) {
		batch, next, err = l.readFrom(ctx, r)
		return err
	})
	return batch, next, err
}

func (l *line) readFrom(ctx context.Context, r *journal.Reader) (batch []journal.Entry, next time.Time, err error) {
	head, err := r.Head(ctx)
	if err != nil {
		return nil, next, err
	}
	last := l.at.head
	if head.Seq < last.Seq {
		return nil, next, errReplaced
	}
	seen, bytes := false, 0
	err = r.Walk(ctx, journal.Filter{FromSeq: max(1, last.Seq), Limit: l.most + 2}, func(e journal.Entry) error {
		switch {
		case seen:
		case e.Seq == last.Seq:
			seen = true
			if e.Hash != last.Hash {
				return errReplaced
			}
			return nil
		case e.Seq > last.Seq+1 && !r.Whole():
			return errOlder
		case e.Seq > last.Seq+1 || e.Prev != last.Hash:
			return errReplaced
		}
		seen = true
		if bytes += len(e.Body); len(batch) == l.most || len(batch) > 0 && bytes > mostBytes {
			next = e.At
			return errEnough
		}
		batch = append(batch, e)
		return nil
	})
	if errors.Is(err, errEnough) {
		err = nil
	}
	return batch, next, err
}

// here is the journal of a line on this machine, read with its archives.
type here struct {
	r      *journal.Reader // until it is closed again
	name   journal.Hash
	before journal.Head // before the oldest record that is there
	head   journal.Head
}

// reads has f read the journal of a line, and reports whether there is one with records. The
// engine is not asked meanwhile: the line would wait for it when it opens its journal.
func (l *line) reads(ctx context.Context, f func(*here) error) (there bool, err error) {
	err = l.Journal.Read(ctx, journal.OpenWhole, func(r *journal.Reader) (err error) {
		h := &here{r: r}
		if h.name, h.before, err = r.Name(ctx); err == nil {
			h.head, err = r.Head(ctx)
		}
		if err != nil || h.head.Seq == 0 {
			return err
		}
		there = true
		return f(h)
	})
	if !there && errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	if err != nil {
		err = localError{err}
	}
	return there, err
}

// entry is a record; ok is false where it is not there.
func (h *here) entry(ctx context.Context, seq uint64) (out journal.Entry, ok bool, err error) {
	err = h.r.Walk(ctx, journal.Filter{FromSeq: seq, ToSeq: seq}, func(e journal.Entry) error {
		out, ok = e, true
		return nil
	})
	return out, ok, err
}

func (h *here) hashAt(ctx context.Context, seq uint64) (journal.Hash, bool, error) {
	if seq == h.before.Seq {
		return h.before.Hash, true, nil
	}
	if seq < h.before.Seq || seq > h.head.Seq {
		return journal.Hash{}, false, nil
	}
	e, ok, err := h.entry(ctx, seq)
	return e.Hash, ok, err
}

// timeOf is the time of a record, zero where it is not there.
func (h *here) timeOf(ctx context.Context, seq uint64) (time.Time, error) {
	if seq > h.head.Seq {
		return time.Time{}, nil
	}
	e, _, err := h.entry(ctx, seq)
	return e.At, err
}

// outcomes takes what the records behind one and up to another tell of outcomes. From
// the beginning on it looks no further back than to the newest record that says it all.
func (h *here) outcomes(ctx context.Context, o *record.Outcomes, after, upTo uint64) error {
	take := func(kind record.Kind, newest bool) error {
		if after >= upTo {
			return nil
		}
		f := journal.Filter{Kind: kind, FromSeq: after + 1, ToSeq: upTo}
		if newest {
			f.Newest, f.Limit = true, 1
		}
		found, err := h.r.List(ctx, f)
		if err != nil {
			return err
		}
		for _, s := range found {
			losses := o.Losses
			o.Add(s.Record)
			if kind == record.KindCarry || o.Losses != losses { // what stands before tells nothing more
				after = s.Seq
			}
		}
		return nil
	}
	if after == 0 {
		if err := take(record.KindCarry, true); err != nil {
			return err
		}
	}
	if err := take(record.KindGap, false); err != nil {
		return err
	}
	return take(record.KindOutcome, true)
}

// newestWord is the newest record by which a person had the journal registered anew; ok
// is false for none.
func (h *here) newestWord(ctx context.Context) (word record.Register, ok bool, err error) {
	found, err := h.r.List(ctx, journal.Filter{Kind: record.KindRegister, Newest: true, Limit: 1})
	for _, f := range found {
		word, ok = f.Record.(record.Register)
	}
	return word, ok, err
}
