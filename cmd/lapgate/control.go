package main

import (
	"context"
	"errors"
	"fmt"
	"os/user"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway/config"
	"lapgate/gateway/control"
	"lapgate/gateway/present"
	"lapgate/recipe/wording"
)

// daemonFlags say which daemon is meant.
type daemonFlags struct {
	source  sourceFlags
	socket  string
	timeout time.Duration
}

func (f *daemonFlags) add(cmd *cobra.Command) {
	f.source.add(cmd)
	if err := cmd.Flags().MarkHidden("set"); err != nil {
		panic(err) // the flag was added above
	}
	cmd.Flags().StringVar(&f.socket, "socket", "", "control socket of the daemon (default that of the configuration)")
	addTimeout(cmd, &f.timeout, 30*time.Second)
}

// now is the time, in the zone of the mill where the configuration that names the
// daemon tells it.
func (f *daemonFlags) now(p *program) time.Time {
	if src, err := p.source(&f.source); err == nil && f.socket == "" && src.Path != "" {
		if s, err := config.Load(src); err == nil {
			p.mill = s.Shifts.Location(nil)
		}
	}
	return p.now()
}

// path is the control socket of the daemon.
func (f *daemonFlags) path(p *program) (string, error) {
	s, err := f.snapshot(p)
	switch {
	case err != nil:
		return "", err
	case s == nil:
		return f.socket, nil
	case s.Socket() == "":
		return "", &exitError{exitConfig, fmt.Errorf("control.socket is none: this daemon takes no commands; set one and restart it")}
	}
	return s.Socket(), nil
}

// words is the language in which the daemon tells people, as far as a configuration is
// named.
func (f *daemonFlags) words(p *program) (*wording.Words, error) {
	s, err := f.snapshot(p)
	if err != nil || s == nil {
		return nil, err
	}
	return s.Words, nil
}

// snapshot is the configuration that tells of the daemon, nil where its socket is
// given.
func (f *daemonFlags) snapshot(p *program) (*config.Snapshot, error) {
	if len(f.source.set) > 0 {
		return nil, usageError("--set: the daemon decides what is in force: its file, and the flags it was started with; change the file and reload it, or give --socket PATH where --set moved the daemon's socket")
	}
	switch {
	case f.socket != "" && f.source.path != "":
		return nil, usageError("--socket and --config both name a daemon; give one of them")
	case f.socket != "":
		return nil, nil
	}
	src, err := p.source(&f.source)
	if err != nil {
		return nil, err
	}
	if src.Path == "" {
		return nil, usageError("no daemon is named; give --config FILE, --socket PATH or set %s", configVariable)
	}
	s, err := config.Load(src)
	if err != nil {
		return nil, &exitError{exitConfig, fmt.Errorf("%w\nthe configuration tells where the daemon listens; give --socket PATH to do without it", err)}
	}
	return s, nil
}

// command sends one command and prints what came of it.
func (p *program) command(ctx context.Context, f *daemonFlags, r control.Request) error {
	reply, err := p.ask(ctx, f, r)
	if reply != nil {
		for _, line := range reply.Text {
			fmt.Fprintln(p.stdout, present.CleanLines(line))
		}
	}
	return err
}

// ask sends one command. The error is that of the call, or why the command was
// not done.
func (p *program) ask(ctx context.Context, f *daemonFlags, r control.Request) (*control.Reply, error) {
	path, err := f.path(p)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, f.timeout)
	defer cancel()
	reply, err := control.Call(ctx, path, r)
	if err != nil {
		return nil, err
	}
	code := exitFailed
	switch reply.Outcome {
	case control.Done, control.Asked:
		return reply, nil
	case control.Refused:
		code = exitDifferences
	case control.Usage:
		code = exitUsage
	case control.Unreachable:
		code = exitUnreachable
	case control.Invalid:
		code = exitConfig
	}
	return reply, &exitError{code, errors.New(reply.Error)}
}

// userName is who runs this command, where nobody else is named.
func userName() string {
	if u, err := user.Current(); err == nil {
		return u.Username
	}
	return "unknown user"
}
