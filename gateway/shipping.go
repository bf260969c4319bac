package gateway

import (
	"context"
	"errors"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"

	"lapgate/gateway/alarm"
	"lapgate/gateway/cycle"
	"lapgate/gateway/record"
	"lapgate/gateway/ship"
	"lapgate/gateway/status"
	"lapgate/recipe/wording"
)

// ShippingOptions are what a gateway needs to hand its journals on to the engine.
type ShippingOptions struct {
	Machine string // name of this one among those that write
	Connect func(context.Context) (ship.Conn, error)
}

// The waits before the engine is tried again. They are short, for the acknowledgement of
// outcomes waits for it.
const (
	engineFirst = 500 * time.Millisecond
	engineLast  = 10 * time.Second
)

// How long records may wait for an engine that seems well before people are told, and how
// long they have waited when they are called anew.
const (
	slowAfter = time.Minute
	shiftLong = 8 * time.Hour
)

var callAges = [...]time.Duration{time.Hour, shiftLong, day, 7 * day, 30 * day}

// finishTime is the longest that the end of the daemon waits for an engine that takes what
// it has not got yet. In a pair the other machine acts only after it.
const finishTime = 5 * time.Second

// shipping is the way of all journals to the engine. Nil is one without an engine.
type shipping struct {
	g       *Gateway
	shipper *ship.Shipper
	lines   map[string]*shipLine

	mu      sync.Mutex
	wait    backoff
	failing outage
}

// shipLine is what comes to a line from the engine. It outlives the loops that serve the
// line. Nil is that of a line without an engine.
type shipLine struct {
	name string
	of   *shipping
	bell bell // something is to be heard

	mu     sync.Mutex
	stored *cycle.Stored // nil before the engine answered
	told   bool          // that the engine takes the journal no more
}

// newShipping prepares the way to the engine; nil options are none.
func (g *Gateway) newShipping() {
	o := g.options.Ship
	if o == nil {
		return
	}
	s := &shipping{g: g, lines: map[string]*shipLine{}, wait: backoff{first: engineFirst, last: engineLast, jitter: g.options.Jitter}}
	set := ship.Settings{Machine: o.Machine, Connect: o.Connect, Failed: s.failed, Changed: s.changed, Stored: s.hear}
	for _, p := range g.lines {
		l := &shipLine{name: p.name, of: s, bell: newBell()}
		s.lines[p.name], p.loop().shipped = l, l
		set.Lines = append(set.Lines, ship.Line{Name: p.name, Journal: p.loop().file})
	}
	s.shipper = ship.New(set)
	g.shipping = s
}

// start hands the journals on until stop is called, which is after the lines have ended:
// then what they recorded last is handed on too, where the engine takes it.
func (s *shipping) start(ctx context.Context) (stop func()) {
	if s == nil {
		return func() {}
	}
	ctx, cancel := context.WithCancel(context.WithoutCancel(ctx))
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		s.run(ctx)
	}()
	return func() {
		defer cancel()
		s.shipper.Finish()
		limit := time.NewTimer(finishTime)
		defer limit.Stop()
		select {
		case <-ended:
		case <-limit.C:
			cancel()
			<-ended
		}
		s.tellLeft()
	}
}

// tellLeft tells of the records that the engine has not got at the end of the daemon.
func (s *shipping) tellLeft() {
	for _, p := range s.g.lines {
		st := s.shipper.State(p.name)
		if st.Backlog == 0 {
			continue
		}
		why := st.Error
		if why == "" {
			why = "there was no time for more"
		}
		log := s.g.options.Log.With(zap.String("line", p.name), zap.String("why", why))
		if !st.Known {
			log.Warn("the daemon ends before the engine told which records it has; what is missing there follows when it is started again")
			continue
		}
		log.Warn("the daemon ends with records that the engine has not got; they wait in the journal, and follow when it is started again",
			zap.Uint64("records", st.Backlog), zap.Time("since", st.Since))
	}
}

// run hands the journals on. It begins when the lines have opened theirs: a journal that is
// read before, by the same process, cannot be opened after a kill.
func (s *shipping) run(ctx context.Context) {
	for _, p := range s.g.lines {
		p.loop().awaitStart(ctx)
	}
	s.shipper.Run(ctx)
}

// hear has the machine of a line hear what the engine has.
func (s *shipping) hear(line string, e cycle.Stored) {
	l := s.lines[line]
	l.mu.Lock()
	l.stored = &e
	l.mu.Unlock()
	l.bell.ring()
}

// calls is the bell that the line hears.
func (l *shipLine) calls() bell {
	if l == nil {
		return nil
	}
	return l.bell
}

// newest is what the engine has, nil before it answered.
func (l *shipLine) newest() *cycle.Stored {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.stored
}

// recorded takes note of a record of the line.
func (l *shipLine) recorded(r record.Stored) {
	if l != nil {
		l.of.shipper.Recorded(l.name, r)
	}
}

// hearShipped has the machine hear what the engine has.
func (l *lineLoop) hearShipped(ctx context.Context) {
	if e := l.shipped.newest(); e != nil {
		l.handle(ctx, *e)
	}
}

// failed tells of a failure of the engine, and says how long to wait before the next
// attempt.
func (s *shipping) failed(failure error) (wait time.Duration) {
	s.mu.Lock()
	tell, wait := s.failing.begin(time.Now(), failure), s.wait.next()
	s.mu.Unlock()
	if tell {
		for _, p := range s.g.lines {
			s.g.options.Metrics.Notified(p.name, cycle.ConditionBehind, cycle.Warning)
		}
		s.log(s.g.options.Log.Warn, cycle.ConditionBehind, zap.Error(failure))
	}
	return wait
}

// log tells of a condition with its remedy, in the words of the mill.
func (s *shipping) log(log func(string, ...zap.Field), code string, fields ...zap.Field) {
	c, _ := cycle.ConditionOf(code)
	words := s.g.Words()
	log(words.Text(c.Meaning), append(fields, zap.String("code", c.Code), zap.String("remedy", words.Text(c.Remedy)))...)
}

// changed takes a change of the state of a line.
func (s *shipping) changed(line string, st ship.State) {
	s.g.options.Metrics.Engine(line, engineOf(&st))
	if st.Connected && st.Error == "" && st.Known {
		s.mu.Lock()
		s.wait.reset()
		told := s.failing.end(time.Now())
		s.mu.Unlock()
		if told != nil {
			s.g.options.Log.Info("the engine takes the records again", told...)
		}
	}
	l := s.lines[line]
	l.mu.Lock()
	before := l.told
	l.told = st.Stopped != nil
	l.mu.Unlock()
	switch {
	case st.Stopped != nil && !before:
		s.g.options.Metrics.Notified(line, cycle.ConditionStopped, cycle.Alarm)
		s.log(s.g.options.Log.Error, cycle.ConditionStopped, zap.String("line", line), zap.String("why", st.Stopped.Why))
	case st.Stopped == nil && before:
		s.g.options.Log.Info("the engine takes the journal of the line again", zap.String("line", line))
	}
}

// conditions are those of a line that come of the engine.
func (s *shipping) conditions(line string) (out []alarm.Condition) {
	if s == nil {
		return nil
	}
	st := s.shipper.State(line)
	if st.Stopped != nil {
		out = append(out, alarm.Condition{Key: cycle.ConditionStopped})
	}
	if st.Backlog == 0 {
		return out
	}
	age, stage := time.Since(st.Since), 0
	for _, a := range callAges {
		if age >= a {
			stage++
		}
	}
	if !st.Connected || st.Error != "" || age >= slowAfter {
		out = append(out, alarm.Condition{Key: cycle.ConditionBehind, Stage: stage})
	}
	if age >= shiftLong || s.g.short.Load() && age >= slowAfter {
		out = append(out, alarm.Condition{Key: cycle.ConditionLongBehind})
	}
	return out
}

// arrived is the newest record of the line that the engine has for certain, 0 for none;
// nil where there is no engine.
func (l *shipLine) arrived() *uint64 {
	if l == nil {
		return nil
	}
	var newest uint64
	if st := l.of.shipper.State(l.name); st.Known && st.Stopped == nil {
		newest = st.Record
	}
	return &newest
}

// state is how far the journal of a line has arrived, nil where there is no engine.
func (s *shipping) state(line string) *status.Engine {
	if s == nil {
		return nil
	}
	st := s.shipper.State(line)
	out := engineOf(&st)
	return &out
}

func engineOf(s *ship.State) status.Engine {
	out := status.Engine{Connected: s.Connected, Known: s.Known, Error: s.Error, Stopped: s.Stopped != nil, Record: s.Record, At: s.At, Backlog: s.Backlog, Since: s.Since}
	for i := range s.Others {
		o := &s.Others[i]
		out.Others = append(out.Others, status.OtherMachine{Machine: o.Machine, Record: o.Head.Seq, At: o.Arrived})
	}
	return out
}

// RegisterJournal has the journal of a line go to the engine under another name, in the
// name of a person and for a reason, where the engine takes it no more. It returns the
// newest record that both have, when the record of the act is durable. Errors: name or
// reason missing, no such line, a line that has ended, no engine, one that takes the
// journal.
func (g *Gateway) RegisterJournal(ctx context.Context, line string, who Person, reason string) (after uint64, err error) {
	if strings.TrimSpace(who.By) == "" || strings.TrimSpace(reason) == "" {
		return 0, wording.Refuse(wording.Say("refused.register-journal.name"))
	}
	l, err := g.line(line)
	if err != nil {
		return 0, err
	}
	if g.shipping == nil {
		return 0, refused(line, wording.Say("refused.register-journal.none"))
	}
	stop := g.shipping.shipper.State(line).Stopped
	if stop == nil {
		return 0, refused(line, wording.Say("refused.register-journal.nothing"))
	}
	var failed error
	err = l.ask(ctx, func(run context.Context) {
		r := record.Register{Journal: stop.Journal.String(), After: stop.After, By: who.By, User: who.User, Reason: reason}
		if !l.append(context.WithoutCancel(run), r) {
			failed = l.halted
		}
	})
	return stop.After, errors.Join(err, failed)
}
