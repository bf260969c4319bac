package gateway

import (
	"context"
	"encoding/json"
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
	return engine.Act{Line: line, Kind: kind, Body: string(text)}
}

// Act takes an act of the other machine for its line.
func (p *pairing) Act(a engine.Act) bool {
	l := p.lines[a.Line]
	l.doing.Add(1)
	select {
	case l.acts <- a:
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
				why = p.g.Words().Error(err)
			}
			p.g.options.Log.Info("an act of the other machine", zap.String("line", a.Line), zap.String("machine", a.Machine),
				zap.String("act", a.Kind), zap.String("error", why))
			p.keeper.Answer(a.Number, why)
			l.doing.Add(-1)
		}
	}
}

func (p *pairing) doAct(ctx context.Context, l *pairLine, a *engine.Act) error {
	var b actBody
	if err := json.Unmarshal([]byte(a.Body), &b); err != nil {
		return fmt.Errorf("the act cannot be read, both machines should run one version: %w", err)
	}
	ctx, cancel := context.WithTimeout(ctx, armLimit)
	defer cancel()
	who := Person{By: b.By, User: strings.TrimSpace(b.User + " on " + a.Machine)}
	switch a.Kind {
	case lease.ActArm:
		return p.armByOther(ctx, l, a, who, &b)
	case lease.ActArmed:
		l.unsure.Store(false)
		p.mu.Lock()
		maps.DeleteFunc(p.armed, func(_ uint64, armed engine.Act) bool { return armed.Line == a.Line })
		p.mu.Unlock()
		return nil
	case lease.ActDisarm:
		return p.g.Disarm(ctx, a.Line, who, b.Reason)
	case lease.ActHold, lease.ActHoldOff:
		return p.g.Hold(ctx, a.Line, cycle.HoldAll{On: a.Kind == lease.ActHold, By: who.By, User: who.User, Reason: b.Reason})
	}
	return fmt.Errorf("this machine knows no act %q; both should run one version", a.Kind)
}

// armByOther arms a line by the word of the other machine. It takes no lease until that
// one says that it is armed too.
func (p *pairing) armByOther(ctx context.Context, l *pairLine, a *engine.Act, who Person, b *actBody) error {
	if a.Age > armLimit {
		return wording.Refuse(wording.Say("refused.not-reached.late"))
	}
	l.unsure.Store(true)
	if _, err := p.g.arm(ctx, a.Line, who, b.Reason, b.Lasts, true); err != nil {
		l.unsure.Store(false)
		return err
	}
	p.mu.Lock()
	p.armed[a.Number] = *a
	p.mu.Unlock()
	p.wait.Go(func() { p.awaitArmed(l) })
	return nil
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
			p.disarmSelf(l, "the other machine did not say that it is armed too")
			return
		}
	}
}

func (p *pairing) disarmSelf(l *pairLine, reason string) {
	if err := p.g.Disarm(p.run, l.name, Person{By: self}, reason); err != nil {
		p.g.options.Log.Warn("a line cannot be disarmed", zap.String("line", l.name), zap.Error(err))
	}
	l.unsure.Store(false)
}

// Withdrawn undoes an arming that was taken back before it was answered.
func (p *pairing) Withdrawn(number uint64) {
	p.mu.Lock()
	a, ok := p.armed[number]
	delete(p.armed, number)
	p.mu.Unlock()
	if ok {
		p.wait.Go(func() { p.disarmSelf(p.lines[a.Line], "the other machine took the arming back") })
	}
}

// reached waits until the other machine has taken an act, and names it. The error says
// that it did not, and why.
func (p *pairing) reached(ctx context.Context, posted *lease.Posted, limit <-chan time.Time) (machine string, err error) {
	select {
	case a := <-posted.Answered():
		if a.Text == "" {
			return a.Machine, nil
		}
		return "", notReached(a.Machine, wording.Plain(a.Text))
	case <-ctx.Done():
	case <-limit:
	}
	return "", p.unreached()
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
// those of Arm, and that the other was not reached or refused; the line is armed on
// neither by this then.
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
	body := actBody{By: who.By, User: who.User, Reason: reason, Lasts: lasts}
	posted := p.keeper.Post(actOf(line, lease.ActArm, &body))
	limit := time.NewTimer(armLimit)
	defer limit.Stop()
	other, err := p.reached(ctx, posted, limit.C)
	if err != nil {
		p.keeper.Withdraw(posted)
		p.wait.Go(func() { p.undoArm(line, posted) })
		return nil, "", wording.RefuseIn(func(why wording.Said) wording.Said {
			return ofLine(line, wording.Say("refused.arm.pair", "text", why))
		}, err)
	}
	report, err := g.arm(ctx, line, who, reason, lasts, true)
	if err != nil {
		p.keeper.Post(actOf(line, lease.ActDisarm, &actBody{By: self, Reason: "the line was not armed on the machine where that was asked for"}))
		return report, "", err
	}
	p.keeper.Post(actOf(line, lease.ActArmed, &body))
	return report, other, nil
}

// undoArm has the other machine disarm the line, where an arming that was taken back had
// been done all the same.
func (p *pairing) undoArm(line string, posted *lease.Posted) {
	select {
	case a := <-posted.Answered():
		if a.Text == "" {
			p.keeper.Post(actOf(line, lease.ActDisarm, &actBody{By: self, Reason: "the arming was taken back"}))
		}
	case <-p.run.Done():
	}
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
		posted[i] = p.keeper.Post(actOf(line, kind, &actBody{By: r.By, User: r.Caller.User, Reason: r.Reason}))
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
