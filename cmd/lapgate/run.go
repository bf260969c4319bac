package main

import (
	"context"
	"crypto/rand"
	"errors"
	"os"
	"runtime"
	"runtime/debug"
	"sync"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/spf13/cobra"
	"go.uber.org/zap"

	"lapgate/gateway"
	"lapgate/gateway/config"
	"lapgate/gateway/connect"
	"lapgate/gateway/control"
	"lapgate/gateway/engine"
	"lapgate/gateway/handshake"
	"lapgate/gateway/lease"
	"lapgate/gateway/logging"
	"lapgate/gateway/publish"
	"lapgate/gateway/ship"
	"lapgate/gateway/status"
)

func (p *program) runCommand() *cobra.Command {
	var f sourceFlags
	cmd := &cobra.Command{
		Use:   "run",
		Short: "Run the daemon",
		Long: `Run serves every line of the configuration until it gets SIGTERM or SIGINT.
SIGHUP reads the configuration again and puts it in force from the next roll on,
or refuses it whole; so does the command reload. A controller that is off is tried until it answers.

A line is in shadow, and only records what it would have offered, until somebody
arms it by name with the command arm.`,
		Args: takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if runtime.GOOS == "windows" {
				return errors.New("run: the daemon is not for Windows, where it is not known who gives a command nor whether a record is durable; run it on Linux. All that needs no daemon works here")
			}
			src, err := p.namedSource(&f, nil)
			if err != nil {
				return err
			}
			return p.daemon(cmd.Context(), src)
		},
	}
	f.add(cmd)
	return cmd
}

// daemon serves until it is asked to end. What fails because it was asked is no error.
func (p *program) daemon(ctx context.Context, src config.Source) error {
	ctx, stop := p.untilInterrupted(ctx)
	defer stop()
	err := p.serve(ctx, src)
	if ctx.Err() != nil && errors.Is(err, context.Canceled) {
		return nil
	}
	return err
}

func (p *program) serve(ctx context.Context, src config.Source) (err error) {
	snapshot, err := p.loadSource(src)
	if err == nil {
		err = ctx.Err() // asked to end before anything was opened
	}
	if err != nil {
		return err
	}
	log, level, err := logging.New(p.stderr, snapshot.Log)
	if err != nil {
		return err
	}
	defer func() { _ = log.Sync() }() // standard error may not be a file that can be synchronised

	registry, metrics, err := newMetrics()
	if err != nil {
		return err
	}
	broker, err := p.broker(&snapshot.Publish.MQTT)
	if err != nil {
		return err
	}
	shipping, pair, err := p.engineFor(snapshot)
	if err != nil {
		return err
	}
	g, err := gateway.New(gateway.Options{
		Snapshot: snapshot, Broker: broker, Ship: shipping, Pair: pair, Dialer: p.dialers(log), OpenJournal: gateway.OpenJournals(snapshot), Log: log, LogLevel: &level, Metrics: metrics,
		Certificates: connect.CertificateEnds, Version: version(),
	})
	if err != nil {
		return err
	}
	shown := status.Source{Version: thisBuild().Version, Lines: g.Lines, Newest: g.Newest, Config: g.Config, Metrics: registry, Words: g.Words, Zone: p.zone()}
	o := &gateway.Operator{Gateway: g, Source: src, Status: shown.ViewFor}
	if socket := snapshot.Socket(); socket != "" {
		channel, err := control.Listen(ctx, socket, o.Handle)
		if err != nil {
			return err
		}
		defer func() { err = errors.Join(err, channel.Close()) }()
		log.Info("commands are taken", zap.String("socket", channel.Path()), zap.String("group", channel.Group()))
	}
	if !snapshot.Status.Off() {
		server, err := p.statusServer(ctx, &snapshot.Status, shown)
		if err != nil {
			return err
		}
		defer func() { err = errors.Join(err, server.Close()) }()
		log.Info("status page", zap.String("address", server.URL()))
	}
	beside, end := context.WithCancel(ctx)
	var wait sync.WaitGroup
	manager := serviceManager{log}
	wait.Go(func() { manager.attend(beside, g.Started(), g.Lines) })
	wait.Go(func() { thrift(beside, g.Started()) })
	wait.Go(func() { manager.reloadOnHangup(beside, o) })
	defer wait.Wait()
	defer end()
	log.Info("lapgate runs", zap.String("version", thisBuild().Version), zap.String("config", snapshot.File),
		zap.Stringer("hash", handshake.ConfigHash(snapshot.Hash)), zap.Int("lines", len(snapshot.Lines)))
	err = g.Run(ctx)
	if errors.Is(err, gateway.ErrFenced) {
		return &exitError{exitFenced, err}
	}
	return err
}

// thrift gives back what a start took, once the lines have started, and lets less garbage
// stand from there on: a daemon makes little of it, most of its memory is what its lines
// know, and of hundreds of lines what may stand by default would be a third of all. Until
// then that stays, for to collect garbage more often is what takes a start longest.
func thrift(ctx context.Context, started <-chan struct{}) {
	select {
	case <-started:
	case <-ctx.Done():
		return
	}
	if os.Getenv("GOGC") == "" {
		const percent = 25 // of what is in use
		debug.SetGCPercent(percent)
	}
	debug.FreeOSMemory()
}

// newMetrics makes the metrics of the gateway and of the process.
func newMetrics() (*prometheus.Registry, *status.Metrics, error) {
	registry := prometheus.NewRegistry()
	metrics, err := status.NewMetrics(registry)
	if err != nil {
		return nil, nil, err
	}
	for _, c := range []prometheus.Collector{collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{})} {
		if err := registry.Register(c); err != nil {
			return nil, nil, err
		}
	}
	return registry, metrics, nil
}

// statusServer starts to serve the status page.
func (p *program) statusServer(ctx context.Context, s *config.Status, shown status.Source) (*status.Server, error) {
	access, err := s.Access(p.lookup)
	if err != nil {
		return nil, &exitError{exitConfig, err}
	}
	return status.Listen(ctx, s.Listen, access, shown)
}

// engineFor is how the journals go to the engine, nil where none is configured, and what
// makes the daemon one of two machines, nil where it is alone.
func (p *program) engineFor(s *config.Snapshot) (*gateway.ShippingOptions, *gateway.PairOptions, error) {
	c := &s.Engine
	if c.Off() {
		return nil, nil, nil
	}
	settings, err := connect.Engine(s, p.lookup)
	if err != nil {
		return nil, nil, &exitError{exitConfig, err}
	}
	e := engine.New(settings)
	shipping := &gateway.ShippingOptions{Machine: settings.Machine, Connect: connecting(e, func(c *engine.Conn) ship.Conn { return c })}
	if !c.Pair {
		return shipping, nil, nil
	}
	return shipping, &gateway.PairOptions{
		Machine: c.Machine, Instance: lease.Instance(c.Machine, rand.Text()), TTL: c.Lease, Renew: c.Renew, Look: c.Look, Limit: c.Timeout,
		Connect: connecting(e, func(c *engine.Conn) lease.Store { return c }),
	}, nil
}

// connecting connects to the engine for a room that asks some things of a connection.
func connecting[T any](e *engine.Engine, as func(*engine.Conn) T) func(context.Context) (T, error) {
	return func(ctx context.Context) (none T, err error) {
		c, err := e.Connect(ctx)
		if err != nil {
			return none, err
		}
		return as(c), nil
	}
}

// broker is where the events of the lines are sent onward, nil for nowhere.
func (p *program) broker(m *config.MQTT) (*publish.Broker, error) {
	if m.Off() {
		return nil, nil
	}
	login, err := m.Login(p.lookup)
	if err != nil {
		return nil, &exitError{exitConfig, err}
	}
	address, _ := m.Address()
	return &publish.Broker{Address: address, TLS: login.TLS, Client: m.Client, User: m.User, Password: login.Password,
		Topic: m.Topic, AnyReceiver: !m.NeedsReceiver}, nil
}
