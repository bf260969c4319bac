package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"syscall"
	"testing"
	"time"

	"lapgate/gateway/control"
	"lapgate/gateway/engine/enginetest"
	"lapgate/gateway/stationtest"
	"lapgate/sim"
)

// pairOf is two real daemons on one private PostgreSQL, and simulated lines.
type pairOf struct {
	t        *testing.T
	ctx      context.Context
	program  string
	dir      string
	server   *enginetest.Server
	database *enginetest.Database
	config   string
	lines    []*pairShift
	machines [2]*pairMachine
	taken    int // how often leases were taken before the first fault
	rng      *rand.Rand
}

// pairShift is one simulated line, and what its controller wrote down.
type pairShift struct {
	name   string
	sim    *simProcess
	ledger string
	read   int64               // so much of the ledger was read
	newest []stationtest.Event // since the latest fault

	left, acknowledged uint32 // newest outcome
}

type pairMachine struct {
	p      *pairOf
	name   string
	dir    string
	sets   []string
	cables []*cable
	cmd    *exec.Cmd
	log    bytes.Buffer
}

// pairWish is what a pair is made of.
type pairWish struct {
	program string
	lines   int
	rolls   int     // of each line
	speed   float64 // of the lines
	seed    uint64
}

func newPairOf(ctx context.Context, t *testing.T, w *pairWish) *pairOf {
	t.Helper()
	dir, err := os.MkdirTemp("", "lp") // the path of a socket is short
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	p := &pairOf{t: t, ctx: ctx, program: w.program, dir: dir, rng: rand.New(rand.NewPCG(w.seed, 17))}
	p.server = enginetest.Own(t, "fsync=on", "synchronous_commit=on", "full_page_writes=on")
	p.database = p.server.Database(t)
	p.config = filepath.Join(dir, "mill.yaml")
	if err := os.WriteFile(p.config, manyLines(t, w.lines), 0o600); err != nil {
		t.Fatal(err)
	}
	var addresses []string
	for i := range w.lines {
		l := &pairShift{name: mutatedLine(i), ledger: filepath.Join(dir, fmt.Sprintf("ledger%d.json", i))}
		s, address := startSim(ctx, t, binary(t), w.rolls, w.seed+uint64(i), "--ledger", l.ledger, "--speed", strconv.FormatFloat(w.speed, 'g', -1, 64))
		l.sim = s
		p.lines, addresses = append(p.lines, l), append(addresses, address)
	}
	for i, name := range []string{"a", "b"} {
		p.machines[i] = p.newMachine(name, addresses)
		p.machines[i].start()
	}
	p.await("both machines see all lines", func() bool {
		return !slices.ContainsFunc(p.machines[:], func(m *pairMachine) bool { return len(m.pair()) != w.lines })
	})
	for _, l := range p.lines {
		p.armPair(l.name)
	}
	p.gather()
	return p
}

// gather has one machine act on all lines. A lease that nobody held is taken by whichever
// of the two is first.
func (p *pairOf) gather() {
	p.t.Helper()
	a, b := p.machines[0], p.machines[1]
	acting := func() (n int) {
		for _, m := range p.machines {
			for _, l := range m.pair() {
				if l.Acts {
					n++
				}
			}
		}
		return n
	}
	p.await("all lines are acted on", func() bool { return acting() == len(p.lines) })
	if !p.actedOn(a) {
		b.stop()
		b.start()
	}
	p.await("one machine acts on all lines", func() bool { return p.actedOn(a) })
	p.taken = p.leases()
}

// leases is how often all leases were taken, by their numbers.
func (p *pairOf) leases() int {
	p.t.Helper()
	n, err := strconv.Atoi(p.database.SQL(p.t, `SELECT sum(number) FROM lapgate.leases`))
	if err != nil {
		p.t.Fatal(err)
	}
	return n
}

func (p *pairOf) newMachine(name string, addresses []string) *pairMachine {
	m := &pairMachine{p: p, name: name, dir: filepath.Join(p.dir, name)}
	if err := os.MkdirAll(m.dir, 0o700); err != nil {
		p.t.Fatal(err)
	}
	m.step(0)
	const port = ".s.PGSQL.5432"
	m.cables = append(m.cables, newCable(p.t, "unix", filepath.Join(m.dir, port), func() (net.Conn, error) {
		return net.Dial("unix", filepath.Join(p.server.Folder(), port))
	}))
	set := func(key, value string) { m.sets = append(m.sets, "--set", key+"="+value) }
	set("journal.directory", m.dir)
	set("status.listen", "none")
	set("engine.address", m.dir)
	set("engine.database", p.database.Name)
	set("engine.user", enginetest.Machine)
	set("engine.mill", "m")
	set("engine.machine", name)
	set("engine.pair", "true")
	for i, a := range addresses {
		c := newCable(p.t, "tcp", "127.0.0.1:0", func() (net.Conn, error) { return net.Dial("tcp", a) })
		m.cables = append(m.cables, c)
		set(fmt.Sprintf("lines.%d.controller.address", i), c.listener.Addr().String())
	}
	return m
}

func (m *pairMachine) start() {
	m.cmd = exec.CommandContext(m.p.ctx, m.p.program, append([]string{"run", "--config", m.p.config}, m.sets...)...)
	m.cmd.Env, m.cmd.Stderr = append(cleanEnv(), clockFile+"="+m.clock()), &m.log
	if err := m.cmd.Start(); err != nil {
		m.p.t.Fatal(err)
	}
}

func (m *pairMachine) signal(s syscall.Signal) {
	if err := m.cmd.Process.Signal(s); err != nil {
		m.p.t.Errorf("machine %s: %v", m.name, err)
	}
}

// kill ends the process at once.
func (m *pairMachine) kill() {
	m.signal(syscall.SIGKILL)
	_ = m.cmd.Wait() // says that it was killed
}

// stop ends the process as a person does who takes the machine down.
func (m *pairMachine) stop() {
	m.signal(syscall.SIGTERM)
	if err := m.cmd.Wait(); err != nil {
		m.p.t.Errorf("machine %s ended with %v\n%s", m.name, err, tail(m.log.Bytes()))
	}
}

// pair is what the machine tells of the lines that it sees, nothing where it does not
// answer.
func (m *pairMachine) pair() []control.PairLine {
	ctx, cancel := context.WithTimeout(m.p.ctx, 5*time.Second)
	defer cancel()
	r, err := control.Call(ctx, filepath.Join(m.dir, "control.sock"), control.Request{Command: control.Pair})
	if err != nil || r.Outcome != control.Done {
		return nil
	}
	return r.Pair
}

// actedOn reports whether a machine acts on all lines.
func (p *pairOf) actedOn(m *pairMachine) bool {
	all := m.pair()
	return len(all) == len(p.lines) && !slices.ContainsFunc(all, func(l control.PairLine) bool { return !l.Acts })
}

// whole reports whether one machine acts on all lines and the other would take over.
func (p *pairOf) whole() (acts, stands *pairMachine, ok bool) {
	for i, m := range p.machines {
		other := p.machines[1-i]
		if !p.actedOn(m) {
			continue
		}
		all := other.pair()
		ok = len(all) == len(p.lines) && !slices.ContainsFunc(all, func(l control.PairLine) bool {
			return l.Acts || !l.TakesOver || l.Silent != "" || !l.OtherThere
		})
		return m, other, ok
	}
	return nil, nil, false
}

// awaitMost is how long something may take that a try waits for.
const awaitMost = 5 * time.Minute

func (p *pairOf) await(what string, so func() bool) {
	p.t.Helper()
	for end := time.Now().Add(awaitMost); time.Now().Before(end); <-time.After(50 * time.Millisecond) {
		if so() {
			return
		}
		if p.ctx.Err() != nil {
			break
		}
	}
	for _, m := range p.machines {
		p.t.Logf("machine %s: %+v\n%s", m.name, m.pair(), tail(m.log.Bytes()))
	}
	p.t.Fatalf("not within %s: %s", awaitMost, what)
}

// armPair arms a line on both machines, by command on the first.
func (p *pairOf) armPair(line string) {
	var out bytes.Buffer
	p.await("the pair is armed", func() bool {
		out.Reset()
		return run([]string{"arm", "--socket", filepath.Join(p.machines[0].dir, "control.sock"), "--line", line, "--by", "test", "--reason", "a simulated controller", "--pair", "--keep"}, nil, nil, &out, &out) == exitDone
	})
}

// look reads what the controller of a line wrote down since the last look.
func (p *pairOf) look(l *pairShift) {
	p.t.Helper()
	f, err := os.Open(l.ledger)
	if err != nil {
		p.t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	text, err := readFrom(f, l.read)
	if err != nil {
		p.t.Fatal(err)
	}
	text = text[:bytes.LastIndexByte(text, '\n')+1]
	events, err := stationtest.ReadLedger(bytes.NewReader(text))
	if err != nil {
		p.t.Fatal(err)
	}
	l.read += int64(len(text))
	l.newest = append(l.newest, events...)
	for i := range events {
		switch e := &events[i]; e.What {
		case stationtest.Left:
			l.left = max(l.left, e.Index)
		case stationtest.Acknowledged:
			l.acknowledged = max(l.acknowledged, e.Index)
		}
	}
}

// end ends the shifts when all that has left by now is acknowledged, and stops the daemons.
func (p *pairOf) end() (reports []sim.Report) {
	p.t.Helper()
	for _, l := range p.lines {
		p.look(l)
		newest := l.left
		p.await("line "+l.name+": all that left is acknowledged", func() bool {
			p.look(l)
			return l.acknowledged >= newest
		})
		if err := l.sim.cmd.Process.Signal(os.Interrupt); err != nil {
			p.t.Fatal(err)
		}
		<-l.sim.ended
		var r sim.Report
		if err := json.Unmarshal(l.sim.stdout, &r); err != nil {
			p.t.Fatalf("%v\n%s", err, l.sim.stdout)
		}
		reports = append(reports, r)
	}
	for _, m := range p.machines {
		m.stop()
	}
	return reports
}
