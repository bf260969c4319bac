// Package wire is a stretch of network between a client and a server on this
// machine that can be made to fail: cut, gone silent, or slow. It passes
// bytes and knows nothing of what they mean, so that it stands before any
// server. What it holds back in silence it delivers afterwards, as a network
// does that lost packets and sent them again.
package wire

import (
	"context"
	"errors"
	"fmt"
	"net"
	"sync"
	"time"
)

// Wire accepts clients on its own address and connects each to the server.
type Wire struct {
	ln      net.Listener
	backend string

	mu       sync.Mutex
	open     map[net.Conn]struct{}
	cutUntil time.Time
	mute     chan struct{} // closed when bytes may pass again; nil when they may
	late     time.Duration
	lateN    int
	closed   bool
	end      chan struct{}
	wg       sync.WaitGroup
	timers   []*time.Timer
}

// Listen opens a wire at addr, for example "127.0.0.1:0", to the server at
// backend.
func Listen(ctx context.Context, addr, backend string) (*Wire, error) {
	var lc net.ListenConfig
	ln, err := lc.Listen(ctx, "tcp", addr)
	if err != nil {
		return nil, fmt.Errorf("simulator cannot listen at %s: %w; choose another address or port 0", addr, err)
	}
	w := &Wire{ln: ln, backend: backend, open: map[net.Conn]struct{}{}, end: make(chan struct{})}
	w.wg.Go(w.accept)
	return w, nil
}

// Addr is the address that clients dial.
func (w *Wire) Addr() string { return w.ln.Addr().String() }

// Cut breaks every connection and refuses new ones for a while.
func (w *Wire) Cut(d time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.cutUntil = time.Now().Add(d)
	for c := range w.open {
		_ = c.Close()
	}
}

// Mute lets nothing through in either direction for a while; connections stay
// up, and what was sent meanwhile arrives afterwards.
func (w *Wire) Mute(d time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.mute != nil || w.closed {
		return
	}
	gate := make(chan struct{})
	w.mute = gate
	w.timers = append(w.timers, time.AfterFunc(d, func() {
		w.mu.Lock()
		defer w.mu.Unlock()
		if w.mute == gate {
			w.mute = nil
			close(gate)
		}
	}))
}

// Late delays the next n answers of the server by d each.
func (w *Wire) Late(n int, d time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.late, w.lateN = d, n
}

// Close ends the wire and all that runs on it.
func (w *Wire) Close() error {
	w.mu.Lock()
	if w.closed {
		w.mu.Unlock()
		return nil
	}
	w.closed = true
	close(w.end)
	err := w.ln.Close()
	for c := range w.open {
		_ = c.Close()
	}
	for _, t := range w.timers {
		t.Stop()
	}
	if w.mute != nil {
		close(w.mute)
		w.mute = nil
	}
	w.mu.Unlock()
	w.wg.Wait()
	return err
}

func (w *Wire) accept() {
	for {
		client, err := w.ln.Accept()
		if err != nil {
			if errors.Is(err, net.ErrClosed) {
				return
			}
			continue
		}
		w.wg.Go(func() { w.join(client) })
	}
}

// join carries one client until either side ends.
func (w *Wire) join(client net.Conn) {
	defer func() { _ = client.Close() }()
	if !w.admit(client) {
		return
	}
	server, err := net.Dial("tcp", w.backend)
	if err != nil {
		w.leave(client)
		return
	}
	if !w.admit(server) {
		_ = server.Close()
		w.leave(client)
		return
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		w.carry(server, client, false)
		// What the client sent before it went has been delivered; only then
		// may the server see it go.
		_ = server.Close()
	}()
	w.carry(client, server, true)
	_ = client.Close()
	_ = server.Close()
	<-done
	w.leave(client)
	w.leave(server)
}

func (w *Wire) admit(c net.Conn) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.closed || time.Now().Before(w.cutUntil) {
		return false
	}
	w.open[c] = struct{}{}
	return true
}

func (w *Wire) leave(c net.Conn) {
	w.mu.Lock()
	delete(w.open, c)
	w.mu.Unlock()
}

func (w *Wire) carry(dst, src net.Conn, answers bool) {
	buf := make([]byte, 4096)
	for {
		n, err := src.Read(buf)
		if n > 0 {
			gate, wait := w.pass(answers)
			if gate != nil {
				<-gate
			}
			if wait > 0 {
				select {
				case <-time.After(wait):
				case <-w.end:
				}
			}
			if _, err := dst.Write(buf[:n]); err != nil && answers {
				return
			}
		}
		if err != nil {
			return
		}
	}
}

func (w *Wire) pass(answers bool) (gate chan struct{}, wait time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if answers && w.lateN > 0 {
		w.lateN--
		wait = w.late
	}
	return w.mute, wait
}
