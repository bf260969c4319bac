package scan

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"time"

	"lapgate/gateway/cycle"
)

// Listener holds the connection to a scanner and reads it. All fields are set
// before Run and not changed after.
type Listener struct {
	// Address is the scanner's, as host:port.
	Address string
	Parser  *Parser
	// Dial opens a connection, as the method DialContext of net.Dialer does.
	Dial func(ctx context.Context, network, address string) (net.Conn, error)
	// First and Most bound the wait before the connection is tried again,
	// which doubles from one to the other.
	First, Most time.Duration
	// Silence is how long nothing may come before the connection is taken for
	// dead; 0 is forever.
	Silence time.Duration
	// Jitter returns a number from 0 up to 1, new at each call, so that many
	// gateways do not come back at once.
	Jitter func() float64
	// OnReading takes each reading. OnProblem takes what was not one. OnLink
	// takes the state of the link: nil when it came up, otherwise why it is
	// down. They are called from Run, one at a time.
	OnReading func(Reading)
	OnProblem func(error)
	OnLink    func(error)
}

// Run connects, reads, and connects again, until the context ends.
func (l *Listener) Run(ctx context.Context) {
	var wait time.Duration
	for ctx.Err() == nil {
		alive, err := l.serve(ctx)
		if ctx.Err() != nil {
			return
		}
		l.OnLink(fmt.Errorf("scanner %s: %w", l.Address, err))
		if alive {
			wait = 0
		}
		wait = cycle.Backoff(wait, l.First, l.Most)
		timer := time.NewTimer(cycle.Spread(wait, l.Jitter()))
		select {
		case <-ctx.Done():
			timer.Stop()
			return
		case <-timer.C:
		}
	}
}

// serve runs one connection to its end. It is alive when a reading came: one
// that is only accepted and dropped is no reason to come back at once.
func (l *Listener) serve(ctx context.Context) (alive bool, err error) {
	conn, err := l.Dial(ctx, "tcp", l.Address)
	if err != nil {
		return false, err
	}
	stop := context.AfterFunc(ctx, func() { _ = conn.Close() })
	defer func() {
		// Close twice is harmless, and a close that fails changes nothing.
		stop()
		_ = conn.Close()
	}()
	l.OnLink(nil)
	framer := l.Parser.Framer()
	buf := make([]byte, 4096)
	for {
		if l.Silence > 0 {
			if err := conn.SetReadDeadline(time.Now().Add(l.Silence)); err != nil {
				return alive, err
			}
		}
		n, err := conn.Read(buf)
		framer.Feed(buf[:n], func(message []byte, err error) {
			if l.message(message, err) {
				alive = true
			}
		})
		switch {
		case err == nil:
		case errors.Is(err, io.EOF):
			return alive, errors.New("the scanner closed the connection")
		default:
			return alive, err
		}
	}
}

// message hands on one message and reports whether it was a reading. Empty
// ones are signs of life that some scanners send.
func (l *Listener) message(message []byte, err error) bool {
	if err != nil {
		l.OnProblem(fmt.Errorf("scanner message %s: %w: more than %d bytes without the delimiter %q",
			clip(message), err, l.Parser.pattern.MaxLength, l.Parser.pattern.Delimiter))
		return false
	}
	if len(message) == 0 {
		return false
	}
	r, err := l.Parser.Parse(message)
	if err != nil {
		l.OnProblem(err)
		return false
	}
	l.OnReading(r)
	return true
}
