package gateway_test

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"lapgate/gateway"
	"lapgate/gateway/config"
	"lapgate/gateway/handshake"
	"lapgate/gateway/link/memory"
	"lapgate/gateway/record"
	"lapgate/gateway/status"
	"lapgate/sim/controller"
)

// pipes is a network within the test: whoever dials is accepted.
type pipes struct {
	accepted chan net.Conn
	closed   chan struct{}
	once     sync.Once
}

func newPipes() *pipes { return &pipes{accepted: make(chan net.Conn), closed: make(chan struct{})} }

func (p *pipes) Accept() (net.Conn, error) {
	select {
	case c := <-p.accepted:
		return c, nil
	case <-p.closed:
		return nil, net.ErrClosed
	}
}

func (p *pipes) Close() error {
	p.once.Do(func() { close(p.closed) })
	return nil
}

func (p *pipes) Addr() net.Addr { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1)} }

func (p *pipes) dial(context.Context, string, string) (net.Conn, error) {
	here, there := net.Pipe()
	select {
	case p.accepted <- there:
		return here, nil
	case <-p.closed:
		return nil, net.ErrClosed
	}
}

// viewers look at the page of a gateway as browsers do, until they are stopped.
type viewers struct {
	t       *testing.T
	network *pipes
	client  *http.Client
	wait    sync.WaitGroup
	seen    atomic.Int64 // refreshes that were taken
}

func (v *viewers) events(ctx context.Context) (*http.Response, error) {
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://127.0.0.1/events", nil)
	if err != nil {
		return nil, err
	}
	return v.client.Do(r)
}

// look takes every refresh.
func (v *viewers) look(ctx context.Context) {
	w, err := v.events(ctx)
	if err != nil {
		if ctx.Err() == nil {
			v.t.Error(err)
		}
		return
	}
	defer func() { _ = w.Body.Close() }()
	if w.StatusCode != http.StatusOK {
		v.t.Errorf("a viewer is told %s", w.Status)
	}
	for in := bufio.NewScanner(w.Body); in.Scan(); {
		if in.Text() == "" {
			v.seen.Add(1)
		}
	}
}

// stare asks for the refreshes and takes nothing of what comes; each time that the server
// gives it up, it asks again.
func (v *viewers) stare(ctx context.Context) {
	for ctx.Err() == nil {
		c, err := v.network.dial(ctx, "", "")
		if err != nil {
			return
		}
		if _, err := fmt.Fprint(c, "GET /events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"); err != nil {
			v.t.Error(err)
		}
		select {
		case <-ctx.Done():
		case <-time.After(30 * time.Second): // of virtual time
		}
		_ = c.Close()
	}
}

// refused asks for one place more than there are.
func (v *viewers) refused(ctx context.Context) {
	w, err := v.events(ctx)
	if err != nil {
		v.t.Error(err)
		return
	}
	defer func() { _ = w.Body.Close() }()
	text, err := io.ReadAll(w.Body)
	if err != nil || w.StatusCode != http.StatusServiceUnavailable || w.Header.Get("Retry-After") == "" || !strings.HasPrefix(string(text), "32 viewers look already") {
		v.t.Errorf("the 33rd viewer is told %s %q with %v", w.Status, text, err)
	}
}

// traffic is what a controller was asked for.
type traffic struct {
	calls   map[memory.Call]int
	last    time.Time     // view
	longest time.Duration // from one view to the next
}

func (c *traffic) count(call memory.Call) {
	c.calls[call]++
	if call != (memory.Call{Op: "read", Block: handshake.REQ}) {
		return
	}
	if now := time.Now(); c.last.IsZero() {
		c.last = now
	} else {
		c.last, c.longest = now, max(c.longest, now.Sub(c.last))
	}
}

// trafficUnder wraps a shift and returns what the controller was asked for, and how many
// refreshes were taken.
func trafficUnder(t *testing.T, viewed bool) (c traffic, seen int64) {
	const n = 12
	rolls := make([]controller.Measurement, n)
	for i := range rolls {
		rolls[i] = fitting(i)
	}
	b := newBench(rolls...)
	s := newShop(t, b, nil)
	c.calls = map[memory.Call]int{}
	s.dialer.Before = func(call memory.Call) memory.Fault {
		c.count(call)
		return memory.Fault{}
	}
	ctx, cancel := context.WithCancel(context.Background())
	go b.run(ctx)
	g, stop := s.start(s.options())
	if viewed {
		seen = underViewers(ctx, t, g, func() bool { return s.count(record.KindOutcome) == n })
	} else {
		until(t, time.Hour, "every outcome", func() bool { return s.count(record.KindOutcome) == n })
	}
	if err := stop(); err != nil {
		t.Error(err)
	}
	cancel()
	return c, seen
}

// underViewers has as many viewers look as may, one of whom takes nothing, and one more.
func underViewers(ctx context.Context, t *testing.T, g *gateway.Gateway, done func() bool) int64 {
	network := newPipes()
	server := status.Serve(network, config.Access{}, status.Source{Lines: g.Lines, Newest: g.Newest, Config: g.Config, Metrics: prometheus.NewRegistry(), Zone: time.UTC})
	v := &viewers{t: t, network: network, client: &http.Client{Transport: &http.Transport{DialContext: network.dial, DisableKeepAlives: true}}}
	looking, end := context.WithCancel(ctx)
	v.wait.Go(func() { v.stare(looking) })
	for range 31 {
		v.wait.Go(func() { v.look(looking) })
	}
	<-time.After(time.Second) // of virtual time: all look
	v.refused(looking)
	until(t, time.Hour, "every outcome", done)
	end()
	v.wait.Wait()
	if err := server.Close(); err != nil {
		t.Error(err)
	}
	return v.seen.Load()
}

// A controller is asked for as much, and as often, whether nobody looks at the page or as
// many as may, and one of them slow.
func TestViewersChangeNoPoll(t *testing.T) {
	var alone, viewed traffic
	var seen int64
	synctest.Test(t, func(t *testing.T) { alone, _ = trafficUnder(t, false) })
	synctest.Test(t, func(t *testing.T) { viewed, seen = trafficUnder(t, true) })
	if least := int64(31 * 90); seen < least {
		t.Errorf("%d refreshes were taken, want %d at least", seen, least)
	}
	const chance = 2 // which of two that fall together comes first is nobody's choice
	for _, op := range []string{"dial", "read", "write"} {
		for block := handshake.REQ; block <= handshake.LIMITS; block++ {
			c := memory.Call{Op: op, Block: block}
			if a, v := alone.calls[c], viewed.calls[c]; max(a-v, v-a) > chance {
				t.Errorf("%s of block %d: %d alone, %d under viewers", op, block, a, v)
			}
		}
	}
	if viewed.longest > alone.longest {
		t.Errorf("the controller was not looked at for %s under viewers, and for %s at most alone", viewed.longest, alone.longest)
	}
}
