package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"
	"sync/atomic"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/spf13/cobra"
	"go.uber.org/zap"

	"lapgate/configs"
	"lapgate/gateway"
	"lapgate/gateway/config"
	"lapgate/gateway/link"
	"lapgate/gateway/logging"
	"lapgate/gateway/present"
	"lapgate/gateway/rehearse"
	"lapgate/gateway/status"
	"lapgate/sim"
)

// demoFlags are the flags of `demo`.
type demoFlags struct {
	sim       simFlags
	output    outputFlags
	journal   string
	transport string
	svg       string
	pair      bool
	engine    string
	verbose   bool
}

func (p *program) demoCommand() *cobra.Command {
	var f demoFlags
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Wrap a made-up shift on the simulator, over real sockets",
		Long: `Demo runs the simulator and the daemon in one process, joined on the loopback
interface by Modbus TCP, plain or with TLS, by encrypted OPC UA, or by Modbus TCP
to a controller that offers tags in place of the blocks. It wraps a made-up
shift, prints what became of each roll, and ends. No configuration is needed and
no machine is driven.

With --process something of the process is truly otherwise than the daemon
believes; it prints what was done and what of it the journal shows. With --svg it
draws how often each kind of bad wrap came about against the chance that was
stated for it.

With --pair two daemons, each a process of its own, serve the line and agree by the
PostgreSQL that --engine-address or LAPGATE_ENGINE_ADDRESS names, with the tables that lapgate
engine migrate makes. The one that acts is killed in the middle of the shift. What the
daemons record is in that database under a mill named demo- and a random word. It is
removed at the end where the user owns the tables and --journal keeps nothing, else it is
said how to.

Exit code 0 when every roll is accounted for, no invariant of the handshake was
broken, every wrap was judged good by the simulator and the journal verifies.`,
		Example: `  lapgate demo
  lapgate demo --fault link-cut,controller-restart --seed 7
  lapgate demo --rolls 10 --journal ./demo-journal
  lapgate demo --transport opcua
  lapgate demo --pair --engine-address /run/postgresql --rolls 20
  lapgate demo --process cold-platen,wrong-wrapper=0.5
  lapgate demo --spread --rolls 400 --speed 2000 --svg curve.svg`,
		Args: takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if helped, err := f.sim.check(p, f.output); helped || err != nil {
				return err
			}
			if !slices.Contains(rehearse.Transports(), rehearse.Transport(f.transport)) {
				return usageError("--transport: got %q, want one of %v", f.transport, rehearse.Transports())
			}
			if f.engine != "" && !f.pair {
				return usageError("--engine-address: it is for --pair alone; give both or neither")
			}
			if f.pair && rehearse.Transport(f.transport) != rehearse.Modbus {
				return usageError("--pair: got --transport %s, want %s: the two daemons are processes of their own", f.transport, rehearse.Modbus)
			}
			return p.demo(cmd.Context(), &f)
		},
	}
	f.sim.add(cmd)
	fl := cmd.Flags()
	addFolder(cmd, &f.journal, "journal", "", "keep the journal in this directory (default a temporary one that is removed)")
	fl.StringVar(&f.transport, "transport", string(rehearse.Modbus), fmt.Sprintf("link between daemon and simulator, one of %v", rehearse.Transports()))
	addPair(cmd, &f.pair)
	fl.StringVar(&f.engine, "engine-address", "", "with --pair: the PostgreSQL by which they agree, host:port or the folder of its Unix socket (default $"+engineVariable+")")
	fl.BoolVarP(&f.verbose, "verbose", "v", false, "write the daemon's log to standard error")
	addSVG(cmd, &f.svg)
	f.output.add(cmd)
	return cmd
}

func (p *program) demo(ctx context.Context, f *demoFlags) (err error) {
	if err := aDrawing.may(f.svg); err != nil {
		return err
	}
	ctx, stop := p.untilInterrupted(ctx)
	defer stop()
	dir := f.journal
	if dir == "" {
		if dir, err = os.MkdirTemp("", "lapgate-demo-"); err != nil {
			return err
		}
		defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	} else if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	d, err := p.newDemo(f, dir)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, d.line.Close()) }()
	wrap, journals := d.wrap, []string{d.snapshot.Journal.Path(d.name())}
	if f.pair {
		pair := d.pair()
		wrap, journals = pair.wrap, pair.journals()
	}
	for _, path := range journals {
		if _, err := os.Stat(path); err == nil {
			return fmt.Errorf("journal %s is there already; the demo begins with a fresh controller, name another directory", path)
		}
	}
	if f.pair {
		if err := d.checkEngine(ctx); err != nil {
			return err
		}
	}
	if d.live() {
		fmt.Fprintf(p.stdout, "simulated line %s at %s, %d rolls, seed %d, journal %s\n",
			d.name(), d.transport.Address(d.line), len(d.config.Rolls), f.sim.seed, strings.Join(journals, " and "))
	}
	result, err := wrap(ctx)
	if err != nil {
		return err
	}
	if err := d.write(result); err != nil {
		return err
	}
	if f.svg != "" {
		title := fmt.Sprintf("Stated chance of a bad wrap against the share judged bad: demo, %d rolls, seed %d", len(result.Shift.Rolls), f.sim.seed)
		if err := aDrawing.write(f.svg, result.Drawing(title)); err != nil {
			return err
		}
	}
	if len(result.Problems) > 0 {
		return &exitError{code: exitFailed, err: errors.New("the demo found " + plural(len(result.Problems), "problem"))}
	}
	return nil
}

// demo is one shift of the daemon on the simulator.
type demo struct {
	*program
	printer   *present.Printer
	flags     *demoFlags
	dir       string
	transport rehearse.Transport
	config    sim.Config
	line      *sim.Sim
	snapshot  *config.Snapshot
	watch     rehearse.Watch
	gone      atomic.Int64 // rolls that have left
}

// newDemo opens the simulated line, and reads the configuration that joins the
// daemon to it.
func (p *program) newDemo(f *demoFlags, dir string) (*demo, error) {
	d := &demo{program: p, flags: f, dir: dir, transport: rehearse.Transport(f.transport)}
	before, err := d.load(nil)
	if err != nil {
		return nil, err
	}
	line := &before.Lines[0]
	d.printer = p.printer(f.output, line.Recipe)
	if d.config, err = rehearse.Line(line); err != nil {
		return nil, err
	}
	if err := f.sim.put(&d.config, line.Recipe); err != nil {
		return nil, err
	}
	if err := d.transport.Serve(&d.config, line.Recipe.Name, dir); err != nil {
		return nil, err
	}
	d.config.OnRoll = d.left
	if d.line, err = sim.New(d.config); err != nil {
		return nil, err
	}
	if d.snapshot, err = d.load(d.transport.Settings(d.line, dir)); err != nil {
		return nil, errors.Join(err, d.line.Close())
	}
	return d, nil
}

// load reads the embedded configuration with what joins it to the line.
func (d *demo) load(overrides map[string]string) (*config.Snapshot, error) {
	set := map[string]string{"journal.directory": d.dir}
	maps.Copy(set, overrides)
	text := configs.Demo()
	if overrides != nil {
		text = append(text, d.transport.Section()...)
	}
	return d.loadSource(config.Source{Path: demoName, Bytes: text, Set: set})
}

// name is that of the line.
func (d *demo) name() string { return d.snapshot.Lines[0].Recipe.Name }

// live reports whether rolls are told of as they leave.
func (d *demo) live() bool { return d.flags.output.isText() }

// wrap runs simulator and daemon until the shift ends, and examines what they
// left.
func (d *demo) wrap(ctx context.Context) (*rehearse.Result, error) {
	log := zap.NewNop()
	if d.flags.verbose {
		var err error
		if log, _, err = logging.New(d.stderr, d.snapshot.Log); err != nil {
			return nil, err
		}
	}
	metrics, err := status.NewMetrics(prometheus.NewRegistry())
	if err != nil {
		return nil, err
	}
	g, err := gateway.New(gateway.Options{
		Snapshot: d.snapshot, Dialer: d.dialers(log), OpenJournal: gateway.OpenJournals(d.snapshot),
		Arm: &gateway.Act{By: "demo", Reason: "a shift on the simulator in the same program"},
		Log: log, Metrics: metrics, Version: version(), OnRecord: d.watch.Recorded,
	})
	if err != nil {
		return nil, err
	}
	report, gatewayErr, lineErr := rehearse.Wrap(ctx, g, d.line)
	_ = log.Sync() // standard error may not be a file that can be synchronised
	result, err := rehearse.Examine(ctx, d.snapshot.Journal.Path(d.name()), d.snapshot.Lines[0].Recipe, report)
	if err != nil {
		return nil, errors.Join(err, gatewayErr, lineErr)
	}
	for _, e := range []error{gatewayErr, lineErr} {
		if e != nil {
			result.Problems = append(result.Problems, e.Error())
		}
	}
	return result, nil
}

// dialers are those of the daemon, but for a transport that needs its own.
func (d *demo) dialers(log *zap.Logger) func(*config.Line) (link.Dialer, error) {
	own := d.transport.OwnDialer(d.line, d.config.OPCUA.Users, d.dir)
	if own == nil {
		return d.program.dialers(log)
	}
	return func(l *config.Line) (link.Dialer, error) { return own(l, warnTo(log, l)) }
}

// left tells of a roll that left the station.
func (d *demo) left(r sim.RollReport) {
	d.gone.Add(1)
	if d.live() {
		fmt.Fprintln(d.stdout, d.watch.Told(d.printer.Line, &r))
	}
}

// write prints what was found.
func (d *demo) write(r *rehearse.Result) error {
	if d.printer.Form.JSON {
		return d.printer.Print(r)
	}
	var value any = rehearse.Rows(d.printer.Line, r.Shift)
	if d.live() {
		fmt.Fprintln(d.stdout)
		value = r.Summary()
	}
	if err := d.printer.Print(value); err != nil {
		return err
	}
	if d.live() && d.flags.svg != "" {
		if err := d.printer.Print(r.Stated); err != nil {
			return err
		}
	}
	for _, problem := range r.Problems {
		fmt.Fprintf(d.stderr, "problem: %s\n", problem)
	}
	return nil
}
