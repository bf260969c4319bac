package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"lapgate/gateway/control"
)

func (p *program) overrideCommand() *cobra.Command {
	var f daemonFlags
	var values []string
	var yes bool
	r := control.Request{Command: control.Override}
	cmd := &cobra.Command{
		Use:   "override --value NAME=VALUE --by NAME --reason TEXT",
		Short: "Give the roll that waits setpoints of a person's choice",
		Long: `Override changes setpoints of the roll that waits at the station, in the name of
a person and for a reason, which the journal keeps with the old and the new
values. It shows what would change and asks; without a terminal it needs --yes.

It holds for the request that was shown and for no other: it ends unused when the
roll is measured again or leaves, when the line is disarmed or gets another
configuration, when the daemon ends, and after five minutes. It passes warnings
and those holds that a person may pass; it never passes an interlock of the
controller.

Whoever overrides answers for the roll: look at the roll, the wrapper and the
platens first, and see that nobody is near them.`,
		Example: `  lapgate override --config mill.yaml --line north --value header_dwell='12 s' --by "Kim Berg" --reason "head lifts at the edge"`,
		Args:    takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if r.By == "" || r.Reason == "" || len(values) == 0 {
				return usageError("an override needs --value NAME=VALUE, --by NAME and --reason TEXT; the journal keeps them")
			}
			for _, v := range values {
				name, text, ok := strings.Cut(v, "=")
				if !ok || strings.TrimSpace(name) == "" || strings.TrimSpace(text) == "" {
					return usageError("--value: got %q, want NAME=VALUE, as header_dwell='12 s'", v)
				}
				r.Values = append(r.Values, control.Value{Name: strings.TrimSpace(name), Text: strings.TrimSpace(text)})
			}
			return p.override(cmd.Context(), &f, r, yes)
		},
	}
	f.add(cmd)
	addLine(cmd, &r.Line, onlyLine)
	addRoll(cmd, &r.Roll, "the one that waits")
	addPerson(cmd, &r.By, &r.Reason, "")
	cmd.Flags().StringArrayVar(&values, "value", nil, "setpoint and its value with the unit, as header_dwell='12 s'; may be repeated")
	addYes(cmd, &yes)
	return cmd
}

// override shows what would change, and has it done for the request that was
// shown when the person agrees.
func (p *program) override(ctx context.Context, f *daemonFlags, r control.Request, yes bool) error {
	reply, err := p.ask(ctx, f, r)
	if err != nil {
		return err
	}
	c := reply.Proposal
	fmt.Fprintf(p.stdout, "line %s, roll %d %s\n", c.Line, c.Roll, c.Tag)
	if err := p.printer(outputFlags{}, nil).Print(changeRows(c.Changes)); err != nil {
		return err
	}
	if err := p.agreed(yes, "an override", "nothing was changed", "Offer these values?"); err != nil {
		return err
	}
	r.Line, r.Shown = c.Line, &c.Token
	return p.command(ctx, f, r)
}

// changeRow is a change as it is printed.
type changeRow control.Change

func changeRows(changes []control.Change) []changeRow {
	out := make([]changeRow, len(changes))
	for i, c := range changes {
		out[i] = changeRow(c)
	}
	return out
}

// agreed asks the person whether to go on, unless yes says so already. what names
// the act, and without what is so where nobody agrees.
func (p *program) agreed(yes bool, what, without, question string) error {
	switch {
	case yes:
		return nil
	case !isTerminal(p.stdin):
		return usageError("%s: without a terminal %s needs --yes", without, what)
	case !confirm(p.stdin, p.stderr, question):
		return &exitError{exitFailed, errors.New(without)}
	}
	return nil
}

// confirm asks a question; only y and yes agree.
func confirm(in io.Reader, out io.Writer, question string) bool {
	fmt.Fprintf(out, "%s [y/N] ", question)
	answer, _ := bufio.NewReader(in).ReadString('\n') // the end of the input is a no
	switch strings.ToLower(strings.TrimSpace(answer)) {
	case "y", "yes":
		return true
	}
	return false
}

// isTerminal reports whether a person can answer.
func isTerminal(in io.Reader) bool {
	f, ok := in.(*os.File)
	if !ok {
		return false
	}
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}
