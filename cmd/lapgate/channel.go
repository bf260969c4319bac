package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/user"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway"
	"lapgate/gateway/config"
	"lapgate/gateway/control"
	"lapgate/gateway/cycle"
	"lapgate/gateway/inspect"
)

// The commands of the control channel.
const (
	commandArm    = "arm"
	commandDisarm = "disarm"
	commandHold   = "hold"
	commandReload = "reload"
)

// daemonFlags say which daemon is meant.
type daemonFlags struct {
	source  sourceFlags
	socket  string
	timeout time.Duration
}

func (f *daemonFlags) add(cmd *cobra.Command) {
	f.source.add(cmd)
	cmd.Flags().StringVar(&f.socket, "socket", "", "control socket of the daemon (default the one of the configuration)")
	cmd.Flags().DurationVar(&f.timeout, "timeout", 30*time.Second, "longest wait for the daemon's reply")
}

// path is the control socket of the daemon.
func (f *daemonFlags) path(p *program) (string, error) {
	if f.socket != "" {
		return f.socket, nil
	}
	src, err := p.source(&f.source)
	if err != nil {
		return "", err
	}
	if src.Path == "" {
		return "", usageError("no daemon is named; give --config FILE, --socket PATH or set %s", configVariable)
	}
	s, err := config.Load(src)
	if err != nil {
		return "", &exitError{exitConfig, fmt.Errorf("%w\nthe configuration tells where the daemon listens; give --socket PATH to do without it", err)}
	}
	if s.Socket() == "" {
		return "", &exitError{exitConfig, fmt.Errorf("control.socket is none: this daemon takes no commands; set one and restart it")}
	}
	return s.Socket(), nil
}

// command sends one command and prints what came of it.
func (p *program) command(ctx context.Context, f *daemonFlags, r control.Request) error {
	path, err := f.path(p)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, f.timeout)
	defer cancel()
	reply, err := control.Call(ctx, path, r)
	if err != nil {
		return err
	}
	for _, line := range reply.Text {
		fmt.Fprintln(p.stdout, line)
	}
	code := exitFailed
	switch reply.Outcome {
	case control.Done:
		return nil
	case control.Refused:
		code = exitDifferences
	case control.Unreachable:
		code = exitUnreachable
	case control.Invalid:
		code = exitConfig
	}
	return &exitError{code, errors.New(reply.Error)}
}

// userName is who runs this command, where nobody else is named.
func userName() string {
	if u, err := user.Current(); err == nil {
		return u.Username
	}
	return "unknown user"
}

// operator answers the commands of the control channel.
type operator struct {
	gateway *gateway.Gateway
	source  config.Source
	quiet   time.Duration // for which a file must stand unchanged
}

// quietTime is how long a configuration file must stand unchanged before it is
// read.
const quietTime = 250 * time.Millisecond

func (o *operator) handle(ctx context.Context, r control.Request) control.Reply {
	lines, err := o.lines(&r)
	if err != nil {
		return control.Reply{Outcome: control.Failed, Error: err.Error()}
	}
	switch r.Command {
	case commandArm:
		return o.arm(ctx, lines[0], &r)
	case commandDisarm:
		return o.each(lines, func(line string) (string, error) {
			return "disarmed: nothing is written", o.gateway.Disarm(ctx, line, r.By, r.Reason)
		})
	case commandHold:
		return o.each(lines, func(line string) (string, error) {
			text := "every roll is held"
			if r.Off {
				text = "the hold is ended"
			}
			return text, o.gateway.Hold(ctx, line, cycle.HoldAll{On: !r.Off, By: r.By, Reason: r.Reason})
		})
	case commandReload:
		return o.reload(ctx, r.By)
	}
	return control.Reply{Outcome: control.Failed, Error: fmt.Sprintf("the daemon knows no command %q; both programs should be of one version", r.Command)}
}

// lines are the lines that a command means: arming needs one.
func (o *operator) lines(r *control.Request) ([]string, error) {
	var names []string
	for _, l := range o.gateway.Lines() {
		names = append(names, l.Name)
	}
	switch {
	case r.Line == "" && r.Command == commandArm && len(names) > 1:
		return nil, fmt.Errorf("name the line to arm with --line; it is one of %s", strings.Join(names, ", "))
	case r.Line == "":
		return names, nil
	case !slices.Contains(names, r.Line):
		return nil, fmt.Errorf("no line is named %q; the daemon serves %s", r.Line, strings.Join(names, ", "))
	}
	return []string{r.Line}, nil
}

// each does a command for every line that is still served.
func (o *operator) each(lines []string, f func(string) (string, error)) control.Reply {
	reply := control.Reply{Outcome: control.Done}
	var problems []string
	for _, line := range lines {
		text, err := f(line)
		if err != nil {
			problems = append(problems, err.Error())
			continue
		}
		reply.Text = append(reply.Text, "line "+line+": "+text)
	}
	if len(problems) > 0 {
		reply.Error = strings.Join(problems, "\n")
		// A line that has ended writes nothing and holds nothing back.
		if len(reply.Text) == 0 {
			reply.Outcome = control.Failed
		}
	}
	return reply
}

func (o *operator) arm(ctx context.Context, line string, r *control.Request) control.Reply {
	reply := control.Reply{Outcome: control.Done}
	report, err := o.gateway.Arm(ctx, line, r.By, r.Reason)
	if report != nil {
		for _, i := range report.Items {
			if i.Verdict == inspect.Warn || i.Verdict == inspect.Fail && err != nil {
				reply.Text = append(reply.Text, "line "+line+": "+i.String())
			}
		}
		reply.Detail, _ = json.Marshal(report) // strings and truth values alone
	}
	switch {
	case err == nil && report == nil:
		reply.Text = append(reply.Text, "line "+line+": is armed already")
	case err == nil:
		reply.Text = append(reply.Text, "line "+line+": armed by "+r.By+": "+r.Reason)
	case errors.Is(err, gateway.ErrNotArmed):
		reply.Outcome, reply.Error = control.Refused, fmt.Sprintf("line %s: %v", line, gateway.ErrNotArmed)
		if report.Unreachable {
			reply.Outcome = control.Unreachable
		}
	default:
		reply.Outcome, reply.Error = control.Failed, err.Error()
	}
	return reply
}

// reload reads the configuration once it stands still, and puts it in force in
// the name of a person, or of the owner of the file.
func (o *operator) reload(ctx context.Context, by string) control.Reply {
	if by == "" {
		by = "unknown"
		if info, err := os.Stat(o.source.Path); err == nil {
			if owner := ownerOf(info); owner != "" {
				by = "owner of the file, " + owner
			}
		}
	}
	s, changes, err := o.gateway.ReloadFrom(func() (*config.Snapshot, error) {
		src := o.source
		var err error
		if src.Bytes, err = config.ReadSettled(ctx, src.Path, o.quiet); err != nil {
			return nil, err
		}
		return config.Load(src)
	}, by)
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
	for _, c := range changes {
		reply.Text = append(reply.Text, fmt.Sprintf("%s: %s -> %s", c.Key, c.Old, c.New))
	}
	reply.Text = append(reply.Text, fmt.Sprintf("%s: %d changes, hash %08x, in force from the next roll on", s.File, len(changes), s.Hash))
	return reply
}
