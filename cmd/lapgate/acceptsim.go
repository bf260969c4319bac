package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"time"

	"go.uber.org/zap"

	"lapgate/gateway"
	"lapgate/gateway/acceptance"
	"lapgate/gateway/config"
	"lapgate/gateway/cycle"
	"lapgate/gateway/logging"
	"lapgate/gateway/rehearse"
	"lapgate/sim"
)

// acceptSim runs a plan on the simulator.
func (p *program) acceptSim(ctx context.Context, f *acceptFlags, s *config.Snapshot, l *config.Line, steps []acceptance.Step) (report *acceptance.Report, err error) {
	dir := f.journal
	if dir == "" {
		if dir, err = os.MkdirTemp("", "lapgate-accept-"); err != nil {
			return nil, err
		}
		defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	} else if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, err
	}
	a, err := rehearse.NewAcceptance(l, steps, f.seed, f.speed)
	if err != nil {
		return nil, err
	}
	if err := a.Config.SetQuirks(f.quirks...); err != nil {
		return nil, err
	}
	run := acceptRun{program: p, flags: f, plan: a, name: l.Recipe.Name}
	a.Config.OnRoll = run.left
	line, err := sim.New(a.Config)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, line.Close()) }()
	simulated, otherwise := rehearse.Simulated(l, line.ModbusAddr())
	changed := *s
	changed.Lines, changed.Journal.Directory, changed.Journal.State = []config.Line{simulated}, dir, ""
	path := changed.Journal.Path(l.Recipe.Name)
	if err := freshJournal(path); err != nil {
		return nil, err
	}
	if run.gateway, err = run.newGateway(&changed); err != nil {
		return nil, err
	}
	began := time.Now()
	shift, gatewayErr, lineErr := rehearse.Wrap(ctx, run.gateway, line)
	seen, err := a.Observe(context.WithoutCancel(ctx), path, l.Recipe, shift)
	if err != nil {
		return nil, errors.Join(err, gatewayErr, lineErr)
	}
	seen.Checks = append(seen.Checks, acceptance.Ended(gatewayErr, errors.Join(lineErr, run.failed)))
	report = acceptance.NewReport(l.Recipe, steps, seen.Steps, seen.Checks, unmeasured(s))
	report.Against, report.Seed, report.Quirks, report.Otherwise = "the simulator", &f.seed, f.quirks, otherwise
	report.Run = acceptance.Run{Version: version(), Began: began, Ended: time.Now(), Head: seen.Head}
	if f.journal != "" {
		report.Run.Journal = path
	}
	return report, nil
}

// acceptRun is a plan on its way.
type acceptRun struct {
	*program
	flags   *acceptFlags
	plan    *rehearse.Acceptance
	name    string // of the line
	gateway *gateway.Gateway
	failed  error // of an act
}

func (r *acceptRun) newGateway(s *config.Snapshot) (*gateway.Gateway, error) {
	options, err := r.acceptGateway(r.flags, s)
	if err != nil {
		return nil, err
	}
	options.Arm = &gateway.Act{By: "accept", Reason: "the steps of a plan on the simulator in the same program"}
	return gateway.New(options)
}

// acceptGateway are the options of a gateway that serves the steps of a plan.
func (p *program) acceptGateway(f *acceptFlags, s *config.Snapshot) (gateway.Options, error) {
	log := zap.NewNop()
	if f.verbose {
		var err error
		if log, _, err = logging.New(p.stderr, s.Log); err != nil {
			return gateway.Options{}, err
		}
	}
	return gateway.Options{Snapshot: s, Dialer: p.dialers(log), OpenJournal: gateway.OpenJournals(s), Log: log, Version: version()}, nil
}

// freshJournal is an error where a journal stands at a path.
func freshJournal(path string) error {
	if _, err := os.Stat(path); err == nil {
		return fmt.Errorf("journal %s is there already; an acceptance begins with a fresh one, name another directory", path)
	}
	return nil
}

// left tells of a roll that left, and does what the next step wants before its roll
// comes.
func (r *acceptRun) left(roll sim.RollReport) {
	if r.flags.output.isText() {
		fmt.Fprintf(r.stderr, "%d of %d rolls left: %s, %s\n", roll.Ordinal, len(r.plan.Config.Rolls), roll.Tag, roll.Outcome)
	}
	if on, changes := r.plan.HoldsAfter(roll.Ordinal); changes {
		err := r.gateway.Hold(context.Background(), r.name, cycle.HoldAll{On: on, By: "accept", Reason: "a step of the plan"})
		r.failed = errors.Join(r.failed, err)
	}
}

// unmeasured are the settings of a configuration that nobody measured, those first before
// which no line may be armed.
func unmeasured(s *config.Snapshot) (all []string) {
	for _, p := range slices.Concat(s.Open, s.Unmeasured) {
		all = append(all, p.String())
	}
	return all
}
