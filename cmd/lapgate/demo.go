package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"os/signal"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/spf13/cobra"
	"go.uber.org/zap"

	"lapgate/configs"
	"lapgate/gateway"
	"lapgate/gateway/config"
	"lapgate/gateway/handshake"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
	"lapgate/gateway/status"
	"lapgate/recipe"
	"lapgate/sim"
)

// demoFlags are the flags of `demo`.
type demoFlags struct {
	sim       simFlags
	journal   string
	transport string
	verbose   bool
	asJSON    bool
}

func (p *program) demoCommand() *cobra.Command {
	var f demoFlags
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Wrap a made-up shift on the simulator, over real sockets",
		Long: `Demo runs the simulator and the daemon in one process, joined on the loopback
interface by Modbus TCP, plain or with TLS, or by encrypted OPC UA. It wraps a
made-up shift, prints what became of each roll, and ends. No configuration is
needed and no machine is driven.

Exit code 0 when every roll is accounted for, no invariant of the handshake was
broken, every wrap was judged good by the simulator and the journal verifies.`,
		Example: `  lapgate demo
  lapgate demo --fault link-cut,controller-restart --seed 7
  lapgate demo --rolls 10 --journal ./demo-journal
  lapgate demo --transport opcua`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if helped, err := f.sim.check(p); helped || err != nil {
				return err
			}
			if !slices.Contains(demoTransports(), demoTransport(f.transport)) {
				return usageError("--transport: got %q, want one of %v", f.transport, demoTransports())
			}
			return p.demo(cmd.Context(), &f)
		},
	}
	f.sim.add(cmd)
	fl := cmd.Flags()
	fl.StringVar(&f.journal, "journal", "", "keep the journal in this directory (default a temporary one that is removed)")
	fl.StringVar(&f.transport, "transport", string(demoModbus), fmt.Sprintf("link between daemon and simulator, one of %v", demoTransports()))
	fl.BoolVarP(&f.verbose, "verbose", "v", false, "write the daemon's log to standard error")
	addJSON(cmd, &f.asJSON)
	return cmd
}

func (p *program) demo(ctx context.Context, f *demoFlags) (err error) {
	ctx, stop := signal.NotifyContext(ctx, os.Interrupt, syscall.SIGTERM)
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

	line, err := p.demoLine(dir, nil)
	if err != nil {
		return err
	}
	simConfig, err := simConfigOf(&line.Lines[0])
	if err != nil {
		return err
	}
	f.sim.put(&simConfig)
	transport := demoTransport(f.transport)
	if err := transport.serve(&simConfig, line.Lines[0].Recipe.Name, dir); err != nil {
		return err
	}
	watch := &demoWatch{program: p, quiet: f.asJSON, intents: map[string]record.Intent{}, holds: map[string][]string{}}
	simConfig.OnRoll = watch.left
	line1, err := sim.New(simConfig)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, line1.Close()) }()

	snapshot, err := p.demoLine(dir, transport.settings(line1, dir))
	if err != nil {
		return err
	}
	path := snapshot.Journal.Path(snapshot.Lines[0].Recipe.Name)
	if _, err := os.Stat(path); err == nil {
		return fmt.Errorf("journal %s is there already; the demo begins with a fresh controller, name another directory", path)
	}
	if !f.asJSON {
		fmt.Fprintf(p.stdout, "simulated line %s at %s, %d rolls, seed %d, journal %s\n",
			snapshot.Lines[0].Recipe.Name, transport.address(line1), len(simConfig.Rolls), f.sim.seed, path)
	}
	report, gatewayErr, simErr := p.demoShift(ctx, f, snapshot, line1, watch, transport.dialing(p, line1, simConfig.OPCUA.Users, dir))
	result, err := demoResultOf(ctx, path, report)
	if err != nil {
		return err
	}
	for _, e := range []error{gatewayErr, simErr} {
		if e != nil {
			result.Problems = append(result.Problems, e.Error())
		}
	}
	if f.asJSON {
		err = p.printJSON(result)
	} else {
		err = result.write(p)
	}
	if err == nil && len(result.Problems) > 0 {
		err = &exitError{code: exitFailed, err: fmt.Errorf("the demo found %d problems", len(result.Problems))}
	}
	return err
}

// demoLine is the embedded configuration, armed, with further overrides.
func (p *program) demoLine(dir string, overrides map[string]string) (*config.Snapshot, error) {
	set := map[string]string{"lines.0.armed": "true", "journal.directory": dir}
	maps.Copy(set, overrides)
	return p.loadSource(config.Source{Path: demoName, Bytes: configs.Demo(), Set: set})
}

// demoShift runs simulator and daemon until the shift ends.
func (p *program) demoShift(ctx context.Context, f *demoFlags, snapshot *config.Snapshot, line *sim.Sim, watch *demoWatch, dial dialing) (report *sim.Report, gatewayErr, simErr error) {
	log := zap.NewNop()
	if f.verbose {
		var err error
		if log, err = newLog(p.stderr, snapshot.Log); err != nil {
			return &sim.Report{}, err, nil
		}
	}
	metrics, err := status.NewMetrics(prometheus.NewRegistry())
	if err != nil {
		return &sim.Report{}, err, nil
	}
	g, err := gateway.New(gateway.Options{
		Snapshot: snapshot, Dialer: dial(log), OpenJournal: journalOpener(snapshot, log),
		Log: log, Metrics: metrics, OnRecord: watch.recorded,
	})
	if err != nil {
		return &sim.Report{}, err, nil
	}
	ended := make(chan error, 1)
	shift, endShift := context.WithCancel(ctx)
	defer endShift()
	go func() {
		err := g.Run(context.WithoutCancel(ctx))
		endShift() // without a daemon the shift cannot end
		ended <- err
	}()
	report, simErr = line.Run(shift)
	g.Stop()
	gatewayErr = <-ended
	_ = log.Sync() // standard error may not be a file that can be synchronised
	return report, gatewayErr, simErr
}

// demoWatch joins what the daemon recorded with what the simulator judged.
type demoWatch struct {
	program *program
	quiet   bool

	mu      sync.Mutex
	intents map[string]record.Intent // newest, by tag
	holds   map[string][]string      // codes of the holds before it, by tag
}

func (w *demoWatch) recorded(_ string, s record.Stored) {
	if r, ok := s.Record.(record.Intent); ok {
		w.mu.Lock()
		if before, offered := w.intents[r.Tag]; offered && before.Form == handshake.KindHold {
			w.holds[r.Tag] = append(w.holds[r.Tag], holdCode(&before))
		}
		w.intents[r.Tag] = r
		w.mu.Unlock()
	}
}

// left prints the line of a roll that left the station.
func (w *demoWatch) left(r sim.RollReport) {
	if w.quiet {
		return
	}
	w.mu.Lock()
	intent, offered := w.intents[r.Tag]
	holds := w.holds[r.Tag]
	w.mu.Unlock()
	const inch = 0.0254
	text := fmt.Sprintf("%3d  %-13s %4.1f × %4.1f in  %-13s", r.Ordinal, r.Tag, r.Diameter/inch, r.Width/inch, r.Outcome)
	if offered {
		text += offerText(&intent, r.Width)
	}
	if len(holds) > 0 {
		text += "  held before: " + strings.Join(holds, ", ")
	}
	for _, reason := range r.Rejections {
		text += fmt.Sprintf("  rejected for reason %d", reason)
	}
	if j := r.Judgement; j != nil {
		if j.Good {
			text += "  judged good"
		} else {
			text += "  judged BAD: " + strings.Join(j.Reasons, "; ")
		}
	}
	fmt.Fprintln(w.program.stdout, strings.TrimRight(text, " "))
}

// holdCode is the code of what a roll was held for.
func holdCode(i *record.Intent) string {
	for _, f := range i.Findings {
		if f.Severity == recipe.Hold {
			return string(f.Code)
		}
	}
	return fmt.Sprintf("reason %d", i.HoldReason)
}

// offerText says what was offered for a roll of the true width.
func offerText(i *record.Intent, width float64) string {
	if i.Form == handshake.KindHold {
		text := "held, " + holdCode(i)
		for _, f := range i.Findings {
			if f.Severity == recipe.Hold {
				return text + ": " + f.Text
			}
		}
		return text
	}
	var pay handshake.Payload
	if err := handshake.DecodePayload(i.Payload, &pay); err != nil {
		return err.Error()
	}
	const tenth = 1e-4 // m in a unit of the wire
	overhang := (float64(pay.WrapperWidth)*tenth - width) / 2
	return fmt.Sprintf("slot %d  overhang %5.1f mm  feed %6.3f m  dwell %4.1f s", pay.Slot, overhang*1e3, float64(pay.FeedLength)*tenth, float64(pay.Dwell)/100)
}

// demoResult is what the demo found.
type demoResult struct {
	Journal  string          `json:"journal"`
	Shift    *sim.Report     `json:"shift"`
	Verified *journal.Report `json:"verified"`
	Missing  []string        `json:"missing"`
	Problems []string        `json:"problems"`
}

// demoResultOf holds the simulator's report against the journal.
func demoResultOf(ctx context.Context, path string, report *sim.Report) (*demoResult, error) {
	ctx = context.WithoutCancel(ctx)
	r := &demoResult{Journal: path, Shift: report, Missing: []string{}, Problems: []string{}}
	var err error
	if r.Verified, err = journal.Verify(ctx, path); err != nil {
		return nil, err
	}
	for _, problem := range r.Verified.Problems {
		r.Problems = append(r.Problems, "journal: "+problem.String())
	}
	if r.Missing, err = unaccounted(ctx, path, report); err != nil {
		return nil, err
	}
	r.Problems = append(r.Problems, r.Missing...)
	if err := report.Err(); err != nil {
		r.Problems = append(r.Problems, strings.Split(err.Error(), "\n")...)
	}
	if len(report.Rolls) != report.Planned {
		r.Problems = append(r.Problems, fmt.Sprintf("%d rolls left the line, want the %d of the shift", len(report.Rolls), report.Planned))
	}
	return r, nil
}

func (r *demoResult) write(p *program) error {
	var b strings.Builder
	s := r.Shift
	good, judged := s.Good()
	fmt.Fprintf(&b, "\n%d of %d rolls left the line in %s\n", len(s.Rolls), s.Planned, s.Took.Round(100*time.Millisecond))
	fmt.Fprintf(&b, "offers: %d accepted, %d held, %d rejected, %d stale commits; %d sessions\n", s.Accepted, s.Held, s.Rejected, s.Stale, s.Sessions)
	fmt.Fprintf(&b, "wraps judged by the simulator: %d good of %d\n", good, judged)
	for _, f := range s.Faults {
		fmt.Fprintf(&b, "fault %s struck %d times\n", f.Fault, f.Struck)
	}
	fmt.Fprintf(&b, "journal: %d records, head %s\n", r.Verified.Records, r.Verified.Head)
	if len(r.Problems) == 0 {
		b.WriteString("every roll is accounted for, no invariant was broken, the journal verifies\n")
	}
	if _, err := p.stdout.Write([]byte(b.String())); err != nil {
		return err
	}
	for _, problem := range r.Problems {
		fmt.Fprintf(p.stderr, "problem: %s\n", problem)
	}
	return nil
}
