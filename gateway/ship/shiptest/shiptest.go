// Package shiptest is an engine in memory for tests, which can be away, lose answers,
// forget, and refuse.
package shiptest

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"lapgate/gateway/engine"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
	"lapgate/gateway/ship"
)

// Fault is what goes wrong with one call of the engine.
type Fault int

// The faults.
const (
	None   Fault = iota
	Broken       // nothing was done, and the connection is over
	Lost         // it was done, and the answer does not come
	Silent       // nothing comes, and the client's patience ends
)

// Engine keeps journals in memory. Its fields are changed under Do.
type Engine struct {
	mu       sync.Mutex
	Journals []*Chain
	Away     bool
	Fault    func(op string) Fault // nil for none
	Distrust uint64                // a record that it does not believe
	Appends  int
	Connects int
}

// Do changes or reads the engine.
func (e *Engine) Do(f func()) {
	e.mu.Lock()
	defer e.mu.Unlock()
	f()
}

// Chain is a journal there.
type Chain struct {
	engine.Journal
	Records []journal.Entry // behind Gone
	Gone    uint64          // newest record that was removed with its month
}

func (c *Chain) at(seq uint64) (journal.Hash, bool) {
	if n := seq - c.Gone; seq > c.Gone && n <= uint64(len(c.Records)) {
		return c.Records[n-1].Hash, true
	}
	return journal.Hash{}, false
}

// Cut forgets what is behind a record.
func (c *Chain) Cut(seq uint64) {
	c.Records = c.Records[:seq-c.Gone]
	c.Head = journal.Head{}
	if n := len(c.Records); n > 0 {
		c.Head = journal.Head{Seq: c.Records[n-1].Seq, Hash: c.Records[n-1].Hash}
	}
}

// DropMonth removes records up to one.
func (c *Chain) DropMonth(upTo uint64) {
	c.Records = c.Records[upTo-c.Gone:]
	c.Gone = upTo
}

var (
	errBroken = errors.New("the connection is broken")
	errAway   = errors.New("no route")
	errSilent = errors.New("no answer")
)

const patience = time.Second

// Connect makes a connection of a machine.
func (e *Engine) Connect(machine string) func(context.Context) (ship.Conn, error) {
	return func(context.Context) (ship.Conn, error) {
		if err := e.call("connect"); err != nil {
			return nil, err
		}
		e.Do(func() { e.Connects++ })
		return &conn{engine: e, machine: machine}, nil
	}
}

// call lets a call fail before it is done.
func (e *Engine) call(op string) error {
	e.mu.Lock()
	away, f := e.Away, e.Fault
	e.mu.Unlock()
	if away {
		return errAway
	}
	if f == nil {
		return nil
	}
	switch f(op) {
	case Broken:
		return errBroken
	case Silent:
		<-time.After(patience)
		return errSilent
	case Lost:
		return errLost
	}
	return nil
}

var errLost = errors.New("the answer was lost")

func (e *Engine) find(genesis journal.Hash) *Chain {
	for _, c := range e.Journals {
		if c.Genesis == genesis {
			return c
		}
	}
	return nil
}

// Of are the chains of a line on a machine as they are now, in the order in which they were
// registered.
func (e *Engine) Of(line, machine string) (out []*Chain) {
	e.mu.Lock()
	defer e.mu.Unlock()
	for _, c := range e.Journals {
		if c.Line == line && c.Machine == machine {
			now := *c
			now.Records = slices.Clone(c.Records)
			out = append(out, &now)
		}
	}
	return out
}

type conn struct {
	engine  *Engine
	machine string
	over    bool
}

// do runs one call; after any error the connection is over.
func (c *conn) do(op string, f func() error) error {
	if c.over {
		return errors.New("a connection was used after an error")
	}
	err := c.engine.call(op)
	if err == nil || errors.Is(err, errLost) {
		c.engine.mu.Lock()
		if e := f(); err == nil {
			err = e
		}
		c.engine.mu.Unlock()
	}
	c.over = err != nil
	return err
}

func (c *conn) Close() {}

func (c *conn) Journals(_ context.Context, line string) (out []engine.Journal, err error) {
	err = c.do("journals", func() error {
		for _, j := range c.engine.Journals {
			if j.Line == line {
				out = append(out, j.Journal)
			}
		}
		return nil
	})
	return out, err
}

func (c *conn) Register(_ context.Context, j engine.Journal) (head journal.Head, err error) {
	err = c.do("register", func() error {
		there := c.engine.find(j.Genesis)
		if there == nil {
			there = &Chain{Journal: engine.Journal{Genesis: j.Genesis, Line: j.Line, Machine: c.machine, Registered: time.Now(), Head: j.Kept, Kept: j.Kept}, Gone: j.Kept.Seq}
			c.engine.Journals = append(c.engine.Journals, there)
		}
		if there.Line != j.Line || there.Machine != c.machine {
			return engine.ErrTaken
		}
		head = there.Head
		return nil
	})
	return head, err
}

func (c *conn) Append(_ context.Context, genesis journal.Hash, records []journal.Entry) (head journal.Head, err error) {
	err = c.do("append", func() error {
		c.engine.Appends++
		there := c.engine.find(genesis)
		if there == nil {
			return engine.ErrUnknownJournal
		}
		if records[0].Seq > there.Head.Seq+1 {
			return fmt.Errorf("%w: %d after %d", engine.ErrHole, records[0].Seq, there.Head.Seq)
		}
		for i := range records {
			r := &records[i]
			if r.Seq == c.engine.Distrust {
				return engine.ErrHash
			}
			if r.Seq <= there.Head.Seq {
				if h, kept := there.at(r.Seq); kept && h != r.Hash {
					return engine.ErrFork
				}
				continue
			}
			if r.Prev != there.Head.Hash {
				return engine.ErrFork
			}
			there.Records = append(there.Records, *r)
			there.Head, there.Arrived = journal.Head{Seq: r.Seq, Hash: r.Hash}, time.Now()
		}
		head = there.Head
		return nil
	})
	return head, err
}

func (c *conn) HashAt(_ context.Context, genesis journal.Hash, seq uint64) (h journal.Hash, ok bool, err error) {
	err = c.do("hash", func() error {
		h, ok = c.engine.find(genesis).at(seq)
		return nil
	})
	return h, ok, err
}

func (c *conn) Newest(_ context.Context, genesis journal.Hash, kind record.Kind) (e journal.Entry, ok bool, err error) {
	err = c.do("newest", func() error {
		for _, r := range c.engine.find(genesis).Records {
			if r.Record.Kind() == kind {
				e, ok = r, true
			}
		}
		return nil
	})
	return e, ok, err
}
