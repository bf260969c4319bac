package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"

	"github.com/spf13/cobra"

	"lapgate/gateway/control"
)

func (p *program) reloadCommand() *cobra.Command {
	var f daemonFlags
	r := control.Request{Command: commandReload}
	cmd := &cobra.Command{
		Use:   "reload",
		Short: "Let the running daemon read its configuration again",
		Long: `Reload makes the daemon read its configuration again and put it in force from
the next roll on, or refuse it whole: exit code 3 when it is invalid, 5 when it
changes what needs a restart. The reply lists what changed, and the journal
keeps it with the name of the person.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return p.command(cmd.Context(), &f, r)
		},
	}
	f.add(cmd)
	cmd.Flags().StringVar(&r.By, "by", "", "name of the person who made the change (default the owner of the file)")
	return cmd
}

// reloadOnHangup puts the configuration in force again on each SIGHUP. One
// that is refused changes nothing; the gateway tells of it.
func (o *operator) reloadOnHangup(ctx context.Context) {
	hangup := make(chan os.Signal, 1)
	signal.Notify(hangup, syscall.SIGHUP)
	defer signal.Stop(hangup)
	for {
		select {
		case <-ctx.Done():
			return
		case <-hangup:
			o.reload(ctx, "")
		}
	}
}
