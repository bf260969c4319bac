package main

import (
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
	"lapgate/gateway/stationtest"
	"lapgate/sim"
)

// pairAccount is what controllers and journals of a pair tell together.
type pairAccount struct {
	accepted int // recipes
	twice    int // rolls with more than one
	left     int // rolls whose outcome a machine acknowledged
	known    int // of them, in a journal
	both     int // of them, in both
	gaps     map[string]int
	held     int // outcomes that one machine noted as held by the other
	filled   int // of them, in the journal of the other
	stale    int // commits of an old session that the controllers ignored
	sessions int
	records  int
}

// String is the account in one line.
func (a *pairAccount) String() string {
	var gaps []string
	for _, cause := range slices.Sorted(maps.Keys(a.gaps)) {
		gaps = append(gaps, fmt.Sprintf("%d %q", a.gaps[cause], cause))
	}
	return fmt.Sprintf("%d recipes accepted, %d rolls accepted twice; of %d rolls that left and were acknowledged %d in neither journal, %d in both; "+
		"gaps: %s; of %d outcomes held by the other machine %d in its journal; %d stale commits ignored; %d sessions; %d records",
		a.accepted, a.twice, a.left, a.left-a.known, a.both, strings.Join(gaps, ", "), a.held, a.filled, a.stale, a.sessions, a.records)
}

// add adds the account of another shift.
func (a *pairAccount) add(b *pairAccount) {
	a.accepted += b.accepted
	a.twice += b.twice
	a.left += b.left
	a.known += b.known
	a.both += b.both
	for cause, n := range b.gaps {
		a.gaps[cause] += n
	}
	a.held += b.held
	a.filled += b.filled
	a.stale += b.stale
	a.sessions += b.sessions
	a.records += b.records
}

// readFrom reads a file from an offset to its end.
func readFrom(f *os.File, offset int64) ([]byte, error) {
	if _, err := f.Seek(offset, io.SeekStart); err != nil {
		return nil, err
	}
	return io.ReadAll(f)
}

// records hands out those of a line in the journal of a machine, which must be sound.
func (m *pairMachine) records(line string, take func(record.Stored)) {
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
		take(s)
		return nil
	})
	if err := errors.Join(err, r.Close()); err != nil {
		m.p.t.Fatal(err)
	}
}

// outcomeOf names an outcome in the journals of both machines.
type outcomeOf struct {
	roll uint32
	kind handshake.OutcomeKind
}

// pairJournal is what the journal of one machine tells of the outcomes of a line.
type pairJournal struct {
	outcomes map[uint32]outcomeOf // by index
	held     [][2]uint32          // ranges of indexes that the other machine has
}

func (a *pairAccount) read(m *pairMachine, line string) (j pairJournal) {
	m.p.t.Helper()
	j.outcomes = map[uint32]outcomeOf{}
	m.records(line, func(s record.Stored) {
		a.records++
		switch r := s.Record.(type) {
		case record.Outcome:
			j.outcomes[r.Outcome.Index] = outcomeOf{r.Outcome.RollNo, r.Outcome.Outcome}
			if r.Contradicts != "" {
				m.p.t.Errorf("machine %s, line %s: the controller contradicts the journal of roll %d", m.name, line, r.Outcome.RollNo)
			}
		case record.Gap:
			a.gaps[r.Cause]++
			if r.Cause == record.HeldByOther && r.FromIndex > 0 {
				j.held = append(j.held, [2]uint32{r.FromIndex, r.ToIndex})
			}
		}
	})
	return j
}

// judge holds what the controllers wrote down against the journals of both machines: no
// recipe was accepted twice for a roll, and each roll whose outcome was acknowledged is in
// one of them, also where the other has a gap over it.
func (p *pairOf) judge(reports []sim.Report) (a pairAccount) {
	p.t.Helper()
	a.gaps = map[string]int{}
	for i, l := range p.lines {
		for _, v := range reports[i].Violations {
			p.t.Errorf("line %s: %s", l.name, v)
		}
		a.stale += int(reports[i].Stale)
		a.sessions += reports[i].Sessions
		var journals [2]pairJournal
		for j, m := range p.machines {
			journals[j] = a.read(m, l.name)
		}
		p.judgeLine(&a, l, &journals)
		for j := range journals {
			for _, span := range journals[j].held {
				for index := span[0]; index <= span[1]; index++ {
					a.held++
					if _, ok := journals[1-j].outcomes[index]; ok {
						a.filled++
					} else {
						p.t.Errorf("line %s: machine %s says that the other holds outcome %d, and it does not", l.name, p.machines[j].name, index)
					}
				}
			}
		}
	}
	return a
}

func (p *pairOf) judgeLine(a *pairAccount, l *pairShift, journals *[2]pairJournal) {
	p.t.Helper()
	l.read, l.newest = 0, nil
	p.look(l)
	times, acknowledged := map[[2]uint32]int{}, uint32(0)
	for _, e := range l.newest {
		switch {
		case e.What == stationtest.Judged && e.Verdict == handshake.Accepted:
			a.accepted++
			if times[[2]uint32{e.Boot, e.Roll}]++; times[[2]uint32{e.Boot, e.Roll}] == 2 {
				a.twice++
				p.t.Errorf("line %s: two recipes were accepted for roll %d", l.name, e.Roll)
			}
		case e.What == stationtest.Acknowledged:
			acknowledged = max(acknowledged, e.Index)
		}
	}
	for _, e := range l.newest {
		if e.What != stationtest.Left || e.Index > acknowledged {
			continue
		}
		a.left++
		in := 0
		for j := range journals {
			if o, ok := journals[j].outcomes[e.Index]; ok {
				in++
				if o != (outcomeOf{e.Roll, e.Outcome}) {
					p.t.Errorf("line %s: outcome %d is of roll %d, %s; machine %s has roll %d, %s", l.name, e.Index, e.Roll, e.Outcome, p.machines[j].name, o.roll, o.kind)
				}
			}
		}
		switch in {
		case 0:
			p.t.Errorf("line %s: outcome %d of roll %d is in neither journal", l.name, e.Index, e.Roll)
		case 2:
			a.both++
			fallthrough
		default:
			a.known++
		}
	}
	l.newest = nil
}

func medianAndMost(all []time.Duration) string {
	slices.Sort(all)
	if len(all) == 0 {
		return "none"
	}
	return fmt.Sprintf("median %.2f s, most %.2f s", all[len(all)/2].Seconds(), all[len(all)-1].Seconds())
}

// stepped proves that a machine lived by a clock that was ahead by a step: a record of a
// line was written by it.
func (m *pairMachine) stepped(t *testing.T, line string, from, to time.Time) {
	t.Helper()
	n := 0
	m.records(line, func(s record.Stored) {
		if !s.At.Before(from) && s.At.Before(to) {
			n++
		}
	})
	if n == 0 {
		t.Errorf("machine %s wrote no record between %s and %s: its clock was not stepped", m.name, from, to)
	}
}
