package main

import (
	"github.com/spf13/cobra"

	"lapgate/gateway/control"
)

func (p *program) disarmCommand() *cobra.Command {
	var f daemonFlags
	r := control.Request{Command: commandDisarm}
	cmd := &cobra.Command{
		Use:   "disarm",
		Short: "Forbid the running daemon to write, at once",
		Long: `Disarm puts a line, or all of them, into shadow at once. An offer on its way is
settled when the line is armed again. A line that was disarmed stays so over
restarts until it is armed by command.

This is no stop of the machine: a recipe that the controller accepted is worked
to its end. To stop the line use its own controls.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if r.By == "" {
				r.By = userName()
			}
			return p.command(cmd.Context(), &f, r)
		},
	}
	f.add(cmd)
	cmd.Flags().StringVar(&r.Line, "line", "", "the line to disarm (default all)")
	cmd.Flags().StringVar(&r.By, "by", "", "name of the person who disarms it (default the user of this command)")
	cmd.Flags().StringVar(&r.Reason, "reason", "", "why")
	return cmd
}

func (p *program) holdCommand() *cobra.Command {
	var f daemonFlags
	r := control.Request{Command: commandHold}
	cmd := &cobra.Command{
		Use:   "hold --by NAME --reason TEXT",
		Short: "Hold every roll, or end that hold with --off",
		Long: `Hold makes the daemon offer a hold instead of a recipe for every roll of a line,
or of all lines, until hold --off ends that. It outlives a restart.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if r.By == "" || r.Reason == "" {
				return usageError("a hold needs --by NAME and --reason TEXT; the journal keeps both")
			}
			return p.command(cmd.Context(), &f, r)
		},
	}
	f.add(cmd)
	cmd.Flags().StringVar(&r.Line, "line", "", "the line to hold (default all)")
	cmd.Flags().StringVar(&r.By, "by", "", "name of the person who holds the rolls")
	cmd.Flags().StringVar(&r.Reason, "reason", "", "why")
	cmd.Flags().BoolVar(&r.Off, "off", false, "end the hold")
	return cmd
}
