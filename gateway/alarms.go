package gateway

import (
	"context"
	"errors"
	"slices"
	"time"

	"go.uber.org/zap"

	"lapgate/gateway/alarm"
	"lapgate/gateway/control"
	"lapgate/gateway/cycle"
	"lapgate/gateway/record"
	"lapgate/gateway/status"
	"lapgate/recipe/wording"
)

// watchAlarms makes alarms of the conditions that stand, and each change durable. It
// acts on nothing else.
func (l *lineLoop) watchAlarms(ctx context.Context) {
	if l.broken {
		return
	}
	now := time.Now()
	l.stood = l.beside(l.set.name)
	if l.outage.count > 0 {
		l.stood = append(l.stood, alarm.Condition{Key: cycle.ConditionLink})
	}
	for _, key := range l.machine.Conditions() {
		l.stood = append(l.stood, alarm.Condition{Key: key})
	}
	once := l.once
	l.once = nil
	for _, e := range l.alarms.See(now, l.stood, once) {
		if !l.append(context.WithoutCancel(ctx), alarmRecord(e)) {
			return
		}
	}
}

// alarmRecord is a change of an alarm as it is recorded.
func alarmRecord(e alarm.Event) record.Alarm {
	return record.Alarm{Alarm: e.Key, Act: string(e.Act), By: e.By, User: e.User, Reason: e.Reason, Until: e.Until, Stage: e.Stage}
}

func (l *lineLoop) recoverAlarm(at time.Time, r *record.Alarm) {
	l.alarms.Recover(at, alarm.Event{Key: r.Alarm, Act: alarm.Act(r.Act), By: r.By, User: r.User, Reason: r.Reason, Until: r.Until, Stage: r.Stage})
}

// carryAlarms are the changes that bring the alarms about again, for a new file of the
// journal.
func (l *lineLoop) carryAlarms() (out []record.Alarm) {
	for at, e := range l.alarms.Changes() {
		r := alarmRecord(e)
		r.At = at
		out = append(out, r)
	}
	return out
}

// noteOnce remembers a notice that stands for itself and calls for somebody.
func (l *lineLoop) noteOnce(code string) {
	if r, ok := cycle.RuleOf(code); ok && r.Priority != alarm.None && !cycle.Standing(code) && !slices.Contains(l.once, code) {
		l.once = append(l.once, code)
	}
}

// lastAlarms are the alarms of a line that is not served. None of this can be
// recorded before it is served again.
func (l *lineLoop) lastAlarms() []alarm.Alarm {
	l.alarms.See(time.Now(), append(l.stood, alarm.Condition{Key: cycle.ConditionEnded}), l.once)
	return l.alarms.Alarms()
}

// ActOnAlarm takes a named person's act on alarms of a line: those of a code, or the one of a
// key. It returns the changes when their records are durable. At the line nothing
// changes. Errors: no such line, a line that has ended, an act that the list of alarms
// refuses.
func (g *Gateway) ActOnAlarm(ctx context.Context, line string, act alarm.Event) (changes []alarm.Event, err error) {
	l, err := g.line(line)
	if err != nil {
		return nil, err
	}
	var refusal error
	err = l.ask(ctx, func(run context.Context) {
		now := time.Now()
		latest := g.shifts.Load().End(now)
		if act.Act == alarm.Shelve && act.Until.IsZero() {
			act.Until = latest
		}
		if changes, refusal = l.alarms.Do(now, act, latest); refusal != nil {
			refusal = onLine(line, refusal)
			return
		}
		for _, e := range changes {
			if !l.append(context.WithoutCancel(run), alarmRecord(e)) {
				return
			}
			l.log.Info("alarm "+string(e.Act), zap.String("alarm", e.Key), zap.String("by", e.By), zap.String("reason", e.Reason))
		}
	})
	return changes, errors.Join(err, refusal)
}

// alarms lists the alarms of lines, or does a named person's act on some.
func (o *Operator) alarms(ctx context.Context, lines []string, r *control.Request) control.Reply {
	if r.Act == "" {
		reply, words := control.Reply{Outcome: control.Done, Alarms: []control.LineAlarms{}}, o.Gateway.Words()
		if r.Program {
			words = nil
		}
		for _, l := range o.Gateway.Lines() {
			if slices.Contains(lines, l.Name) {
				reply.Alarms = append(reply.Alarms, control.LineAlarms{Line: l.Name, Alarms: status.Alarms(words, l.Alarms)})
			}
		}
		return reply
	}
	act := alarm.Event{Key: r.Alarm, Act: r.Act, By: r.By, User: r.Caller.User, Reason: r.Reason, Until: r.End}
	changes, err := o.Gateway.ActOnAlarm(ctx, lines[0], act)
	if err != nil {
		return o.reject(control.Refused, err)
	}
	reply := control.Reply{Outcome: control.Done}
	for _, e := range changes {
		reply.Text = append(reply.Text, o.onLine(lines[0], actSaid(e)))
	}
	return reply
}

// actSaid is what a person did to an alarm.
func actSaid(e alarm.Event) wording.Said {
	pairs := []any{"alarm", e.Key, "by", e.By}
	if e.Act == alarm.Shelve {
		pairs = append(pairs, "at", e.Until.Format(time.DateTime))
	}
	return wording.Say("reply.alarm."+string(e.Act), pairs...)
}

// beside are the conditions of a line that the shell sees beside its machine.
func (g *Gateway) beside(line string) []alarm.Condition {
	var out []alarm.Condition
	if g.short.Load() {
		out = append(out, alarm.Condition{Key: cycle.ConditionRoom})
	}
	if g.behind(line) {
		out = append(out, alarm.Condition{Key: cycle.ConditionOnward})
	}
	out = append(out, g.shipping.conditions(line)...)
	out = append(out, g.pair.beside()...)
	if ends := g.endings.Load(); ends != nil {
		out = append(out, (*ends)[line]...)
	}
	return out
}
