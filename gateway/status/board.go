package status

import (
	"bytes"
	"fmt"
	"net"
	"net/http"
	"sync"
	"time"
)

// How many may look at once, and how long one of them is waited for. What a viewer is
// sent was drawn once for all of them, from copies: no line waits for any.
const (
	mostViewers = 32
	mostConns   = 3 * mostViewers // a viewer has one for the refresh and a few to load
	refresh     = time.Second
	redraw      = refresh / 2
	patience    = 10 * time.Second
)

// board is the live page as it was drawn last.
type board struct {
	source Source
	places chan struct{} // one for each viewer that is refreshed

	mu     sync.Mutex
	drawn  time.Time
	whole  []byte
	panels []byte // as an event
	err    error
}

// draw returns the page, and its panels as an event, not older than half a refresh.
func (b *board) draw() (whole, panels []byte, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if time.Since(b.drawn) >= redraw || b.drawn.IsZero() {
		var main []byte
		b.whole, main, b.err = b.source.livePage().render()
		b.panels, b.drawn = event(main), time.Now()
	}
	return b.whole, b.panels, b.err
}

func (b *board) page(w http.ResponseWriter, _ *http.Request) {
	text, _, err := b.draw()
	sendPage(w, text, err)
}

// events sends the panels each second as server-sent events, until the viewer goes or
// does not take them.
func (b *board) events(w http.ResponseWriter, r *http.Request) {
	select {
	case b.places <- struct{}{}:
		defer func() { <-b.places }()
	default:
		w.Header().Set("Retry-After", "10")
		http.Error(w, fmt.Sprintf("%d viewers look already, more are not refreshed; close one, or load the page again by hand", mostViewers), http.StatusServiceUnavailable)
		return
	}
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	h.Set("X-Accel-Buffering", "no")
	control := http.NewResponseController(w)
	_ = control.SetReadDeadline(time.Time{}) // a recorder in a test has none
	if r.Method == http.MethodHead {
		return
	}
	ticker := time.NewTicker(refresh)
	defer ticker.Stop()
	for {
		_, panels, err := b.draw()
		if err != nil {
			return
		}
		_ = control.SetWriteDeadline(time.Now().Add(patience))
		if _, err := w.Write(panels); err != nil || control.Flush() != nil {
			return
		}
		select {
		case <-r.Context().Done():
			return
		case <-ticker.C:
		}
	}
}

// event is a text as one server-sent event.
func event(text []byte) []byte {
	var b bytes.Buffer
	for line := range bytes.Lines(text) {
		b.WriteString("data: ")
		b.Write(bytes.TrimRight(line, "\r\n"))
		b.WriteByte('\n')
	}
	b.WriteByte('\n')
	return b.Bytes()
}

// fewConns is a listener that closes connections beyond a number at once.
type fewConns struct {
	net.Listener
	places chan struct{}
}

// Accept waits for the next connection that there is a place for.
func (l *fewConns) Accept() (net.Conn, error) {
	for {
		c, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		select {
		case l.places <- struct{}{}:
			return &placedConn{Conn: c, leave: sync.OnceFunc(func() { <-l.places })}, nil
		default:
			_ = c.Close()
		}
	}
}

// placedConn gives its place back when it is closed.
type placedConn struct {
	net.Conn
	leave func()
}

// Close closes the connection.
func (c *placedConn) Close() error {
	defer c.leave()
	return c.Conn.Close()
}
