package gateway_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"lapgate/configs"
	"lapgate/gateway"
	"lapgate/gateway/config"
	"lapgate/gateway/cycle"
	"lapgate/gateway/handshake"
	"lapgate/gateway/journal"
	"lapgate/gateway/link"
	"lapgate/gateway/link/memory"
	"lapgate/gateway/record"
	"lapgate/gateway/replay/replaytest"
	"lapgate/sim/controller"
)

// snapshot is the demo's configuration.
func snapshot(t *testing.T, dir string, set map[string]string) *config.Snapshot {
	t.Helper()
	src := config.Source{Path: "demo.yaml", Bytes: configs.Demo(), Set: map[string]string{
		"journal.directory": dir,
	}}
	for k, v := range set {
		src.Set[k] = v
	}
	s, err := config.Load(src)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// shop is a gateway's surroundings in one bubble. A bubble ends only when every
// goroutine begun in it has, so each test proves that a stop leaves none.
type shop struct {
	t        *testing.T
	bench    *bench
	snapshot *config.Snapshot
	dialer   *memory.Dialer
	shadow   bool // the line is not armed at its start
	logs     *observer.ObservedLogs

	mu      sync.Mutex
	records []record.Stored
	onRec   func(record.Stored)
}

func newShop(t *testing.T, b *bench, set map[string]string) *shop {
	t.Helper()
	s := &shop{t: t, bench: b, snapshot: snapshot(t, t.TempDir(), set), dialer: &memory.Dialer{Image: b.image}}
	t.Cleanup(s.replay)
	return s
}

// newShadow is a shop whose line begins in shadow.
func newShadow(t *testing.T, b *bench, set map[string]string) *shop {
	t.Helper()
	s := newShop(t, b, set)
	s.shadow = true
	return s
}

func (s *shop) options() gateway.Options {
	core, logs := observer.New(zapcore.DebugLevel)
	s.logs = logs
	arm := &gateway.Act{By: "test", Reason: "a controller of the test"}
	if s.shadow {
		arm = nil
	}
	return gateway.Options{
		Arm:      arm,
		Snapshot: s.snapshot,
		Dialer:   func(*config.Line) (link.Dialer, error) { return s.dialer, nil },
		OpenJournal: func(ctx context.Context, line string) (gateway.Journal, error) {
			return journal.Open(ctx, s.snapshot.Journal.Path(line))
		},
		Log:    zap.New(core),
		Jitter: func() float64 { return 0.5 },
		OnRecord: func(_ string, r record.Stored) {
			s.mu.Lock()
			s.records = append(s.records, r)
			f := s.onRec
			s.mu.Unlock()
			if f != nil {
				f(r)
			}
		},
	}
}

// start runs a gateway and returns what stops it and gives Run's error.
func (s *shop) start(o gateway.Options) (g *gateway.Gateway, stop func() error) {
	s.t.Helper()
	g, err := gateway.New(o)
	if err != nil {
		s.t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- g.Run(context.Background()) }()
	return g, func() error {
		g.Stop()
		return <-ended
	}
}

func (s *shop) count(k record.Kind) int {
	s.mu.Lock()
	defer s.mu.Unlock()
	n := 0
	for _, r := range s.records {
		if r.Record.Kind() == k {
			n++
		}
	}
	return n
}

func (s *shop) logged(text string) int { return s.logs.FilterMessageSnippet(text).Len() }

// fence serves until a newer session of another gateway ends that, and returns what Run
// returned.
func (s *shop) fence(ctx context.Context, o gateway.Options) error {
	s.t.Helper()
	g, err := gateway.New(o)
	if err != nil {
		s.t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- g.Run(ctx) }()
	until(s.t, time.Minute, "a session", func() bool { return g.Lines()[0].Machine.State == cycle.StatePoll })
	m := g.Lines()[0].Machine
	other, err := s.dialer.Dial(ctx)
	if err != nil {
		s.t.Fatal(err)
	}
	hello := handshake.Hello{Session: handshake.Session{Epoch: m.Session.Epoch + 1, Nonce: 7}, Boot: m.Boot}
	words := make([]uint16, handshake.HelloWords)
	if err := errors.Join(hello.Encode(words), other.Write(ctx, handshake.HELLO, words)); err != nil {
		s.t.Fatal(err)
	}
	return <-ended
}

// withSouth is a configuration of one line with a second one like it, south.
func withSouth(s *config.Snapshot) *config.Snapshot {
	two := *s
	second, recipe := s.Lines[0], *s.Lines[0].Recipe
	recipe.Name = "south"
	second.Recipe = &recipe
	two.Lines = append(slices.Clone(s.Lines), second)
	return &two
}

// southEnds lets no journal of south be opened.
func southEnds(o *gateway.Options) {
	open := o.OpenJournal
	o.OpenJournal = func(ctx context.Context, line string) (gateway.Journal, error) {
		if line == "south" {
			return nil, errDisk
		}
		return open(ctx, line)
	}
}

// verify checks the journal and returns its records.
func (s *shop) verify() []record.Stored {
	s.t.Helper()
	path := s.snapshot.Journal.Path(s.snapshot.Lines[0].Recipe.Name)
	report, err := journal.Verify(context.Background(), path)
	if err != nil {
		s.t.Fatal(err)
	}
	for _, p := range report.Problems {
		s.t.Errorf("journal: %s", p)
	}
	r, err := journal.OpenReader(context.Background(), path)
	if err != nil {
		s.t.Fatal(err)
	}
	defer func() {
		if err := r.Close(); err != nil {
			s.t.Error(err)
		}
	}()
	all, err := r.List(context.Background(), journal.Filter{})
	if err != nil {
		s.t.Fatal(err)
	}
	return all
}

// replay decides again on every round that the journal holds, with the
// configuration that the test began with.
func (s *shop) replay() {
	s.t.Helper()
	line := s.snapshot.Lines[0].Recipe
	path := s.snapshot.Journal.Path(line.Name)
	if _, err := os.Stat(path); errors.Is(err, os.ErrNotExist) {
		return // the test did not get as far
	}
	rounds := replaytest.Same(s.t, path, replaytest.Configuration{Hash: s.snapshot.Hash, Line: line})
	s.mu.Lock()
	defer s.mu.Unlock()
	want := 0
	for _, r := range s.records {
		if i, ok := r.Record.(record.Intent); ok && i.ConfigHash == s.snapshot.Hash {
			want++
		}
	}
	if rounds < want {
		s.t.Errorf("%d rounds were decided again, %d offers were made", rounds, want)
	}
}

// until waits in virtual time for a condition.
func until(t *testing.T, most time.Duration, what string, cond func() bool) {
	t.Helper()
	for end := time.Now().Add(most); time.Now().Before(end); {
		if cond() {
			return
		}
		<-time.After(50 * time.Millisecond) // of virtual time
	}
	if !cond() {
		t.Errorf("after %s of virtual time still not: %s", most, what)
	}
}

// fitting is a roll that the demo's stand wraps, and misfit one that it does
// not.
func fitting(i int) controller.Measurement {
	return measurement(fmt.Sprintf("R-%03d", i), 11000+uint32(i*37%3000), 8128+uint32(i%3)*2032)
}

func misfit() controller.Measurement { return measurement("MISFIT", 11000, 11400) }
