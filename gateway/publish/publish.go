// Package publish sends onward what the journal of a line tells of its rolls, holds
// and conditions: over MQTT 5, at least once and in order. The journal is the queue:
// whatever is away, nothing is kept beside it and nothing waits for it. Each message
// has the identity of the journal and the number of its record, by which a receiver
// drops what comes again.
package publish

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"lapgate/gateway/alarm"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
)

// Line is what the publication of one line needs of its surroundings.
type Line struct {
	Name string
	// Journal is only read.
	Journal *journal.Shared
	// Note makes a record durable that says how far the publication is.
	Note func(context.Context, record.Published) error
	// NoteBy is when such a record is due at the latest where something was published
	// at a time.
	NoteBy func(time.Time) time.Time
	// Rule tells meaning and priority of an alarm.
	Rule func(code string) (alarm.Rule, bool)
	// Pause waits before the next attempt after a failure, until ctx ends.
	Pause func(ctx context.Context, failure error)
	// Changed tells of each change of the state.
	Changed func(State)
	// Lost tells that records which were not sent onward yet are gone: the archive that
	// had them was removed.
	Lost func(from, to uint64)
}

// State is how far the publication of a line is.
type State struct {
	Connected bool
	Error     string    // why nothing is sent now, empty where all is well
	Sequence  uint64    // record of the newest message that was taken, 0 for none since the start
	At        time.Time // when that was
	Backlog   uint64    // records behind it that were not looked at or not taken yet
}

// noteAfter is how many messages are taken before a record says so.
const noteAfter = 100

// Publisher sends the events of one line onward.
type Publisher struct {
	broker Broker
	line   Line
	wake   chan struct{}
	state  atomic.Pointer[State]

	// Of the goroutine of Run.
	at      position
	queue   []message // read and not taken
	taken   uint64    // every record up to it is taken, or nothing to send
	since   int       // messages taken since the newest note
	sinceAt time.Time // when the first of them was
}

// New prepares the publication of a line.
func New(b Broker, l Line) *Publisher {
	p := &Publisher{broker: b, line: l, wake: make(chan struct{}, 1)}
	p.state.Store(&State{})
	return p
}

// State is how far the publication is. It may be asked for at any time.
func (p *Publisher) State() State { return *p.state.Load() }

// Recorded takes note of a record of the line. It returns at once.
func (p *Publisher) Recorded(s record.Stored) {
	if !tells(s.Record) {
		return
	}
	select {
	case p.wake <- struct{}{}:
	default: // it is awake
	}
}

// Run sends onward until ctx ends.
func (p *Publisher) Run(ctx context.Context) {
	for ctx.Err() == nil {
		err := p.connected(ctx)
		if ctx.Err() != nil {
			return
		}
		p.change(func(s *State) { s.Connected, s.Error = false, err.Error() })
		p.line.Pause(ctx, err)
	}
}

func (p *Publisher) change(f func(*State)) {
	s := p.State()
	f(&s)
	p.state.Store(&s)
	p.line.Changed(s)
}

// connected sends onward until ctx ends or something fails.
func (p *Publisher) connected(ctx context.Context) error {
	if err := p.read(ctx); err != nil {
		return err
	}
	if err := p.measure(ctx); err != nil {
		return err
	}
	c, err := p.broker.connect(ctx, p.line.Name)
	if err != nil {
		return err
	}
	defer c.close()
	p.change(func(s *State) { s.Connected = true })
	for {
		for {
			if err := p.send(ctx, c); err != nil {
				return err
			}
			if err := p.read(ctx); err != nil {
				return err
			}
			if len(p.queue) == 0 {
				break
			}
		}
		p.change(func(s *State) { s.Error = "" })
		if err := p.rest(ctx, c); err != nil || ctx.Err() != nil {
			return err
		}
	}
}

// rest waits until there may be something to send, and notes meanwhile how far the
// publication is where that is due.
func (p *Publisher) rest(ctx context.Context, c *connection) error {
	var due <-chan time.Time
	if p.since > 0 {
		timer := time.NewTimer(time.Until(p.line.NoteBy(p.sinceAt)))
		defer timer.Stop()
		due = timer.C
	}
	select {
	case <-ctx.Done():
	case <-c.gone():
		return errors.New("the broker closed the connection")
	case <-p.wake:
	case <-due:
		p.note(ctx)
	}
	return nil
}

// send sends what was read, one message after the other: each is taken before the next
// goes out, so that the order holds whatever is lost.
func (p *Publisher) send(ctx context.Context, c *connection) error {
	for len(p.queue) > 0 {
		m := p.queue[0]
		if err := c.publish(ctx, p.broker.topic(p.line.Name, m.event), m.payload); err != nil {
			return fmt.Errorf("record %d: %w", m.seq, err)
		}
		p.queue = p.queue[1:]
		p.taken = m.seq
		now := time.Now()
		p.change(func(s *State) { s.Sequence, s.At, s.Backlog = m.seq, now, p.at.head-min(p.at.head, m.seq) })
		if m.event == eventHead {
			continue
		}
		if p.since++; p.since == 1 {
			p.sinceAt = now
		}
		if p.since >= noteAfter {
			p.note(ctx)
		}
	}
	p.taken = p.at.read.Seq
	p.tellBacklog()
	return nil
}

// note has it recorded how far the publication is. Where that fails, as while the line
// is not served, it is tried again at the next message; until then a restart sends more
// of it again.
func (p *Publisher) note(ctx context.Context) {
	if p.line.Note(ctx, record.Published{To: channel, Journal: p.at.identity, UpTo: p.taken}) == nil {
		p.since = 0
		return
	}
	p.since, p.sinceAt = 1, time.Now()
}

// measure finds how much waits, which grows while nobody takes it.
func (p *Publisher) measure(ctx context.Context) (err error) {
	var head journal.Head
	if err = p.line.Journal.Read(ctx, journal.OpenReader, func(r *journal.Reader) (err error) {
		head, err = r.Head(ctx)
		return err
	}); err != nil {
		return err
	}
	p.at.head = head.Seq
	p.tellBacklog()
	return nil
}

func (p *Publisher) tellBacklog() {
	p.change(func(s *State) { s.Backlog = p.at.head - min(p.at.head, p.taken) })
}

// read reads on in the journal, where nothing waits.
func (p *Publisher) read(ctx context.Context) error {
	if len(p.queue) > 0 {
		return nil
	}
	err := p.readOn(ctx)
	if errors.Is(err, errReplaced) {
		p.at, p.queue = position{}, nil
		err = p.readOn(ctx)
	}
	var damage *journal.DamageError
	if errors.As(err, &damage) {
		return fmt.Errorf("the journal cannot be sent onward: %w", err)
	}
	return err
}
