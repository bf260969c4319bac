package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/signal"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"lapgate/sim"
)

// simFlags are the flags that demo and sim share.
type simFlags struct {
	seed   uint64
	speed  float64
	faults []string
	count  int
}

// defaultRolls is a shift.
const defaultRolls = 40

// simLimit bounds a shift of the simulator alone; it waits for a gateway.
const simLimit = 24 * time.Hour

func (f *simFlags) add(cmd *cobra.Command) {
	fl := cmd.Flags()
	fl.Uint64Var(&f.seed, "seed", 1, "seed of rolls, noise and faults")
	fl.Float64Var(&f.speed, "speed", sim.DefaultConfig().Speed, "seconds of the line in one real second; the handshake keeps its own times")
	fl.StringSliceVar(&f.faults, "fault", nil, "faults that strike, by name, or all; --fault help lists them")
	fl.IntVar(&f.count, "rolls", defaultRolls, "number of rolls of the made-up shift")
}

// put sets what the flags say.
func (f *simFlags) put(c *sim.Config) {
	c.Seed, c.Speed = f.seed, f.speed
	c.Faults.Names, c.Faults.Seed = f.faults, f.seed
	if c.Rolls == nil {
		c.Rolls = sim.Shift(f.seed, f.count, c.Stand.Slots, c.Habit.Overhang)
	}
}

// check tells what is wrong with the flags, and whether only help was wanted.
func (f *simFlags) check(p *program) (helped bool, err error) {
	known := map[string]bool{"all": true}
	var names []string
	for _, fault := range sim.Faults() {
		known[fault.Name] = true
		names = append(names, fault.Name)
	}
	for _, n := range f.faults {
		if n == "help" {
			for _, fault := range sim.Faults() {
				fmt.Fprintf(p.stdout, "%-28s %s\n", fault.Name, fault.Text)
			}
			return true, nil
		}
		if !known[n] {
			return false, usageError("--fault: no fault is named %q; want all or any of %s", n, strings.Join(names, ", "))
		}
	}
	if f.count < 1 {
		return false, usageError("--rolls: got %d, want 1 or more", f.count)
	}
	if !(f.speed > 0) {
		return false, usageError("--speed: got %g, want a positive number", f.speed)
	}
	return false, nil
}

func (p *program) simCommand() *cobra.Command {
	var f simFlags
	var source sourceFlags
	var opcua simOPCUAFlags
	var line, listen, tlsFolder string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "sim [ROLLS.csv]",
		Short: "Run the simulator of a line alone, as a Modbus TCP and OPC UA server",
		Long: `Sim runs a simulated line and its controller, prints the address of its Modbus
TCP server and, with --opcua, of its OPC UA server, and ends when every roll of
the shift has left and every outcome is acknowledged. It is made like the
configured line; without a configuration, like the one of the demo. It drives no
machine.

The rolls are made up, or those of a CSV file as they truly are; - is standard
input.

Exit code 1 when the shift did not end, an invariant of the handshake was broken
or a wrap was judged bad.`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if helped, err := f.check(p); helped || err != nil {
				return err
			}
			if len(args) > 0 && cmd.Flags().Changed("rolls") {
				return usageError("--rolls is for a shift that is made up, and %s is a list: leave one of them out", args[0])
			}
			snapshot, err := p.load(&source)
			if err != nil {
				return err
			}
			l, err := lineNamed(snapshot, line)
			if err != nil {
				return err
			}
			c, err := simConfigOf(l)
			if err != nil {
				return err
			}
			c.Modbus.Addr = listen
			if c.OPCUA, err = opcua.config(l.Recipe.Name); err != nil {
				return err
			}
			c.Limit = simLimit
			if tlsFolder != "" {
				host, _, err := net.SplitHostPort(listen)
				if err != nil {
					return usageError("--listen: %v; want host:port", err)
				}
				if c.Modbus.TLS, err = simSecurity(tlsFolder, host, time.Now()); err != nil {
					return err
				}
			}
			if len(args) > 0 {
				if c.Rolls, err = p.openTrueRolls(args[0]); err != nil {
					return err
				}
			}
			f.put(&c)
			return p.sim(cmd.Context(), c, asJSON)
		},
	}
	source.add(cmd)
	f.add(cmd)
	opcua.add(cmd)
	addLine(cmd, &line, firstLine)
	cmd.Flags().StringVar(&listen, "listen", "127.0.0.1:0", "address of the Modbus TCP server; port 0 picks a free one")
	cmd.Flags().StringVar(&tlsFolder, "tls", "", "serve Modbus with TLS and client certificates from this folder; where it is empty, those of both sides are made there")
	addJSON(cmd, &asJSON)
	return cmd
}

// openTrueRolls reads the simulator's own list: it says of a roll what no
// scanner can know.
func (p *program) openTrueRolls(path string) ([]sim.Roll, error) {
	in := p.stdin
	if path != "-" {
		file, err := os.Open(path)
		if err != nil {
			return nil, err
		}
		defer func() { _ = file.Close() }() // only read
		in = file
	}
	rolls, err := sim.ReadRolls(in)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return rolls, nil
}

func (p *program) sim(ctx context.Context, c sim.Config, asJSON bool) error {
	ctx, stop := signal.NotifyContext(ctx, os.Interrupt, syscall.SIGTERM)
	defer stop()
	s, err := sim.New(c)
	if err != nil {
		return err
	}
	where := p.stdout
	if asJSON {
		where = p.stderr
	}
	protocol := "modbus-tcp"
	if c.Modbus.TLS != nil {
		protocol = "modbus-tls"
	}
	fmt.Fprintf(where, "%s %s\n", protocol, s.ModbusAddr())
	if o := s.OPCUA(); o != nil {
		fmt.Fprintf(where, "opcua %s\n", o.URL())
	}
	report, err := s.Run(ctx)
	if ctx.Err() != nil {
		err = nil // stopped on request
	}
	err = errors.Join(err, s.Close(), report.Err())
	if asJSON {
		return errors.Join(p.printJSON(report), err)
	}
	for i := range report.Rolls {
		fmt.Fprintln(p.stdout, simLine(&report.Rolls[i]))
	}
	good, judged := report.Good()
	fmt.Fprintf(p.stdout, "%d rolls, %d wraps judged, %d good; %d sessions, %d accepted, %d held, %d rejected\n",
		len(report.Rolls), judged, good, report.Sessions, report.Accepted, report.Held, report.Rejected)
	return err
}

func simLine(r *sim.RollReport) string {
	s := fmt.Sprintf("%3d  %-16s  %6.1f × %6.1f mm  %s", r.Ordinal, r.Tag, r.Diameter*1000, r.Width*1000, r.Outcome)
	if j := r.Judgement; j != nil {
		if j.Good {
			return s + ", judged good"
		}
		return s + ", judged BAD: " + strings.Join(j.Reasons, "; ")
	}
	return s
}
