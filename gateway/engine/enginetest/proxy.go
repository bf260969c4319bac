package enginetest

import (
	"net"
	"os"
	"path/filepath"
	"sync"
	"testing"
)

// Proxy stands in front of a server, in a socket folder of its own, and can lose what
// goes through it.
type Proxy struct {
	folder, server string

	mu    sync.Mutex
	made  int  // connections
	lose  int  // answers
	mute  bool // nothing goes through, and nobody is told
	cut   bool
	conns map[net.Conn]bool
}

// socket is the name of a server's socket in its folder.
const socket = ".s.PGSQL.5432"

// Proxy is a proxy in front of the server. It ends with the test.
func (s *Server) Proxy(t testing.TB) *Proxy {
	t.Helper()
	folder, err := os.MkdirTemp(filepath.Dir(s.folder), "lp")
	if err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("unix", filepath.Join(folder, socket))
	if err != nil {
		t.Fatal(err)
	}
	p := &Proxy{folder: folder, server: s.folder, conns: map[net.Conn]bool{}}
	var running sync.WaitGroup
	running.Go(func() {
		for {
			client, err := l.Accept()
			if err != nil {
				return
			}
			running.Go(func() { p.serve(client) })
		}
	})
	t.Cleanup(func() {
		_ = l.Close()
		p.Cut()
		running.Wait()
		_ = os.RemoveAll(folder)
	})
	return p
}

// Folder is that of the proxy's socket, for engine.Settings.Address.
func (p *Proxy) Folder() string { return p.folder }

// Made is how many connections were made to the proxy so far.
func (p *Proxy) Made() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.made
}

// LoseAnswers swallows so many answers of the server: it does what it was asked, and the
// connection ends before the client learns of it.
func (p *Proxy) LoseAnswers(n int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.lose = n
}

// Mute swallows everything in both directions, as a cable that was pulled, or stops doing so.
// What was swallowed does not come again.
func (p *Proxy) Mute(on bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.mute = on
}

// Cut ends every connection, and each that is made, until Mend.
func (p *Proxy) Cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.cut = true
	for c := range p.conns {
		_ = c.Close()
	}
}

// Mend lets connections be made again.
func (p *Proxy) Mend() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.cut = false
}

func (p *Proxy) serve(client net.Conn) {
	defer func() { _ = client.Close() }()
	p.mu.Lock()
	p.made++
	p.mu.Unlock()
	server, err := net.Dial("unix", filepath.Join(p.server, socket))
	if err != nil {
		return
	}
	defer func() { _ = server.Close() }()
	if !p.keep(client, server) {
		return
	}
	defer p.forget(client, server)
	var both sync.WaitGroup
	both.Go(func() { p.copy(server, client, false); _ = server.Close() })
	both.Go(func() { p.copy(client, server, true); _ = client.Close() })
	both.Wait()
}

func (p *Proxy) keep(conns ...net.Conn) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, c := range conns {
		p.conns[c] = true
	}
	return !p.cut
}

func (p *Proxy) forget(conns ...net.Conn) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, c := range conns {
		delete(p.conns, c)
	}
}

// copy carries bytes as long as both ends live.
func (p *Proxy) copy(to, from net.Conn, answers bool) {
	b := make([]byte, 1<<16)
	for {
		n, err := from.Read(b)
		if err != nil {
			return
		}
		pass, end := p.decide(answers)
		if end {
			_ = from.Close()
			return
		}
		if !pass {
			continue
		}
		if _, err := to.Write(b[:n]); err != nil {
			return
		}
	}
}

// decide says what becomes of bytes: whether they pass, and whether the connection ends.
func (p *Proxy) decide(answers bool) (pass, end bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if answers && p.lose > 0 {
		p.lose--
		return false, true
	}
	return !p.mute, p.cut
}
