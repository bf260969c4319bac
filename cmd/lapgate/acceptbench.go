package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway"
	"lapgate/gateway/acceptance"
	"lapgate/gateway/bench"
	"lapgate/gateway/config"
	"lapgate/gateway/conform"
	"lapgate/gateway/link"
	"lapgate/gateway/present"
)

// benchFlags are the flags of a bench.
type benchFlags struct {
	on      bool
	acts    string
	perRoll time.Duration
}

// benchRollTime is how long a roll may take at a bench where nobody says otherwise.
const benchRollTime = 10 * time.Minute

func (f *benchFlags) add(cmd *cobra.Command) {
	fl := cmd.Flags()
	fl.BoolVar(&f.on, "bench", false, "run the plan on the controller of the line, at a bench where nothing can move; with --draft: leave out what only the simulator plays")
	addActs(cmd, &f.acts)
	addPeriod(cmd, &f.perRoll, "roll-time", benchRollTime, "with --bench: longest time that one roll may take, with all that people do")
}

// benchLong is what the command says of a bench.
func benchLong() string {
	var names []string
	for _, a := range bench.Acts() {
		names = append(names, a.Name)
	}
	return `With --bench the plan runs on the controller of the line, which stands at a bench:
nothing that can move is connected to it. It is admitted as by conform, in
maintenance, with no gateway at it, by the name of the line and the answer that drives,
heat and hydraulics are locked out; the controller publishes its limits, and --by
answers by name for the disconnected outputs. Then a person is asked to leave
maintenance, for every roll is held in it. The gateway of this command arms the line
for the rolls and the time of the plan, disarms it at the end and on any error, and
starts nothing. People bring each roll and enter what the step says; what the controller
measured is in its own request. Steps with a fault, and others that only the simulator
plays, are not run and are open points: leave them out of the plan, as --draft --bench
does.

Afterwards the epoch floor of the controller is higher, and the journal of the daemon
will show a gap over the rolls of the bench.

With --acts program:PATH a program acts at a controller that is simulated on this
machine, as with conform: "PATH act NAME", behind it the tag of the roll where the act
has one. Acts:
` + strings.Join(present.Wrap(strings.Join(names, ", ")+".", 80), "\n")
}

// checkBench tells what is wrong with the flags of a bench.
func (f *acceptFlags) checkBench(cmd *cobra.Command) error {
	given := func(names ...string) string {
		for _, name := range names {
			if cmd.Flags().Changed(name) {
				return name
			}
		}
		return ""
	}
	switch {
	case !f.bench.on:
		if name := given("acts", "roll-time"); name != "" {
			return usageError("--%s is for --bench", name)
		}
	case given("seed", "speed", "quirk") != "":
		return usageError("--%s is for the simulator; leave it out with --bench", given("seed", "speed", "quirk"))
	case !f.draft && strings.TrimSpace(f.by) == "":
		return usageError("a bench needs --by NAME, who answers for the disconnected outputs; its journal keeps it")
	}
	return nil
}

// acceptBench runs a plan on a controller at a bench.
func (p *program) acceptBench(ctx context.Context, f *acceptFlags, s *config.Snapshot, l *config.Line, steps []acceptance.Step) (*acceptance.Report, error) {
	if n := len(l.Recipe.Open); n > 0 {
		return nil, &exitError{exitDifferences, &gateway.OpenError{Line: l.Recipe.Name, Open: l.Recipe.Open}}
	}
	if strings.HasPrefix(f.bench.acts, actsProgram) && !isLoopback(l.Controller.Address) {
		return nil, usageError("--acts: a program acts for people at a controller on this machine alone, and this one is at %s", l.Controller.Address)
	}
	line, otherwise := bench.Served(l, f.by)
	changed := *s
	changed.Lines, changed.Journal.State, changed.Journal.Directory = []config.Line{line}, "", f.journal
	if f.journal == "" {
		changed.Journal.Directory = filepath.Join(filepath.Dir(s.Journal.Path(l.Recipe.Name)), "accept", l.Recipe.Name+"-"+time.Now().UTC().Format("20060102T150405Z"))
	}
	path := changed.Journal.Path(l.Recipe.Name)
	if err := freshJournal(path); err != nil {
		return nil, err
	}
	out := bench.Outside{
		Begun: func() error { return os.MkdirAll(filepath.Dir(path), 0o755) },
		Tell:  func(text string) { fmt.Fprintf(p.stderr, "Caution: %s\n", text) },
	}
	var err error
	if out.Conform, err = p.proverAt(ctx, f.bench.acts); err != nil {
		return nil, err
	}
	if out.Conform.Dialer, err = p.dialer(s, &line); err != nil {
		return nil, err
	}
	if out.Gateway, err = p.acceptGateway(f, &changed); err != nil {
		return nil, err
	}
	began := time.Now()
	seen, err := bench.Run(ctx, bench.Settings{
		Admission: conformSettings(&line, &conformFlags{by: f.by}), User: userName(), Line: l.Recipe, Steps: steps, Journal: path, PerRoll: f.bench.perRoll,
	}, out)
	if err != nil {
		return nil, benchRefused(err)
	}
	r := acceptance.NewReport(l.Recipe, steps, seen.Steps, seen.Checks, unmeasured(s))
	r.AtBench(line.Controller.Address, otherwise)
	r.Run = acceptance.Run{Version: version(), Began: began, Ended: time.Now(), Head: seen.Head, Journal: path}
	return r, nil
}

// benchRefused gives a run that never began its exit code.
func benchRefused(err error) error {
	var refused *conform.RefusedError
	switch {
	case errors.Is(err, gateway.ErrNotArmed):
		return &exitError{exitDifferences, err}
	case errors.As(err, &refused), link.ClassOf(err) == 0:
		return &exitError{exitFailed, err}
	}
	return dialFailed(err)
}
