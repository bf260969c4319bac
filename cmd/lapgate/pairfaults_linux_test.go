package main

import (
	"context"
	"flag"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"lapgate/gateway/engine/enginetest"
	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/gateway/stationtest"
	"lapgate/sim/controller"
	"lapgate/sim/registers"
)

var (
	pairTries = flag.Int("pair-tries", 0, "how often each fault befalls one of two daemons; 0 leaves the test out")
	pairKills = flag.Int("pair-kills", 0, "how often one of two daemons that serve several lines is killed; 0 leaves the test out")
	pairLines = flag.Int("pair-lines", 10, "how many lines they serve")
	pairFault = flag.String("pair-fault", ".", "pattern of the faults to try")
)

// fault is what befalls the machine that acts. heal undoes it; moves says whether the
// other has to take over, lasts how long it stays where the other must not.
type fault struct {
	name  string
	do    func(p *pairOf, acts, stands *pairMachine)
	heal  func(p *pairOf, acts, stands *pairMachine)
	moves bool
	lasts time.Duration
}

// clockStep is how far the clock of the machine that acts is put back, and then on again.
// That of the other goes half as far.
const clockStep = 2 * time.Hour

const (
	faultClock  = "clock stepped"
	faultCommit = "network cut before a commit"
)

// commits reports whether what a daemon sends to a controller is the write of a COMMIT.
func commits(sent []byte) bool {
	const function, address, writeRegisters = 7, 8, 16 // places in a request of Modbus TCP
	return len(sent) > address+1 && sent[function] == writeRegisters &&
		uint16(sent[address])<<8|uint16(sent[address+1]) == controller.DefaultBases().Of(registers.Commit)
}

// cutBeforeCommit cuts the network of a machine when it sends a COMMIT on the first of its
// lines. The COMMIT comes to the controller when the network is back.
func cutBeforeCommit(p *pairOf, m, _ *pairMachine) {
	const first = 1 // cable of a line, behind that of the engine
	select {
	case <-m.cables[first].set(commits):
	case <-p.ctx.Done():
	}
	for _, c := range m.cables {
		c.drop()
	}
}

func faultsOfPair() []fault {
	server := func(f func(*enginetest.Server) error) func(*pairOf, *pairMachine, *pairMachine) {
		return func(p *pairOf, _, _ *pairMachine) {
			if err := f(p.server); err != nil {
				p.t.Error(err)
			}
		}
	}
	acts := func(f func(*pairMachine)) func(*pairOf, *pairMachine, *pairMachine) {
		return func(_ *pairOf, m, _ *pairMachine) { f(m) }
	}
	signal := func(s syscall.Signal) func(*pairOf, *pairMachine, *pairMachine) {
		return acts(func(m *pairMachine) { m.signal(s) })
	}
	network := func(f func(*cable)) func(*pairOf, *pairMachine, *pairMachine) {
		return acts(func(m *pairMachine) {
			for _, c := range m.cables {
				f(c)
			}
		})
	}
	const longerThanLease = 5 * time.Second
	return []fault{
		{"killed", acts((*pairMachine).kill), acts((*pairMachine).start), true, 0},
		{"stopped", signal(syscall.SIGSTOP), signal(syscall.SIGCONT), true, 0},
		{"network cut", network((*cable).drop), network((*cable).restore), true, 0},
		{faultCommit, cutBeforeCommit, network((*cable).restore), true, 0},
		{"engine restarted", server((*enginetest.Server).Restart), acts(func(*pairMachine) {}), false, longerThanLease},
		{"engine away", server((*enginetest.Server).Stop), server((*enginetest.Server).Start), false, longerThanLease},
		{faultClock, func(_ *pairOf, acts, stands *pairMachine) { acts.step(-clockStep); stands.step(-clockStep / 2) },
			func(_ *pairOf, acts, stands *pairMachine) { acts.step(0); stands.step(0) }, false, longerThanLease},
	}
}

// try is one fault, and what came of it.
type try struct {
	fault        *fault
	acts, stands *pairMachine
	at           time.Time
	healed       time.Time
	lines        []served
}

// served is how long after a fault a line had a new session, its first offer was taken and
// its first recipe accepted. The offer of a roll that no recipe fits is held, and the
// first recipe is then that of a later roll. The session is 0 where the old one went on.
type served struct{ session, offer, recipe time.Duration }

// servedOf reads from the ledger of a line what came after a fault. Where the line has to
// move, what the old session still came to does not count.
func servedOf(events []stationtest.Event, at time.Time, moves bool) (s served, recipes int) {
	for _, e := range events {
		after := time.UnixMicro(e.At).Sub(at)
		switch {
		case after < 0:
		case e.What == stationtest.Adopted && s.session == 0:
			s.session = after
		case e.What != stationtest.Judged || e.Verdict == handshake.Rejected || s.session == 0 && moves:
		default:
			if s.offer == 0 {
				s.offer = after
			}
			if e.Verdict != handshake.Accepted {
				continue
			}
			if recipes++; recipes == 1 {
				s.recipe = after
			}
		}
	}
	return s, recipes
}

// befall has a fault befall the machine that acts, and waits until each line goes on after
// it.
func (p *pairOf) befall(f *fault) (out try) {
	p.t.Helper()
	out = try{fault: f, lines: make([]served, len(p.lines))}
	p.await("before "+f.name+": one acts and the other stands by", func() (ok bool) {
		out.acts, out.stands, ok = p.whole()
		return ok
	})
	<-time.After(time.Duration(p.rng.Int64N(int64(time.Second)))) // the fault comes anywhere in a beat and in a roll
	for _, l := range p.lines {
		p.look(l)
		l.newest = nil
	}
	out.at = time.Now()
	f.do(p, out.acts, out.stands)
	if f.name == faultCommit { // it waited for one
		out.at = time.Now()
	}
	<-time.After(f.lasts)
	const recipes = 2
	p.await("after "+f.name+": each line goes on", func() bool {
		for i, l := range p.lines {
			p.look(l)
			var n int
			if out.lines[i], n = servedOf(l.newest, out.at, f.moves); n < recipes {
				return false
			}
		}
		return true
	})
	acts := out.acts
	if f.moves {
		acts = out.stands
	}
	if !p.actedOn(acts) {
		p.t.Errorf("after %s: machine %s does not act on all lines", f.name, acts.name)
	}
	out.healed = time.Now()
	f.heal(p, out.acts, out.stands)
	return out
}

// slow is from when on what happened in a takeover is told step by step.
const slow = 5 * time.Second

// tellSlow tells what happened after a fault where a line waited long for its first offer.
func (p *pairOf) tellSlow(one *try, line int) {
	s := &one.lines[line]
	if s.offer < slow {
		return
	}
	var steps []string
	for _, m := range []*pairMachine{one.acts, one.stands} {
		m.records(p.lines[line].name, func(r record.Stored) {
			if after := r.At.Sub(one.at); after > -time.Second && after < s.recipe+time.Second {
				steps = append(steps, fmt.Sprintf("%6.2f s %s %s of roll %d", after.Seconds(), m.name, r.Record.Kind(), r.Record.RollNo()))
			}
		})
	}
	p.t.Logf("%s, %s: session after %.2f s, first offer after %.2f s, first recipe after %.2f s\n%s", one.fault.name, p.lines[line].name,
		s.session.Seconds(), s.offer.Seconds(), s.recipe.Seconds(), strings.Join(steps, "\n"))
}

// waits are how long lines waited after faults.
type waits struct {
	sessions, offers, recipes []time.Duration
	held                      int // lines whose first offer was held
}

func (w *waits) add(s *served) {
	if s.session > 0 {
		w.sessions = append(w.sessions, s.session)
	}
	if w.offers, w.recipes = append(w.offers, s.offer), append(w.recipes, s.recipe); s.offer < s.recipe {
		w.held++
	}
}

// String is what is told of them.
func (w *waits) String() string {
	return fmt.Sprintf("fault to session %s; to first offer %s; to first accepted recipe %s, where %d of %d waited for the next roll since theirs was held",
		medianAndMost(w.sessions), medianAndMost(w.offers), medianAndMost(w.recipes), w.held, len(w.recipes))
}

// tell tells of the tries of one fault.
func (p *pairOf) tell(name string, tries []try) {
	p.t.Helper()
	var w waits
	for i := range tries {
		for line := range tries[i].lines {
			p.tellSlow(&tries[i], line)
			w.add(&tries[i].lines[line])
		}
	}
	p.t.Logf("%s, %d tries, %d lines: %s", name, len(tries), len(p.lines), &w)
}

// needless is how often lines moved more than they had to, each as often as said.
func (p *pairOf) needless(moves int) (n int) {
	p.t.Helper()
	if n = p.leases() - p.taken - moves*len(p.lines); n != 0 {
		p.t.Errorf("lines moved %d times needlessly, where each had to move %d times", n, moves)
	}
	return n
}

// TestPairFaults has each fault befall the one of two real daemons that acts, on a real
// engine, in the middle of a shift. The old one wakes up or comes back each time.
func TestPairFaults(t *testing.T) {
	if *pairTries == 0 {
		t.Skip("give -pair-tries")
	}
	t.Parallel()
	pattern, err := regexp.Compile(*pairFault)
	if err != nil {
		t.Fatal(err)
	}
	faults := slices.DeleteFunc(faultsOfPair(), func(f fault) bool { return !pattern.MatchString(f.name) })
	n := *pairTries * len(faults)
	if n == 0 {
		t.Fatalf("no fault has a name like %q", *pairFault)
	}
	program := binary(t)
	if slices.ContainsFunc(faults, func(f fault) bool { return f.name == faultClock }) {
		program = steppedBinary(t)
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Duration(n)*40*time.Second+5*time.Minute)
	defer cancel()
	p := newPairOf(ctx, t, &pairWish{program: program, lines: 1, rolls: 60*n + 200, speed: 200, seed: 1})
	tries, moved := map[string][]try{}, 0
	for range *pairTries {
		for i := range faults {
			f := &faults[i]
			tries[f.name] = append(tries[f.name], p.befall(f))
			if f.moves {
				moved++
			}
		}
	}
	needless := p.needless(moved)
	account := p.judge(p.end())
	for i := range faults {
		all := tries[faults[i].name]
		p.tell(faults[i].name, all)
		for k := range all {
			if faults[i].name == faultClock {
				all[k].acts.stepped(t, p.lines[0].name, all[k].at.Add(-clockStep), all[k].healed.Add(-clockStep))
			}
		}
	}
	if late := len(tries[faultCommit]); account.stale < late {
		t.Errorf("the controller ignored %d commits, and %d came when the session was over", account.stale, late)
	}
	t.Logf("%d faults, %d takeovers; %d needless moves; %s", n, moved, needless, &account)
}

// killsOfShift is how many kills one shift lasts, so that its journals stay small.
const killsOfShift = 200

// TestPairKills kills the one of two real daemons that acts on several lines, again and
// again.
func TestPairKills(t *testing.T) {
	if *pairKills == 0 {
		t.Skip("give -pair-kills")
	}
	t.Parallel()
	var took time.Duration
	var all waits
	total, needless := pairAccount{gaps: map[string]int{}}, 0
	for begun := 0; begun < *pairKills; begun += killsOfShift {
		n := min(killsOfShift, *pairKills-begun)
		t.Run(fmt.Sprintf("from %d on", begun+1), func(t *testing.T) {
			ctx, cancel := context.WithTimeout(t.Context(), time.Duration(n)*40*time.Second+5*time.Minute)
			defer cancel()
			p := newPairOf(ctx, t, &pairWish{program: binary(t), lines: *pairLines, rolls: 60*n + 200, speed: 100, seed: uint64(begun + 1)})
			kill := &faultsOfPair()[0]
			began := time.Now()
			var tries []try
			for range n {
				tries = append(tries, p.befall(kill))
			}
			took += time.Since(began)
			needless += p.needless(n)
			account := p.judge(p.end())
			total.add(&account)
			p.tell(kill.name, tries)
			for i := range tries {
				for line := range tries[i].lines {
					all.add(&tries[i].lines[line])
				}
			}
		})
	}
	t.Logf("%d kills, %d lines, %d takeovers in %s; %s; %d needless moves; %s", *pairKills, *pairLines, len(all.recipes), took.Round(time.Second), &all, needless, &total)
}
