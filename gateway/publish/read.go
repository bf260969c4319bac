package publish

import (
	"context"
	"encoding/hex"
	"errors"

	"lapgate/gateway/journal"
	"lapgate/gateway/record"
)

// position is how far a journal was read.
type position struct {
	known    bool
	identity string       // of the journal, for receivers
	read     journal.Head // newest record that was read; its hash is zero where it was not seen
	head     uint64       // newest record of the journal, as it was then
	rolls    record.Recent
}

// batch is how many records are read at once. The journal is closed again after each,
// for it is opened for writing, and closed off, only while nobody reads it.
const batch = 256

var (
	errReplaced = errors.New("the journal is another one than before")
	errEnough   = errors.New("enough was read")
)

// readOn reads the next records and makes messages of them, until there are some or the
// end is reached.
func (p *Publisher) readOn(ctx context.Context) error {
	if !p.at.known {
		if err := p.locate(ctx); err != nil {
			return err
		}
	}
	for {
		n, err := p.readBatch(ctx, journal.OpenReader)
		if errors.Is(err, errOlder) {
			n, err = p.readBatch(ctx, journal.OpenWhole)
		}
		if err != nil || n < batch || len(p.queue) > 0 {
			return err
		}
	}
}

// errOlder says that the next record stands in an archive.
var errOlder = errors.New("the next record stands in an archive")

// readBatch reads the next records, and returns their number.
func (p *Publisher) readBatch(ctx context.Context, open func(context.Context, string) (*journal.Reader, error)) (n int, err error) {
	err = p.line.Journal.Read(ctx, open, func(r *journal.Reader) (err error) {
		n, err = p.readFrom(ctx, r)
		return err
	})
	return n, err
}

func (p *Publisher) readFrom(ctx context.Context, r *journal.Reader) (n int, err error) {
	head, err := r.Head(ctx)
	if err != nil {
		return 0, err
	}
	if head.Seq < p.at.read.Seq {
		return 0, errReplaced
	}
	p.at.head = head.Seq
	seen, last := false, p.at.read
	err = r.Walk(ctx, journal.Filter{FromSeq: max(1, last.Seq), Limit: batch + 1}, func(e journal.Entry) error {
		switch {
		case seen:
		case e.Seq == last.Seq:
			seen = true
			if last.Hash != (journal.Hash{}) && e.Hash != last.Hash {
				return errReplaced
			}
			p.at.read.Hash = e.Hash
			return nil
		case e.Seq > last.Seq+1 && !r.Whole():
			return errOlder
		case e.Seq > last.Seq+1:
			p.line.Lost(last.Seq+1, e.Seq-1)
		case last.Hash != (journal.Hash{}) && e.Prev != last.Hash:
			return errReplaced
		}
		seen = true
		if n == batch {
			return errEnough
		}
		n++
		return p.take(&e)
	})
	if errors.Is(err, errEnough) {
		err = nil
	}
	return n, err
}

// take folds a record and makes a message of it, where it tells something.
func (p *Publisher) take(e *journal.Entry) error {
	if d, ok := e.Record.(record.Doubt); ok && len(d.Doubts) > 0 {
		// The records before may have been others once, of the same numbers.
		p.at.identity = identityOf(e)
	}
	p.fold(e.Stored)
	m, ok, err := p.messageOf(e)
	if err != nil {
		return err
	}
	if ok {
		p.queue = append(p.queue, m)
	}
	p.at.read = journal.Head{Seq: e.Seq, Hash: e.Hash}
	return nil
}

// fold keeps what is told of rolls. After a record that contradicts those before it, it
// begins anew: the rolls at hand then lack what was told before.
func (p *Publisher) fold(s record.Stored) {
	if p.at.rolls.Add(s) != nil {
		p.at.rolls = record.Recent{}
		_ = p.at.rolls.Add(s)
	}
}

func identityOf(e *journal.Entry) string { return hex.EncodeToString(e.Hash[:8]) }

// locate finds where the publication goes on, or begins it with the first record of
// the file: then the journal says so before anything is sent.
func (p *Publisher) locate(ctx context.Context) error {
	var first *journal.Entry
	var newest *record.Published
	err := p.line.Journal.Read(ctx, journal.OpenReader, func(r *journal.Reader) (err error) {
		first, newest, err = begins(ctx, r)
		return err
	})
	if err != nil {
		return err
	}
	if first == nil {
		return errors.New("the journal has no record yet")
	}
	if newest == nil {
		newest = &record.Published{To: channel, Journal: identityOf(first), UpTo: first.Seq - 1}
		// The line does it, which may be about to open its journal: nobody reads it now.
		if err := p.line.Note(ctx, *newest); err != nil {
			return err
		}
	}
	at := position{known: true, identity: newest.Journal, read: journal.Head{Seq: newest.UpTo}}
	p.taken, p.at = newest.UpTo, at
	return p.lead(ctx)
}

// begins is the first record of a journal, nil for none, and the newest that says how far
// the publication is, nil where it never began.
func begins(ctx context.Context, r *journal.Reader) (first *journal.Entry, newest *record.Published, err error) {
	err = r.Walk(ctx, journal.Filter{Limit: 2}, func(e journal.Entry) error {
		if first == nil {
			first = &e
		}
		if c, ok := e.Record.(record.Carry); ok {
			newest = c.Published
		}
		return nil
	})
	if err != nil {
		return nil, nil, err
	}
	told, err := r.List(ctx, journal.Filter{Kind: record.KindPublished, Newest: true, Limit: 1})
	for _, s := range told {
		if x, ok := s.Record.(record.Published); ok {
			newest = &x
		}
	}
	return first, newest, err
}

// lead folds what stands before the position and is told of the rolls behind it.
func (p *Publisher) lead(ctx context.Context) error {
	if p.at.read.Seq == 0 {
		return nil
	}
	return p.line.Journal.Read(ctx, journal.OpenWhole, func(r *journal.Reader) error {
		from, err := r.Lead(ctx, p.at.read.Seq)
		if err != nil {
			return err
		}
		return r.Walk(ctx, journal.Filter{FromSeq: from, ToSeq: p.at.read.Seq}, func(e journal.Entry) error {
			p.fold(e.Stored)
			return nil
		})
	})
}
