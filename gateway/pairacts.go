package gateway

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"strings"
	"time"

	"go.uber.org/zap"

	"lapgate/gateway/control"
	"lapgate/gateway/cycle"
	"lapgate/gateway/engine"
	"lapgate/gateway/inspect"
	"lapgate/gateway/lease"
	"lapgate/gateway/record"
	"lapgate/recipe/caution"
	"lapgate/recipe/wording"
)

// How long the other machine has to take an act. To be armed it looks at its controller.
const (
	actLimit     = 3 * time.Second
	armLimit     = 10 * time.Second
	confirmLimit = 5 * time.Second
)

// actBody is what an act needs besides its line and kind.
type actBody struct {
	By     string          `json:"by"`
	User   string          `json:"user,omitempty"`
	Reason string          `json:"reason,omitempty"`
	Lasts  *record.Lasting `json:"lasts,omitempty"`
}

func actOf(line string, kind string, b *actBody) engine.Act {
	text, err := json.Marshal(b)
	if err != nil {
		panic(err) // of plain values it never fails
	}
	return engine.Act{Key: rand.Text(), Line: line, Kind: kind, Body: string(text)}
}

// otherAct is an act of the other machine, done at a time by the clock of this one.
type otherAct struct {
	engine.Act
	at time.Time
}

// Act takes an act of the other machine for its line.
func (p *pairing) Act(a engine.Act) bool {
	l := p.lines[a.Line]
	l.doing.Add(1)
	select {
	case l.acts <- otherAct{a, time.Now().Add(-a.Age)}:
		return true
	default:
		l.doing.Add(-1)
		return false
	}
}

// doActs does what persons did on the other machine, in order.
func (p *pairing) doActs(ctx context.Context, l *pairLine) {
	for {
		select {
		case <-ctx.Done():
			return
		case a := <-l.acts:
			why := ""
			if err := p.doAct(ctx, l, &a); err != nil {
				if ctx.Err() != nil {
					return // it comes again
				}
				why = p.g.Words().Error(err)
			}
			p.g.options.Log.Info("an act of the other machine", zap.String("line", a.Line), zap.String("machine", a.Machine),
				zap.String("act", a.Kind), zap.String("error", why))
			p.keeper.Answer(a.Number, why)
			l.doing.Add(-1)
		}
	}
}

func (p *pairing) doAct(ctx context.Context, l *pairLine, a *otherAct) error {
	var b actBody
	if err := json.Unmarshal([]byte(a.Body), &b); err != nil {
		return fmt.Errorf("the act cannot be read, both machines should run one version: %w", err)
	}
	if l.own.overtaken(a.Kind, a.at) {
		err := wording.Refuse(wording.Say("refused.overtaken"))
		if a.Kind == lease.ActArmed {
			p.disarmUnsure(l, "the line was disarmed or held here since both machines were to be armed")
		}
		return err
	}
	who := Person{By: b.By, User: strings.TrimSpace(b.User + " on " + a.Machine)}
	switch a.Kind {
	case lease.ActArm:
		return p.armByOther(ctx, l, a, who, &b)
	case lease.ActArmed:
		return p.confirmArmed(ctx, l, a, who, &b)
	case lease.ActDisarm:
		return p.untilDone(ctx, a, func(ctx context.Context) error { return p.g.Disarm(ctx, a.Line, who, b.Reason) })
	case lease.ActHold, lease.ActHoldOff:
		h := cycle.HoldAll{On: a.Kind == lease.ActHold, By: who.By, User: who.User, Reason: b.Reason}
		return p.untilDone(ctx, a, func(ctx context.Context) error { return p.g.Hold(ctx, a.Line, h) })
	}
	return fmt.Errorf("this machine knows no act %q; both should run one version", a.Kind)
}

// tryAfter is the time between two tries to do what a line cannot take now.
const tryAfter = time.Second

// untilDone does what keeps a line from writing until it is durable: a line that has ended
// may come back, and the act must stand in its journal then.
func (p *pairing) untilDone(ctx context.Context, a *otherAct, do func(context.Context) error) error {
	for again := false; ; again = true {
		limited, cancel := context.WithTimeout(ctx, actLimit)
		err := do(limited)
		cancel()
		if err == nil {
			return nil
		}
		if !again {
			p.g.options.Log.Warn("an act of the other machine cannot be done now; it is tried again until it can", zap.String("line", a.Line), zap.String("act", a.Kind), zap.Error(err))
		}
		select {
		case <-ctx.Done():
			return err
		case <-time.After(tryAfter):
		}
	}
}

// armByOther arms a line by the word of the other machine, not for long: until that one
// says that it is armed too, the line takes no lease, and a restart leaves it in shadow. A
// line that is armed stays as it is until then.
func (p *pairing) armByOther(ctx context.Context, l *pairLine, a *otherAct, who Person, b *actBody) error {
	if a.Age > armLimit {
		return wording.Refuse(wording.Say("refused.not-reached.late"))
	}
	ctx, cancel := context.WithTimeout(ctx, armLimit)
	defer cancel()
	if _, err := p.g.arm(ctx, a.Line, who, b.Reason, nil, &pairArming{asked: a.at, unsure: true}); err != nil {
		return err
	}
	if !l.unsure.Load() {
		return nil // it was armed before
	}
	p.mu.Lock()
	p.armed[a.Number] = a.Act
	p.mu.Unlock()
	p.spawn(func() { p.awaitArmed(l) })
	return nil
}

// pairArming is a part of arming both machines of a pair, at the wish of a person. Nil is
// no part of that.
type pairArming struct {
	asked     time.Time // when the person asked for it
	unsure    bool      // on the machine that is armed first, before the other one
	confirmed bool      // on that machine, after the other one
}

// first reports whether the line is to be armed before the other machine.
func (a *pairArming) first() bool { return a != nil && a.unsure }

// holds reports whether the line may take over armed from then on.
func (a *pairArming) holds() bool { return a != nil && !a.unsure }

// mayArm refuses an arming of both machines by which what was done here since would be
// lost.
func (l *pairLine) mayArm(a *pairArming, armed bool) error {
	switch {
	case a == nil:
		return nil
	case l.own.overtaken(lease.ActArm, a.asked):
		return wording.Refuse(wording.Say("refused.overtaken"))
	case a.confirmed && !armed:
		return wording.Refuse(wording.Say("refused.arm.pair.ended"))
	}
	return nil
}

// armsFirst has the line take no lease before the other machine is armed too.
func (l *pairLine) armsFirst(a *pairArming) {
	if a.first() {
		l.unsure.Store(true)
	}
}

// armed notes that the line was armed here by a person's word, or by that of both machines.
func (l *pairLine) armed(a *pairArming) {
	if l == nil || a.first() {
		return
	}
	l.unsure.Store(false)
	switch {
	case a == nil:
		l.of.note(l, func() error { return l.own.done(lease.ActArm, time.Now()) })
	case !a.confirmed:
		l.of.note(l, func() error { return l.own.done(lease.ActArm, a.asked) })
	}
}

// disarmUnsure disarms a line that was armed before the other machine, unless that one is
// armed too by now.
func (g *Gateway) disarmUnsure(ctx context.Context, l *pairLine, reason string) error {
	defer l.unsure.Store(false) // a line that has ended comes back in shadow
	loop, err := g.line(l.name)
	if err != nil {
		return err
	}
	return loop.ask(ctx, func(run context.Context) {
		if l.unsure.Load() {
			loop.handle(run, cycle.Arm{By: self, Reason: reason, Controller: loop.set.identity})
			loop.publish()
			l.unsure.Store(false)
		}
	})
}

// confirmArmed arms a line for both machines, once the other one is armed too.
func (p *pairing) confirmArmed(ctx context.Context, l *pairLine, a *otherAct, who Person, b *actBody) error {
	ctx, cancel := context.WithTimeout(ctx, armLimit)
	defer cancel()
	_, err := p.g.arm(ctx, a.Line, who, b.Reason, b.Lasts, &pairArming{asked: a.at, confirmed: true})
	if err != nil {
		p.disarmUnsure(l, "the line could not be armed for both machines")
	}
	p.mu.Lock()
	maps.DeleteFunc(p.armed, func(_ uint64, armed engine.Act) bool { return armed.Line == a.Line })
	p.mu.Unlock()
	return err
}

// awaitArmed disarms a line whose other machine does not say that it is armed too.
func (p *pairing) awaitArmed(l *pairLine) {
	limit := time.NewTimer(armLimit + confirmLimit)
	defer limit.Stop()
	tick := time.NewTicker(confirmLimit / 10)
	defer tick.Stop()
	for l.unsure.Load() {
		select {
		case <-p.run.Done():
			return
		case <-tick.C:
		case <-limit.C:
			p.disarmUnsure(l, "the other machine did not say that it is armed too")
			return
		}
	}
}

// disarmUnsure disarms a line that is armed by the word of the other machine alone.
func (p *pairing) disarmUnsure(l *pairLine, reason string) {
	p.mu.Lock()
	maps.DeleteFunc(p.armed, func(_ uint64, armed engine.Act) bool { return armed.Line == l.name })
	p.mu.Unlock()
	if err := p.g.disarmUnsure(p.run, l, reason); err != nil {
		p.g.options.Log.Warn("a line cannot be disarmed", zap.String("line", l.name), zap.Error(err))
	}
}

// Withdrawn undoes an arming that was taken back before it was answered.
func (p *pairing) Withdrawn(number uint64) {
	p.mu.Lock()
	a, ok := p.armed[number]
	p.mu.Unlock()
	if ok {
		p.spawn(func() { p.disarmUnsure(p.lines[a.Line], "the other machine took the arming back") })
	}
}

// tell has the other machine do what is done on this one. It is noted first, so that a
// restart of this daemon does not lose it.
func (p *pairing) tell(line, kind string, b *actBody) *lease.Posted {
	l, a, at := p.lines[line], actOf(line, kind, b), time.Now()
	posted, err := l.own.post(a, at, func() *lease.Posted { return p.hand(a, at) })
	if err != nil {
		p.g.options.Log.Warn("it cannot be noted what the other machine is to be told; a restart of this daemon would lose it", zap.String("line", line), zap.String("act", kind), zap.Error(err))
	}
	p.untilTold(l, a.Key, posted)
	return posted
}

// tellAgain tells what the other machine had not taken when the daemon ended.
func (p *pairing) tellAgain(l *pairLine) {
	for _, w := range l.own.waiting() {
		if time.Since(w.At) < 0 && w.Kind == lease.ActHoldOff { // it might end a newer hold
			p.g.options.Log.Warn("the other machine was not told that a hold has ended, and the clock does not tell since when: end it there too, if it stands", zap.String("line", l.name), zap.Time("given", w.At))
			p.note(l, func() error { return l.own.told(w.Key) })
			continue
		}
		p.g.options.Log.Info("the other machine is told again of an act", zap.String("line", l.name), zap.String("act", w.Kind), zap.Time("given", w.At))
		p.untilTold(l, w.Key, p.hand(engine.Act{Key: w.Key, Line: l.name, Kind: w.Kind, Body: w.Body}, w.At))
	}
}

// hand hands an act on, in place of what it replaces.
func (p *pairing) hand(a engine.Act, at time.Time) *lease.Posted {
	return p.keeper.Post(a, at, func(earlier *engine.Act) bool { return earlier.Line == a.Line && replaces(a.Kind, earlier.Kind) })
}

// untilTold strikes an act off what is noted once it is answered.
func (p *pairing) untilTold(l *pairLine, key string, posted *lease.Posted) {
	p.spawn(func() {
		select {
		case <-posted.Answered():
			p.note(l, func() error { return l.own.told(key) })
		case <-p.run.Done():
		}
	})
}

func (p *pairing) note(l *pairLine, write func() error) {
	if err := write(); err != nil {
		p.g.options.Log.Warn("what was done on this machine of the pair cannot be noted", zap.String("line", l.name), zap.Error(err))
	}
}

// spawn runs f beside all else, unless the pair has ended.
func (p *pairing) spawn(f func()) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.run.Err() == nil {
		p.wait.Go(f)
	}
}

// reached waits until the other machine has taken an act, and names it. The error says
// that it did not, and why.
func (p *pairing) reached(ctx context.Context, posted *lease.Posted, limit <-chan time.Time) (machine string, err error) {
	select {
	case <-posted.Answered():
	case <-ctx.Done():
	case <-limit:
	}
	if !answered(posted) { // of several that are there, an answer counts
		return "", p.unreached()
	}
	switch a := posted.Answer(); {
	case a.Text == "":
		return a.Machine, nil
	case a.Machine == p.keeper.Pair().Machine:
		return "", wording.Refuse(wording.Say("refused.not-reached.newer"))
	default:
		return "", notReached(a.Machine, wording.Plain(a.Text))
	}
}

func answered(posted *lease.Posted) bool {
	select {
	case <-posted.Answered():
		return true
	default:
		return false
	}
}

func notReached(machine string, why wording.Said) error {
	return wording.Refuse(wording.Say("refused.not-reached", "machine", machine, "why", why))
}

// unreached says why the other machine did not answer.
func (p *pairing) unreached() error {
	all := p.keeper.Pair()
	why := wording.Say("refused.not-reached.late")
	if all.Silent != "" {
		why = wording.Say("refused.not-reached.silent", "why", all.Silent)
	}
	if len(all.Others) == 0 {
		if all.Silent == "" {
			return wording.Refuse(wording.Say("refused.not-reached.none"))
		}
		return notReached("?", why)
	}
	names := make([]string, len(all.Others))
	for i, o := range all.Others {
		names[i] = o.Machine
	}
	return notReached(strings.Join(names, ", "), why)
}

// ArmPair arms a line on both machines, in the name of a person: the other first, so that
// it stands in both journals before it holds. It returns the name of the other. Errors:
// those of Arm, and that the other was not reached or refused. Then a line that was in
// shadow here is so, one that was armed is armed on this machine alone, and the other
// machine is armed by this no longer than until it hears of it.
func (g *Gateway) ArmPair(ctx context.Context, line string, who Person, reason string, lasts *record.Lasting) (*inspect.Report, string, error) {
	p := g.pair
	if p == nil {
		return nil, "", wording.Refuse(wording.Say("refused.pair"))
	}
	if strings.TrimSpace(who.By) == "" || strings.TrimSpace(reason) == "" {
		return nil, "", wording.Refuse(wording.Say("refused.arm.name"))
	}
	if _, err := g.line(line); err != nil {
		return nil, "", err
	}
	body, at := actBody{By: who.By, User: who.User, Reason: reason, Lasts: lasts}, time.Now()
	if _, err := p.agree(ctx, actOf(line, lease.ActArm, &body), at, armLimit); err != nil {
		return nil, "", inArmPair(line, "refused.arm.pair", err)
	}
	report, err := g.arm(ctx, line, who, reason, lasts, &pairArming{asked: at})
	if err != nil {
		p.tell(line, lease.ActDisarm, &actBody{By: self, Reason: "the line was not armed on the machine where that was asked for"})
		return report, "", err
	}
	other, err := p.agree(ctx, actOf(line, lease.ActArmed, &body), at, confirmLimit)
	if err == nil {
		return report, other, nil
	}
	if report == nil { // it was armed before
		_, undone := g.arm(p.run, line, who, reason, lasts, nil)
		return nil, "", errors.Join(inArmPair(line, "refused.arm.pair.alone", err), undone)
	}
	undone := g.Disarm(p.run, line, Person{By: self}, "the other machine did not say that it is armed too")
	return report, "", errors.Join(inArmPair(line, "refused.arm.pair", err), undone)
}

// inArmPair says why both machines were not armed.
func inArmPair(line, key string, err error) error {
	return wording.RefuseIn(func(why wording.Said) wording.Said { return ofLine(line, wording.Say(key, "text", why)) }, err)
}

// agree has the other machine do its part of an arming within a time, and names it. Where
// it does not, that is taken back: what it does all the same is undone there.
func (p *pairing) agree(ctx context.Context, a engine.Act, at time.Time, within time.Duration) (other string, err error) {
	posted := p.keeper.Post(a, at, nil)
	limit := time.NewTimer(within)
	defer limit.Stop()
	if other, err = p.reached(ctx, posted, limit.C); err == nil {
		return other, nil
	}
	p.keeper.Withdraw(posted)
	p.spawn(func() {
		select {
		case <-posted.Answered():
			if posted.Answer().Text == "" {
				p.tell(a.Line, lease.ActDisarm, &actBody{By: self, Reason: "the arming was taken back"})
			}
		case <-p.run.Done():
		}
	})
	return "", err
}

// both does what keeps lines from writing on this machine and on the other, and says so
// where the other did not take it. kind is the act there.
func (o *Operator) both(ctx context.Context, lines []string, r *control.Request, kind string, here func(line string) (wording.Said, error)) control.Reply {
	p := o.Gateway.pair
	if p == nil {
		return o.each(lines, here)
	}
	posted := make([]*lease.Posted, len(lines))
	for i, line := range lines { // first, so that this machine lets no line go before the other knows
		posted[i] = p.tell(line, kind, &actBody{By: r.By, User: r.Caller.User, Reason: r.Reason})
	}
	reply := o.each(lines, here)
	limit := make(chan time.Time)
	timer := time.AfterFunc(actLimit, func() { close(limit) })
	defer timer.Stop()
	var problems []string
	if reply.Error != "" {
		problems = append(problems, reply.Error)
	}
	for i, line := range lines {
		machine, err := p.reached(ctx, posted[i], limit)
		if err != nil && !answered(posted[i]) {
			err = wording.RefuseIn(func(why wording.Said) wording.Said { return wording.Say("refused.not-reached.later", "text", why) }, err)
		}
		if err != nil {
			reply.Outcome = control.Failed
			problems = append(problems, o.onLine(line, wording.Plain(o.Gateway.Words().Error(err))))
			continue
		}
		reply.Text = append(reply.Text, o.onLine(line, wording.Say("reply.reached", "machine", machine)))
	}
	reply.Error = strings.Join(problems, "\n")
	return reply
}

// disarm puts lines into shadow.
func (o *Operator) disarm(ctx context.Context, lines []string, r *control.Request) control.Reply {
	return o.both(ctx, lines, r, lease.ActDisarm, func(line string) (wording.Said, error) {
		return wording.Say("reply.disarm"), o.Gateway.Disarm(ctx, line, who(r), r.Reason)
	})
}

// hold holds every roll of lines, or ends that.
func (o *Operator) hold(ctx context.Context, lines []string, r *control.Request) control.Reply {
	kind, said := lease.ActHold, wording.Say("reply.hold", "caution", caution.NoStop.Said())
	if r.Off {
		kind, said = lease.ActHoldOff, wording.Say("reply.hold.off")
	}
	return o.both(ctx, lines, r, kind, func(line string) (wording.Said, error) {
		return said, o.Gateway.Hold(ctx, line, cycle.HoldAll{On: !r.Off, By: r.By, User: r.Caller.User, Reason: r.Reason})
	})
}

// armAs arms a line here, or on both machines, and tells what is said of that where it
// was done.
func (o *Operator) armAs(ctx context.Context, line string, r *control.Request, lasts *record.Lasting, how wording.Said) (*inspect.Report, wording.Said, error) {
	if r.Pair {
		report, other, err := o.Gateway.ArmPair(ctx, line, who(r), r.Reason, lasts)
		return report, wording.Say("reply.arm.pair", "machine", other, "by", r.By, "reason", r.Reason, "lasts", how), err
	}
	report, err := o.Gateway.Arm(ctx, line, who(r), r.Reason, lasts)
	key := "reply.arm"
	if report == nil {
		key = "reply.arm.again"
	}
	return report, wording.Say(key, "by", r.By, "reason", r.Reason, "lasts", how), err
}
