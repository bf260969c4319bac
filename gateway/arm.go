package gateway

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"strings"
	"time"

	"go.uber.org/zap"

	"lapgate/gateway/config"
	"lapgate/gateway/cycle"
	"lapgate/gateway/handshake"
	"lapgate/gateway/inspect"
	"lapgate/gateway/link"
	"lapgate/gateway/record"
	"lapgate/recipe/wording"
)

// self stands in records for what nobody commanded.
const self = "lapgate"

// Person is who does something: the name that was given, which may be the number of
// a badge, and the operating system's user that it is done as, empty where nobody
// commanded it.
type Person struct{ By, User string }

// ErrNotArmed says that a line was not armed because its controller failed the
// check that comes before.
var ErrNotArmed = wording.Refuse(wording.Say("refused.arm"))

// Arm allows a line to write, in the name of a person and for a reason, if its
// controller passes the survey that is made first, over the line's own
// connection. lasts says for how long beyond the stay of the daemon, nil for not at
// all. The report is that survey, nil when it was not made because the line was armed
// before; then it is armed for as long as is said now. Errors: name or reason missing,
// no such line, a line that has ended, an *OpenError, ErrNotArmed.
func (g *Gateway) Arm(ctx context.Context, line string, who Person, reason string, lasts *record.Lasting) (*inspect.Report, error) {
	return g.arm(ctx, line, who, reason, lasts, nil)
}

// arm is Arm, as a part of arming both machines of a pair where pair is given.
func (g *Gateway) arm(ctx context.Context, line string, who Person, reason string, lasts *record.Lasting, pair *pairArming) (*inspect.Report, error) {
	if strings.TrimSpace(who.By) == "" || strings.TrimSpace(reason) == "" {
		return nil, wording.Refuse(wording.Say("refused.arm.name"))
	}
	l, err := g.line(line)
	if err != nil {
		return nil, err
	}
	if err := openIn(g.present(), line); err != nil {
		return nil, err
	}
	var report *inspect.Report
	var refusal error
	err = l.ask(ctx, func(run context.Context) {
		if refusal = l.pair.mayArm(pair, l.armed); refusal != nil || l.armed && pair.first() {
			return
		}
		e := cycle.Arm{On: true, By: who.By, User: who.User, Reason: reason, Controller: l.set.identity, Lasts: lasts, Pair: pair.holds()}
		if l.armed {
			l.append(context.WithoutCancel(run), modeOf(&e))
			refusal = l.halted
		} else if report, refusal = l.look(ctx); refusal != nil {
			l.log.Warn("arming refused", zap.String("by", who.By), zap.String("user", who.User), zap.Error(refusal))
		} else {
			l.waits = nil
			l.pair.armsFirst(pair)
			l.handle(run, e)
		}
		if refusal == nil {
			l.publish()
			l.pair.armed(pair)
		}
	})
	return report, errors.Join(err, refusal)
}

// Disarm forbids a line to write. It returns when the record is durable.
// Errors: no such line, a line that has ended.
func (g *Gateway) Disarm(ctx context.Context, line string, who Person, reason string) error {
	l, err := g.line(line)
	if err != nil {
		return err
	}
	return l.ask(ctx, func(run context.Context) {
		e := cycle.Arm{By: who.By, User: who.User, Reason: reason, Controller: l.set.identity}
		if l.waits != nil { // the machine does not know that it would be armed
			l.waits = nil
			l.append(context.WithoutCancel(run), modeOf(&e))
			return
		}
		l.handle(run, e)
	})
}

// Hold holds every roll of a line, or ends that hold. It returns when the
// record is durable. Errors: no such line, a line that has ended.
func (g *Gateway) Hold(ctx context.Context, line string, h cycle.HoldAll) error {
	l, err := g.line(line)
	if err != nil {
		return err
	}
	return l.ask(ctx, func(run context.Context) { l.handle(run, h) })
}

// Correct records that an earlier record of an act is wrong, in the name of a person
// and with what is right. It returns when the record is durable. Errors: name or
// reason missing, no such line, a line that has ended, no such record.
func (g *Gateway) Correct(ctx context.Context, line string, seq uint64, who Person, reason string) error {
	if strings.TrimSpace(who.By) == "" || strings.TrimSpace(reason) == "" {
		return wording.Refuse(wording.Say("refused.correct.name"))
	}
	l, err := g.line(line)
	if err != nil {
		return err
	}
	var refusal error
	err = l.ask(ctx, func(run context.Context) {
		if seq == 0 || seq > l.lastSeq {
			refusal = refused(line, wording.Say("refused.correct.record", "number", seq, "greatest", l.lastSeq))
			return
		}
		l.append(context.WithoutCancel(run), record.Correction{Seq: seq, By: who.By, User: who.User, Reason: reason})
	})
	return errors.Join(err, refusal)
}

// line is the loop that serves a line, or served it last.
func (g *Gateway) line(name string) (*lineLoop, error) {
	p, err := g.place(name)
	if err != nil {
		return nil, err
	}
	return p.loop(), nil
}

func (g *Gateway) place(name string) (*place, error) {
	for _, p := range g.lines {
		if p.name == name {
			return p, nil
		}
	}
	return nil, fmt.Errorf("gateway: no line is named %q", name)
}

// ask runs f in the line's own goroutine and waits for it. The context that f
// gets is the line's. The error is also what ended the line in f: a record that could
// not be made durable above all, whatever was said before of what it stands for.
func (l *lineLoop) ask(ctx context.Context, f func(context.Context)) error {
	select {
	case <-l.gone:
		return l.errEnded()
	default:
	}
	done := make(chan struct{})
	ended := l.errEnded() // by a panic
	asked := func(run context.Context) {
		defer close(done)
		f(run)
		l.publish() // whoever is told that it is done may look at once
		ended = l.halted
	}
	select {
	case l.asks <- asked:
	case <-l.gone:
		return l.errEnded()
	case <-ctx.Done():
		return ctx.Err()
	}
	<-done
	if ended != nil {
		return fmt.Errorf("line %s: %w", l.set.name, ended)
	}
	return nil
}

// answerTo has a line take a person's word, and returns what the machine answers in the
// same step.
func answerTo[A cycle.Action](ctx context.Context, g *Gateway, line string, word cycle.Event) (answer A, err error) {
	l, err := g.line(line)
	if err != nil {
		return answer, err
	}
	err = l.ask(ctx, func(run context.Context) {
		l.handle(run, word)
		answer, _ = l.answer.(A)
	})
	return answer, err
}

func (l *lineLoop) errEnded() error {
	return refused(l.set.name, wording.Say("refused.ended", "next", restartCommand(l.set.name)))
}

// over tells whether the loop has ended.
func (l *lineLoop) over() bool {
	select {
	case <-l.gone:
		return true
	default:
		return false
	}
}

// look surveys the controller over the line's own connection. It must be
// called while the line is in shadow, when nothing is on its way.
func (l *lineLoop) look(ctx context.Context) (*inspect.Report, error) {
	if l.port == nil {
		why := l.outage.newest
		if why == "" {
			why = "it was not tried yet"
		}
		report := inspect.Undialled(&link.Error{Op: "dial", Class: link.Down, Err: errors.New(why)})
		return report, fmt.Errorf("line %s: %w: no connection: %s", l.set.name, ErrNotArmed, why)
	}
	t := l.set.machine.Times
	report := inspect.Controller(ctx, l.port, inspect.Expect{
		Line: l.set.machine.Line, Poll: t.Poll, Stale: t.Stale, Request: l.set.requestTimeout,
		Alone: l.pair == nil, Pair: l.pair != nil, Past: *l.machine.Past(),
	})
	failed := report.Failed()
	if report.Unreachable {
		why := failed[len(failed)-1].Got
		l.failed(handshake.REQ, &link.Error{Op: "read", Block: handshake.REQ, Class: link.Down, Err: errors.New(why)})
		l.settle(ctx)
	}
	if len(failed) == 0 {
		return report, nil
	}
	var problems []error
	for _, i := range failed {
		problems = append(problems, errors.New(i.Sentence()))
	}
	return report, fmt.Errorf("line %s: %w: %w", l.set.name, ErrNotArmed, errors.Join(problems...))
}

// identityOf names a controller by all of its configuration but the times,
// which are the gateway's own.
func identityOf(s *config.Snapshot, l *config.Line) string {
	sum := sha256.New()
	for i := range s.Lines {
		if &s.Lines[i] != l {
			continue
		}
		for key, value := range s.Own(i) {
			key, ok := strings.CutPrefix(key, "controller.")
			switch {
			case ok && !strings.HasPrefix(key, "times."):
				fmt.Fprintf(sum, "%s=%q\n", key, value)
			case strings.HasPrefix(key, "mapped."):
				fmt.Fprintf(sum, "lines.%d.%s=%q\n", i, key, value)
			}
		}
	}
	const bytes = 8
	return fmt.Sprintf("%x", sum.Sum(nil)[:bytes])
}

// strangeness is a register map that is not the one agreed.
type strangeness struct {
	cause string
	since time.Time
	count int
}

// How long another register map must stand before the controller is taken for
// another. A layout word that differs is certain, but for a read caught half
// done; other words in its place are also seen while a program loads.
const (
	strangeLayouts = 5
	strangeFor     = 10 * time.Second
)

// strange takes a request block that is not whole.
func (l *lineLoop) strange(cause string, now time.Time) {
	if cause != handshake.CauseLayout && cause != handshake.CauseType {
		return
	}
	s := &l.odd
	if s.cause != cause {
		*s = strangeness{cause: cause, since: now}
	}
	s.count++
	if cause == handshake.CauseLayout && s.count == strangeLayouts || cause == handshake.CauseType && now.Sub(s.since) >= strangeFor {
		l.swapped("the register map is another: the " + cause + " word of the request block differs")
	}
}

// swapped forbids writing because the controller is another than the one that
// the line was armed for.
func (l *lineLoop) swapped(why string) {
	if l.armed && !l.set.config.Arming.KeepsSwap() {
		l.disarmOther(why)
		l.queue = append(l.queue, cycle.Arm{By: self, Reason: why, Cause: record.CauseSwap, Controller: l.set.identity})
	}
}
