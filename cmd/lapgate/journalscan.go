package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"
	"strings"
	"sync"

	"lapgate/gateway/journal"
	"lapgate/gateway/record"
)

// scanChunk is how many records one reader is to take at a time.
const scanChunk = 2048

// chunk is a run of records, read by one of several readers.
type chunk struct {
	from, to uint64
	done     chan struct{} // closed when the rest stands
	records  []record.Stored
	prev     journal.Hash // of the record before the first
	head     journal.Head // the last
	err      error
}

// scanRolls calls each with every roll of a journal as it stands now, in order.
func scanRolls(ctx context.Context, path string, stderr io.Writer, each func(*record.Roll) error) error {
	var history record.History
	all := func(rolls []*record.Roll) error {
		for _, r := range rolls {
			if err := each(r); err != nil {
				return err
			}
		}
		return nil
	}
	err := scanJournal(ctx, path, scanChunk, stderr, func(s record.Stored) error {
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

// scanJournal calls each with every record of a journal as it stands now, in
// order. Records are read and proved by several readers ahead of the calls,
// size of them at a time, and only a few such chunks are held. A record that is missing or does
// not hold is a *journal.DamageError.
func scanJournal(ctx context.Context, path string, size uint64, stderr io.Writer, each func(record.Stored) error) (err error) {
	r, err := journal.OpenReader(ctx, path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, r.Close()) }()
	head, err := r.Head(ctx)
	if err != nil {
		return err
	}
	readers := runtime.GOMAXPROCS(0)
	todo := make(chan *chunk)
	inOrder := make(chan *chunk, readers)
	ctx, cancel := context.WithCancel(ctx)
	var group sync.WaitGroup
	defer group.Wait()
	defer cancel()
	for range readers {
		group.Go(func() {
			for c := range todo {
				c.read(ctx, r, path)
				close(c.done)
			}
		})
	}
	group.Go(func() {
		defer close(todo)
		defer close(inOrder)
		for from := uint64(1); from <= head.Seq; from += size {
			c := &chunk{from: from, to: min(from+size-1, head.Seq), done: make(chan struct{})}
			select {
			case inOrder <- c:
			case <-ctx.Done():
				return
			}
			select {
			case todo <- c:
			case <-ctx.Done():
				return
			}
		}
	})
	bar := newProgress(stderr, "records read", int(head.Seq))
	defer bar.clear()
	last := journal.Head{}
	for c := range inOrder {
		select {
		case <-c.done:
		case <-ctx.Done():
			return ctx.Err()
		}
		if c.err != nil {
			return c.err
		}
		if c.prev != last.Hash {
			return &journal.DamageError{Path: path, Seq: c.from, Problem: "it is not linked to the record before it"}
		}
		last = c.head
		for _, s := range c.records {
			if err := each(s); err != nil {
				return err
			}
		}
		bar.at(int(last.Seq))
	}
	return ctx.Err()
}

func (c *chunk) read(ctx context.Context, r *journal.Reader, path string) {
	c.records = make([]record.Stored, 0, c.to-c.from+1)
	next := c.from
	c.err = r.Walk(ctx, journal.Filter{FromSeq: c.from, ToSeq: c.to}, func(e journal.Entry) error {
		if e.Seq != next {
			return &journal.DamageError{Path: path, Seq: e.Seq, Problem: fmt.Sprintf("records %d to %d are missing", next, e.Seq-1)}
		}
		if next == c.from {
			c.prev = e.Prev
		}
		next++
		c.head = journal.Head{Seq: e.Seq, Hash: e.Hash}
		c.records = append(c.records, e.Stored)
		return nil
	})
	if c.err == nil && next <= c.to {
		c.err = &journal.DamageError{Path: path, Seq: next, Problem: fmt.Sprintf("records %d to %d are missing", next, c.to)}
	}
}

// isJournal reports whether a file is a journal, by its first bytes.
func isJournal(path string) (is bool, err error) {
	f, err := os.Open(path)
	if err != nil {
		return false, err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	const magic = "SQLite format 3\x00"
	start := make([]byte, len(magic))
	n, err := io.ReadFull(f, start)
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		err = nil
	}
	return strings.HasPrefix(string(start[:n]), magic), err
}
