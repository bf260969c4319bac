package main

import (
	"net"
	"sync"
	"testing"
)

// cable is a stretch of network that can be dropped: nothing comes through then, and
// nobody is told.
type cable struct {
	listener net.Listener
	to       func() (net.Conn, error)

	mu      sync.Mutex
	dropped chan struct{} // nil while all comes through
	trap    *trap         // nil for none
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
				if way[0] == near {
					c.spring(buffer[:n])
				}
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

// trap drops a cable by what is about to go through to the far end, which comes through
// when the cable is restored.
type trap struct {
	on     func(sent []byte) bool
	sprung chan struct{}
}

// set sets a trap, and returns what is closed when it has sprung.
func (c *cable) set(on func(sent []byte) bool) (sprung <-chan struct{}) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.trap = &trap{on, make(chan struct{})}
	return c.trap.sprung
}

func (c *cable) spring(sent []byte) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.trap != nil && c.dropped == nil && c.trap.on(sent) {
		c.dropped = make(chan struct{})
		close(c.trap.sprung)
		c.trap = nil
	}
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
	if c.dropped == nil {
		c.dropped = make(chan struct{})
	}
}

func (c *cable) restore() {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.dropped != nil {
		close(c.dropped)
		c.dropped = nil
	}
}
