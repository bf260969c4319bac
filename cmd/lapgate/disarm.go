package main

import (
	"github.com/spf13/cobra"

	"lapgate/gateway/control"
	"lapgate/recipe/caution"
)

func (p *program) disarmCommand() *cobra.Command {
	var f daemonFlags
	r := control.Request{Command: control.Disarm}
	cmd := &cobra.Command{
		Use:   "disarm",
		Short: "Forbid the running daemon to write, at once",
		Long: `Disarm puts a line, or all of them, into shadow at once. An offer on its way is
settled when the line is armed again. A line that was disarmed stays so over
restarts until it is armed by command. In a pair the other machine is disarmed too;
where it does not take that within 3 s, "not reached" names it, and the exit code is 1:
give the command there as well.

` + folded(caution.NoStop),
		Args: takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if r.By == "" {
				r.By = userName()
			}
			return p.command(cmd.Context(), &f, r)
		},
	}
	f.add(cmd)
	addLine(cmd, &r.Line, allLines)
	addPerson(cmd, &r.By, &r.Reason, "the user of this command")
	return cmd
}
