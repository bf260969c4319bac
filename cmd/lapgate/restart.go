package main

import (
	"github.com/spf13/cobra"

	"lapgate/gateway/control"
)

func (p *program) restartCommand() *cobra.Command {
	var f daemonFlags
	r := control.Request{Command: control.Restart}
	cmd := &cobra.Command{
		Use:   "restart",
		Short: "Have a line that has ended served again, in shadow",
		Long: `Restart has the running daemon serve a line again that has ended: its journal
failed, it was fenced, or its program did. See to the cause first. The other lines
go on as they are.

The line comes back in shadow, which is recorded with the name; arm it when its
controller is the right one. A line whose disk was full or failed, or whose journal
another process held, comes back by itself, in shadow too, where its journal is found
as it was left. One that was lost or damaged waits for this command, which goes on with
a new journal in its place.`,
		Args: takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if r.By == "" {
				return usageError("--by is missing: a restart is recorded under a name")
			}
			return p.command(cmd.Context(), &f, r)
		},
	}
	f.add(cmd)
	addLine(cmd, &r.Line, onlyLine)
	addPerson(cmd, &r.By, &r.Reason, "")
	return cmd
}
