package ship

import (
	"context"
	"errors"
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
// behind them, zero where there is none. The journal is closed again, for it is closed
// off only while nobody reads it.
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
	l.Reading.Lock()
	defer l.Reading.Unlock()
	r, err := open(ctx, l.Journal)
	if err != nil {
		return nil, next, err
	}
	defer func() { err = errors.Join(err, r.Close()) }()
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

// here is the journal of a line on this machine, open for reading with its archives.
type here struct {
	r      *journal.Reader
	name   journal.Hash
	before journal.Head // before the oldest record that is there
	head   journal.Head
	now    time.Time
}

func newHere(r *journal.Reader) *here { return &here{r: r, now: time.Now()} }

func (h *here) close() error {
	if err := h.r.Close(); err != nil {
		return localError{err}
	}
	return nil
}

// entry is a record; ok is false where it is not there.
func (h *here) entry(ctx context.Context, seq uint64) (out journal.Entry, ok bool, err error) {
	err = h.r.Walk(ctx, journal.Filter{FromSeq: seq, ToSeq: seq}, func(e journal.Entry) error {
		out, ok = e, true
		return nil
	})
	if err != nil {
		return out, false, localError{err}
	}
	return out, ok, nil
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
			return localError{err}
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
