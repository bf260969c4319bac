package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway/config"
	"lapgate/gateway/handshake"
	"lapgate/gateway/inspect"
	"lapgate/gateway/link"
)

// probeTimeout is how long a device may take for one answer.
const probeTimeout = 3 * time.Second

// probeLimit bounds a whole look at a device.
const probeLimit = 60 * time.Second

func (p *program) probeCommand() *cobra.Command {
	var source sourceFlags
	var line string
	var values, asJSON bool
	cmd := &cobra.Command{
		Use:   "probe",
		Short: "Look into a controller: raw registers, nodes, or the configured blocks",
		Long: `Probe looks into a controller and only reads: it writes to no register and no
node, and what it asks for is bounded.

With --config it connects to the controller of a configured line as run would,
reads every block and tells what stands there. Its two commands look at a device
that nobody has configured yet.

Exit code 4 when the controller cannot be reached; 5 when it answers, but not as
asked: a configured block is missing, or its own request block does not decode.`,
		Example: `  lapgate probe --config mill.yaml --line north --values
  lapgate probe modbus 192.0.2.10:502 --unit 1 --address 1000 --count 20
  lapgate probe opcua opc.tcp://192.0.2.10:4840 --browse`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			src, err := p.source(&source)
			if err != nil {
				return err
			}
			if src.Path == "" {
				return usageError("nothing to look at; give --config FILE or set %s, or use one of probe modbus, probe opcua", configVariable)
			}
			snapshot, err := p.loadSource(src)
			if err != nil {
				return err
			}
			l, err := lineNamed(snapshot, line)
			if err != nil {
				return err
			}
			return p.probeLine(cmd.Context(), snapshot, l, blockDetail{values: values, asJSON: asJSON})
		},
	}
	source.add(cmd)
	addLine(cmd, &line, firstLine)
	cmd.Flags().BoolVar(&values, "values", false, "print every field of every block that decodes")
	addJSON(cmd, &asJSON)
	cmd.AddCommand(p.probeModbusCommand(), p.probeOPCUACommand())
	return cmd
}

// blockDetail is how blocks are printed.
type blockDetail struct{ values, asJSON bool }

func (p *program) probeLine(ctx context.Context, s *config.Snapshot, l *config.Line, d blockDetail) error {
	log, err := newLog(p.stderr, s.Log)
	if err != nil {
		return err
	}
	dialer, err := p.dialers(log)(l)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, probeLimit)
	defer cancel()
	began := time.Now()
	port, err := dialer.Dial(ctx)
	connected := time.Since(began)
	if err != nil {
		return dialFailed(err)
	}
	defer func() { _ = port.Close() }() // only read from
	blocks := inspect.Blocks(ctx, port, l)
	if d.asJSON {
		err = p.printJSON(struct {
			Line      string          `json:"line"`
			Protocol  string          `json:"protocol"`
			Address   string          `json:"address"`
			Connected float64         `json:"connected_s"`
			Blocks    []inspect.Block `json:"blocks"`
		}{l.Recipe.Name, string(l.Controller.Protocol), l.Controller.Address, connected.Seconds(), blocks})
	} else {
		fmt.Fprintf(p.stdout, "line %s, %s %s: connected in %s, a read takes %s\n", l.Recipe.Name, l.Controller.Protocol, l.Controller.Address,
			roundTrip(connected), roundTrips(tookOf(blocks)))
		err = p.printBlocks(blocks, d)
	}
	return errors.Join(err, blocksError(blocks))
}

// dialFailed gives a failed connection its exit code.
func dialFailed(err error) error {
	if link.ClassOf(err) == link.ConfigClass {
		return &exitError{exitDifferences, err}
	}
	return &exitError{exitUnreachable, err}
}

func (p *program) printBlocks(blocks []inspect.Block, d blockDetail) error {
	t := tabwriter.NewWriter(p.stdout, 0, 8, 2, ' ', 0)
	for i := range blocks {
		b := &blocks[i]
		text := b.State
		if b.Problem != "" {
			text += ": " + b.Problem
		} else if b.Brief != "" {
			text += ": " + b.Brief
		}
		fmt.Fprintf(t, "%s\t%s\t%s\n", b.Block, b.Where, text)
		if !d.values || b.State != inspect.BlockDecodes {
			continue
		}
		for _, f := range handshake.Fields(b.ID) {
			fmt.Fprintf(t, "  %d\t%s\t%s\n", f.Register, f.Name, b.Fields[f.Name])
		}
	}
	return t.Flush()
}

// blocksError tells what of the controller's own blocks is not as it should
// be. Those of the gateway are empty until a gateway was there.
func blocksError(blocks []inspect.Block) error {
	var bad []string
	for i := range blocks {
		b := &blocks[i]
		if b.State == inspect.BlockUnread || b.State == inspect.BlockBroken || b.ID == handshake.REQ && b.State == inspect.BlockEmpty {
			bad = append(bad, b.Block+" "+b.State)
		}
	}
	if len(bad) == 0 {
		return nil
	}
	return &exitError{exitDifferences, fmt.Errorf("not as configured: %s", strings.Join(bad, ", "))}
}

func tookOf(blocks []inspect.Block) []time.Duration {
	var out []time.Duration
	for i := range blocks {
		out = append(out, time.Duration(blocks[i].Took*float64(time.Second)))
	}
	return out
}

func milliseconds(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 }

func roundTrip(d time.Duration) string { return fmt.Sprintf("%.2f ms", milliseconds(d)) }

// roundTrips is the spread of some round trips.
func roundTrips(all []time.Duration) string {
	if len(all) == 0 {
		return "nothing"
	}
	all = slices.Sorted(slices.Values(all))
	if len(all) == 1 {
		return roundTrip(all[0])
	}
	return fmt.Sprintf("%s (%s to %s, %d times)", roundTrip(all[len(all)/2]), roundTrip(all[0]), roundTrip(all[len(all)-1]), len(all))
}
