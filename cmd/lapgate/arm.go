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

Arming ends with the daemon, unless it is said to last: with --keep until somebody
disarms the line, with --for so long, with --rolls for so many rolls that get a
recipe; the last two also end it while the daemon runs. What lasts is armed again
after a restart only where journal, controller, configuration and program are found
as they were left, and nobody served the line for less than arming.away. Else the
line is in shadow, and says why until somebody arms it.

With --pair, where two machines serve the line (engine.pair), both are armed, or
neither: the other one looks at its controller too, and the arming stands in both
journals before it holds. Only then does the machine that stands by take over armed,
and no longer once somebody disarms the line or holds its rolls. Without --pair this
machine alone is armed.

Whoever arms a line answers for it: walk the line, see that nobody is at nip
points or hot platens, and that the guards are closed.`,
		Example: `  lapgate arm --config mill.yaml --line north --by "Kim Berg" --reason "shadow compared for two weeks" --keep
  lapgate arm --config mill.yaml --line north --by 4711 --reason "after new blades" --rolls 5
  lapgate arm --config mill.yaml --line north --by "Kim Berg" --reason "both machines looked at" --pair --keep`,
		Args: takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if r.By == "" || r.Reason == "" {
				return usageError("arming needs --by NAME and --reason TEXT; the journal keeps both")
			}
			if r.Rolls < 0 || cmd.Flags().Changed("rolls") && r.Rolls == 0 {
				return usageError("--rolls: got %d, want 1 or more", r.Rolls)
			}
			if r.Pair && r.Rolls > 0 {
				return usageError("--rolls with --pair: each machine counts its own rolls; bound a pair by --for")
			}
			r.Command = control.Arm
			return p.command(cmd.Context(), &f, r)
		},
	}
	f.add(cmd)
	addLine(cmd, &r.Line, onlyLine)
	addPerson(cmd, &r.By, &r.Reason, "")
	cmd.Flags().BoolVar(&r.Keep, "keep", false, "let it last over a restart of the daemon")
	addPeriod(cmd, &r.For, "for", 0, "let it last so long, as 2h, also over a restart")
	addRolls(cmd, &r.Rolls, 0)
	addPair(cmd, &r.Pair)
	return cmd
}
