package main

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"lapgate/gateway/config"
	"lapgate/gateway/present"
	"lapgate/gateway/rehearse"
	"lapgate/recipe"
	"lapgate/sim"
	"lapgate/sim/mapped"
	"lapgate/sim/modbus"
)

// shadowPatience is how long an operator of a line in shadow waits for a recipe: longer
// than one takes that is armed.
const shadowPatience = 2 * time.Second

// simFlags are the flags that demo and sim share.
type simFlags struct {
	seed   uint64
	speed  float64
	faults []string
	quirks []string
	rolls  int

	process processFlags
}

// defaultRolls is a shift.
const defaultRolls = 40

// simLimit bounds a shift of the simulator alone; it waits for a gateway.
const simLimit = 24 * time.Hour

// addSim adds what every simulation has.
func addSim(cmd *cobra.Command, seed *uint64, speed *float64, quirks *[]string, unnamed float64) {
	fl := cmd.Flags()
	fl.Uint64Var(seed, "seed", 1, "seed of rolls, noise and faults")
	fl.Float64Var(speed, "speed", unnamed, "seconds of the line in one real second; the handshake keeps its own times")
	fl.StringSliceVar(quirks, "quirk", nil, "what the controller does differently the whole shift long, by name; --quirk help lists it")
}

func (f *simFlags) add(cmd *cobra.Command) {
	fl := cmd.Flags()
	addSim(cmd, &f.seed, &f.speed, &f.quirks, sim.DefaultConfig().Speed)
	fl.StringSliceVar(&f.faults, "fault", nil, "faults that occur, by name, or all; --fault help lists them")
	addRolls(cmd, &f.rolls, defaultRolls)
	f.process.add(cmd)
}

// put sets what the flags say of the simulation of a configured line.
func (f *simFlags) put(c *sim.Config, line *recipe.Line) error {
	c.Seed, c.Speed = f.seed, f.speed
	c.Faults.Names, c.Faults.Seed = f.faults, f.seed
	if c.Rolls == nil {
		c.Rolls = c.Shift(f.seed, f.rolls)
	}
	return errors.Join(f.process.put(c, line), c.SetQuirks(f.quirks...))
}

// check tells what is wrong with the flags, and whether only help was wanted.
func (f *simFlags) check(p *program, o outputFlags) (helped bool, err error) {
	known := map[string]bool{"all": true}
	var names []string
	for _, fault := range sim.SimulatedFaults() {
		known[fault.Name] = true
		names = append(names, fault.Name)
	}
	for _, n := range f.faults {
		if n == "help" {
			return true, p.printer(o, nil).Print(sim.SimulatedFaults())
		}
		if !known[n] {
			return false, usageError("--fault: no fault is named %q; want all or any of %s", n, strings.Join(names, ", "))
		}
	}
	if f.process.help() {
		return true, p.printer(o, nil).Print(sim.ProcessFaults())
	}
	if _, err := f.process.wanted(); err != nil {
		return false, err
	}
	if slices.Contains(f.quirks, "help") {
		return true, p.printer(o, nil).Print(sim.Quirks())
	}
	if err := new(sim.Config).SetQuirks(f.quirks...); err != nil {
		return false, usageError("--quirk: %v", err)
	}
	if f.rolls < 1 {
		return false, usageError("--rolls: got %d, want 1 or more", f.rolls)
	}
	if !(f.speed > 0) {
		return false, usageError("--speed: got %g, want a positive number", f.speed)
	}
	return false, nil
}

// simOptions are the flags of `sim`.
type simOptions struct {
	sim    simFlags
	source sourceFlags
	output outputFlags
	opcua  simOPCUAFlags

	shadow bool

	list, line, listen, tlsFolder string // list of rolls, empty for a shift made up
	profile, order, tags, ledger  string
}

func (p *program) simCommand() *cobra.Command {
	var f simOptions
	cmd := &cobra.Command{
		Use:   "sim [ROLLS.csv]",
		Short: "Run the simulator of a line alone, as a Modbus TCP and OPC UA server",
		Long: `Sim runs a simulated line and its controller, prints the address of its Modbus
TCP server and, with --opcua, of its OPC UA server, and ends when every roll of
the shift has left and every outcome is acknowledged. It is made like the
configured line; without a configuration, like the one of the demo. It drives no
machine.

The rolls are made up of the grades, cores, sizes and wrappers of the line, or those
of a CSV file, - for standard input: the list that the command recipe takes, which
may have the columns taper, telescoping and permissive_off besides.

With --shadow its operator sets the machine by hand, by recipes of the simulator's
own, wherever no recipe comes, and nobody need acknowledge what became of a roll:
to try a gateway in shadow, and what the command compare tells of it. A line that
is armed meanwhile is served as usual.

The certificate of its OPC UA server is kept in the folder --state, and its
fingerprint printed, so that it is trusted once.

With --profile mapped its controller offers tags in place of the blocks; --tags
writes them as a table for the command "tags import".

Exit code 1 when the shift did not end, be it that the simulator was stopped, an
invariant of the handshake was broken or a wrap was judged bad.`,
		Example: `  lapgate sim --listen 127.0.0.1:1502
  lapgate sim --profile mapped --tags tags.csv
  lapgate sim --config mill.yaml --shadow --rolls 12
  lapgate sim rolls.csv --json`,
		Args: mayTake("one list of rolls at most"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if helped, err := f.sim.check(p, f.output); helped || err != nil {
				return err
			}
			if len(args) > 0 {
				if cmd.Flags().Changed("rolls") {
					return usageError("--rolls is for a shift that is made up, and %q is a list: leave one of them out", args[0])
				}
				f.list = args[0]
			}
			line, c, err := p.simConfig(&f)
			if err != nil {
				return err
			}
			return p.simLedger(cmd.Context(), c, p.printer(f.output, line.Recipe), f.ledger)
		},
	}
	f.source.add(cmd)
	f.sim.add(cmd)
	f.opcua.add(cmd)
	fl := cmd.Flags()
	addLine(cmd, &f.line, firstLine)
	fl.BoolVar(&f.shadow, "shadow", false, "let the operator wrap by hand where no recipe comes, for a gateway in shadow")
	fl.StringVar(&f.listen, "listen", "127.0.0.1:0", "address of the Modbus TCP server; port 0 picks a free one")
	addFolder(cmd, &f.tlsFolder, "tls", "", "serve Modbus with TLS and client certificates from this folder; where it is empty, those of both sides are made there")
	fl.StringVar(&f.profile, "profile", string(config.ProfileBlocks), "what the controller offers: blocks or mapped")
	fl.StringVar(&f.order, "word-order", mapped.Orders()[0], "with --profile mapped: how 32 bits stand in two registers, one of "+strings.Join(mapped.Orders(), ", "))
	fl.StringVar(&f.tags, "tags", "", "with --profile mapped: write the table of tags to this file")
	fl.StringVar(&f.ledger, "ledger", "", "write each event of the controller's program to this file, one JSON object a line")
	f.output.add(cmd)
	return cmd
}

// simLedger runs the simulator, and writes its ledger where one is wanted.
func (p *program) simLedger(ctx context.Context, c sim.Config, w *present.Printer, path string) (err error) {
	if path == "" {
		return p.sim(ctx, c, w)
	}
	if err := aLedger.may(path); err != nil {
		return err
	}
	file, err := os.Create(path)
	if err != nil {
		return unwritable(path, err)
	}
	defer func() { err = errors.Join(err, file.Close()) }()
	var failed error
	encoder := json.NewEncoder(file)
	c.OnLedger = func(e sim.LedgerEvent) { failed = errors.Join(failed, encoder.Encode(e)) }
	return errors.Join(p.sim(ctx, c, w), failed)
}

// simConfig makes the simulated line that the flags ask for.
func (p *program) simConfig(f *simOptions) (*config.Line, sim.Config, error) {
	fail := func(err error) (*config.Line, sim.Config, error) { return nil, sim.Config{}, err }
	line, err := p.loadLine(&f.source, f.line)
	if err != nil {
		return fail(err)
	}
	c, err := rehearse.Line(line)
	if err != nil {
		return fail(err)
	}
	c.Modbus.Addr, c.Limit = f.listen, simLimit
	if f.shadow {
		c.Shadow, c.Operator.Patience = true, shadowPatience
	}
	if c.OPCUA, err = f.opcua.config(line.Recipe.Name); err != nil {
		return fail(err)
	}
	if f.tlsFolder != "" {
		host, _, err := net.SplitHostPort(f.listen)
		if err != nil {
			return fail(usageError("--listen: %v; want host:port", err))
		}
		if c.Modbus.TLS, err = modbus.SecurityIn(f.tlsFolder, host, f.opcua.renew, time.Now()); err != nil {
			return fail(err)
		}
	}
	if err := f.mapped(&c); err != nil {
		return fail(err)
	}
	if f.list != "" {
		if c.Rolls, err = p.trueRolls(line, f.list); err != nil {
			return fail(err)
		}
	}
	if err := f.sim.put(&c, line.Recipe); err != nil {
		return fail(err)
	}
	return line, c, nil
}

// mapped makes it a controller that offers tags, where the flags say so.
func (f *simOptions) mapped(c *sim.Config) error {
	switch config.Profile(f.profile) {
	case config.ProfileBlocks:
		if f.tags != "" {
			return usageError("--tags: only a controller with tags has a table of them; give --profile mapped too")
		}
		return nil
	case config.ProfileMapped:
	default:
		return usageError("--profile: got %q, want blocks or mapped", f.profile)
	}
	if orders := mapped.Orders(); !slices.Contains(orders, f.order) {
		return usageError("--word-order: got %q, want one of %s", f.order, strings.Join(orders, ", "))
	}
	c.Tags = &mapped.Config{Order: f.order}
	if f.tags == "" {
		return nil
	}
	return os.WriteFile(f.tags, mapped.Table(), 0o644)
}

// trueRolls reads a list of rolls for the simulator.
func (p *program) trueRolls(line *config.Line, path string) ([]sim.Roll, error) {
	in, err := p.openTable(path)
	if err != nil {
		return nil, err
	}
	defer func() { _ = in.Close() }() // only read
	return rehearse.Rolls(in.name, in, line)
}

// fingerprint tells the certificate of a server as the command trust does.
func fingerprint(server string, certificate []byte) string {
	return fmt.Sprintf("%s certificate, SHA-256 fingerprint %x", server, sha256.Sum256(certificate))
}

func (p *program) sim(ctx context.Context, c sim.Config, w *present.Printer) error {
	ctx, stop := p.untilInterrupted(ctx)
	defer stop()
	s, err := sim.New(c)
	if err != nil {
		return err
	}
	where := p.stdout
	if w.Form.JSON || w.Form.CSV {
		where = p.stderr
	}
	protocol := "modbus-tcp"
	if c.Modbus.TLS != nil {
		protocol = "modbus-tls"
	}
	fmt.Fprintf(where, "%s %s\n", protocol, s.ModbusAddr())
	if c.Modbus.TLS != nil {
		fmt.Fprintln(where, fingerprint(protocol, c.Modbus.TLS.Certificate.Certificate[0]))
	}
	if o := s.OPCUA(); o != nil {
		fmt.Fprintf(where, "opcua %s\n", o.URL())
		fmt.Fprintln(where, fingerprint("opcua", o.Certificate()))
	}
	report, err := s.Run(ctx)
	err = errors.Join(err, s.Close(), report.Err())
	switch {
	case w.Form.JSON:
		return errors.Join(w.Print(report), err)
	case w.Form.CSV:
		return errors.Join(w.Print(rehearse.Rows(w.Line, report)), err)
	}
	return errors.Join(w.Print(rehearse.Rows(w.Line, report)), w.Print(rehearse.SummaryOf(report)), err)
}
