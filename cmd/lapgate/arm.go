package main

import (
	"github.com/spf13/cobra"

	"lapgate/gateway/control"
)

func (p *program) armCommand() *cobra.Command {
	var f daemonFlags
	var r control.Request
	cmd := &cobra.Command{
		Use:   "arm --by NAME --reason TEXT",
		Short: "Allow the running daemon to write to a controller",
		Long: `Arm allows the daemon to write to the controller of a line, in the name of a
person and for a reason, which the journal keeps. The daemon first looks at the
controller as check --online does, and stays in shadow when anything fails: exit
code 5, or 4 when the controller is not reachable.

What was armed by command is in shadow again after a restart of the daemon,
unless the configuration says arming.restart: keep.

Whoever arms a line answers for it: walk the line, see that nobody is at nip
points or hot platens, and that the guards are closed.`,
		Example: `  lapgate arm --config mill.yaml --line north --by "Kim Berg" --reason "shadow compared for two weeks"`,
		Args:    takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if r.By == "" || r.Reason == "" {
				return usageError("arming needs --by NAME and --reason TEXT; the journal keeps both")
			}
			r.Command = control.Arm
			return p.command(cmd.Context(), &f, r)
		},
	}
	f.add(cmd)
	addLine(cmd, &r.Line, onlyLine)
	addPerson(cmd, &r.By, &r.Reason, "")
	return cmd
}
