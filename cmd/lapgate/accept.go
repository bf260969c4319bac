package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"lapgate/gateway/acceptance"
	"lapgate/gateway/bench"
	"lapgate/gateway/config"
	"lapgate/gateway/handshake"
	"lapgate/gateway/present"
	"lapgate/gateway/rehearse"
	"lapgate/recipe/offline"
	"lapgate/sim"
)

// acceptFlags are the flags of `accept`.
type acceptFlags struct {
	source  sourceFlags
	output  outputFlags
	line    string
	draft   bool
	list    string // of the buyer's rolls
	seed    uint64
	speed   float64
	quirks  []string
	by      string
	journal string
	html    string
	against string
	verbose bool
	bench   benchFlags
}

// acceptSpeed is how fast a plan runs where nobody says otherwise.
const acceptSpeed = 1000

func (p *program) acceptCommand() *cobra.Command {
	var f acceptFlags
	cmd := &cobra.Command{
		Use:   "accept PLAN.csv",
		Short: "Prove a line by a plan, step by step, with a report to sign",
		Long: `Accept lets the daemon and the simulated line wrap the rolls of a plan, and holds
what the journal says of each against what the plan expects: go or hold, the code
of the hold, what became of the roll. The simulator, which shares no code with the
daemon, judges each wrap as a second opinion. --html writes the report to print and
to sign, with what was exercised, what was not, and the open points.

A plan is a table saved as CSV with the columns step, act, roll, rolls, diameter,
width, grade, core, ovality, taper, telescoping, scan_age, quality, permissive_off,
fault, verdict, code, outcome, judged and note. --draft prints one for the
configuration: normal rolls, a roll on each side of each limit that a roll can
reach, each hold that can be brought about, the faults of the wire and of the
process of which one outcome is promised, and the rolls of --roll-list. Read it before you sign anything: it expects
what the configuration says, be that right or wrong.

The same plan, configuration and seed give the same JSON but for its member run.
This is a part of a factory or site acceptance test (FAT, SAT of IEC 62381) and
takes the place of none: guards, stops, drives, heat and hydraulics are not in it.

` + benchLong() + `

Exit code 5 when a step or a check of the whole run failed, or a step was not run.`,
		Example: `  lapgate accept --draft --config mill.yaml > plan.csv
  lapgate accept plan.csv --config mill.yaml --by "Kim Berg" --html north.html --json > north.json
  lapgate accept plan.csv --config mill.yaml --against north.json
  lapgate accept --draft --bench --config mill.yaml > bench.csv
  lapgate accept bench.csv --bench --config mill.yaml --by "Kim Berg" --html north.html`,
		Args: mayTake("one plan"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if slices.Contains(f.quirks, "help") {
				return p.printer(f.output, nil).Print(sim.Quirks())
			}
			if err := f.check(cmd, args); err != nil {
				return err
			}
			if f.draft {
				return p.draftPlan(&f)
			}
			return p.accept(cmd.Context(), &f, args[0])
		},
	}
	f.source.add(cmd)
	addLine(cmd, &f.line, firstLine)
	addBy(cmd, &f.by, "")
	fl := cmd.Flags()
	fl.BoolVar(&f.draft, "draft", false, "print a plan of the configuration as CSV, and run nothing")
	fl.StringVar(&f.list, "roll-list", "", "with --draft: also rolls of this table, as recipe reads it")
	addSim(cmd, &f.seed, &f.speed, &f.quirks, acceptSpeed)
	addFolder(cmd, &f.journal, "journal", "", "keep the journal in this directory (default a temporary one that is removed, or with --bench one of its own in the directory of the journals)")
	fl.StringVar(&f.html, "html", "", "also write one HTML page to this file")
	fl.StringVar(&f.against, "against", "", "also tell what differs from this earlier report, as --json wrote it")
	fl.BoolVarP(&f.verbose, "verbose", "v", false, "write the daemon's log to standard error")
	f.bench.add(cmd)
	f.output.add(cmd)
	return cmd
}

// check tells what is wrong with the flags.
func (f *acceptFlags) check(cmd *cobra.Command, args []string) error {
	if err := new(sim.Config).SetQuirks(f.quirks...); err != nil {
		return usageError("--quirk: %v", err)
	}
	switch {
	case !(f.speed > 0):
		return usageError("--speed: got %g, want a positive number", f.speed)
	case f.draft && len(args) > 0:
		return usageError("--draft makes a plan, and %s is one: leave one of them out", args[0])
	case !f.draft && len(args) == 0:
		return usageError("a plan is missing; make one with lapgate accept --draft, or give the path of one")
	case !f.draft && cmd.Flags().Changed("roll-list"):
		return usageError("--roll-list is for --draft; the rolls of a plan stand in it")
	case f.draft && f.output.JSON:
		return usageError("--json: a plan is CSV; leave --json out")
	}
	if err := f.checkBench(cmd); err != nil {
		return err
	}
	return aPage.may(f.html)
}

// draftPlan prints a plan of the configuration.
func (p *program) draftPlan(f *acceptFlags) error {
	l, err := p.loadLine(&f.source, f.line)
	if err != nil {
		return err
	}
	list, err := p.buyersRolls(f.list, l)
	if err != nil {
		return err
	}
	steps := acceptance.Draft(l.Recipe, list, rehearse.AcceptanceSteps())
	if f.bench.on {
		steps = slices.DeleteFunc(steps, func(s acceptance.Step) bool { return bench.NotPlayed(&s) != "" })
	}
	if len(steps) == 0 {
		return &exitError{exitDifferences, errors.New("no roll of any size is a go on this line; see with lapgate recipe why one is held, and with lapgate check what was not measured")}
	}
	f.output.Form = present.Form{CSV: true}
	return p.printer(f.output, l.Recipe).Print(acceptance.Rows(steps))
}

// buyersRolls reads the rolls of a list.
func (p *program) buyersRolls(path string, l *config.Line) (list []acceptance.Roll, err error) {
	if path == "" {
		return nil, nil
	}
	in, err := p.openTable(path)
	if err != nil {
		return nil, err
	}
	defer func() { _ = in.Close() }() // only read
	for row, err := range offline.Rolls(in.name, in, &l.Recipe.Materials) {
		if err != nil {
			return nil, err
		}
		r := &row.Rolls[0]
		list = append(list, acceptance.Roll{
			Tag: strings.Clone(r.Tag), Diameter: r.Diameter, Width: r.Width, Grade: r.Grade, Core: r.Core, Ovality: r.Ovality, ScanAge: r.Age, Count: 1,
		})
	}
	return list, nil
}

// mostPlan bounds a plan, bytes.
const mostPlan = 16 << 20

// readPlan reads a plan, and its SHA-256.
func (p *program) readPlan(path string, l *config.Line) (steps []acceptance.Step, sum string, err error) {
	in, err := p.openTable(path)
	if err != nil {
		return nil, "", err
	}
	defer func() { _ = in.Close() }() // only read
	text, err := io.ReadAll(io.LimitReader(in, mostPlan))
	if err != nil {
		return nil, "", err
	}
	digest := sha256.Sum256(text)
	steps, err = acceptance.Read(in.name, bytes.NewReader(text), &l.Recipe.Materials, rehearse.AcceptanceFaults())
	return steps, hex.EncodeToString(digest[:]), err
}

// accept runs a plan and reports.
func (p *program) accept(ctx context.Context, f *acceptFlags, path string) error {
	ctx, stop := p.untilInterrupted(ctx)
	defer stop()
	snapshot, err := p.load(&f.source)
	if err != nil {
		return err
	}
	l, err := lineNamed(snapshot, f.line)
	if err != nil {
		return err
	}
	steps, sum, err := p.readPlan(path, l)
	if err != nil {
		return err
	}
	old, err := earlierReport(f.against)
	if err != nil {
		return err
	}
	var r *acceptance.Report
	if f.bench.on {
		r, err = p.acceptBench(ctx, f, snapshot, l, steps)
	} else {
		r, err = p.acceptSim(ctx, f, snapshot, l, steps)
	}
	if err != nil {
		return err
	}
	r.By, r.Configuration, r.Plan = f.by, handshake.ConfigHash(snapshot.Hash), sum
	if old != nil {
		r.Changes = r.Since(old)
	}
	return p.reportAcceptance(f, l, r)
}

// earlierReport is the report that a new one is held against, nil for none.
func earlierReport(path string) (r *acceptance.Report, err error) {
	if path == "" {
		return nil, nil
	}
	in, err := openFile(path)
	if err != nil {
		return nil, err
	}
	defer func() { _ = in.Close() }() // only read
	return acceptance.ReadReport(path, in)
}

// reportAcceptance prints the report, and gives what differs its exit code.
func (p *program) reportAcceptance(f *acceptFlags, l *config.Line, r *acceptance.Report) error {
	if f.html != "" {
		page, err := r.Page(p.zone())
		if err != nil {
			return err
		}
		if err := aPage.write(f.html, page); err != nil {
			return err
		}
	}
	print := p.printer(f.output, l.Recipe)
	if err := print.Print(r); err != nil {
		return err
	}
	if r.Changes != nil && f.output.isText() {
		fmt.Fprintf(p.stdout, "\n%s since the report of %s\n", plural(len(r.Changes.List), "change"), r.Changes.Before.Began.In(print.Zone).Format(dayAndTime))
		if err := print.Print(r.Changes.List); err != nil {
			return err
		}
	}
	if names := r.Failures(); len(names) > 0 || r.NotRun > 0 {
		return &exitError{exitDifferences, fmt.Errorf("%d steps passed, %d failed, %d were not run; failed: %s", r.Passed, r.Failed, r.NotRun, strings.Join(names, ", "))}
	}
	return nil
}

// dayAndTime is how a moment is written to people.
const dayAndTime = "2006-01-02 15:04 MST"
