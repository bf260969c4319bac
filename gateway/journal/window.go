package journal

import (
	"context"
	"database/sql"
	"errors"
	"time"

	"lapgate/gateway/record"
)

// narrow bounds a filter by time in the numbers of records too, which are found by
// their index. some is false where no record of the file is in the time.
func (r *Reader) narrow(ctx context.Context, f Filter) (g Filter, some bool, err error) {
	if f.From.IsZero() && f.To.IsZero() || r.version < timeIndexed {
		return f, true, nil
	}
	t := Filter{From: f.From, To: f.To}
	cond, args := t.where(0)
	var first, last sql.NullInt64
	if err := r.db.QueryRowContext(ctx, `SELECT min(seq), max(seq) FROM records INDEXED BY records_by_time WHERE `+cond, args...).Scan(&first, &last); err != nil {
		return f, false, r.wrap(ctx, err)
	}
	if !first.Valid {
		return f, false, nil
	}
	f.FromSeq = max(f.FromSeq, uint64(first.Int64))
	if n := uint64(last.Int64); f.ToSeq == 0 || f.ToSeq > n {
		f.ToSeq = n
	}
	return f, true, nil
}

// lead is how many records before a time are read for what is told of a roll that
// left after it: some hundred rolls, and no more than 64 can be under way.
const lead = 4096

var errFound = errors.New("found")

// before is the number of a record from which the rolls that left since a time can be
// told: a request some hundred rolls earlier, at which no offer was open. It is from
// where that is not to be had.
func (r *Reader) before(ctx context.Context, since time.Time, from, newest uint64) (uint64, error) {
	at := newest + 1
	err := r.Walk(ctx, Filter{From: since, Limit: 1}, func(e Entry) error { at = e.Seq; return errFound })
	if err != nil && !errors.Is(err, errFound) {
		return from, err
	}
	return r.leadTo(ctx, at, from)
}

// Lead is the number of a record from which the rolls of which the records behind one
// tell can be told: some hundred rolls before it, at a request at which no offer was
// open, or the first record of the file.
func (r *Reader) Lead(ctx context.Context, seq uint64) (uint64, error) {
	from, _, err := r.start(ctx)
	if err != nil {
		return 0, err
	}
	return r.leadTo(ctx, seq, from)
}

// leadTo is the lead of a record, from where that is not to be had.
func (r *Reader) leadTo(ctx context.Context, at, from uint64) (uint64, error) {
	if at <= from+lead {
		return from, nil
	}
	start, open := from, true
	err := r.Walk(ctx, Filter{FromSeq: at - lead, ToSeq: at}, func(e Entry) error {
		switch x := e.Record.(type) {
		case record.Intent:
			open = true
		case record.Verdict, record.Void, record.Carry:
			open = false
		case record.Gap:
			open = open && x.Closed == nil
		case record.Request:
			if !open {
				start = e.Seq
				return errFound
			}
		}
		return nil
	})
	if err != nil && !errors.Is(err, errFound) {
		return from, err
	}
	return start, nil
}
