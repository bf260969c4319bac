package gateway

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"lapgate/gateway/alarm"
	"lapgate/gateway/config"
	"lapgate/gateway/cycle"
	"lapgate/gateway/handshake"
	"lapgate/gateway/journal"
	"lapgate/gateway/link"
	"lapgate/gateway/record"
	"lapgate/gateway/status"
	"lapgate/recipe/wording"
)

// maxSteps bounds the steps that one event may lead to. A full outcome ring
// takes a few hundred; more means that machine and shell feed each other.
const maxSteps = 5000

// lineLoop serves one line. All but public and the channels belong to its goroutine.
type lineLoop struct {
	set     settings
	options *Options
	log     *zap.Logger
	accepts chan accepted // configurations
	asks    chan func(context.Context)
	begun   chan struct{} // closed when the line is being served
	gone    chan struct{} // closed when the line has ended
	public  atomic.Pointer[status.Line]
	newest  atomic.Pointer[record.Newest]

	machine *cycle.Machine
	alarms  *alarm.List
	recent  record.Recent // of the journal, for people

	unfolded bool // a record is left out there

	sources *sources
	pair    *pairLine       // nil where this machine is alone
	file    *journal.Shared // the journal, for who reads it; that of the loop before
	journal Journal
	dialer  link.Dialer
	port    link.Port // nil while there is no connection
	armed   bool

	answer   cycle.Action // to the newest word of a person
	stands   standing
	waits    *record.Mode      // an arming that lasts, until the controller is looked at
	left     served            // how the line was left, at its start
	doubted  []string          // what was found then to speak against the journal
	noted    served            // newest
	seen     bool              // a whole request block came
	floor    uint32            // in the newest of them
	lost     bool              // the controller was found to have lost its memory since the start
	tended   time.Time         // when the journal was looked after last
	again    *record.Mode      // of a line that had ended; nil at the start of the daemon
	alone    bool              // and nobody asked for it: what is lost or damaged is left alone
	declared *record.Config    // the newest, with what it left out; nil without one
	valued   *config.Snapshot  // has the values of the newest, which stand there alone; nil where it has them itself
	sent     *record.Published // newest; nil without one
	odd      strangeness
	lastSeq  uint64 // of the newest record; before the journal is read, of the loop before

	shipped *shipLine // what comes of the engine; nil without one

	beside func(line string) []alarm.Condition // conditions that the shell sees beside the machine
	stood  []alarm.Condition                   // that stood at the last look
	once   []string                            // codes that stand for themselves, since then
	broken bool                                // the journal takes no more records

	began   time.Time
	retry   backoff
	outage  outage
	queue   []cycle.Event // what came of actions, not stepped yet
	halted  error         // set when the line must end
	view    [handshake.ReqWords]uint16
	payload [handshake.PayloadWords]uint16
}

func newLineLoop(s settings, o *Options, beside func(string) []alarm.Condition) *lineLoop {
	l := &lineLoop{
		set:     s,
		options: o,
		log:     o.Log.With(zap.String("line", s.name)),
		accepts: make(chan accepted, 16),
		asks:    make(chan func(context.Context)),
		file:    journal.NewShared(s.journal),
		begun:   make(chan struct{}),
		gone:    make(chan struct{}),
		alarms:  alarm.New(cycle.RuleOf),
		beside:  beside,
		retry:   backoff{first: s.reconnectFirst, last: s.reconnectLast, jitter: o.Jitter, waiting: true},
	}
	l.public.Store(&status.Line{Name: s.name, At: time.Now()})
	l.newest.Store(&record.Newest{})
	return l
}

// accepted is a configuration that was accepted, and who had it read.
type accepted struct {
	snapshot *config.Snapshot
	who      Person
}

// accept hands a configuration to the loop from outside.
func (l *lineLoop) accept(c accepted) error {
	if l.over() { // first, for the channel of a line that is gone has room too
		return l.errEnded()
	}
	select {
	case l.accepts <- c:
		return nil
	case <-l.gone:
		return l.errEnded()
	}
}

// ended marks the line as gone, and tells when it is opened again by itself: zero for
// never.
func (l *lineLoop) ended(err error, again time.Time) {
	s := *l.public.Load()
	s.Armed, s.Connected, s.Ended, s.Again, s.At = false, false, true, again, time.Now()
	if err != nil {
		s.Error, s.Alarms = err.Error(), l.lastAlarms()
	}
	l.public.Store(&s)
	l.options.Metrics.Line(&s)
	close(l.gone)
	l.pair.changed()
}

// run serves the line until ctx ends or the line cannot be served any more.
func (l *lineLoop) run(ctx context.Context) (err error) {
	l.began = time.Now()
	if l.dialer, err = l.options.Dialer(l.set.config); err != nil {
		return fmt.Errorf("line %s: %w", l.set.name, err)
	}
	if l.alone && l.lastSeq > 0 {
		if err = journal.Sound(ctx, l.set.journal, l.lastSeq); err != nil {
			return fmt.Errorf("line %s: its journal is not opened again by itself: %w", l.set.name, err)
		}
	}
	turn := sync.OnceFunc(l.options.turns.take(ctx))
	defer turn()
	err = l.file.Alone(func() (err error) {
		l.journal, err = l.options.OpenJournal(ctx, l.set.name)
		return err
	})
	if err != nil {
		if ctx.Err() != nil {
			return nil // stopped before it began
		}
		return fmt.Errorf("line %s: journal: %w", l.set.name, err)
	}
	defer func() {
		if e := l.journal.Close(); e != nil {
			err = errors.Join(err, fmt.Errorf("line %s: closing the journal: %w", l.set.name, e))
		}
	}()
	if l.sources, err = newSources(&l.set, l.options, l.log); err != nil {
		return err
	}
	if err = l.begin(ctx); err != nil {
		if ctx.Err() != nil && l.halted == nil {
			return nil
		}
		return fmt.Errorf("line %s: %w", l.set.name, err)
	}
	turn()
	defer l.hangUp()
	defer l.sources.start(ctx)()
	l.shipped.calls().ring()
	l.publish()
	close(l.begun)
	l.pair.calls().ring()
	return l.loop(ctx)
}

// begin puts the machine where the journal says that the line was left.
func (l *lineLoop) begin(ctx context.Context) error {
	l.machine = cycle.New(l.set.machine)
	l.lastSeq = 0
	err := l.journal.Replay(ctx, l.recover)
	if why := l.unusable(err); why != nil {
		// What came before is no better known than what comes after it.
		l.machine, l.stands, l.declared, l.valued, l.sent, l.recent, l.alarms, l.lastSeq = cycle.New(l.set.machine), standing{}, nil, nil, nil, record.Recent{}, alarm.New(cycle.RuleOf), 0
		err = l.file.Alone(func() error { return l.journal.BeginAnew(ctx, why.Error()) })
	}
	if err != nil {
		return fmt.Errorf("reading the journal: %w", err)
	}
	l.newest.Store(l.recent.Newest())
	l.left = l.leftAs()
	l.doubted = l.doubtsAtStart()
	if l.alone && len(l.doubted) > 0 {
		return fmt.Errorf("the line is not served again by itself: %s", strings.Join(l.doubted, "; "))
	}
	if !l.declare(context.WithoutCancel(ctx)) {
		return l.halted
	}
	if l.again != nil && !l.append(context.WithoutCancel(ctx), *l.again) {
		return l.halted
	}
	l.machine.StartArmed(false)
	if mode := l.startMode(); mode != nil {
		if !l.append(context.WithoutCancel(ctx), *mode) {
			return l.halted
		}
		l.machine.StartArmed(mode.Armed)
	}
	l.shadowed(ctx)
	l.tellOpen()
	l.handle(ctx, cycle.Doubt{Doubts: l.doubted})
	if len(l.doubted) > 0 && l.halted == nil {
		l.forget()
	}
	return l.halted
}

// declare records which configuration the line begins with, and what changed in it
// while nobody served the line.
func (l *lineLoop) declare(ctx context.Context) bool {
	r := declaration(l.set.snapshot, l.set.name, l.wholeDeclared(), l.options.Version)
	r.Start, r.By, r.User = true, self, l.options.user
	if len(r.Changes) > 0 {
		r.By = changedBy(r.File)
	}
	ok := l.append(ctx, r)
	l.valueBy(l.set.snapshot)
	return ok
}

// loop hands the machine all that happens, in the order in which it happens.
func (l *lineLoop) loop(ctx context.Context) error {
	poll := time.NewTicker(l.set.machine.Times.Poll)
	defer poll.Stop()
	defer func() { l.note(time.Now()) }()
	dial := time.NewTimer(0)
	defer dial.Stop()
	asked, most := ctx.Done(), (<-chan time.Time)(nil)
	for {
		select {
		case <-asked:
			asked, most = nil, time.After(finishWait)
		case <-most:
			l.log.Warn("line stopped with an offer open", zap.Duration("waited", finishWait))
			return nil
		case <-l.pair.calls():
			l.hearLease(ctx)
		case c := <-l.accepts:
			line := c.snapshot.Lines[indexOf(c.snapshot, l.set.name)].Recipe
			r := declaration(c.snapshot, l.set.name, l.wholeDeclared(), l.options.Version)
			r.By, r.User = c.who.By, c.who.User
			l.sources.configure(&line.Materials)
			l.handle(ctx, cycle.Configure{Line: line, Record: r})
			l.valueBy(c.snapshot)
		case f := <-l.asks:
			f(ctx)
		case <-l.shipped.calls():
			l.hearShipped(ctx)
		case err := <-l.sources.failed:
			l.halted = err
		case r := <-l.sources.readings:
			l.sources.read(l.moment().Mono, r)
		case <-poll.C:
			l.sources.tick(l.moment().Mono)
			l.handle(ctx, cycle.Tick{})
			l.keepTime(ctx)
			l.tend(ctx)
		case <-dial.C:
			if l.port == nil {
				l.connect(ctx)
			}
		}
		l.watchAlarms(ctx)
		l.publish()
		if l.halted != nil {
			return fmt.Errorf("line %s: %w", l.set.name, l.halted)
		}
		if asked == nil && !l.finishing() {
			l.log.Info("line stopped")
			return nil
		}
		if l.port == nil && !l.retry.waiting {
			dial.Reset(l.retry.next())
		}
	}
}

// contradiction is a record that contradicts those before it.
type contradiction struct {
	seq uint64
	err error
}

// Error names the record.
func (c contradiction) Error() string { return fmt.Sprintf("record %d: %v", c.seq, c.err) }

// unusable is why a journal that was read so is set aside: its records contradict each
// other, or are not what was written. It is nil where that is not so, and where damage is
// left alone.
func (l *lineLoop) unusable(err error) error {
	var against contradiction
	var damage *journal.DamageError
	switch {
	case errors.As(err, &against):
		return against
	case errors.As(err, &damage) && !l.alone:
		return damage
	}
	return nil
}

func (l *lineLoop) recover(s record.Stored) error {
	if err := l.machine.Recover(s); err != nil {
		return contradiction{s.Seq, err}
	}
	l.remember(s)
	switch r := s.Record.(type) {
	case record.Carry:
		for i := range r.Alarms {
			l.recoverAlarm(r.Alarms[i].At, &r.Alarms[i])
		}
	case record.Alarm:
		l.recoverAlarm(s.At, &r)
	}
	return nil
}

// remember takes a record into what the shell itself knows of those before.
func (l *lineLoop) remember(s record.Stored) {
	l.lastSeq = s.Seq
	switch r := s.Record.(type) {
	case record.Config:
		l.declared, l.valued = whole(r, l.wholeDeclared()), nil
	case record.Published:
		l.sent = &r
	case record.Carry:
		l.declared, l.valued, l.sent = r.Config, nil, r.Published
	}
	l.stands.add(s, l.declared)
	l.fold(s)
}

// fold adds a record to what people read. One that says nothing to a person does not
// end the line; it is told once.
func (l *lineLoop) fold(s record.Stored) {
	if err := l.recent.Add(s); err != nil && !l.unfolded {
		l.unfolded = true
		l.log.Warn("the page and the reports leave out a record", zap.Error(err))
	}
}

// handle steps the machine with an event and with all that comes of it.
// Actions at hand are finished even when ctx has ended, so that a stop never
// cuts between a record and what it stands for.
func (l *lineLoop) handle(ctx context.Context, e cycle.Event) {
	l.queue = append(l.queue[:0], e)
	l.settle(ctx)
}

// settle steps the machine with all that is queued and comes of it.
func (l *lineLoop) settle(ctx context.Context) {
	ctx = context.WithoutCancel(ctx)
	for n := 0; len(l.queue) > 0 && l.halted == nil; n++ {
		if n == maxSteps {
			l.halted = fmt.Errorf("the machine did not settle within %d steps, the next being %T; this is a program error, please report it", maxSteps, l.queue[0])
			return
		}
		next := l.queue[0]
		l.queue = append(l.queue[:0], l.queue[1:]...)
		l.execute(ctx, l.machine.Step(l.moment(), next))
	}
}

func (l *lineLoop) moment() cycle.Moment {
	now := time.Now()
	return cycle.Moment{Mono: now.Sub(l.began), Wall: now}
}

// execute does the actions of one step in order. It stops at the first that
// fails and queues the failure as an event.
func (l *lineLoop) execute(ctx context.Context, actions []cycle.Action) {
	for len(actions) > 0 {
		var ok bool
		done := 1
		switch a := actions[0].(type) {
		case cycle.Append:
			records := together(actions)
			done, ok = len(records), l.append(ctx, records...)
		case cycle.Send:
			ok = l.send(ctx, a.Block, a.Words)
		case cycle.FetchView:
			ok = l.fetchView(ctx)
		case cycle.FetchPayload:
			ok = l.fetchPayload(ctx)
		case cycle.FetchOutcomes:
			ok = l.fetchOutcomes(ctx, a.From, a.N)
		case cycle.DrawNonce:
			ok = l.drawNonce()
		case cycle.Drop:
			l.log.Info("connection dropped", zap.String("reason", a.Reason))
			l.hangUp()
			ok = true
		case cycle.Notify:
			l.notify(a)
			ok = true
		case cycle.OverrideAnswer, cycle.ConfirmAnswer, cycle.HangAnswer, cycle.HeadsAnswer, cycle.StationAnswer:
			l.answer, ok = a, true
		case cycle.Halt:
			if l.halted == nil {
				l.halted = haltedBy(a)
				l.fenceOff(ctx, a)
			}
		default:
			l.halted = fmt.Errorf("action %T is not known to the shell; this is a program error", a)
		}
		if !ok {
			return
		}
		actions = actions[done:]
	}
}

// mostTogether bounds the records that are made durable at once.
const mostTogether = 16

// together are the records that come before anything else is done: the disk is waited for
// once for all of them.
func together(actions []cycle.Action) (records []record.Record) {
	for _, a := range actions[:min(len(actions), mostTogether)] {
		r, ok := a.(cycle.Append)
		if !ok {
			break
		}
		records = append(records, r.Record)
	}
	return records
}

// fenceOff keeps a fenced line in shadow until somebody arms it, also after a restart of
// the daemon: two daemons that are both started again whenever they end would else
// take the line from each other for ever.
func (l *lineLoop) fenceOff(ctx context.Context, h cycle.Halt) {
	if h.Fenced && l.armed {
		l.append(ctx, record.Mode{By: self, Reason: h.Reason, Cause: record.CauseFenced, Controller: l.set.identity})
	}
}

func haltedBy(h cycle.Halt) error {
	if h.Fenced {
		return fmt.Errorf("%w: %s", errFenced, h.Reason)
	}
	return errors.New(h.Reason)
}

// append makes records durable together.
func (l *lineLoop) append(ctx context.Context, records ...record.Record) bool {
	start := time.Now()
	stored, err := l.journal.Append(ctx, records...)
	if err != nil {
		r := records[0]
		l.options.Metrics.JournalFailed(l.set.name)
		l.log.Error("a record could not be made durable; the line ends",
			zap.String("kind", string(r.Kind())), zap.Uint32("roll", r.RollNo()), zap.Error(err))
		l.journalFailed(ctx, r, err)
		return false
	}
	took := time.Since(start)
	for _, s := range stored {
		l.options.Metrics.Recorded(l.set.name, s, took)
		l.follow(s)
		l.shipped.recorded(s)
		if l.options.OnRecord != nil {
			l.options.OnRecord(l.set.name, s)
		}
	}
	return true
}

// journalFailed lets the machine say so to the controller, once, and ends the
// line: a failed synchronisation is never repeated on an open file.
func (l *lineLoop) journalFailed(ctx context.Context, r record.Record, err error) {
	failure := fmt.Errorf("journal: record %s of roll %d: %w", r.Kind(), r.RollNo(), err)
	if l.halted != nil {
		return
	}
	l.halted, l.broken = failure, true
	l.queue = l.queue[:0]
	for _, a := range l.machine.Step(l.moment(), cycle.JournalFailed{Err: err.Error()}) {
		switch a := a.(type) {
		case cycle.Send:
			// Only the word that the journal failed may still go out.
			if a.Block == handshake.HEARTBEAT && l.port != nil {
				l.send(ctx, a.Block, a.Words)
			}
		case cycle.Notify:
			l.notify(a)
		}
	}
}

// follow keeps what the shell itself, and people, must know of durable records. What
// people read is a copy: however slow they are, the line waits for none of them.
func (l *lineLoop) follow(s record.Stored) {
	l.remember(s)
	l.newest.Store(l.recent.Newest())
	switch r := s.Record.(type) {
	case record.Mode:
		l.armed = r.Armed
	case record.Request, record.Outcome:
		// At once, so that the roll after the last one gets no recipe.
		if why := l.stands.over(s.At); why != "" && l.armed {
			l.disarmOther(why)
			l.queue = append(l.queue, cycle.Arm{By: self, Reason: why, Cause: record.CauseOver, Controller: l.set.identity},
				cycle.Shadowed{Cause: record.CauseOver, Reason: why})
		}
	case record.Gap:
		if r.Boot != 0 {
			l.lost = true
			l.swapped("the controller counts from the beginning: it lost its memory, or another one stands there")
		}
	}
}

func (l *lineLoop) drawNonce() bool {
	var b [4]byte
	for {
		if _, err := l.options.Random.Read(b[:]); err != nil {
			l.halted = fmt.Errorf("no random number for the session: %w", err)
			return false
		}
		if v := binary.BigEndian.Uint32(b[:]); v != 0 {
			l.queue = append(l.queue, cycle.Nonce{Value: v})
			return true
		}
	}
}

func (l *lineLoop) notify(n cycle.Notify) {
	l.options.Metrics.Notified(l.set.name, n.Code, n.Level)
	l.noteOnce(n.Code)
	fields := make([]zap.Field, 0, len(n.Fields)+1)
	fields = append(fields, zap.String("code", n.Code))
	words := l.set.snapshot.Words
	for _, f := range n.Fields {
		if said, ok := f.Value.(wording.Said); ok {
			fields = append(fields, zap.String(f.Key, words.Text(said)))
			continue
		}
		fields = append(fields, zap.Any(f.Key, f.Value))
	}
	text := words.Text(n.Said)
	switch n.Level {
	case cycle.Info:
		l.log.Info(text, fields...)
	case cycle.Warning:
		l.log.Warn(text, fields...)
	default:
		l.log.Error(text, fields...)
	}
}

// publish makes the state visible to the status page.
func (l *lineLoop) publish() {
	s := &status.Line{
		Name:      l.set.name,
		Armed:     l.armed,
		Connected: l.port != nil,
		Begun:     true,
		Error:     l.outage.newest,
		Machine:   l.machine.Status(),
		Alarms:    l.alarms.Alarms(),
		At:        time.Now(),
		Pair:      l.pair.state(),
	}
	if l.pair != nil {
		l.pair.over.Store(l.armed && l.stands.takesOver())
		l.pair.seq.Store(l.lastSeq)
	}
	l.public.Store(s)
	l.options.Metrics.Line(s)
}
