package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"slices"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway/config"
	"lapgate/gateway/handshake"
	"lapgate/gateway/inspect"
	"lapgate/gateway/link"
	"lapgate/gateway/present"
)

// probeTimeout is how long a device may take for one answer.
const probeTimeout = 3 * time.Second

// probeLimit bounds a whole look at a device.
const probeLimit = 60 * time.Second

func (p *program) probeCommand() *cobra.Command {
	var f probeFlags
	cmd := &cobra.Command{
		Use:   "probe",
		Short: "Look into a controller: raw registers, nodes, or the configured blocks",
		Long: `Probe looks into a controller and only reads: it writes to no register and no
node, and what it asks for is bounded.

With --config it connects to the controller of a configured line as run would,
reads every block and tells what stands there. Its commands look at a device that
nobody has configured yet; probe scan finds the blocks in it.

With --watch it reads one block until it is interrupted, or for so many --looks,
and prints each field by name that changed, marked with *; a field that changes at
every look, such as a clock, is told once. Of OUT it reads the entry of the newest
outcome. What does not decode is shown field by field all the same.

Exit code 4 when the controller cannot be reached; 5 when it answers, but not as
asked: a configured block is missing, or its own request block does not decode.`,
		Example: `  lapgate probe --config mill.yaml --line north --values
  lapgate probe --config mill.yaml --line north --watch REQ
  lapgate probe modbus 192.0.2.10:502 --unit 1 --address 1000 --count 20
  lapgate probe opcua opc.tcp://192.0.2.10:4840 --browse`,
		Args: takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			src, err := p.source(&f.source)
			if err != nil {
				return err
			}
			if src.Path == "" {
				return usageError("nothing to look at; give --config FILE or set %s, or use one of probe scan, probe modbus, probe opcua", configVariable)
			}
			snapshot, err := p.loadSource(src)
			if err != nil {
				return err
			}
			l, err := lineNamed(snapshot, f.line)
			if err != nil {
				return err
			}
			switch {
			case f.watch != "":
				return p.watchLine(cmd.Context(), snapshot, l, &f)
			case cmd.Flags().Changed("looks"):
				return usageError("--looks goes with --watch")
			}
			return p.probeLine(cmd.Context(), snapshot, l, &f)
		},
	}
	f.source.add(cmd)
	addLine(cmd, &f.line, firstLine)
	cmd.Flags().BoolVar(&f.values, "values", false, "also print every field of every block that decodes")
	addWatch(cmd, &f.watch, "the block of which is printed what changes: "+blockNames())
	cmd.Flags().IntVar(&f.looks, "looks", 0, "end --watch after so many looks (default none)")
	f.output.add(cmd)
	cmd.AddCommand(p.probeModbusCommand(), p.probeOPCUACommand(), p.probeScanCommand())
	return cmd
}

// probeFlags are the flags of `probe`.
type probeFlags struct {
	source sourceFlags
	line   string
	values bool
	watch  string
	looks  int
	output outputFlags
}

// blockNames are the names of the blocks in a list.
func blockNames() string {
	var names []string
	for _, id := range handshake.IDs() {
		names = append(names, id.String())
	}
	return strings.Join(names, ", ")
}

// watchLine prints what changes in a block of a line.
func (p *program) watchLine(ctx context.Context, s *config.Snapshot, l *config.Line, f *probeFlags) error {
	i := slices.IndexFunc(handshake.IDs(), func(id handshake.ID) bool { return id.String() == f.watch })
	switch {
	case i < 0:
		return usageError("--watch: got %q, want one of %s", f.watch, blockNames())
	case f.values || f.output.CSV:
		return usageError("--watch prints text or, with --json, lines; --values and --csv go without it")
	case f.looks < 0:
		return usageError("--looks: got %d, want 0 or more", f.looks)
	}
	dialer, err := p.dialer(s, l)
	if err != nil {
		return err
	}
	ctx, stop := signal.NotifyContext(ctx, os.Interrupt, syscall.SIGTERM)
	defer stop()
	out := p.printer(f.output, l.Recipe)
	err = inspect.Watch(ctx, dialer, inspect.WatchWanted{
		Block: handshake.IDs()[i], Poll: l.Controller.Times.Poll, Looks: f.looks,
		Tell: func(t *present.Table) error { return out.Print(t) },
		Lost: func(err error) { fmt.Fprintf(p.stderr, "%v; dialling again\n", err) },
	})
	if link.ClassOf(err) != 0 {
		return dialFailed(err)
	}
	return err
}

func (p *program) probeLine(ctx context.Context, s *config.Snapshot, l *config.Line, f *probeFlags) error {
	dialer, err := p.dialer(s, l)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, probeLimit)
	defer cancel()
	seen, err := inspect.Blocks(ctx, dialer, l)
	if err != nil {
		return dialFailed(err)
	}
	var value any = seen
	switch {
	case f.values && f.output.CSV:
		value = seen.Fields
	case !f.values && !f.output.JSON:
		seen.Fields = nil
	}
	err = p.printer(f.output, l.Recipe).Print(value)
	if bad := seen.Amiss(); len(bad) > 0 {
		err = errors.Join(err, &exitError{exitDifferences, fmt.Errorf("not as configured: %s", strings.Join(bad, ", "))})
	}
	return err
}

// dialFailed gives a failed connection its exit code.
func dialFailed(err error) error {
	if link.ClassOf(err) == link.ConfigClass {
		return &exitError{exitDifferences, err}
	}
	return &exitError{exitUnreachable, err}
}
