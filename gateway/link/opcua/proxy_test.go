package opcua

import (
	"bytes"
	"encoding/binary"
	"net"
	"sync"
	"testing"
	"time"

	"lapgate/gateway/link/linktest"
)

// proxy stands between a port and the server and spoils what passes.
type proxy struct {
	ln     net.Listener
	mu     sync.Mutex
	target string
	fault  linktest.Fault
	sent   int // requests of clients
	pairs  map[*pair]bool
	held   func() // carries out the write held back
	stall  func(fromClient []byte) bool
	wg     sync.WaitGroup
}

// pair is one connection through the proxy.
type pair struct {
	proxy          *proxy
	client, server net.Conn
	fault          linktest.Fault // of this connection from now on
	answered       chan struct{}
	keep           bool // the server's side outlives the client's
}

func newProxy(t testing.TB, target string) *proxy {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &proxy{ln: ln, target: target, pairs: map[*pair]bool{}}
	p.wg.Go(p.accept)
	t.Cleanup(func() {
		_ = ln.Close()
		p.hangup()
		p.wg.Wait()
	})
	return p
}

func (p *proxy) address() string { return p.ln.Addr().String() }

func (p *proxy) aim(target string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.target = target
}

func (p *proxy) accept() {
	for {
		client, err := p.ln.Accept()
		if err != nil {
			return
		}
		p.mu.Lock()
		target := p.target
		p.mu.Unlock()
		server, err := net.Dial("tcp", target)
		if err != nil {
			_ = client.Close()
			continue
		}
		c := &pair{proxy: p, client: client, server: server, answered: make(chan struct{}, 1)}
		p.mu.Lock()
		p.pairs[c] = true
		p.mu.Unlock()
		p.wg.Go(c.up)
		p.wg.Go(c.down)
	}
}

// play arms a fault for the next request; a hang-up happens at once.
func (p *proxy) play(f linktest.Fault) {
	if f == linktest.Hangup {
		p.hangup()
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.fault = f
}

func (p *proxy) count() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.sent
}

func (p *proxy) hangup() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for c := range p.pairs {
		c.close()
	}
}

// land carries out the write held back, which was counted a moment before it is held.
func (p *proxy) land() {
	p.mu.Lock()
	for p.held == nil {
		p.mu.Unlock()
		<-time.After(time.Millisecond)
		p.mu.Lock()
	}
	carry := p.held
	p.mu.Unlock()
	carry()
}

func (c *pair) close() { _, _ = c.client.Close(), c.server.Close() }

func (c *pair) up() {
	defer func() {
		c.proxy.mu.Lock()
		keep := c.keep
		c.proxy.mu.Unlock()
		_ = c.client.Close()
		if !keep {
			_ = c.server.Close()
		}
	}()
	buf := make([]byte, 1<<17)
	for {
		n, err := c.client.Read(buf)
		if err != nil {
			return
		}
		if !c.request(append([]byte(nil), buf[:n]...)) {
			return
		}
	}
}

// request passes on what the client sent, or not.
func (c *pair) request(b []byte) bool {
	p := c.proxy
	p.mu.Lock()
	if bytes.HasPrefix(b, []byte("MSG")) { // not the goodbye of another connection
		p.sent++
		if p.fault != "" {
			c.fault, p.fault = p.fault, ""
		}
	}
	fault, stall := c.fault, p.stall
	p.mu.Unlock()
	if stall != nil && stall(b) {
		return true
	}
	switch fault {
	case linktest.FIN:
		c.close()
		return false
	case linktest.RST:
		_ = c.client.(*net.TCPConn).SetLinger(0)
		c.close()
		return false
	case linktest.BlackHole:
		return true
	case linktest.Late:
		p.mu.Lock()
		defer p.mu.Unlock()
		if !c.keep {
			c.keep = true
			p.held = func() {
				_, _ = c.server.Write(b)
				<-c.answered
				_ = c.server.Close()
			}
		}
		return true
	}
	_, err := c.server.Write(b)
	return err == nil
}

func (c *pair) down() {
	defer func() {
		c.close()
		c.proxy.mu.Lock()
		delete(c.proxy.pairs, c)
		c.proxy.mu.Unlock()
	}()
	buf := make([]byte, 1<<17)
	for {
		n, err := c.server.Read(buf)
		if err != nil {
			return
		}
		b := buf[:n]
		c.proxy.mu.Lock()
		fault := c.fault
		if fault != linktest.Late {
			c.fault = ""
		}
		c.proxy.mu.Unlock()
		switch fault {
		case linktest.Late:
			select {
			case c.answered <- struct{}{}:
			default: // nobody asked for it
			}
			continue
		case linktest.Landed:
			return
		case linktest.CutReply:
			_, _ = c.client.Write(b[:n/2])
			return
		case linktest.StaleTransaction:
			binary.LittleEndian.PutUint32(b[20:], binary.LittleEndian.Uint32(b[20:])+1000)
		case linktest.Noise:
			b[n-5] ^= 4
		case linktest.BadLength:
			binary.LittleEndian.PutUint32(b[4:], 1<<30)
		case linktest.Segmented:
			for len(b) > n-40 {
				if _, err := c.client.Write(b[:1]); err != nil {
					return
				}
				b = b[1:]
			}
		}
		if _, err := c.client.Write(b); err != nil {
			return
		}
	}
}
