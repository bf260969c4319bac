// Package leasetest is an engine in memory, for tests of what two gateways do by their
// leases: it can be silent, cut off, started again and forgetful.
package leasetest

import (
	"context"
	"errors"
	"slices"
	"sync"
	"time"

	"lapgate/gateway/engine"
	"lapgate/gateway/lease"
)

// Engine holds leases, acts and members in memory.
type Engine struct {
	mu      sync.Mutex
	rows    map[string]engine.Lease
	members []engine.Member
	acts    []act
	numbers uint64          // of acts, given so far
	lose    int             // acts that are taken next and whose answer does not come through
	starts  int             // connections of an earlier start are gone
	away    bool            // refuses to be connected to
	mute    map[string]bool // machines whose questions get no answer
	moves   int             // leases that were taken
}

type act struct {
	engine.Act
	at     time.Time
	answer *engine.Answer
}

// New is an engine without rows.
func New() *Engine { return &Engine{rows: map[string]engine.Lease{}, mute: map[string]bool{}} }

// ErrAway is what a connection to an engine that is away ends with.
var ErrAway = errors.New("leasetest: connection refused")

// ErrGone is what is answered on a connection from before a restart.
var ErrGone = errors.New("leasetest: the connection is gone")

// Away has the engine refuse everything, or answer again. Connections of before are gone.
func (e *Engine) Away(away bool) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.away = away
	e.starts++
}

// Restart ends all connections.
func (e *Engine) Restart() { e.Away(false) }

// Mute has nothing of a machine come through, or everything again.
func (e *Engine) Mute(machine string, mute bool) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.mute[machine] = mute
}

// Row is the lease of a line.
func (e *Engine) Row(line string) engine.Lease {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.row(line)
}

// Put puts a lease in place of that of its line, as a backup does that is restored.
func (e *Engine) Put(row engine.Lease) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.rows[row.Line] = row
}

// ForgetActs has the engine lose all acts, as a failover does.
func (e *Engine) ForgetActs() {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.acts = nil
}

// LosePosted has the answers to the next acts that are posted not come through.
func (e *Engine) LosePosted(n int) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.lose = n
}

// Acts are those that were posted, and how many of them nobody answered.
func (e *Engine) Acts() (all []engine.Act, open int) {
	e.mu.Lock()
	defer e.mu.Unlock()
	for _, a := range e.acts {
		all = append(all, a.Act)
		if a.answer == nil {
			open++
		}
	}
	return all, open
}

// Moves is how often a lease was taken, by whomever.
func (e *Engine) Moves() int {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.moves
}

// From is how a machine connects.
func (e *Engine) From(machine string) func(context.Context) (lease.Store, error) {
	return func(ctx context.Context) (lease.Store, error) {
		c := &conn{e: e, machine: machine}
		if err := c.through(ctx); err != nil {
			return nil, err
		}
		e.mu.Lock()
		defer e.mu.Unlock()
		if e.away {
			return nil, ErrAway
		}
		c.start = e.starts
		return c, nil
	}
}

func (e *Engine) row(line string) engine.Lease {
	if r, ok := e.rows[line]; ok {
		return r
	}
	return engine.Lease{Line: line}
}

type conn struct {
	e       *Engine
	machine string
	start   int
}

// through waits until a question comes through, or ctx ends.
func (c *conn) through(ctx context.Context) error {
	c.e.mu.Lock()
	mute := c.e.mute[c.machine]
	c.e.mu.Unlock()
	if mute {
		<-ctx.Done()
		return ctx.Err()
	}
	return ctx.Err()
}

// do does something in the engine at once, if it answers.
func (c *conn) do(ctx context.Context, f func()) error {
	if err := c.through(ctx); err != nil {
		return err
	}
	c.e.mu.Lock()
	defer c.e.mu.Unlock()
	if c.e.away || c.start != c.e.starts {
		return ErrGone
	}
	f()
	return nil
}

func (c *conn) Leases(ctx context.Context, lines []string) (rows []engine.Lease, err error) {
	err = c.do(ctx, func() {
		for _, line := range lines {
			rows = append(rows, c.e.row(line))
		}
	})
	return rows, err
}

func (c *conn) Renew(ctx context.Context, instance string, held []engine.Lease) (renewed []string, err error) {
	err = c.do(ctx, func() {
		for _, h := range held {
			if r := c.e.row(h.Line); r.Number == h.Number && r.Instance == instance {
				r.Beat++
				c.e.rows[h.Line] = r
				renewed = append(renewed, h.Line)
			}
		}
	})
	return renewed, err
}

func (c *conn) Take(ctx context.Context, seen engine.Lease, instance string, ttl time.Duration) (number uint32, taken bool, err error) {
	err = c.do(ctx, func() {
		r := c.e.row(seen.Line)
		if r.Number != seen.Number || r.Beat != seen.Beat {
			return
		}
		number, taken = c.take(r, r.Number+1, instance, ttl), true
	})
	return number, taken, err
}

func (c *conn) take(r engine.Lease, number uint32, instance string, ttl time.Duration) uint32 {
	c.e.rows[r.Line] = engine.Lease{Line: r.Line, Number: number, Instance: instance, TTL: ttl}
	c.e.moves++
	return number
}

func (c *conn) Claim(ctx context.Context, line, instance string, held uint32, ttl time.Duration) (number uint32, taken bool, err error) {
	err = c.do(ctx, func() {
		if r := c.e.row(line); r.Number < held {
			number, taken = c.take(r, held+1, instance, ttl), true
		}
	})
	return number, taken, err
}

func (c *conn) Release(ctx context.Context, instance string, held []engine.Lease) error {
	return c.do(ctx, func() {
		for _, h := range held {
			if r := c.e.row(h.Line); r.Number == h.Number && r.Instance == instance {
				r.Instance = ""
				c.e.rows[h.Line] = r
			}
		}
	})
}

func (c *conn) Meet(ctx context.Context, self engine.Member) (all []engine.Member, err error) {
	err = c.do(ctx, func() {
		i := slices.IndexFunc(c.e.members, func(m engine.Member) bool { return m.Machine == self.Machine })
		if i < 0 {
			i = len(c.e.members)
			c.e.members = append(c.e.members, engine.Member{})
		}
		self.Beat = c.e.members[i].Beat + 1
		c.e.members[i] = self
		all = slices.Clone(c.e.members)
	})
	return all, err
}

func (c *conn) Post(ctx context.Context, a engine.Act) (number uint64, err error) {
	err = c.do(ctx, func() {
		for _, there := range c.e.acts {
			if there.Key == a.Key {
				number = there.Number
				return
			}
		}
		c.e.numbers++
		number = c.e.numbers
		at := time.Now().Add(-a.Age)
		a.Number, a.Age = number, 0
		c.e.acts = append(c.e.acts, act{Act: a, at: at})
	})
	if err == nil && c.lost() {
		return 0, ErrGone
	}
	return number, err
}

// lost reports whether the answer to what was done is lost, and with it the connection.
func (c *conn) lost() bool {
	c.e.mu.Lock()
	defer c.e.mu.Unlock()
	if c.e.lose == 0 {
		return false
	}
	c.e.lose--
	c.e.starts++
	return true
}

func (c *conn) Waiting(ctx context.Context, machine string, lines []string) (out []engine.Act, err error) {
	err = c.do(ctx, func() {
		for _, a := range c.e.acts {
			if a.answer == nil && a.Machine != machine && slices.Contains(lines, a.Line) {
				a.Age = time.Since(a.at)
				out = append(out, a.Act)
			}
		}
	})
	return out, err
}

func (c *conn) Answer(ctx context.Context, number uint64, machine, text string) (counts bool, err error) {
	err = c.do(ctx, func() {
		for i := range c.e.acts {
			if a := &c.e.acts[i]; a.Number == number {
				if a.answer == nil {
					a.answer = &engine.Answer{Number: number, Key: a.Key, Machine: machine, Text: text}
				}
				counts = a.answer.Machine == machine
			}
		}
	})
	return counts, err
}

func (c *conn) Answers(ctx context.Context, keys []string) (out []engine.Answer, err error) {
	err = c.do(ctx, func() {
		for _, a := range c.e.acts {
			switch {
			case !slices.Contains(keys, a.Key):
			case a.answer != nil:
				out = append(out, *a.answer)
			default:
				out = append(out, engine.Answer{Number: a.Number, Key: a.Key})
			}
		}
	})
	return out, err
}

// Journals is empty: no record is kept here.
func (c *conn) Journals(ctx context.Context, _ string) (out []engine.Journal, err error) {
	return nil, c.do(ctx, func() {})
}

func (c *conn) Close() {}
