// Package ship hands the journals of a daemon's lines on to the engine of the mill's
// record. Nothing is kept beside the journal and its archives: how far they have
// arrived is asked of the engine at each connection, and what comes after that is read
// here and handed on. No line waits for it.
//
//	journal, archives ──> batch ──> engine: append ──> its head ──> cycle.Stored
//
// What comes again does no harm, and an answer that was lost is settled by the head. An
// engine that forgot is told again from where it is. One whose chain is another than
// the one here is told nothing more, until a named person registers the journal anew:
// from the newest record of both on, it then goes there under another name.
package ship

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"lapgate/gateway/cycle"
	"lapgate/gateway/engine"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
)

// Settings say where the records go and what is told of it.
type Settings struct {
	Machine string // name of this one among those that write
	Connect func(context.Context) (Conn, error)
	Lines   []Line
	// Failed is told why handing on was broken off, and says how long to wait before the
	// next attempt.
	Failed func(failure error) (wait time.Duration)
	// Changed is told of each change of a line's state, in order, Stored of what its machine
	// must know. All three return at once, and ask the shipper nothing.
	Changed func(line string, s State)
	Stored  func(line string, s cycle.Stored)
}

// Line is a line and its journal, which is only read.
type Line struct {
	Name    string
	Journal *journal.Shared
}

// State is how far the journal of a line has arrived.
type State struct {
	Connected bool
	Error     string // why nothing is handed on now, empty where all is well
	Stopped   *Stop  // nil unless the engine takes the journal no more
	Known     bool   // since the start the engine has told how far the journal has arrived
	Record    uint64 // the newest that has arrived, 0 for none
	At        time.Time
	Backlog   uint64           // records behind it
	Since     time.Time        // time of the oldest of them; zero for none
	Others    []engine.Journal // of other machines, in the order in which they were registered
}

// Stop is why the engine takes a journal no more.
type Stop struct {
	Why     string
	Journal journal.Hash // as it is registered
	After   uint64       // newest record that both have: a journal registered anew goes on from it
}

// How often a line is looked at without a word of it, and a batch that the engine did
// not take for what is in it is tried again.
const (
	lookEvery  = 2 * time.Second
	retryAfter = time.Minute
	// A journal that could not be read whole, as while it is closed or closed off, is tried
	// again so soon, and less and less often where it stays so.
	readAgain = 250 * time.Millisecond
)

// Shipper hands on the journals of all lines over one connection.
type Shipper struct {
	set    Settings
	lines  []*line
	wake   chan struct{}
	finish chan struct{} // closed when nothing more comes
	once   sync.Once     // closes it

	// Of the goroutine of Run.
	again  bool          // a journal could not be read whole
	wait   time.Duration // before the next look at it
	first  int           // line that is served first on the next connection
	landed uint64        // batches that arrived
}

// line is one line. All but what the mutex guards belongs to the goroutine of Run.
type line struct {
	Line
	at     position
	stop   *Stop
	retry  time.Time // not before, of a stop that may be over by itself
	most   int       // records of the next batch
	looked time.Time
	others others
	told   cycle.Stored

	telling sync.Mutex // held while a change is told, so that the newest is told last

	mu    sync.Mutex
	state State
	head  uint64 // newest record here
	word  bool   // a person had the journal registered anew, and that was not looked at
}

// The sizes of a batch. After one that failed fewer records are tried.
const (
	mostRecords  = 1000
	leastRecords = 8
	mostBytes    = 4 << 20
)

// New prepares shipping.
func New(s Settings) *Shipper {
	out := &Shipper{set: s, wake: make(chan struct{}, 1), finish: make(chan struct{})}
	for _, l := range s.Lines {
		out.lines = append(out.lines, &line{Line: l, most: mostRecords})
	}
	return out
}

func (s *Shipper) find(name string) *line {
	for _, l := range s.lines {
		if l.Name == name {
			return l
		}
	}
	return nil
}

// State is how far the journal of a line has arrived. It may be asked for at any time.
func (s *Shipper) State(name string) State {
	l := s.find(name)
	if l == nil {
		return State{}
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.state
}

// Recorded takes note of a record of a line. It returns at once.
func (s *Shipper) Recorded(name string, r record.Stored) {
	l := s.find(name)
	if l == nil {
		return
	}
	s.change(l, func(st *State) {
		l.head = r.Seq
		l.word = l.word || r.Record.Kind() == record.KindRegister
		if st.Since.IsZero() {
			st.Since = r.At
		}
	})
	select {
	case s.wake <- struct{}{}:
	default: // it is awake
	}
}

// change changes the state of a line and tells it.
func (s *Shipper) change(l *line, f func(*State)) {
	l.telling.Lock()
	defer l.telling.Unlock()
	l.mu.Lock()
	f(&l.state)
	l.state.Backlog = l.head - min(l.head, l.state.Record)
	switch {
	case l.state.Backlog == 0:
		l.state.Since = time.Time{}
	case l.state.Since.IsZero(): // it came meanwhile
		l.state.Since = time.Now()
	}
	out := l.state
	l.mu.Unlock()
	s.set.Changed(l.Name, out)
}

// Finish has Run end by itself: when all that was recorded before has arrived, or when an
// attempt begun since then brings no record of it into the engine.
func (s *Shipper) Finish() { s.once.Do(func() { close(s.finish) }) }

func (s *Shipper) finishing() bool {
	select {
	case <-s.finish:
		return true
	default:
		return false
	}
}

// Run hands on until ctx ends, or until that is finished.
func (s *Shipper) Run(ctx context.Context) {
	for ctx.Err() == nil {
		last, before := s.finishing(), s.landed
		err := s.connected(ctx)
		if err == nil || ctx.Err() != nil {
			return
		}
		if errors.Is(err, errAnew) {
			continue
		}
		for _, l := range s.lines {
			s.change(l, func(st *State) { st.Connected, st.Error = false, err.Error() })
		}
		wait := s.set.Failed(err)
		if last && s.landed == before {
			return
		}
		s.pause(ctx, wait)
	}
}

// pause waits before the next attempt, which at the finish is made at once.
func (s *Shipper) pause(ctx context.Context, wait time.Duration) {
	timer := time.NewTimer(wait)
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-s.finish:
	case <-timer.C:
	}
}

// errAnew says that another connection is needed and nothing is wrong with the engine.
var errAnew = errors.New("the engine refused what is in the records")

// connected hands on until the connection is over. It returns nil when all is finished.
func (s *Shipper) connected(ctx context.Context) error {
	conn, err := s.set.Connect(ctx)
	if err != nil {
		return err
	}
	defer conn.Close()
	for _, l := range s.lines {
		if l.at.known = false; l.stop == nil {
			l.looked = time.Time{}
		}
		s.change(l, func(st *State) { st.Connected = true })
	}
	for {
		last := s.finishing()
		more, err := s.serveAll(ctx, conn)
		switch {
		case err != nil:
			return err
		case ctx.Err() != nil:
			return ctx.Err()
		case !more && last:
			return nil
		case !more:
			s.rest(ctx)
		}
	}
}

// serveAll hands on some records of each line, and reports whether there are more. Where one
// breaks the connection off the next connection begins with the line behind it, or those
// would wait as long as that one fails.
func (s *Shipper) serveAll(ctx context.Context, conn Conn) (more bool, err error) {
	for i := range s.lines {
		at := (s.first + i) % len(s.lines)
		m, err := s.serve(ctx, conn, s.lines[at])
		if err != nil {
			s.first = (at + 1) % len(s.lines)
			return false, err
		}
		more = more || m
	}
	return more, nil
}

// rest waits until there may be something to do.
func (s *Shipper) rest(ctx context.Context) {
	s.wait = min(lookEvery, max(readAgain, 2*s.wait))
	if !s.again {
		s.wait = 0
	}
	s.again = false
	timer := time.NewTimer(cmp.Or(s.wait, lookEvery))
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-s.finish:
	case <-s.wake:
	case <-timer.C:
	}
}

// localError is what is wrong with one journal here: the other lines go on.
type localError struct{ error }

// serve hands on the next records of a line, and reports whether there are more.
func (s *Shipper) serve(ctx context.Context, conn Conn, l *line) (more bool, err error) {
	if due, word := l.due(); due {
		l.looked = time.Now()
		if err = s.look(ctx, conn, l); err != nil && word && !errors.Is(err, errAnew) {
			l.heard() // again: it was not looked at
		}
	}
	if err == nil && l.at.known && l.newest() != l.at.head.Seq {
		more, err = s.send(ctx, conn, l)
	}
	if local := (localError{}); errors.As(err, &local) {
		s.again = true
		s.change(l, func(st *State) { st.Error = local.Error() })
		return false, ctx.Err()
	}
	if err == nil && l.stop == nil && l.at.known && l.failed() {
		s.change(l, func(st *State) { st.Error = "" })
	}
	return more, err
}

// failed tells whether something was wrong with the line before.
func (l *line) failed() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.state.Error != ""
}

// due tells whether the engine is to be asked what it has of the line, and whether a
// person's word is behind that.
func (l *line) due() (due, word bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	word = l.word
	l.word = false
	since := time.Since(l.looked)
	switch {
	case l.stop != nil:
		return word || since >= retryAfter, word
	case !l.at.known:
		return l.head > 0 || since >= lookEvery, word
	}
	return since >= lookEvery, word
}

// heard notes a person's word.
func (l *line) heard() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.word = true
}

// newest is the number of the newest record here.
func (l *line) newest() uint64 {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.head
}

// send hands on one batch.
func (s *Shipper) send(ctx context.Context, conn Conn, l *line) (more bool, err error) {
	batch, next, err := l.read(ctx)
	if errors.Is(err, errReplaced) {
		l.at.known = false
		return true, nil
	}
	if err != nil || len(batch) == 0 {
		s.again = true // a record is there, and was not seen while the journal was being closed
		return false, err
	}
	head, err := conn.Append(ctx, l.at.name, batch)
	switch {
	case errors.Is(err, engine.ErrFork), errors.Is(err, engine.ErrHash):
		s.stopAt(l, &Stop{Why: fmt.Sprintf("it refuses what comes after record %d: %v", l.at.head.Seq, err), Journal: l.at.name, After: max(l.at.head.Seq, 1)})
		return false, errAnew
	case err != nil:
		l.most = max(leastRecords, l.most/4)
		return false, err
	}
	l.most = min(mostRecords, 2*l.most)
	s.landed++
	last := batch[len(batch)-1]
	if head != (journal.Head{Seq: last.Seq, Hash: last.Hash}) {
		l.at.known = false // it had more, or answers for another
		return true, nil
	}
	for i := range batch {
		l.at.outcomes.Add(batch[i].Record)
	}
	l.at.head = head
	s.arrived(l, next)
	return !next.IsZero(), nil
}

// arrived tells how far the journal has arrived. next is the time of the record behind,
// zero where none was read.
func (s *Shipper) arrived(l *line, next time.Time) {
	s.change(l, func(st *State) {
		st.Known, st.Record, st.At, st.Since = true, l.at.head.Seq, time.Now(), next
	})
	s.tell(l)
}

// tell tells the machine of the line what the engine has.
func (s *Shipper) tell(l *line) {
	now := cycle.Stored{UpTo: l.at.outcomes.UpTo, Losses: l.at.outcomes.Losses, Other: l.others.newest}
	if now == l.told {
		return
	}
	l.told = now
	s.set.Stored(l.Name, now)
}

// stopAt ends the shipping of a journal.
func (s *Shipper) stopAt(l *line, stop *Stop) {
	l.stop, l.at.known, l.retry = stop, false, time.Now().Add(retryAfter)
	s.change(l, func(st *State) { st.Stopped, st.Error = stop, stop.Why })
}
