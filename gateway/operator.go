package gateway

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.uber.org/zap"

	"lapgate/gateway/config"
	"lapgate/gateway/control"
	"lapgate/gateway/handshake"
	"lapgate/gateway/inspect"
	"lapgate/gateway/record"
	"lapgate/gateway/status"
	"lapgate/recipe/wording"
)

// Operator does what people ask of the running gateway through its control
// channel.
type Operator struct {
	Gateway *Gateway
	// Source is the configuration that a reload reads again.
	Source config.Source
	// Status is what the live page shows, to a person or to a program. Nil for nothing.
	Status func(program bool) status.View
}

// quietTime is how long a configuration file must stand unchanged before it is
// read.
const quietTime = 250 * time.Millisecond

// Handle does one command where its sender may give it, and tells what came of it.
func (o *Operator) Handle(ctx context.Context, r control.Request) control.Reply {
	r.By = strings.TrimSpace(r.By)
	reply := o.refuse(&r)
	if reply == nil {
		done := o.do(ctx, &r)
		reply = &done
	}
	o.Gateway.options.Log.Info("command", zap.String("command", string(r.Command)), zap.String("line", r.Line), zap.Bool("off", r.Off),
		zap.String("by", r.By), zap.String("user", r.Caller.User), zap.String("reason", r.Reason),
		zap.String("outcome", string(reply.Outcome)), zap.String("error", reply.Error))
	return *reply
}

// refuse returns why a command is not done at all, nil where it is: its sender may
// not give it.
func (o *Operator) refuse(r *control.Request) *control.Reply {
	group, key := o.groupFor(r)
	if key == "" || r.Caller.Trusted || r.Caller.In(group) {
		return nil
	}
	user := wording.Say("refused.group.nobody")
	if r.Caller.User != "" {
		user = wording.Plain(r.Caller.User)
	}
	why := wording.Say("refused.group.none", "by", user, "setting", key)
	if group != "" {
		why = wording.Say("refused.group", "by", user, "what", group, "setting", key)
	}
	reply := o.reject(control.Refused, wording.Refuse(why))
	return &reply
}

// groupFor is the group that a command needs, and the key that names it. Whoever
// reaches the socket may stop a line: then the key is empty.
func (o *Operator) groupFor(r *control.Request) (group, key string) {
	groups := &o.Gateway.present().Control.Groups
	const section = "control.groups."
	switch r.Command {
	case control.Disarm, control.Status, control.Alarms, control.Pair: // an alarm that is acknowledged or shelved changes nothing at the line
		return "", ""
	case control.Hold:
		if r.Off {
			return groups.EndHold, section + "end_hold"
		}
		return "", ""
	case control.Arm:
		group = groups.Arm
	case control.Override:
		group = groups.Override
	case control.Confirm:
		group = groups.Confirm
	case control.Hang:
		group = groups.Hang
	case control.Stock:
		return groups.Hang, section + string(control.Hang)
	case control.Station:
		group = groups.Station
	case control.Restart:
		group = groups.Restart
	case control.Reload:
		group = groups.Reload
	case control.Takeover:
		group = groups.Takeover
	case control.Correct:
		group = groups.Correct
	case control.AcceptJournal, control.RegisterJournal:
		return groups.AcceptJournal, section + "accept_journal"
	}
	return group, section + string(r.Command)
}

// who is the sender of a request with the name that was given.
func who(r *control.Request) Person { return Person{By: r.By, User: r.Caller.User} }

func (o *Operator) do(ctx context.Context, r *control.Request) control.Reply {
	lines, err := o.lines(r)
	if err != nil {
		return o.reject(control.Failed, err)
	}
	switch r.Command {
	case control.Arm:
		return o.arm(ctx, lines[0], r)
	case control.Disarm:
		return o.disarm(ctx, lines, r)
	case control.Hold:
		return o.hold(ctx, lines, r)
	case control.Pair:
		return o.pair(ctx, lines)
	case control.Takeover:
		return o.takeOver(ctx, lines[0], r)
	case control.Override:
		return o.override(ctx, lines[0], r)
	case control.Confirm:
		return o.confirm(ctx, lines[0], r)
	case control.Hang:
		return o.hang(ctx, lines[0], r)
	case control.Stock:
		return o.stock(ctx, lines[0], r)
	case control.Station:
		return o.station(ctx, lines[0], r)
	case control.Restart:
		return o.each(lines, func(line string) (wording.Said, error) {
			return wording.Say("reply.restart"), o.Gateway.Restart(ctx, line, who(r), r.Reason)
		})
	case control.Correct:
		return o.each(lines, func(line string) (wording.Said, error) {
			return wording.Say("reply.correct", "number", r.Record), o.Gateway.Correct(ctx, line, r.Record, who(r), r.Reason)
		})
	case control.AcceptJournal:
		return o.each(lines, func(line string) (wording.Said, error) {
			return wording.Say("reply.accept-journal"), o.Gateway.AcceptJournal(ctx, line, who(r), r.Reason)
		})
	case control.RegisterJournal:
		return o.each(lines, func(line string) (wording.Said, error) {
			after, err := o.Gateway.RegisterJournal(ctx, line, who(r), r.Reason)
			return wording.Say("reply.register-journal", "number", after), err
		})
	case control.Alarms:
		return o.alarms(ctx, lines, r)
	case control.Reload:
		return o.Reload(ctx, r, true)
	case control.Status:
		return o.status(lines, r.Program)
	}
	return control.Reply{Outcome: control.Failed, Error: fmt.Sprintf("the daemon knows no command %q; both programs should be of one version", r.Command)}
}

// status tells what the live page shows of lines.
func (o *Operator) status(lines []string, program bool) control.Reply {
	if o.Status == nil {
		return control.Reply{Outcome: control.Failed, Error: "this daemon tells no status"}
	}
	v := o.Status(program)
	v.Lines = slices.DeleteFunc(v.Lines, func(l status.LineView) bool { return !slices.Contains(lines, l.Line) })
	text, err := json.Marshal(v)
	if err != nil {
		return control.Reply{Outcome: control.Failed, Error: err.Error()}
	}
	return control.Reply{Outcome: control.Done, Status: text}
}

// lines are the lines that a command means.
func (o *Operator) lines(r *control.Request) ([]string, error) {
	names := make([]string, 0, len(o.Gateway.lines))
	for _, p := range o.Gateway.lines {
		names = append(names, p.name)
	}
	switch {
	case r.Line == "" && ofOneLine(r) && len(names) > 1:
		return nil, wording.Refuse(wording.Say("refused.line", "choices", strings.Join(names, ", ")))
	case r.Line == "":
		return names, nil
	case !slices.Contains(names, r.Line):
		return nil, wording.Refuse(wording.Say("refused.line.none", "line", strconv.Quote(r.Line), "choices", strings.Join(names, ", ")))
	}
	return []string{r.Line}, nil
}

// ofOneLine tells whether a command is for one line alone: arming, a restart, and what is
// said of one journal, roll, slot, station or alarm.
func ofOneLine(r *control.Request) bool {
	switch r.Command {
	case control.Arm, control.Override, control.Confirm, control.Hang, control.Station, control.Stock, control.Restart, control.Correct, control.AcceptJournal,
		control.RegisterJournal, control.Takeover:
		return true
	case control.Alarms:
		return r.Act != ""
	}
	return false
}

// each does a command for every line that is still served.
func (o *Operator) each(lines []string, f func(string) (wording.Said, error)) control.Reply {
	var text []string
	var problems []error
	for _, line := range lines {
		said, err := f(line)
		if err != nil {
			problems = append(problems, err)
			continue
		}
		text = append(text, o.onLine(line, said))
	}
	reply := control.Reply{Outcome: control.Done}
	if len(problems) > 0 {
		reply = o.reject(control.Failed, errors.Join(problems...))
		// A line that has ended writes nothing and holds nothing back.
		if len(text) > 0 {
			reply.Outcome = control.Done
		}
	}
	reply.Text = text
	return reply
}

// onLine is what is said of a line, in the language of the mill.
func (o *Operator) onLine(line string, said wording.Said) string {
	return o.Gateway.Words().Text(ofLine(line, said))
}

func ofLine(line string, said wording.Said) wording.Said {
	return wording.Say("reply.line", "line", line, "text", said)
}

// onLine says of an error at which line it was.
func onLine(line string, err error) error {
	return wording.RefuseIn(func(why wording.Said) wording.Said { return ofLine(line, why) }, err)
}

// refused says why something is not done at a line.
func refused(line string, why wording.Said) error {
	return wording.Refuse(ofLine(line, why))
}

// reject is the reply that something was not done: with an outcome, unless the command is to
// be given otherwise.
func (o *Operator) reject(outcome control.Outcome, err error) control.Reply {
	if wording.Misuse(err) {
		outcome = control.Usage
	}
	return control.Reply{Outcome: outcome, Error: o.Gateway.Words().Error(err)}
}

// rejectWord is the reply that the word of a person is not taken, and why.
func (o *Operator) rejectWord(line string, problems []wording.Said) control.Reply {
	all := make([]error, len(problems))
	for i, p := range problems {
		all[i] = wording.Refuse(p)
	}
	return o.reject(control.Refused, onLine(line, errors.Join(all...)))
}

// lastingOf is how long an arming lasts, and the same in words.
func lastingOf(r *control.Request, now time.Time) (lasts *record.Lasting, words wording.Said) {
	if !r.Keep && r.For == 0 && r.Rolls == 0 {
		return nil, wording.Say("reply.lasts.daemon")
	}
	lasts = &record.Lasting{Rolls: r.Rolls}
	if r.For > 0 {
		lasts.Until = now.Add(r.For).Truncate(time.Second)
	}
	switch at := lasts.Until.Format(time.DateTime); {
	case r.For > 0 && r.Rolls > 0:
		return lasts, wording.SayCount("reply.lasts.until-rolls", r.Rolls, "at", at)
	case r.For > 0:
		return lasts, wording.Say("reply.lasts.until", "at", at)
	case r.Rolls > 0:
		return lasts, wording.SayCount("reply.lasts.rolls", r.Rolls)
	}
	return lasts, wording.Say("reply.lasts.restart")
}

func (o *Operator) arm(ctx context.Context, line string, r *control.Request) control.Reply {
	reply := control.Reply{Outcome: control.Done}
	lasts, how := lastingOf(r, time.Now())
	report, said, err := o.armAs(ctx, line, r, lasts, how)
	if report != nil {
		for _, i := range report.Items {
			if i.Verdict == inspect.Warn || i.Verdict == inspect.Fail && err != nil {
				reply.Text = append(reply.Text, o.onLine(line, wording.Plain(i.Sentence())))
			}
		}
	}
	switch {
	case err == nil:
		reply.Text = append(reply.Text, o.onLine(line, said))
	case errors.As(err, new(*OpenError)):
		reply.Outcome, reply.Error = control.Refused, err.Error()
	case errors.Is(err, ErrNotArmed):
		reply.Outcome, reply.Error = control.Refused, o.Gateway.Words().Error(refused(line, wording.Say("refused.arm")))
		if report != nil && report.Unreachable {
			reply.Outcome = control.Unreachable
		}
	default:
		text := reply.Text
		reply = o.reject(control.Failed, err)
		reply.Text = text
	}
	return reply
}

// Reload reads the configuration once it stands still, or takes the one before, and
// puts it in force in the name of a person, or of the owner of the file. Where nobody
// attends to it, what would be asked is refused.
func (o *Operator) Reload(ctx context.Context, r *control.Request, attended bool) control.Reply {
	c := Change{Who: who(r), Agreed: r.Answer, Unattended: !attended, Load: o.Gateway.Previous}
	if c.Who.By == "" {
		c.Who.By = changedBy(o.Source.Path)
	}
	if !r.Previous {
		c.Load = func() (*config.Snapshot, error) {
			src := o.Source
			var err error
			if src.Bytes, err = config.ReadSettled(ctx, src.Path, quietTime); err != nil {
				return nil, err
			}
			return config.Load(src)
		}
	}
	s, changes, err := o.Gateway.Reload(ctx, c)
	if ask := (*AskError)(nil); attended && errors.As(err, &ask) {
		return control.Reply{Outcome: control.Asked, Question: &control.Question{Text: ask.Asks, Answer: ask.Answer}}
	}
	var invalid *config.Error
	switch {
	case errors.As(err, &invalid):
		return control.Reply{Outcome: control.Invalid, Error: err.Error() + "\nthe configuration in force stays"}
	case err != nil:
		return control.Reply{Outcome: control.Refused, Error: err.Error()}
	}
	reply := control.Reply{Outcome: control.Done}
	for _, w := range s.Warnings {
		reply.Text = append(reply.Text, "warning: "+w.String())
	}
	for i := range changes {
		c := &changes[i]
		was, now := c.Words()
		reply.Text = append(reply.Text, fmt.Sprintf("%s: %s -> %s", c.Key, cmp.Or(was, "nothing"), cmp.Or(now, "nothing")))
	}
	reply.Text = append(reply.Text, fmt.Sprintf("%s: %d changes, hash %s, in force from the next roll on", s.File, len(changes), handshake.ConfigHash(s.Hash)))
	if r.Previous {
		reply.Text = append(reply.Text, "this is not what the file says now: correct it too, or the next start takes it, in shadow")
	}
	return reply
}
