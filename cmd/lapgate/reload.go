package main

import (
	"github.com/spf13/cobra"

	"lapgate/gateway/control"
)

func (p *program) reloadCommand() *cobra.Command {
	var f daemonFlags
	r := control.Request{Command: control.Reload}
	cmd := &cobra.Command{
		Use:   "reload",
		Short: "Let the running daemon read its configuration again",
		Long: `Reload makes the daemon read its configuration again and put it in force from
the next roll on, or refuse it whole: exit code 3 when it is invalid, 5 when it
changes what needs a restart. The reply lists what changed, and the journal
keeps it with the name of the person.`,
		Args: takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return p.command(cmd.Context(), &f, r)
		},
	}
	f.add(cmd)
	addBy(cmd, &r.By, "the owner of the file")
	return cmd
}
