package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"lapgate/gateway/control"
	"lapgate/gateway/present"
	"lapgate/recipe/caution"
)

func (p *program) takeoverCommand() *cobra.Command {
	var f daemonFlags
	r := control.Request{Command: control.Takeover}
	cmd := &cobra.Command{
		Use:   "takeover --by NAME --reason TEXT",
		Short: "Have this machine of a pair act on a line while the engine is away",
		Long: `Takeover has the daemon of this machine act on a line, in the name of a person and for
a reason, which the journal keeps. It is for one case: the engine does not answer, and
the machine that acted is lost. Nobody takes over alone then, since silence tells
nothing. While the engine answers, the machines agree by it, and this command is
refused; so it is for a line that is in shadow here, and while its controller shows a
live gateway. With --although-alive the last is asked: type the name of the line.

Whoever moves a line answers for it: see that the other machine is off, or that it does
not reach the controller.

` + folded(caution.NoStop),
		Example: `  lapgate takeover --config mill.yaml --line north --by "Kim Berg" --reason "engine and machine a are without power"`,
		Args:    takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if r.By == "" || r.Reason == "" {
				return usageError("a takeover needs --by NAME and --reason TEXT; the journal keeps both")
			}
			return p.takeover(cmd.Context(), &f, r)
		},
	}
	f.add(cmd)
	addLine(cmd, &r.Line, onlyLine)
	addPerson(cmd, &r.By, &r.Reason, "")
	cmd.Flags().BoolVar(&r.Alive, "although-alive", false, "ask, where the controller shows a live gateway, in place of refusing")
	return cmd
}

func (p *program) takeover(ctx context.Context, f *daemonFlags, r control.Request) error {
	reply, err := p.ask(ctx, f, r)
	if reply != nil && reply.Question != nil {
		for _, line := range reply.Question.Text {
			fmt.Fprintln(p.stdout, present.CleanLines(line))
		}
		fmt.Fprint(p.stderr, "Type the name of the line to take it over: ")
		typed, _ := bufio.NewReader(p.stdin).ReadString('\n') // the end of the input is a no
		if typed = strings.TrimSpace(typed); typed != reply.Question.Answer {
			return &exitError{exitDifferences, fmt.Errorf("the line stays as it is: got %q, want %q", typed, reply.Question.Answer)}
		}
		r.Answer = typed
		reply, err = p.ask(ctx, f, r)
		if reply != nil && reply.Question != nil {
			return &exitError{exitDifferences, errors.New("the line stays as it is; give the command again")}
		}
	}
	if reply != nil {
		fmt.Fprint(p.stdout, present.CleanLines(strings.Join(append(reply.Text, ""), "\n")))
	}
	return err
}
