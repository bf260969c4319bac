package main

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"

	"lapgate/gateway/control"
	"lapgate/gateway/present"
	"lapgate/recipe/wording"
)

func (p *program) reloadCommand() *cobra.Command {
	var f daemonFlags
	var yes bool
	r := control.Request{Command: control.Reload}
	cmd := &cobra.Command{
		Use:   "reload",
		Short: "Let the running daemon read its configuration again",
		Long: `Reload makes the daemon read its configuration again and put it in force from
the next roll on, or refuse it whole: exit code 3 when it is invalid, 5 when it
changes what needs a restart. The reply lists what changed, and the journal
keeps it with the name of the person.

Before it acts, the daemon decides the newest 500 rolls of each line again. It asks
for every roll that was held and would go now, even one, and where more than 1 in
100 would be held newly. Without a terminal that needs --yes. SIGHUP does the same
as this command, but what would be asked is refused.

With --previous the configuration that was in force before is put back, whatever
the file says.`,
		Args: takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return p.reload(cmd.Context(), &f, r, yes)
		},
	}
	f.add(cmd)
	addBy(cmd, &r.By, "the owner of the file")
	cmd.Flags().BoolVar(&r.Previous, "previous", false, "put the configuration back that was in force before")
	cmd.Flags().BoolVar(&yes, "yes", false, "do it without asking")
	return cmd
}

// reload has a configuration put in force, and what it would do agreed to where the
// daemon asks.
func (p *program) reload(ctx context.Context, f *daemonFlags, r control.Request, yes bool) error {
	reply, err := p.ask(ctx, f, r)
	if reply != nil && reply.Question != nil {
		for _, line := range reply.Question.Text {
			fmt.Fprintln(p.stdout, present.CleanLines(line))
		}
		stays := question{wording.Plain("Put it in force all the same?"), wording.Plain("what the daemon asks"), wording.Plain("the configuration in force stays")}
		if err := p.agreed(nil, yes, stays); err != nil {
			return err
		}
		r.Answer = reply.Question.Answer
		reply, err = p.ask(ctx, f, r)
		if reply != nil && reply.Question != nil {
			return &exitError{exitDifferences, fmt.Errorf("the configuration in force stays: what would change is no longer what was shown; give the command again")}
		}
	}
	if reply != nil {
		for _, line := range reply.Text {
			fmt.Fprintln(p.stdout, present.CleanLines(line))
		}
	}
	return err
}
