package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"

	"lapgate/configs"
	"lapgate/gateway/config"
	"lapgate/gateway/connect"
	"lapgate/gateway/control"
	"lapgate/gateway/engine"
	"lapgate/gateway/rehearse"
	"lapgate/sim"
)

// engineVariable is the variable of the environment that names the engine of a
// demonstration, as of every configuration.
const engineVariable = "LAPGATE_ENGINE_ADDRESS"

// demoPair is a shift of two daemons, each in a process of its own, on one simulated line.
type demoPair struct {
	*demo
	mill     string
	file     string
	machines [2]*demoMachine
}

type demoMachine struct {
	name    string
	dir     string
	args    []string
	process *exec.Cmd
}

// pairSource is the configuration of one machine of the demonstration.
func (d *demo) pairSource(machine, mill string) config.Source {
	level := "error"
	if d.flags.verbose {
		level = "info"
	}
	src := config.Source{Path: demoName, Bytes: configs.Demo(), Set: map[string]string{
		"journal.directory": filepath.Join(d.dir, machine), "status.listen": "none", "log.level": level,
		"engine.mill": mill, "engine.machine": machine, "engine.pair": "true",
	}}
	for _, kv := range d.env {
		if k, _, _ := cutEnv(kv); strings.HasPrefix(k, "LAPGATE_ENGINE_") {
			src.Env = append(src.Env, kv)
		}
	}
	if d.flags.engine != "" {
		src.Set["engine.address"] = d.flags.engine
	}
	return src
}

// checkEngine refuses a demonstration that has no engine, with what to do.
func (d *demo) checkEngine(ctx context.Context) error {
	if d.flags.engine == "" && d.getenv(engineVariable) == "" {
		return usageError("demo --pair: the machines of a pair agree by a PostgreSQL, and none is named; give --engine-address ADDRESS, host:port or the folder of its Unix socket, or set %s. "+
			"Where there is none yet: apt-get install postgresql, make a database and have its owner run lapgate engine migrate", engineVariable)
	}
	settings, err := d.engineSettings("demo")
	if err != nil {
		return err
	}
	c, err := engine.New(settings).Connect(ctx)
	if err != nil {
		return &exitError{exitUnreachable, fmt.Errorf("demo --pair: %w", err)}
	}
	c.Close()
	return nil
}

// engineSettings is how the engine of the demonstration is connected to. Nothing is
// remembered of it.
func (d *demo) engineSettings(mill string) (engine.Settings, error) {
	s, err := d.loadSource(d.pairSource("a", mill))
	if err != nil {
		return engine.Settings{}, err
	}
	settings, err := connect.Engine(s, d.lookup)
	if err != nil {
		return settings, &exitError{exitConfig, err}
	}
	settings.Known = nil
	return settings, nil
}

// clearing is how long what a demonstration left in the engine may take to be removed.
const clearing = 30 * time.Second

// clear removes what the demonstration left in the engine, where its user may and the
// journals are not kept either; else it says what there is and how it is removed.
func (d *demo) clear(mill string) {
	settings, err := d.engineSettings(mill)
	if err == nil && d.flags.journal == "" {
		settings.Timeout = clearing
		err = dropMill(settings, mill)
		if err == nil {
			return
		}
	}
	why := "they are kept, as the journals are"
	switch {
	case errors.Is(err, engine.ErrDenied):
		why = fmt.Sprintf("user %s may not remove them", settings.User)
	case err != nil:
		why = err.Error()
	}
	fmt.Fprintf(d.stderr, "the records of the demonstration are under mill %s in database %s at %s (%s); have the owner of the tables remove them: SELECT lapgate.drop_mill('%s');\n",
		mill, settings.Database, settings.Address, why, mill)
}

func dropMill(settings engine.Settings, mill string) error {
	ctx, cancel := context.WithTimeout(context.Background(), clearing) // also where the demonstration was interrupted
	defer cancel()
	c, err := engine.New(settings).Connect(ctx)
	if err != nil {
		return err
	}
	defer c.Close()
	_, err = c.DropMill(ctx, mill)
	return err
}

// pair is the shift as two daemons will wrap it.
func (d *demo) pair() *demoPair {
	mill := "demo-" + strings.ToLower(rand.Text()[:8])
	p := &demoPair{demo: d, mill: mill, file: filepath.Join(d.dir, demoName)}
	for i, name := range [...]string{"a", "b"} {
		p.machines[i] = p.machine(name, mill)
	}
	return p
}

// journals are those that the two daemons write.
func (p *demoPair) journals() (paths []string) {
	for _, m := range p.machines {
		in := p.snapshot.Journal
		in.Directory = m.dir
		paths = append(paths, in.Path(p.name()))
	}
	return paths
}

// wrap has two daemons wrap the shift, kills the one that acts in the middle of it, and
// examines what both left.
func (p *demoPair) wrap(ctx context.Context) (*rehearse.Result, error) {
	if err := os.WriteFile(p.file, configs.Demo(), 0o600); err != nil {
		return nil, err
	}
	defer p.clear(p.mill) // after both machines have ended
	for _, m := range p.machines {
		if err := m.start(p.program); err != nil {
			return nil, err
		}
		defer m.kill()
	}
	report, err := p.shift(ctx)
	if err != nil {
		return nil, err
	}
	for _, m := range p.machines {
		_ = m.process.Process.Signal(syscall.SIGTERM)
		_ = m.process.Wait() // what it left is examined
	}
	return rehearse.ExaminePair(ctx, [2]string(p.journals()), p.snapshot.Lines[0].Recipe, report)
}

func (p *demoPair) machine(name, mill string) *demoMachine {
	m := &demoMachine{name: name, dir: filepath.Join(p.dir, name), args: []string{"run", "--config", p.file}}
	src := p.pairSource(name, mill)
	for key, value := range p.transport.Settings(p.line, p.dir) {
		src.Set[key] = value
	}
	keys := make([]string, 0, len(src.Set))
	for key := range src.Set {
		keys = append(keys, key)
	}
	slices.Sort(keys)
	for _, key := range keys {
		m.args = append(m.args, "--set", key+"="+src.Set[key])
	}
	return m
}

func (m *demoMachine) start(p *program) error {
	self, err := os.Executable()
	if err != nil {
		return err
	}
	process := exec.Command(self, m.args...)
	process.Env, process.Stderr = p.env, p.stderr
	if err := process.Start(); err != nil {
		return err
	}
	m.process = process
	return nil
}

// kill ends the process at once.
func (m *demoMachine) kill() {
	_ = m.process.Process.Kill()
	_ = m.process.Wait() // says that it was killed
}

// acts reports whether the machine acts on the line.
func (m *demoMachine) acts(ctx context.Context) (l control.PairLine, ok bool) {
	reply, err := m.call(ctx, control.Request{Command: control.Pair})
	if err != nil || len(reply.Pair) == 0 {
		return l, false
	}
	return reply.Pair[0], reply.Pair[0].Acts
}

func (m *demoMachine) call(ctx context.Context, r control.Request) (*control.Reply, error) {
	ctx, cancel := context.WithTimeout(ctx, 20*time.Second)
	defer cancel()
	return control.Call(ctx, filepath.Join(m.dir, "control.sock"), r)
}

// demoPatience is how long the daemons of a demonstration may take for one step.
const demoPatience = 30 * time.Second

// until waits until something is so. Its error is that of a context that ends, else that it
// took too long.
func until(ctx context.Context, what string, so func() bool) error {
	late := time.NewTimer(demoPatience)
	defer late.Stop()
	ticker := time.NewTicker(50 * time.Millisecond)
	defer ticker.Stop()
	for !so() {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-late.C:
			return fmt.Errorf("demo --pair: not within %s: %s", demoPatience, what)
		case <-ticker.C:
		}
	}
	return nil
}

// arm arms both machines by one command.
func (p *demoPair) arm(ctx context.Context) error {
	var newest error
	err := until(ctx, "both machines are armed", func() bool {
		reply, err := p.machines[0].call(ctx, control.Request{Command: control.Arm, By: "demo", Reason: "a shift on the simulator", Pair: true, Keep: true})
		if err == nil && reply.Outcome != control.Done {
			err = errors.New(reply.Error)
		}
		newest = err
		return err == nil
	})
	return errors.Join(err, newest)
}

// shift runs the simulated line, arms both machines and kills the one that acts in the
// middle.
func (p *demoPair) shift(ctx context.Context) (*sim.Report, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var fault error
	done := make(chan struct{})
	go func() {
		defer close(done)
		if fault = p.arm(ctx); fault == nil {
			fault = p.fault(ctx)
		}
		if fault != nil {
			cancel()
		}
	}()
	report, err := p.line.Run(ctx)
	cancel()
	<-done
	if fault != nil && !errors.Is(fault, context.Canceled) {
		return nil, fault
	}
	return report, err
}

// fault kills the machine that acts once half of the rolls have left, waits for the other to
// take over, and starts the first again.
func (p *demoPair) fault(ctx context.Context) error {
	half := int64(len(p.config.Rolls) / 2)
	ticker := time.NewTicker(20 * time.Millisecond)
	defer ticker.Stop()
	for p.gone.Load() < half {
		select {
		case <-ctx.Done():
			return nil
		case <-ticker.C:
		}
	}
	one, other := p.machines[0], p.machines[1]
	if _, ok := other.acts(ctx); ok {
		one, other = other, one
	}
	at := time.Now()
	one.kill()
	p.say("machine %s, which acts on the line, is killed after %d rolls", one.name, p.gone.Load())
	var l control.PairLine
	if err := until(ctx, "the other machine takes over", func() (ok bool) {
		l, ok = other.acts(ctx)
		return ok
	}); err != nil {
		return err
	}
	p.say("machine %s took the line over after %.1f s, by lease %d; machine %s is started again", other.name, time.Since(at).Seconds(), l.Lease, one.name)
	return one.start(p.program)
}

func (p *demoPair) say(format string, args ...any) {
	if p.live() {
		fmt.Fprintf(p.stdout, format+"\n", args...)
	}
}
