package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"lapgate/gateway/control"
	"lapgate/gateway/present"
	"lapgate/recipe/wording"
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
			asks := question{wording.Say("ask.override"), wording.Say("ask.override.what"), wording.Say("ask.override.not")}
			return p.proposed(cmd.Context(), &f, r, yes, asks, func(words *wording.Words, c *control.Proposal) error {
				out := p.printer(outputFlags{}, nil)
				out.Words = words
				return out.Print(changeRows(c.Changes))
			})
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

// proposed shows what would be done for the roll that waits, and has it done for the request
// that was shown when the person agrees.
func (p *program) proposed(ctx context.Context, f *daemonFlags, r control.Request, yes bool, q question, show func(*wording.Words, *control.Proposal) error) error {
	words, err := f.words(p)
	if err != nil {
		return err
	}
	reply, err := p.ask(ctx, f, r)
	if err != nil {
		return err
	}
	c := reply.Proposal
	fmt.Fprintln(p.stdout, words.Text(rollAsked(c)))
	if err := show(words, c); err != nil {
		return err
	}
	if err := p.agreed(words, yes, q); err != nil {
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

// rollAsked names the roll that a person is asked about.
func rollAsked(c *control.Proposal) wording.Said {
	return wording.Say("ask.roll", "line", c.Line, "number", c.Roll, "tag", present.Clean(c.Tag))
}

// question is what a person is asked before something is done: the question, what the act
// is called, and what is so where nobody agrees.
type question struct{ asks, what, without wording.Said }

// agreed asks the person whether to go on, unless yes says so already.
func (p *program) agreed(w *wording.Words, yes bool, q question) error {
	switch {
	case yes:
		return nil
	case !isTerminal(p.stdin):
		return usageError("%s", w.Of("ask.needs-yes", "why", q.without, "what", q.what))
	case !confirm(w, p.stdin, p.stderr, q.asks):
		return &exitError{exitFailed, errors.New(w.Text(q.without))}
	}
	return nil
}

// confirm asks a question; only y and yes agree, or what stands for them in the language
// of the mill.
func confirm(w *wording.Words, in io.Reader, out io.Writer, asks wording.Said) bool {
	fmt.Fprintf(out, "%s %s ", w.Text(asks), w.Of("ask.choice"))
	answer, _ := bufio.NewReader(in).ReadString('\n') // the end of the input is a no
	return slices.ContainsFunc([]string{"y", "yes", w.Of("ask.yes.short"), w.Of("ask.yes")}, func(yes string) bool {
		return strings.EqualFold(yes, strings.TrimSpace(answer))
	})
}
