package main

import (
	"context"
	"flag"
	"fmt"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"lapgate/gateway/engine/enginetest"
	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/gateway/stationtest"
)

var (
	pairTries = flag.Int("pair-tries", 0, "how often each fault befalls one of two daemons; 0 leaves the test out")
	pairKills = flag.Int("pair-kills", 0, "how often one of two daemons that serve several lines is killed; 0 leaves the test out")
	pairLines = flag.Int("pair-lines", 10, "how many lines they serve")
	pairFault = flag.String("pair-fault", "", "the one fault to try; all without")
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

// clockStep is how far a clock is stepped.
const clockStep = time.Hour

const (
	faultKilled = "killed"
	faultClock  = "clock stepped"
)

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
		{faultKilled, acts((*pairMachine).kill), acts((*pairMachine).start), true, 0},
		{"stopped", signal(syscall.SIGSTOP), signal(syscall.SIGCONT), true, 0},
		{"network cut", network((*cable).drop), network((*cable).restore), true, 0},
		{"engine restarted", server((*enginetest.Server).Restart), acts(func(*pairMachine) {}), false, longerThanLease},
		{"engine away", server((*enginetest.Server).Stop), server((*enginetest.Server).Start), false, longerThanLease},
		{faultClock, func(_ *pairOf, acts, stands *pairMachine) { acts.step(clockStep); stands.step(-clockStep) },
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

// served is how long after a fault a line had a new session and its first recipe was
// accepted; the session is 0 where the old one went on.
type served struct{ session, recipe time.Duration }

// servedOf reads from the ledger of a line what came after a fault. Where the line has to
// move, what the old session still came to does not count.
func servedOf(events []stationtest.Event, at time.Time, moves bool) (s served, recipes int) {
	for _, e := range events {
		after := time.UnixMicro(e.At).Sub(at)
		switch {
		case after < 0:
		case e.What == stationtest.Adopted && s.session == 0:
			s.session = after
		case e.What == stationtest.Judged && e.Verdict == handshake.Accepted && (s.session > 0 || !moves):
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
	if f.moves {
		p.await("after "+f.name+": the other takes over", func() bool { return p.actedOn(out.stands) })
	} else {
		<-time.After(time.Until(out.at.Add(f.lasts)))
	}
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
	if !f.moves && !p.actedOn(out.acts) {
		p.t.Errorf("after %s: the line moved, or nobody acts", f.name)
	}
	out.healed = time.Now()
	f.heal(p, out.acts, out.stands)
	return out
}

// slow is from when on what happened in a takeover is told step by step.
const slow = 5 * time.Second

// tellSlow tells what happened in a takeover that took long.
func (p *pairOf) tellSlow(one *try, line int) {
	if one.lines[line].recipe < slow {
		return
	}
	var steps []string
	for _, m := range []*pairMachine{one.acts, one.stands} {
		m.records(p.lines[line].name, func(s record.Stored) {
			if after := s.At.Sub(one.at); after > -time.Second && after < one.lines[line].recipe+time.Second {
				steps = append(steps, fmt.Sprintf("%6.2f s %s %s of roll %d", after.Seconds(), m.name, s.Record.Kind(), s.Record.RollNo()))
			}
		})
	}
	p.t.Logf("%s, %s: session after %.2f s, first recipe after %.2f s\n%s", one.fault.name, p.lines[line].name,
		one.lines[line].session.Seconds(), one.lines[line].recipe.Seconds(), strings.Join(steps, "\n"))
}

// tell tells of the tries of one fault.
func (p *pairOf) tell(name string, tries []try) {
	p.t.Helper()
	var sessions, recipes []time.Duration
	for i := range tries {
		for line, s := range tries[i].lines {
			p.tellSlow(&tries[i], line)
			if recipes = append(recipes, s.recipe); s.session > 0 {
				sessions = append(sessions, s.session)
			}
		}
	}
	p.t.Logf("%s, %d tries, %d lines: fault to session %s; to first accepted recipe %s", name, len(tries), len(p.lines), medianAndMost(sessions), medianAndMost(recipes))
}

// moves holds the numbers of the leases against how often the lines had to move.
func (p *pairOf) moves(want int) {
	p.t.Helper()
	for _, number := range strings.Fields(p.database.SQL(p.t, `SELECT number FROM lapgate.leases ORDER BY line`)) {
		if number != fmt.Sprint(want) {
			p.t.Errorf("a lease has number %s: the line moved needlessly, want %d", number, want)
		}
	}
}

// TestPairFaults has each fault befall the one of two real daemons that acts, on a real
// engine, in the middle of a shift. The old one wakes up or comes back each time.
func TestPairFaults(t *testing.T) {
	if *pairTries == 0 {
		t.Skip("give -pair-tries")
	}
	t.Parallel()
	faults := faultsOfPair()
	if *pairFault != "" {
		faults = slices.DeleteFunc(faults, func(f fault) bool { return f.name != *pairFault })
	}
	n := *pairTries * len(faults)
	if n == 0 {
		t.Fatalf("no fault is named %q", *pairFault)
	}
	program := binary(t)
	if slices.ContainsFunc(faults, func(f fault) bool { return f.name == faultClock }) {
		program = steppedBinary(t)
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Duration(n)*40*time.Second+5*time.Minute)
	defer cancel()
	p := newPairOf(ctx, t, &pairWish{program: program, lines: 1, rolls: 60*n + 200, speed: 200, seed: 1})
	tries, moved := map[string][]try{}, 1
	for range *pairTries {
		for i := range faults {
			f := &faults[i]
			tries[f.name] = append(tries[f.name], p.befall(f))
			if f.moves {
				moved++
			}
		}
	}
	p.moves(moved)
	account := p.judge(p.end())
	for i := range faults {
		all := tries[faults[i].name]
		p.tell(faults[i].name, all)
		for k := range all {
			if faults[i].name == faultClock {
				all[k].acts.stepped(t, p.lines[0].name, all[k].at.Add(clockStep), all[k].healed.Add(clockStep))
			}
		}
	}
	t.Logf("%d faults, %d takeovers, 0 needless moves unless told above; %s", n, moved-1, &account)
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
	for begun := 0; begun < *pairKills; begun += killsOfShift {
		n := min(killsOfShift, *pairKills-begun)
		t.Run(fmt.Sprintf("from kill %d on", begun+1), func(t *testing.T) {
			ctx, cancel := context.WithTimeout(t.Context(), time.Duration(n)*40*time.Second+5*time.Minute)
			defer cancel()
			p := newPairOf(ctx, t, &pairWish{program: binary(t), lines: *pairLines, rolls: 60*n + 200, speed: 100, seed: uint64(begun + 1)})
			kill := &faultsOfPair()[0]
			began := time.Now()
			var tries []try
			for range n {
				tries = append(tries, p.befall(kill))
			}
			took := time.Since(began)
			p.moves(n + 1)
			account := p.judge(p.end())
			p.tell(kill.name, tries)
			t.Logf("%d kills, %d lines, %d takeovers in %s; %s", n, *pairLines, n**pairLines, took.Round(time.Second), &account)
		})
	}
}
