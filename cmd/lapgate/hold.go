package main

import (
	"github.com/spf13/cobra"

	"lapgate/gateway/control"
	"lapgate/recipe/caution"
)

func (p *program) holdCommand() *cobra.Command {
	var f daemonFlags
	r := control.Request{Command: control.Hold}
	cmd := &cobra.Command{
		Use:   "hold --by NAME --reason TEXT",
		Short: "Hold every roll, or end that hold with --off",
		Long: `Hold makes the daemon offer a hold instead of a recipe for every roll of a line,
or of all lines, until hold --off ends that. It outlives a restart. In a pair it goes
to both machines; where the other does not take it within 3 s, "not reached" names it,
and the exit code is 1.

` + folded(caution.NoStop),
		Args: takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if r.By == "" || r.Reason == "" {
				return usageError("a hold needs --by NAME and --reason TEXT; the journal keeps both")
			}
			return p.command(cmd.Context(), &f, r)
		},
	}
	f.add(cmd)
	addLine(cmd, &r.Line, allLines)
	addPerson(cmd, &r.By, &r.Reason, "")
	cmd.Flags().BoolVar(&r.Off, "off", false, "end the hold")
	return cmd
}
