package main

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"

	"lapgate/gateway/control"
	"lapgate/recipe/caution"
	"lapgate/recipe/wording"
)

func (p *program) hangCommand() *cobra.Command {
	var f daemonFlags
	var yes bool
	r := control.Request{Command: control.Hang, Wrapper: &control.Wrapper{}}
	w := r.Wrapper
	cmd := &cobra.Command{
		Use:   "hang --slot N --width WIDTH --paper NAME --by NAME",
		Short: "Tell which wrapper is hung in a slot of the stand",
		Long: `Hang tells, before the work begins, which wrapper is going to hang in a slot. It
shows the caution and what comes of it, and asks; without a terminal it needs
--yes. The journal keeps it with a number, and what is decided from then on rests
on it, in a replay too. It is for a width and a paper that stand.slots allows
there, and not while a roll is offered or wrapped from the slot.

It takes effect when the slot was not ready and is ready again; on a stand without
that contact, when its slot is confirmed at the panel after it was not. Nothing is
taken from the slot until then. The first roll on the wrapper is held until a
person confirms what hangs, at the panel or with lapgate confirm --finding
new-wrapper. What is told counts until the configuration says something else of
the slot.

--empty and --out-of-service take effect at once. --correct N tells the newest act
of the slot anew; alone it takes back one that has not taken effect.

` + folded(caution.Overhead),
		Example: `  lapgate hang --config mill.yaml --slot 2 --width "36 in" --paper kraft-poly --outer "48 in" --by "Kim Berg"
  lapgate hang --config mill.yaml --slot 2 --correct 14 --width "42 in" --paper kraft-poly --by "Kim Berg"
  lapgate hang --config mill.yaml --slot 5 --empty --by "Kim Berg"`,
		Args: takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			told := w.Width != "" && w.Paper != "" || w.Empty || w.OutOfService || w.Correct != 0
			if w.Slot == 0 || r.By == "" || !told {
				return usageError("hanging needs --slot N, --by NAME and what hangs there: --width and --paper, or --empty, or --out-of-service; the journal keeps them")
			}
			return p.act(cmd.Context(), &f, r, caution.Overhead, yes)
		},
	}
	f.add(cmd)
	addLine(cmd, &r.Line, onlyLine)
	fl := cmd.Flags()
	fl.IntVar(&w.Slot, "slot", 0, "number of the slot")
	addWidth(cmd, &w.Width)
	fl.StringVar(&w.Paper, "paper", "", "material of the wrapper, by its name in papers")
	addOuter(cmd, &w.Outer, "")
	fl.StringVar(&w.Length, "length", "", "length on the wrapper roll, as \"900 m\", in place of its outer diameter")
	fl.BoolVar(&w.Empty, "empty", false, "nothing hangs in the slot")
	fl.BoolVar(&w.OutOfService, "out-of-service", false, "the slot is not to be used")
	fl.Uint32Var(&w.Correct, "correct", 0, "number of the act that was told wrong")
	addBy(cmd, &r.By, "")
	addYes(cmd, &yes)
	return cmd
}

// act shows a caution and what comes of an act at the line, and has it done when the
// person agrees.
func (p *program) act(ctx context.Context, f *daemonFlags, r control.Request, c caution.Caution, yes bool) error {
	words, err := f.words(p)
	if err != nil {
		return err
	}
	fmt.Fprintln(p.stderr, words.Of("ask.caution", "caution", c.Said()))
	if err := p.command(ctx, f, r); err != nil {
		return err
	}
	if err := p.agreed(words, yes, question{wording.Say("ask.act"), wording.Say("ask.act.what"), wording.Say("ask.act.not")}); err != nil {
		return err
	}
	r.Agreed = true
	return p.command(ctx, f, r)
}
