package gateway_test

import (
	"context"
	"errors"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway"
	"lapgate/gateway/config"
	"lapgate/gateway/journal"
	"lapgate/gateway/link"
)

// manyStart is a gateway of many lines without controllers, whose journals are opened as
// open says.
func manyStart(t *testing.T, n int, open func(ctx context.Context, line string) error) *gateway.Gateway {
	t.Helper()
	s := snapshot(t, t.TempDir(), nil)
	one := s.Lines[0]
	s.Lines = nil
	for i := range n {
		l, recipe := one, *one.Recipe
		recipe.Name = lineName(i)
		l.Recipe = &recipe
		s.Lines = append(s.Lines, l)
	}
	g, err := gateway.New(gateway.Options{
		Snapshot: s, Jitter: func() float64 { return 0.5 },
		Dialer: func(*config.Line) (link.Dialer, error) { return &noController{}, nil },
		OpenJournal: func(ctx context.Context, line string) (gateway.Journal, error) {
			if err := open(ctx, line); err != nil {
				return nil, err
			}
			return journal.Open(ctx, s.Journal.Path(line))
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	return g
}

// noController is never reached.
type noController struct{}

// Dial fails.
func (*noController) Dial(context.Context) (link.Port, error) { return nil, errors.New("nobody there") }

func hasStarted(g *gateway.Gateway) bool {
	select {
	case <-g.Started():
		return true
	default:
		return false
	}
}

// Lines begin a few at a time. The gateway has started when each is served or has ended,
// and not before.
func TestStart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const lines = 40
		var opening, most, opened atomic.Int32
		last := make(chan struct{})
		g := manyStart(t, lines, func(_ context.Context, line string) error {
			now := opening.Add(1)
			defer opening.Add(-1)
			for m := most.Load(); now > m && !most.CompareAndSwap(m, now); m = most.Load() {
			}
			if line == lineName(3) {
				<-last
			}
			<-time.After(100 * time.Millisecond) // of virtual time
			opened.Add(1)
			if line == lineName(7) {
				return errDisk
			}
			return nil
		})
		ended := make(chan error, 1)
		go func() { ended <- g.Run(context.Background()) }()
		<-time.After(5 * time.Second) // of virtual time
		if n := opened.Load(); n != lines-1 || most.Load() > 16 || hasStarted(g) {
			t.Errorf("%d of %d journals are open, at most %d at once, started is %t", n, lines, most.Load(), hasStarted(g))
		}
		close(last)
		<-time.After(time.Second) // of virtual time
		if !hasStarted(g) {
			t.Error("all lines are served or have ended, and it has not started")
		}
		for i, l := range g.Lines() {
			if l.Begun == (i == 7) || l.Ended != (i == 7) {
				t.Errorf("%s: begun is %t, ended %t (%s)", l.Name, l.Begun, l.Ended, l.Error)
			}
		}
		g.Stop()
		if err := <-ended; !errors.Is(err, errDisk) {
			t.Errorf("ended with %v, want the error of the line that ended", err)
		}
	})
}

// Lines that hang while they are opened, as on a disk that does not answer, keep no other
// from being served, however many they are; a stop waits for none of the others.
func TestStartBesideLinesThatHang(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const lines, hanging = 40, 20
		hang := map[string]bool{}
		for i := range hanging {
			hang[lineName(i)] = true
		}
		g := manyStart(t, lines, func(ctx context.Context, line string) error {
			if hang[line] {
				<-ctx.Done()
				return ctx.Err()
			}
			return nil
		})
		ended := make(chan error, 1)
		go func() { ended <- g.Run(context.Background()) }()
		<-time.After(15 * time.Second) // of virtual time
		for _, l := range g.Lines() {
			if l.Begun == hang[l.Name] {
				t.Errorf("%s: begun is %t, and it hangs is %t", l.Name, l.Begun, hang[l.Name])
			}
		}
		if hasStarted(g) {
			t.Error("it has started while lines hang")
		}
		g.Stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
		if hasStarted(g) {
			t.Error("it has started after it was stopped")
		}
	})
}
