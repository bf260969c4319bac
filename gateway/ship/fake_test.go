package ship_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"lapgate/gateway/engine"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
	"lapgate/gateway/ship"
)

// fault is what goes wrong with one call of the engine.
type fault int

const (
	none   fault = iota
	broken       // nothing was done, and the connection is over
	lost         // it was done, and the answer does not come
	silent       // nothing comes, and the client's patience ends
)

// fake is an engine in memory, with faults.
type fake struct {
	mu       sync.Mutex
	journals []*chain
	away     bool
	fault    func(op string) fault // nil for none
	distrust uint64                // a record that it does not believe
	appends  int
	connects int
}

// chain is a journal there.
type chain struct {
	engine.Journal
	records []journal.Entry // behind gone
	gone    uint64          // newest record that was removed with its month
}

func (c *chain) at(seq uint64) (journal.Hash, bool) {
	if n := seq - c.gone; seq > c.gone && n <= uint64(len(c.records)) {
		return c.records[n-1].Hash, true
	}
	return journal.Hash{}, false
}

// cut forgets what is behind a record.
func (c *chain) cut(seq uint64) {
	c.records = c.records[:seq-c.gone]
	c.Head = journal.Head{}
	if n := len(c.records); n > 0 {
		c.Head = journal.Head{Seq: c.records[n-1].Seq, Hash: c.records[n-1].Hash}
	}
}

// dropMonth removes records up to one.
func (c *chain) dropMonth(upTo uint64) {
	c.records = c.records[upTo-c.gone:]
	c.gone = upTo
}

var (
	errBroken = errors.New("the connection is broken")
	errAway   = errors.New("no route")
	errSilent = errors.New("no answer")
)

const patience = time.Second

func (e *fake) connect(context.Context) (ship.Conn, error) {
	if err := e.call("connect"); err != nil {
		return nil, err
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	e.connects++
	return &conn{engine: e, machine: "a"}, nil
}

// call lets a call fail before it is done.
func (e *fake) call(op string) error {
	e.mu.Lock()
	away, f := e.away, e.fault
	e.mu.Unlock()
	if away {
		return errAway
	}
	if f == nil {
		return nil
	}
	switch f(op) {
	case broken:
		return errBroken
	case silent:
		<-time.After(patience)
		return errSilent
	case lost:
		return errLost
	}
	return nil
}

var errLost = errors.New("the answer was lost")

func (e *fake) find(genesis journal.Hash) *chain {
	for _, c := range e.journals {
		if c.Genesis == genesis {
			return c
		}
	}
	return nil
}

// of are the chains of a line on machine a.
func (e *fake) of(line string) (out []*chain) {
	e.mu.Lock()
	defer e.mu.Unlock()
	for _, c := range e.journals {
		if c.Line == line && c.Machine == "a" {
			out = append(out, c)
		}
	}
	return out
}

type conn struct {
	engine  *fake
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
		for _, j := range c.engine.journals {
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
			there = &chain{Journal: engine.Journal{Genesis: j.Genesis, Line: j.Line, Machine: c.machine, Registered: time.Now(), Head: j.Kept, Kept: j.Kept}, gone: j.Kept.Seq}
			c.engine.journals = append(c.engine.journals, there)
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
		c.engine.appends++
		there := c.engine.find(genesis)
		if there == nil {
			return engine.ErrUnknownJournal
		}
		if records[0].Seq > there.Head.Seq+1 {
			return fmt.Errorf("%w: %d after %d", engine.ErrHole, records[0].Seq, there.Head.Seq)
		}
		for i := range records {
			r := &records[i]
			if r.Seq == c.engine.distrust {
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
			there.records = append(there.records, *r)
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
		for _, r := range c.engine.find(genesis).records {
			if r.Record.Kind() == kind {
				e, ok = r, true
			}
		}
		return nil
	})
	return e, ok, err
}
