package main

import (
	"strconv"

	"github.com/spf13/cobra"

	"lapgate/gateway/control"
)

func (p *program) journalCorrect() *cobra.Command {
	var f daemonFlags
	r := control.Request{Command: control.Correct}
	cmd := &cobra.Command{
		Use:   "correct NUMBER --by NAME --reason TEXT",
		Short: "Record that an earlier record of an act is wrong",
		Long: `Correct has the running daemon add a record that names an earlier one and says
what is right: that a hold was given under the wrong name, for one. No record is
ever changed or removed, and nothing else follows from a correction.`,
		Example: `  lapgate journal correct 1204 --config mill.yaml --line north --by "Kim Berg" --reason "it was Ola Vik who held the line"`,
		Args:    takes("the number of a record"),
		RunE: func(cmd *cobra.Command, args []string) error {
			n, err := strconv.ParseUint(args[0], 10, 63)
			if err != nil || n == 0 {
				return usageError("%q is not the number of a record", args[0])
			}
			if r.By == "" || r.Reason == "" {
				return usageError("a correction needs --by NAME and --reason TEXT; the journal keeps both")
			}
			r.Record = n
			return p.command(cmd.Context(), &f, r)
		},
	}
	f.add(cmd)
	addLine(cmd, &r.Line, onlyLine)
	addPerson(cmd, &r.By, &r.Reason, "")
	return cmd
}
