package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"lapgate/gateway/control"
	"lapgate/recipe/wording"
)

func (p *program) confirmCommand() *cobra.Command {
	var f daemonFlags
	var yes bool
	r := control.Request{Command: control.Confirm}
	cmd := &cobra.Command{
		Use:   "confirm --roll N --finding CODE --by NAME",
		Short: "Answer for a roll that is held until a person has seen to it",
		Long: `Confirm gives a named person's word that what a finding of the waiting roll asks
for is done: with --finding narrow-roll, that the roll is chocked or steadied; with
--finding new-wrapper, that what was hung is what the finding says. It shows the
finding and asks; without a terminal it needs --yes. The journal keeps the name.

It counts once, for the request that was shown and for no other: it ends unused
when the roll is measured again or leaves, when the line is disarmed or gets
another configuration, when the daemon ends, and after five minutes. It starts
nothing: a held roll goes on when the operator presses retry at the controller.

A roll that tips can kill. Steady it with the drives locked out, keep clear of
its ends, and confirm only what you have seen yourself.`,
		Example: `  lapgate confirm --config mill.yaml --line north --roll 1190 --finding narrow-roll --by "Kim Berg"`,
		Args:    takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if r.Roll == 0 || r.Finding == "" || r.By == "" {
				return usageError("a confirmation needs --roll N, --finding CODE and --by NAME; the journal keeps them")
			}
			asks := question{wording.Say("ask.confirm"), wording.Say("ask.confirm.what"), wording.Say("ask.confirm.not")}
			return p.proposed(cmd.Context(), &f, r, yes, asks, func(_ *wording.Words, c *control.Proposal) error {
				_, err := fmt.Fprintf(p.stdout, "%s: %s\n", r.Finding, c.Finding)
				return err
			})
		},
	}
	f.add(cmd)
	addLine(cmd, &r.Line, onlyLine)
	cmd.Flags().Uint32Var(&r.Roll, "roll", 0, "number of the roll")
	cmd.Flags().StringVar(&r.Finding, "finding", "", "code of the finding, as narrow-roll")
	addBy(cmd, &r.By, "")
	addYes(cmd, &yes)
	return cmd
}
