package gateway

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"slices"
	"strings"
	"sync/atomic"
	"syscall"
	"time"

	"go.uber.org/zap"

	"lapgate/gateway/cycle"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
	"lapgate/recipe/wording"
)

// place is where one line is served, by one loop after another: a line ends alone,
// and may come back.
type place struct {
	name     string
	current  atomic.Pointer[lineLoop]
	restarts chan restart
}

// restart is a named person's wish that a line which has ended is served again.
type restart struct {
	who    Person
	reason string
	alone  bool           // nobody wished it: the line comes back by itself
	begun  chan *lineLoop // the loop that serves it, nil when there will be none
}

func newPlace(l *lineLoop) *place {
	p := &place{name: l.set.name, restarts: make(chan restart)}
	p.current.Store(l)
	return p
}

func (p *place) loop() *lineLoop { return p.current.Load() }

// The wait before a line whose journal could not be had is opened again.
const (
	reopenFirst = 5 * time.Second
	reopenLast  = 5 * time.Minute
)

// comesBack tells whether a line that ended so is opened again by itself: its disk
// was full or failed, or another process held its journal. These pass without a person at
// this machine, the journal is checked before it is opened, and what was written last is
// written again then. After anything else, of which a journal that was lost or damaged is
// one, a person has to look first.
func comesBack(err error) bool {
	for _, passes := range []error{journal.ErrFull, journal.ErrDisk, journal.ErrInUse, syscall.ENOSPC, syscall.EDQUOT, syscall.EIO} {
		if errors.Is(err, passes) {
			return !errors.Is(err, journal.ErrMoved)
		}
	}
	return false
}

// keep serves a line until ctx ends, or until no line is left that could come back.
// It returns what ended the line last.
func (g *Gateway) keep(ctx context.Context, p *place) error {
	wait := backoff{first: reopenFirst, last: reopenLast, jitter: g.options.Jitter}
	for {
		l, began := p.loop(), time.Now()
		err := g.serve(ctx, l)
		if err == nil || ctx.Err() != nil {
			l.ended(err, time.Time{})
			return err
		}
		if time.Since(began) > reopenLast {
			wait.reset()
		}
		r, again := g.rest(ctx, p, &wait, err)
		if !again {
			return err
		}
		l, fault := g.replacement(p, r)
		if fault != nil {
			r.answer(nil)
			return errors.Join(err, fault)
		}
		p.current.Store(l)
		r.answer(l)
	}
}

// rest marks a line as ended by err and waits until it is to be served again: by itself
// where it comes back, else by a named person. It reports false when it is not.
func (g *Gateway) rest(ctx context.Context, p *place, wait *backoff, err error) (restart, bool) {
	var after <-chan time.Time
	again := time.Time{}
	if comesBack(err) {
		d := wait.next()
		again = time.Now().Add(d)
		timer := time.NewTimer(d)
		defer timer.Stop()
		after = timer.C
	}
	l := p.loop()
	l.ended(err, again)
	if again.IsZero() {
		l.log.Error("the line is not served any more", zap.Error(err), zap.String("remedy", g.Words().Text(restartCommand(p.name))))
		g.left(+1)
	} else {
		l.log.Error("the line is not served for now; its journal is opened again by itself", zap.Error(err), zap.Time("again", again))
	}
	select {
	case <-ctx.Done():
		return restart{}, false
	case <-g.over:
		return restart{}, false
	case <-after:
		return restart{who: Person{By: self}, reason: "opened again after: " + err.Error(), alone: true}, true
	case r := <-p.restarts:
		wait.reset()
		if again.IsZero() && !g.left(-1) {
			r.answer(nil)
			return restart{}, false
		}
		return r, true
	}
}

func (r *restart) answer(l *lineLoop) {
	if r.begun != nil {
		r.begun <- l
	}
}

// left counts the lines that have ended and do not come back by themselves. With the
// last of them the gateway is over. It reports false when it is over already.
func (g *Gateway) left(n int) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.ended == len(g.lines) {
		return false
	}
	if g.ended += n; g.ended == len(g.lines) {
		close(g.over)
	}
	return true
}

// restartCommand is what has a line served again.
func restartCommand(line string) wording.Said { return wording.Say("reply.restart.do", "line", line) }

// replacement is a new loop for a line that has ended, with the configuration in
// force. It is in shadow.
func (g *Gateway) replacement(p *place, r restart) (*lineLoop, error) {
	g.reload.Lock()
	defer g.reload.Unlock()
	in := g.present()
	s, err := settingsOf(in, &in.Lines[indexOf(in, p.name)], g.options.Pair != nil)
	if err != nil {
		return nil, err
	}
	l := g.newLoop(s)
	l.once = append(slices.Clone(p.loop().once), cycle.ConditionEnded) // what could not be recorded
	l.alone, l.lastSeq, l.shipped, l.file = r.alone, p.loop().lastSeq, p.loop().shipped, p.loop().file
	l.again = &record.Mode{By: r.who.By, User: r.who.User, Reason: r.reason, Cause: record.CauseReopened, Controller: s.identity}
	return l, nil
}

// serve runs one line and turns a panic into that line's error.
func (g *Gateway) serve(ctx context.Context, l *lineLoop) (err error) {
	defer func() {
		if p := recover(); p != nil {
			l.log.Error("the line's program failed", zap.Any("panic", p), zap.ByteString("stack", debug.Stack()))
			err = fmt.Errorf("line %s: program error: %v", l.set.name, p)
		}
	}()
	return l.run(ctx)
}

// Restart has a line that has ended served again, in shadow, in the name of a person.
// It returns when the line is being served and the record of that is durable. Errors:
// no name, no such line, a line that is served, one that cannot begin.
func (g *Gateway) Restart(ctx context.Context, line string, who Person, reason string) error {
	if strings.TrimSpace(who.By) == "" {
		return wording.Refuse(wording.Say("refused.restart.name"))
	}
	p, err := g.place(line)
	if err != nil {
		return err
	}
	if !p.loop().over() {
		return refused(line, wording.Say("refused.restart.served"))
	}
	if reason == "" {
		reason = "restarted by command"
	}
	r := restart{who: who, reason: reason, begun: make(chan *lineLoop, 1)}
	select {
	case p.restarts <- r:
	case <-g.done:
		return refused(line, wording.Say("refused.ending"))
	case <-ctx.Done():
		return ctx.Err()
	}
	l := <-r.begun
	if l == nil {
		return refused(line, wording.Say("refused.ending"))
	}
	select {
	case <-l.begun:
		return nil
	case <-l.gone:
		return errors.New(l.public.Load().Error)
	case <-ctx.Done():
		return ctx.Err()
	}
}
