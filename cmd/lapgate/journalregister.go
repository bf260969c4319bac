package main

import (
	"github.com/spf13/cobra"

	"lapgate/gateway/control"
)

func (p *program) journalRegister() *cobra.Command {
	var f daemonFlags
	r := control.Request{Command: control.RegisterJournal}
	cmd := &cobra.Command{
		Use:   "register --line LINE --by NAME --reason TEXT",
		Short: "Have the engine take a journal under another name, because it refuses it",
		Long: `Register ends the condition shipping-stopped of a line: what the engine of the mill's
record has of its journal contradicts the journal, as after either was put back from a
backup. What the engine has stays there. What stands in the journal behind the newest
record of both goes there under another name, so that no record is lost on either side.
Find out first what was put back, and which of both is right. Name and reason are
recorded.`,
		Args: takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if r.By == "" || r.Reason == "" {
				return usageError("registering a journal anew needs --by NAME and --reason TEXT; the journal keeps both")
			}
			return p.command(cmd.Context(), &f, r)
		},
	}
	f.add(cmd)
	addLine(cmd, &r.Line, onlyLine)
	addPerson(cmd, &r.By, &r.Reason, "")
	return cmd
}
