package journal

import (
	"context"
	"errors"
	"fmt"
	"io"
	"runtime"
	"strings"
	"sync"
	"time"

	"lapgate/gateway/plainfile"
	"lapgate/gateway/record"
)

// ScanChunk is how many records one reader of Scan is to take at a time.
const ScanChunk = 2048

// chunk is a run of records that one of several readers reads.
type chunk struct {
	from, to uint64
	done     chan struct{} // closed when the fields below are set
	records  []record.Stored
	prev     Hash // of the record before the first
	head     Head // the last
	err      error
}

// Part is what is scanned of a journal. The zero value is all of it.
type Part struct {
	// Since begins as long before a time as the rolls that left since need.
	Since time.Time
	// From and To are numbers of records, the first at which to begin, as Lead gives it,
	// and the last; 0 for the first and the last that are there.
	From, To uint64
}

// Scan calls each with every record of a part of the journal as it stands now, in order.
// Several readers read and prove the records ahead of the calls, in runs of size
// records, and only a few runs are held. After each run progress is told how
// many records were read, and of how many. A record that is missing, or whose
// hash is wrong, is a *DamageError.
func (r *Reader) Scan(ctx context.Context, part Part, size uint64, progress func(done, total uint64), each func(record.Stored) error) error {
	head, err := r.Head(ctx)
	if err != nil {
		return err
	}
	if part.To != 0 {
		head.Seq = min(head.Seq, part.To)
	}
	start, last, err := r.start(ctx)
	if err != nil {
		return err
	}
	midway := part.From > start // what stands before the first is not read
	start = max(start, part.From)
	if !part.Since.IsZero() {
		from, err := r.before(ctx, part.Since, start, head.Seq)
		if err != nil {
			return err
		}
		midway, start = midway || from > start, from
	}
	ctx, cancel := context.WithCancel(ctx)
	var group sync.WaitGroup
	defer group.Wait()
	defer cancel()
	for c := range r.readAhead(ctx, &group, start, head.Seq, size) {
		select {
		case <-c.done:
		case <-ctx.Done():
			return ctx.Err()
		}
		if c.err != nil {
			return c.err
		}
		if c.from == start && midway {
			last.Hash = c.prev
		}
		if c.prev != last.Hash {
			return r.damage(c.from, "it is not linked to the record before it")
		}
		last = c.head
		for _, s := range c.records {
			if err := each(s); err != nil {
				return err
			}
		}
		progress(last.Seq, head.Seq)
	}
	return ctx.Err()
}

// ScanRolls calls each with every roll of the journal as it stands now, in
// order: with every roll that left since a time, and perhaps others, where that is not
// zero. What stands before is then not read, and a Basis may lack what it would tell.
// progress and the errors are those of Scan.
func ScanRolls(ctx context.Context, path string, since time.Time, progress func(done, total uint64), each func(*record.Roll) error) (err error) {
	r, err := OpenWhole(ctx, path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, r.Close()) }()
	var history record.History
	all := func(rolls []*record.Roll) error {
		for _, r := range rolls {
			if err := each(r); err != nil {
				return err
			}
		}
		return nil
	}
	err = r.Scan(ctx, Part{Since: since}, ScanChunk, progress, func(s record.Stored) error {
		rolls, err := history.Add(s)
		if err != nil {
			return err
		}
		return all(rolls)
	})
	if err != nil {
		return err
	}
	return all(history.Rest())
}

// readAhead has several readers read the records up to the newest, in runs that come in
// order, each perhaps before it was read.
func (r *Reader) readAhead(ctx context.Context, group *sync.WaitGroup, start, newest, size uint64) <-chan *chunk {
	readers := runtime.GOMAXPROCS(0)
	todo := make(chan *chunk)
	inOrder := make(chan *chunk, readers)
	for range readers {
		group.Go(func() {
			for c := range todo {
				c.read(ctx, r)
				close(c.done)
			}
		})
	}
	group.Go(func() { share(ctx, start, newest, size, inOrder, todo) })
	return inOrder
}

// share cuts the records up to the newest into chunks, in order, for whichever
// reader is free.
func share(ctx context.Context, start, newest, size uint64, inOrder, todo chan<- *chunk) {
	defer close(todo)
	defer close(inOrder)
	for from := start; from <= newest; from += size {
		c := &chunk{from: from, to: min(from+size-1, newest), done: make(chan struct{})}
		for _, to := range []chan<- *chunk{inOrder, todo} {
			select {
			case to <- c:
			case <-ctx.Done():
				return
			}
		}
	}
}

func (c *chunk) read(ctx context.Context, r *Reader) {
	c.records = make([]record.Stored, 0, c.to-c.from+1)
	c.head.Seq = c.from - 1
	c.err = r.unbroken(ctx, c.from, c.to, func(e Entry) error {
		if e.Seq == c.from {
			c.prev = e.Prev
		}
		c.head = Head{Seq: e.Seq, Hash: e.Hash}
		c.records = append(c.records, e.Stored)
		return nil
	})
	if next := c.head.Seq + 1; c.err == nil && next <= c.to {
		c.err = r.damage(next, fmt.Sprintf("records %d to %d are missing", next, c.to))
	}
}

// magic begins every file of SQLite.
const magic = "SQLite format 3\x00"

// IsJournal reports whether a file is a journal, by its first bytes.
func IsJournal(path string) (is bool, err error) {
	f, err := plainfile.Open(path)
	if err != nil {
		return false, err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	start := make([]byte, len(magic))
	n, err := io.ReadFull(f, start)
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		err = nil
	}
	return strings.HasPrefix(string(start[:n]), magic), err
}
