package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway/record"
	"lapgate/gateway/replay"
	"lapgate/gateway/report"
)

// compareFlags are the flags of `compare`.
type compareFlags struct {
	window     windowFlags
	out        outputFlags
	tolerances []string
	show       int
	svg        string
	from       journalFlags
}

func (p *program) compareCommand() *cobra.Command {
	var f compareFlags
	cmd := &cobra.Command{
		Use:   "compare [JOURNAL]",
		Short: "Compare our recipes with what the controller really used",
		Long: `Compare puts each wrapped roll of a journal beside our recipe for it: the one
computed in shadow, or the one offered. It tells by setpoint how far what was
used is from ours, and which rolls differ most. It reads the journal alone; a
configuration gives the units. --csv prints a line for each setpoint of each roll.

A tolerance is an amount or a share of our setpoint: --tolerance feed_length=3%,
--tolerance "overlap=1 in". The setpoints are ` + replay.UsageNames() + `.
The scale's own tolerance of each recipe holds for gross where none is given. A
setpoint that the controller does not report counts as not reported, not as a
difference. A roll that was wrapped though we would have held it is a difference.

With --since, as after a setting was corrected, only the rolls count that were measured
from then on. --engine compares the rolls of one line of the engine, the first of the
configuration when none is named.

Exit code 5 when a roll differs by more than a tolerance.`,
		Example: `  lapgate compare journal/north.db --svg north.svg
  lapgate compare journal/north.db --since 14:30
  lapgate compare journal/north.db --tolerance 'header_dwell=0.2 s' --csv
  lapgate compare --engine --config mill.yaml --since yesterday`,
		Args: f.from.args(takes(oneJournal)),
		RunE: func(cmd *cobra.Command, args []string) error { return p.compare(cmd.Context(), args, &f) },
	}
	fl := cmd.Flags()
	fl.StringArrayVar(&f.tolerances, "tolerance", nil, "allow a setpoint to differ, as overlap='25 mm' or feed_length=2%; may be repeated")
	addShow(cmd, &f.show, 10)
	addSVG(cmd, &f.svg)
	f.window.add(cmd)
	f.out.add(cmd)
	f.from.add(cmd, likeJournal)
	return cmd
}

// addShow adds how many rolls text shows of a list that may be long.
func addShow(cmd *cobra.Command, show *int, unnamed int) {
	cmd.Flags().IntVar(show, "show", unnamed, "show at most so many rolls of a list as text; --json and --csv have all")
}

// measuredAt is when a roll was measured last, or left where nobody measured it.
func measuredAt(r *record.Roll) time.Time {
	if n := len(r.Rounds); n > 0 {
		return r.Rounds[n-1].RequestAt.At
	}
	return r.OutcomeAt.At
}

func (p *program) compare(ctx context.Context, args []string, f *compareFlags) error {
	usages := replay.Usages()
	var problems []error
	if f.show < 0 {
		problems = append(problems, fmt.Errorf("--show: got %d, want 0 or more", f.show))
	}
	for _, text := range f.tolerances {
		if err := replay.SetTolerance(usages, text); err != nil {
			problems = append(problems, fmt.Errorf("--tolerance: %w", err))
		}
	}
	if len(problems) > 0 {
		return usageError("%w", errors.Join(problems...))
	}
	if err := aDrawing.may(f.svg); err != nil {
		return err
	}
	of, err := p.openLine(ctx, args, &f.from)
	if err != nil {
		return err
	}
	defer of.close()
	line, err := of.units(ctx, p)
	if err != nil {
		return err
	}
	from, to, err := f.window.window(p.now())
	if err != nil {
		return err
	}
	c := replay.NewComparison(usages)
	err = p.scanRolls(ctx, of.list, from, func(r *record.Roll) error {
		if at := measuredAt(r); at.Before(from) || !to.IsZero() && !at.Before(to) {
			return nil
		}
		return c.Take(r)
	})
	if err != nil {
		return err
	}
	print := p.printer(f.out, line)
	if f.svg != "" {
		if err := aDrawing.write(f.svg, report.Differences("What the controller used, less our recipe: "+of.names(), c, print.Line)); err != nil {
			return err
		}
	}
	out := c.Report(of.names(), print.Line, f.show)
	err = print.Print(out)
	if err == nil && out.Held+out.Exceeding > 0 {
		err = &exitError{code: exitDifferences}
	}
	return err
}
