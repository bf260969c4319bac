package gateway

import (
	"context"
	"errors"
	"strings"

	"go.uber.org/zap"

	"lapgate/gateway/control"
	"lapgate/gateway/engine"
	"lapgate/gateway/handshake"
	"lapgate/gateway/lease"
	"lapgate/gateway/record"
	"lapgate/recipe/wording"
)

// AliveError says that the controller of a line shows a live gateway.
type AliveError struct{ Session uint32 }

// Error names the session.
func (e *AliveError) Error() string { return e.said().String() }

func (e *AliveError) said() wording.Said {
	return wording.Say("refused.takeover.alive", "number", e.Session)
}

// TakeOver has this machine act on a line by the word of a person, while the engine is
// away. although says that a live gateway is no hindrance. It returns when the record is
// durable. Errors: name or reason missing, no pair, no such line, a line that has ended or
// is in shadow, an engine that answers, a controller that is not seen, an *AliveError.
func (g *Gateway) TakeOver(ctx context.Context, line string, who Person, reason string, although bool) error {
	p := g.pair
	if p == nil {
		return wording.Refuse(wording.Say("refused.pair"))
	}
	if strings.TrimSpace(who.By) == "" || strings.TrimSpace(reason) == "" {
		return wording.Refuse(wording.Say("refused.takeover.name"))
	}
	l, err := g.line(line)
	if err != nil {
		return err
	}
	switch role := p.keeper.Role(line); {
	case role.State.Acts():
		return refused(line, wording.Say("refused.takeover.acts"))
	case p.keeper.Pair().Silent == "":
		return refused(line, wording.Say("refused.takeover.answers"))
	}
	var refusal error
	var recorded uint64
	err = l.ask(ctx, func(run context.Context) {
		alive := false
		if alive, refusal = l.otherLives(); refusal == nil && alive && !although {
			refusal = &AliveError{l.floor}
		}
		if refusal == nil {
			l.append(context.WithoutCancel(run), record.Takeover{By: who.By, User: who.User, Reason: reason, Alive: alive})
			recorded = l.lastSeq
		}
	})
	if err = errors.Join(err, refusal); err != nil {
		return err
	}
	if err = p.keeper.Move(ctx, line); errors.Is(err, lease.ErrAnswers) {
		return errors.Join(refused(line, wording.Say("refused.takeover.answers")),
			g.Correct(context.WithoutCancel(ctx), line, recorded, Person{By: self}, "the engine answered meanwhile, and the line was not taken over"))
	}
	return err
}

// otherLives reports whether the controller shows a gateway that lives. The error says why
// the line cannot be taken over at all.
func (l *lineLoop) otherLives() (bool, error) {
	s := l.machine.Status()
	switch {
	case !l.armed:
		return false, refused(l.set.name, wording.Say("refused.takeover.shadow"))
	case l.port == nil || !s.Seen || s.Age > l.set.machine.Times.Stale:
		return false, refused(l.set.name, wording.Say("refused.takeover.unseen"))
	}
	return s.Flags&handshake.GatewayAlive != 0, nil
}

// takeOver takes a line over for a person, who is asked where a gateway lives.
func (o *Operator) takeOver(ctx context.Context, line string, r *control.Request) control.Reply {
	err := o.Gateway.TakeOver(ctx, line, who(r), r.Reason, r.Alive && r.Answer == line)
	var alive *AliveError
	switch {
	case err == nil:
		return control.Reply{Outcome: control.Done, Text: []string{o.onLine(line, wording.Say("reply.takeover"))}}
	case errors.As(err, &alive) && r.Alive:
		return control.Reply{Outcome: control.Asked, Question: &control.Question{
			Text: []string{o.onLine(line, wording.Say("ask.takeover.alive", "number", alive.Session))}, Answer: line,
		}}
	case errors.As(err, &alive):
		return control.Reply{Outcome: control.Refused, Error: o.onLine(line, alive.said())}
	}
	return o.reject(control.Refused, err)
}

// pair tells of lines in the pair.
func (o *Operator) pair(ctx context.Context, lines []string) control.Reply {
	p := o.Gateway.pair
	if p == nil {
		return o.reject(control.Failed, wording.Refuse(wording.Say("refused.pair")))
	}
	all := p.keeper.Pair()
	others := map[string][]aboutLine{}
	for _, other := range all.Others {
		about, err := toldBy(&other)
		if err != nil {
			o.Gateway.options.Log.Warn("what the other machine tells of itself cannot be read", zap.String("machine", other.Machine), zap.Error(err))
		}
		others[other.Machine] = about
	}
	known := p.journals(ctx)
	reply := control.Reply{Outcome: control.Done}
	for _, name := range lines {
		l := p.lines[name]
		s := l.state()
		x := control.PairLine{
			Line: name, Machine: s.Machine, Role: s.Role, Acts: s.Acts, Since: s.Since, Lease: s.Lease, Holder: s.Holder, Silent: s.Silent,
			Armed: o.Gateway.armed(name), TakesOver: l.over.Load(), Records: l.seq.Load(), Other: s.Other, OtherThere: s.OtherThere,
		}
		for _, a := range p.keeper.Owed(name) {
			x.Untold = append(x.Untold, a.Kind)
		}
		x.Arrived, x.OtherArrived = arrived(known, name, s.Machine, s.Other)
		for _, a := range others[s.Other] {
			if a.Line == name {
				x.OtherRole, x.OtherArmed, x.OtherTakesOver, x.OtherRecords = a.Role, a.Armed, a.Pair, a.Records
			}
		}
		reply.Pair = append(reply.Pair, x)
	}
	return reply
}

// journals are those of all lines in the engine, in the order in which they were
// registered; none where it does not tell.
func (p *pairing) journals(ctx context.Context) (all []engine.Journal) {
	err := p.keeper.Do(ctx, func(ctx context.Context, s lease.Store) (err error) {
		all, err = s.Journals(ctx, "")
		return err
	})
	if err != nil && !errors.Is(err, lease.ErrEngine) {
		p.g.options.Log.Warn("the engine does not tell which records it has", zap.Error(err))
	}
	return all
}

// arrived is how far the newest journal of a line is in the engine of this machine, and of
// another; 0 where that is not known.
func arrived(all []engine.Journal, line, machine, other string) (own, others uint64) {
	for i := range all {
		switch {
		case all[i].Line != line:
		case all[i].Machine == machine:
			own = all[i].Head.Seq
		case all[i].Machine == other:
			others = all[i].Head.Seq
		}
	}
	return own, others
}

func (g *Gateway) armed(line string) bool {
	pl, err := g.place(line)
	return err == nil && pl.loop().public.Load().Armed
}
