package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"lapgate/gateway/control"
	"lapgate/gateway/engine/enginetest"
	"lapgate/gateway/handshake"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
	"lapgate/gateway/rehearse"
	"lapgate/gateway/stationtest"
	"lapgate/sim"
)

var (
	pairTries = flag.Int("pair-tries", 0, "how often each fault befalls one of two daemons; 0 leaves the test out")
	pairKills = flag.Int("pair-kills", 0, "how often one of two daemons that serve several lines is killed; 0 leaves the test out")
	pairLines = flag.Int("pair-lines", 10, "how many lines they serve")
)

// cable is a stretch of network that can be dropped: nothing comes through then, and
// nobody is told.
type cable struct {
	listener net.Listener
	to       func() (net.Conn, error)

	mu      sync.Mutex
	dropped chan struct{} // nil while all comes through
	conns   []net.Conn
	all     sync.WaitGroup
}

func newCable(t *testing.T, network, address string, to func() (net.Conn, error)) *cable {
	t.Helper()
	l, err := net.Listen(network, address)
	if err != nil {
		t.Fatal(err)
	}
	c := &cable{listener: l, to: to}
	c.all.Go(func() {
		for {
			near, err := l.Accept()
			if err != nil {
				return
			}
			c.all.Go(func() { c.join(near) })
		}
	})
	t.Cleanup(c.close)
	return c
}

func (c *cable) close() {
	_ = c.listener.Close()
	c.restore()
	c.mu.Lock()
	for _, conn := range c.conns {
		_ = conn.Close()
	}
	c.mu.Unlock()
	c.all.Wait()
}

func (c *cable) keep(conn net.Conn) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.conns = append(c.conns, conn)
}

func (c *cable) join(near net.Conn) {
	c.keep(near)
	c.wait()
	far, err := c.to()
	if err != nil {
		_ = near.Close()
		return
	}
	c.keep(far)
	var both sync.WaitGroup
	for _, way := range [][2]net.Conn{{near, far}, {far, near}} {
		both.Go(func() {
			buffer := make([]byte, 64<<10)
			for {
				n, err := way[0].Read(buffer)
				c.wait()
				if n > 0 {
					if _, e := way[1].Write(buffer[:n]); e != nil {
						err = e
					}
				}
				if err != nil {
					_ = way[0].Close()
					_ = way[1].Close()
					return
				}
			}
		})
	}
	both.Wait()
}

// wait waits while the cable is dropped.
func (c *cable) wait() {
	c.mu.Lock()
	dropped := c.dropped
	c.mu.Unlock()
	if dropped != nil {
		<-dropped
	}
}

func (c *cable) drop() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.dropped = make(chan struct{})
}

func (c *cable) restore() {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.dropped != nil {
		close(c.dropped)
		c.dropped = nil
	}
}

// pairOf is two real daemons on one private PostgreSQL, and simulated lines.
type pairOf struct {
	t        *testing.T
	ctx      context.Context
	dir      string
	server   *enginetest.Server
	database *enginetest.Database
	config   string
	rolls    int      // of each line
	names    []string // of lines
	sims     []*simProcess
	ledgers  []string
	machines [2]*pairMachine
	rng      *rand.Rand
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

func newPairOf(ctx context.Context, t *testing.T, lines, rolls int, seed uint64) *pairOf {
	t.Helper()
	dir, err := os.MkdirTemp("", "lp") // the path of a socket is short
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	p := &pairOf{t: t, ctx: ctx, dir: dir, rolls: rolls, rng: rand.New(rand.NewPCG(seed, 17))}
	p.server = enginetest.Own(t, "fsync=on", "synchronous_commit=on", "full_page_writes=on")
	p.database = p.server.Database(t)
	p.config = filepath.Join(dir, "mill.yaml")
	if err := os.WriteFile(p.config, manyLines(t, lines), 0o600); err != nil {
		t.Fatal(err)
	}
	var addresses []string
	for i := range lines {
		ledger := filepath.Join(dir, fmt.Sprintf("ledger%d.json", i))
		s, address := startSim(ctx, t, binary(t), rolls, seed+uint64(i), "--ledger", ledger)
		p.sims, p.ledgers, addresses = append(p.sims, s), append(p.ledgers, ledger), append(addresses, address)
		p.names = append(p.names, mutatedLine(i))
	}
	for i, name := range []string{"a", "b"} {
		p.machines[i] = p.newMachine(name, addresses)
		p.machines[i].start()
	}
	p.await(time.Minute, "both machines see all lines", func() bool {
		return !slices.ContainsFunc(p.machines[:], func(m *pairMachine) bool { return len(m.pair()) != lines })
	})
	for _, name := range p.names {
		p.armPair(name)
	}
	p.await(time.Minute, "all lines are acted on", func() bool { return p.actedOn(p.machines[0]) || p.actedOn(p.machines[1]) })
	return p
}

func (p *pairOf) newMachine(name string, addresses []string) *pairMachine {
	m := &pairMachine{p: p, name: name, dir: filepath.Join(p.dir, name)}
	if err := os.MkdirAll(m.dir, 0o700); err != nil {
		p.t.Fatal(err)
	}
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
	m.cmd = exec.CommandContext(m.p.ctx, binary(m.p.t), append([]string{"run", "--config", m.p.config}, m.sets...)...)
	m.cmd.Env, m.cmd.Stderr = cleanEnv(), &m.log
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
	return len(all) == len(p.names) && !slices.ContainsFunc(all, func(l control.PairLine) bool { return !l.Acts })
}

// whole reports whether one machine acts on all lines and the other would take over.
func (p *pairOf) whole() (acts, stands *pairMachine, ok bool) {
	for i, m := range p.machines {
		other := p.machines[1-i]
		if !p.actedOn(m) {
			continue
		}
		all := other.pair()
		ok = len(all) == len(p.names) && !slices.ContainsFunc(all, func(l control.PairLine) bool {
			return l.Acts || !l.TakesOver || l.Silent != "" || !l.OtherThere
		})
		return m, other, ok
	}
	return nil, nil, false
}

func (p *pairOf) await(most time.Duration, what string, so func() bool) {
	p.t.Helper()
	for end := time.Now().Add(most); time.Now().Before(end); <-time.After(20 * time.Millisecond) {
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
	p.t.Fatalf("not within %s: %s", most, what)
}

// armPair arms a line on both machines, by command on the first.
func (p *pairOf) armPair(line string) {
	var out bytes.Buffer
	p.await(time.Minute, "the pair is armed", func() bool {
		out.Reset()
		return run([]string{"arm", "--socket", filepath.Join(p.machines[0].dir, "control.sock"), "--line", line, "--by", "test", "--reason", "a simulated controller", "--pair", "--keep"}, nil, nil, &out, &out) == exitDone
	})
}

// fault is what befalls the machine that acts. heal undoes it; moves says whether the
// other has to take over.
type pairFault struct {
	name  string
	do    func(p *pairOf, m *pairMachine)
	heal  func(p *pairOf, m *pairMachine)
	moves bool
}

func pairFaults() []pairFault {
	server := func(f func(*enginetest.Server) error) func(*pairOf, *pairMachine) {
		return func(p *pairOf, _ *pairMachine) {
			if err := f(p.server); err != nil {
				p.t.Error(err)
			}
		}
	}
	nothing := func(*pairOf, *pairMachine) {}
	return []pairFault{
		{"killed", func(_ *pairOf, m *pairMachine) { m.kill() }, func(_ *pairOf, m *pairMachine) { m.start() }, true},
		{"stopped", func(_ *pairOf, m *pairMachine) { m.signal(syscall.SIGSTOP) }, func(_ *pairOf, m *pairMachine) { m.signal(syscall.SIGCONT) }, true},
		{"network cut", func(_ *pairOf, m *pairMachine) { each(m.cables, (*cable).drop) }, func(_ *pairOf, m *pairMachine) { each(m.cables, (*cable).restore) }, true},
		{"engine restarted", server((*enginetest.Server).Restart), nothing, false},
		{"engine away", server((*enginetest.Server).Stop), server((*enginetest.Server).Start), false},
	}
}

func each(cables []*cable, f func(*cable)) {
	for _, c := range cables {
		f(c)
	}
}

// befall has a fault befall the machine that acts, and returns which took over and when
// the fault was.
func (p *pairOf) befall(f *pairFault) (took *pairMachine, at time.Time) {
	p.t.Helper()
	var acts, stands *pairMachine
	p.await(time.Minute, "before "+f.name+": one acts and the other stands by", func() (ok bool) {
		acts, stands, ok = p.whole()
		return ok
	})
	<-time.After(time.Duration(p.rng.Int64N(int64(1500 * time.Millisecond))))
	at = time.Now()
	f.do(p, acts)
	if f.moves {
		p.await(10*time.Second, "after "+f.name+": the other takes over", func() bool { return p.actedOn(stands) })
	}
	<-time.After(5 * time.Second) // rolls go on meanwhile
	if !f.moves && !p.actedOn(acts) {
		p.t.Errorf("after %s: the line moved, or nobody acts", f.name)
	}
	f.heal(p, acts)
	return stands, at
}

// end waits for the end of the shifts and stops the daemons.
func (p *pairOf) end() (reports []sim.Report) {
	p.t.Helper()
	for i, s := range p.sims {
		p.await(time.Until(p.deadline()), "line "+p.names[i]+": every roll has left", func() bool { return p.left(i) >= p.rolls })
		select {
		case <-s.ended:
		case <-time.After(10 * time.Second): // the newest outcomes wait until the engine has their records
			_ = s.cmd.Process.Signal(os.Interrupt)
			<-s.ended
		}
		var r sim.Report
		if err := json.Unmarshal(s.stdout, &r); err != nil {
			p.t.Fatalf("%v\n%s", err, s.stdout)
		}
		reports = append(reports, r)
	}
	for _, m := range p.machines {
		m.signal(syscall.SIGTERM)
		if err := m.cmd.Wait(); err != nil {
			p.t.Errorf("machine %s ended with %v\n%s", m.name, err, tail(m.log.Bytes()))
		}
	}
	return reports
}

func (p *pairOf) deadline() time.Time {
	end, _ := p.ctx.Deadline()
	return end
}

// ledger is what the controller of a line wrote down.
func (p *pairOf) ledger(line int) []stationtest.Event {
	p.t.Helper()
	text, err := os.ReadFile(p.ledgers[line])
	if err != nil {
		p.t.Fatal(err)
	}
	if whole := bytes.LastIndexByte(text, '\n'); whole >= 0 {
		text = text[:whole+1]
	}
	events, err := stationtest.ReadLedger(bytes.NewReader(text))
	if err != nil {
		p.t.Fatal(err)
	}
	return events
}

// left is how many rolls have left a line.
func (p *pairOf) left(line int) (n int) {
	for _, e := range p.ledger(line) {
		if e.What == stationtest.Left {
			n++
		}
	}
	return n
}

// records are those of a line in the journal of a machine, which must be sound.
func (m *pairMachine) records(line string) (all []record.Stored) {
	m.p.t.Helper()
	path := filepath.Join(m.dir, line+".db")
	verified, err := journal.Verify(m.p.ctx, path)
	if err != nil {
		m.p.t.Fatal(err)
	}
	for _, problem := range verified.Problems {
		m.p.t.Errorf("machine %s: journal: %s", m.name, problem)
	}
	r, err := journal.OpenReader(m.p.ctx, path)
	if err != nil {
		m.p.t.Fatal(err)
	}
	err = r.Replay(m.p.ctx, func(s record.Stored) error {
		all = append(all, s)
		return nil
	})
	if err := errors.Join(err, r.Close()); err != nil {
		m.p.t.Fatal(err)
	}
	return all
}

// judge holds what the controllers saw against the journals of both machines: no recipe
// was accepted twice for a roll, and each roll is in one of them or in a gap.
func (p *pairOf) judge(reports []sim.Report) (accepted int) {
	p.t.Helper()
	for i := range reports {
		for _, v := range reports[i].Violations {
			p.t.Errorf("line %s: %s", p.names[i], v)
		}
		times := map[[2]uint32]int{}
		for _, e := range p.ledger(i) {
			if e.What == stationtest.Judged && e.Verdict == handshake.Accepted {
				accepted++
				if times[[2]uint32{e.Boot, e.Roll}]++; times[[2]uint32{e.Boot, e.Roll}] == 2 {
					p.t.Errorf("line %s: two recipes were accepted for roll %d", p.names[i], e.Roll)
				}
			}
		}
		var missing []string
		for j, m := range p.machines {
			all, err := rehearse.Unaccounted(p.ctx, filepath.Join(m.dir, p.names[i]+".db"), &reports[i])
			if err != nil {
				p.t.Fatal(err)
			}
			if j == 0 {
				missing = all
			} else {
				missing = slices.DeleteFunc(missing, func(one string) bool { return !slices.Contains(all, one) })
			}
		}
		for _, one := range missing {
			p.t.Errorf("line %s: in neither journal: %s", p.names[i], one)
		}
	}
	return accepted
}

// takeover is how long after a fault the one that took over had a session, and its first
// recipe was accepted.
type takeover struct{ session, recipe time.Duration }

func (p *pairOf) takeoverOf(m *pairMachine, at time.Time) (out takeover) {
	p.t.Helper()
	for _, s := range m.records(p.names[0]) {
		if s.At.Before(at) {
			continue
		}
		switch r := s.Record.(type) {
		case record.Session:
			if out.session == 0 {
				out.session = s.At.Sub(at)
			}
		case record.Verdict:
			if out.session > 0 && out.recipe == 0 && r.Verdict == handshake.Accepted {
				out.recipe = s.At.Sub(at)
			}
		}
	}
	if out.session == 0 || out.recipe == 0 {
		p.t.Errorf("machine %s had no session or no accepted recipe after it took over", m.name)
	}
	return out
}

func medianAndMost(all []time.Duration) string {
	slices.Sort(all)
	if len(all) == 0 {
		return "none"
	}
	return fmt.Sprintf("median %.2f s, most %.2f s", all[len(all)/2].Seconds(), all[len(all)-1].Seconds())
}

// TestPairFaults has each fault befall the one of two real daemons that acts, on a real
// engine, in the middle of a shift. The old one wakes up or comes back each time.
func TestPairFaults(t *testing.T) {
	if *pairTries == 0 {
		t.Skip("give -pair-tries")
	}
	faults := pairFaults()
	ctx, cancel := context.WithTimeout(t.Context(), time.Duration(*pairTries*len(faults))*40*time.Second+3*time.Minute)
	defer cancel()
	p := newPairOf(ctx, t, 1, 12**pairTries*len(faults)+20, 1)
	type try struct {
		fault *pairFault
		took  *pairMachine
		at    time.Time
	}
	var tries []try
	moved := 1
	for range *pairTries {
		for i := range faults {
			took, at := p.befall(&faults[i])
			if faults[i].moves {
				moved++
				tries = append(tries, try{&faults[i], took, at})
			}
		}
	}
	number := p.database.SQL(t, `SELECT number FROM lapgate.leases`)
	if number != fmt.Sprint(moved) {
		t.Errorf("the lease has number %s: it moved needlessly, want %d", number, moved)
	}
	reports := p.end()
	accepted := p.judge(reports)
	for i := range faults {
		var sessions, recipes []time.Duration
		for _, one := range tries {
			if one.fault == &faults[i] {
				took := p.takeoverOf(one.took, one.at)
				sessions, recipes = append(sessions, took.session), append(recipes, took.recipe)
			}
		}
		t.Logf("%s, %d tries: session %s; first accepted recipe %s", faults[i].name, *pairTries, medianAndMost(sessions), medianAndMost(recipes))
	}
	t.Logf("%d takeovers, lease number %s, %d rolls, %d accepted, %d sessions", moved-1, strings.TrimSpace(number), len(reports[0].Rolls), accepted, reports[0].Sessions)
}

// TestPairKills kills the one of two real daemons that acts on several lines, again and
// again.
func TestPairKills(t *testing.T) {
	if *pairKills == 0 {
		t.Skip("give -pair-kills")
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Duration(*pairKills)*40*time.Second+5*time.Minute)
	defer cancel()
	p := newPairOf(ctx, t, *pairLines, 15**pairKills+60, 1)
	kill := &pairFaults()[0]
	var all []time.Duration
	for range *pairKills {
		_, at := p.befall(kill)
		all = append(all, time.Since(at))
	}
	reports := p.end()
	accepted := p.judge(reports)
	if n := p.database.SQL(t, fmt.Sprintf(`SELECT count(*) FROM lapgate.leases WHERE number = %d`, *pairKills+1)); n != fmt.Sprint(*pairLines) {
		t.Errorf("%s of %d leases moved as often as the daemons were killed", n, *pairLines)
	}
	t.Logf("%d kills, %d lines, %d takeovers, %d recipes accepted", len(all), *pairLines, len(all)**pairLines, accepted)
}
