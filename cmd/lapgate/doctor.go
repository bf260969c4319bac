package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway/checkup"
	"lapgate/gateway/config"
	"lapgate/gateway/inspect"
)

func (p *program) doctorCommand() *cobra.Command {
	var f sourceFlags
	var output outputFlags
	var timeout time.Duration
	cmd := &cobra.Command{
		Use:   "doctor",
		Short: "Look at what the daemon rests on, each line with a remedy",
		Long: `Doctor looks at what the daemon of a configuration rests on, and only reads: owner
and mode of its files, its secrets, the room on its disk, the clock and whether it is
kept, certificates, socket and port, whose the journals are with their newest records
proved, and whether each controller answers as check --online finds it. Run it as the
account of the daemon. Exit code 5 when something is wrong.`,
		Example: `  lapgate doctor --config mill.yaml`,
		Args:    takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			s, err := p.load(&f)
			if err != nil {
				return err
			}
			out := examined{p.examine(cmd.Context(), s, timeout)}
			if err := p.printer(output, nil).Print(out); err != nil {
				return err
			}
			return out.err()
		},
	}
	f.add(cmd)
	output.add(cmd)
	addTimeout(cmd, &timeout, 30*time.Second)
	return cmd
}

// examined is what doctor prints.
type examined struct {
	Items []inspect.Item `json:"items" label:"looked at" print:"csv"`
}

// err says how much is wrong, nil for nothing.
func (e examined) err() error {
	failed := (&inspect.Report{Items: e.Items}).Failed()
	if len(failed) == 0 {
		return nil
	}
	return &exitError{exitDifferences, errors.New(plural(len(failed), "thing") + " wrong")}
}

// examine looks at the daemon's surroundings, and at its controllers for timeout at
// most.
func (p *program) examine(ctx context.Context, s *config.Snapshot, timeout time.Duration) []inspect.Item {
	items := checkup.Look(ctx, s, checkup.System{Lookup: p.lookup, Free: checkup.FreeRoom, Clock: checkup.KeptClock, Now: func() time.Time { return time.Now().In(p.zone()) }})
	lines, _ := linesNamed(s, "") // every line
	for _, r := range inspect.Lines(ctx, &p.connections, s, lines, timeout) {
		subject := "controller of line " + r.Line
		worse := 0
		for _, i := range r.Items {
			if i.Verdict == inspect.Fail || i.Verdict == inspect.Warn {
				i.Subject = subject + ": " + i.Subject
				items = append(items, i)
				worse++
			}
		}
		if worse == 0 {
			items = append(items, inspect.Item{Verdict: inspect.OK, Subject: subject, Got: fmt.Sprintf("%s at %s answers as configured", r.Protocol, r.Address)})
		}
	}
	return items
}
