package main

import (
	"github.com/spf13/cobra"

	"lapgate/gateway/control"
)

func (p *program) journalAccept() *cobra.Command {
	var f daemonFlags
	r := control.Request{Command: control.AcceptJournal}
	cmd := &cobra.Command{
		Use:   "accept --line LINE --by NAME --reason TEXT",
		Short: "Have a line go on with a journal that is doubted",
		Long: `Accept ends the condition journal-doubtful of a line: its journal is that of another
line or installation, lags what is known of it or of the controller, as one from a
backup does, or was begun anew. Find the journal that the line last wrote first, or
what became of the rolls that this one does not hold. Name and reason are recorded.`,
		Args: takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if r.By == "" || r.Reason == "" {
				return usageError("accepting a journal needs --by NAME and --reason TEXT; the journal keeps both")
			}
			return p.command(cmd.Context(), &f, r)
		},
	}
	f.add(cmd)
	addLine(cmd, &r.Line, onlyLine)
	addPerson(cmd, &r.By, &r.Reason, "")
	return cmd
}
