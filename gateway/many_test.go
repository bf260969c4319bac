package gateway_test

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"slices"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"lapgate/gateway"
	"lapgate/gateway/config"
	"lapgate/gateway/handshake"
	"lapgate/gateway/journal"
	"lapgate/gateway/link"
	"lapgate/gateway/link/memory"
	"lapgate/gateway/record"
	"lapgate/gateway/status"
)

var manyLines = flag.Int("lines", 12, "lines in one gateway, of which three are bad")

// The bad lines are the first ones.
const (
	hostileLine = iota // answers with words by chance, and cuts, refuses and delays by chance
	muteLine           // takes the connection and never answers
	fullLine           // has a disk that is full half of the time
	badLines
)

// many is a gateway with lines that each have a controller of their own.
type many struct {
	polls []atomic.Int64 // reads of the request block, by line
	rolls []atomic.Int64 // outcomes, by line
}

func lineName(i int) string { return fmt.Sprintf("line-%d", i) }

// serveMany serves lines for a while of virtual time, with or without what the bad ones do.
func serveMany(t *testing.T, n int, bad bool, while time.Duration) *many {
	t.Helper()
	m := &many{polls: make([]atomic.Int64, n), rolls: make([]atomic.Int64, n)}
	synctest.Test(t, func(t *testing.T) {
		s := snapshot(t, t.TempDir(), nil)
		one := s.Lines[0]
		s.Lines = nil
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		dialers := map[string]*memory.Dialer{}
		for i := range n {
			l, recipe := one, *one.Recipe
			recipe.Name = lineName(i)
			l.Recipe = &recipe
			s.Lines = append(s.Lines, l)
			b := newBench(rollsFrom(10 * i)...)
			go b.run(ctx)
			dialers[recipe.Name] = &memory.Dialer{Image: b.image, Before: m.counted(i, bad, b)}
		}
		full := &atomic.Pointer[error]{}
		metrics, err := status.NewMetrics(prometheus.NewRegistry())
		if err != nil {
			t.Fatal(err)
		}
		o := gateway.Options{
			Snapshot: s, Metrics: metrics, Jitter: func() float64 { return 0.5 },
			Arm:    &gateway.Act{By: "test", Reason: "controllers of the test"},
			Dialer: func(l *config.Line) (link.Dialer, error) { return dialers[l.Recipe.Name], nil },
			OpenJournal: func(ctx context.Context, line string) (gateway.Journal, error) {
				j, err := journal.Open(ctx, s.Journal.Path(line))
				if err == nil && line == lineName(fullLine) {
					return fickle{j, full}, nil
				}
				return j, err
			},
			OnRecord: func(line string, r record.Stored) {
				if r.Record.Kind() == record.KindOutcome {
					i := slices.IndexFunc(s.Lines, func(l config.Line) bool { return l.Recipe.Name == line })
					m.rolls[i].Add(1)
				}
			},
		}
		g, err := gateway.New(o)
		if err != nil {
			t.Fatal(err)
		}
		ended := make(chan error, 1)
		go func() { ended <- g.Run(context.Background()) }()
		outOfRoom := journal.ErrFull
		for end := time.Now().Add(while); time.Now().Before(end); <-time.After(10 * time.Second) { // of virtual time
			if bad && full.Load() == nil {
				full.Store(&outOfRoom)
			} else {
				full.Store(nil)
			}
		}
		for i, l := range g.Lines() {
			if i >= badLines && (l.Ended || !l.Armed || !l.Connected) {
				t.Errorf("%s: %+v", l.Name, l)
			}
		}
		g.Stop()
		if err := <-ended; err != nil && !errors.Is(err, journal.ErrFull) {
			t.Error(err)
		}
		cancel()
	})
	return m
}

// counted counts the polls of a line, and plays what a bad one does.
func (m *many) counted(i int, bad bool, b *bench) func(memory.Call) memory.Fault {
	rng := rand.New(rand.NewPCG(1, uint64(i)))
	return func(c memory.Call) memory.Fault {
		if c.Op == "read" && c.Block == handshake.REQ {
			m.polls[i].Add(1)
		}
		switch {
		case bad && i == muteLine:
			return memory.Fault{Kind: memory.BlackHole}
		case bad && i == hostileLine:
			if rng.IntN(4) == 0 {
				b.image.Lock()
				defer b.image.Unlock()
				words := b.image.Words(handshake.REQ, 0)
				for w := range words {
					words[w] = uint16(rng.Uint32())
				}
			}
			if rng.IntN(3) == 0 {
				kinds := []memory.Kind{memory.Cut, memory.Lost, memory.Landed, memory.BlackHole, memory.Refuse}
				return memory.Fault{Kind: kinds[rng.IntN(len(kinds))]}
			}
		}
		return memory.Fault{}
	}
}

// TestBadLinesHarmNone: with a hostile, a mute and a full line beside them, all others poll
// and wrap as they do without.
func TestBadLinesHarmNone(t *testing.T) {
	const while = 2 * time.Minute
	alone, beside := serveMany(t, *manyLines, false, while), serveMany(t, *manyLines, true, while)
	most, polls, rolls := 0.0, int64(0), int64(0)
	for i := badLines; i < *manyLines; i++ {
		a, b := alone.polls[i].Load(), beside.polls[i].Load()
		polls, rolls = polls+b, rolls+beside.rolls[i].Load()
		most = max(most, float64(max(a-b, b-a))/float64(max(a, 1)))
		if a == 0 || float64(max(a-b, b-a)) > 0.01*float64(a) || alone.rolls[i].Load() != beside.rolls[i].Load() || alone.rolls[i].Load() == 0 {
			t.Errorf("%s: %d polls and %d rolls without bad lines, %d and %d with them", lineName(i), a, alone.rolls[i].Load(), b, beside.rolls[i].Load())
		}
	}
	for i := range badLines {
		if a, b := alone.rolls[i].Load(), beside.rolls[i].Load(); a == 0 || b >= a {
			t.Errorf("line %d wraps %d rolls when it is bad and %d when not: it was not bad", i, b, a)
		}
	}
	good := float64(*manyLines - badLines)
	t.Logf("%d lines: %.2f polls a second of each good line, %.0f rolls each; at most %.2f %% more or fewer polls than without bad lines",
		*manyLines, float64(polls)/good/while.Seconds(), float64(rolls)/good, 100*most)
}
