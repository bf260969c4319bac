package opcua

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"sync"
	"sync/atomic"
	"time"

	"github.com/gopcua/opcua/ua"
	"github.com/gopcua/opcua/uacp"
	"github.com/gopcua/opcua/uasc"
)

// Limits of one message, told to the server. The library takes a fresh buffer
// of bufferSize for each message, so it is no larger than the blocks need; the
// specification wants 8192 at least.
const (
	bufferSize = 16 << 10
	maxChunks  = 64
	maxMessage = bufferSize * maxChunks
)

// errEnded is the other side ending the connection. The library says no more,
// even where the server named the reason.
var errEnded = fmt.Errorf("the server ended the connection: %w", io.EOF)

// channel is one secure channel on one connection, and later its session. The
// library's own client is not used: it hides the connection, which is the only
// way to end a call that ignores its context, and it shows neither what the
// server answered nor with which certificate.
//
// Only one goroutine calls it; sever may come from any.
type channel struct {
	url     string
	conn    *net.TCPConn
	secure  *uasc.SecureChannel
	conf    *uasc.Config
	token   *ua.NodeID // of the session, nil without
	timeout time.Duration

	faults  chan error // what the library noticed while reading
	closed  chan struct{}
	once    sync.Once
	severed atomic.Bool
}

// openChannel connects to host:port and opens a channel as conf says. conf is the
// channel's from then on. It ends with ctx, whatever it waits for.
func openChannel(ctx context.Context, endpoint string, conf *uasc.Config, timeout time.Duration) (*channel, error) {
	name, port, err := host(endpoint)
	if err != nil {
		return nil, err
	}
	conn, err := new(net.Dialer).DialContext(ctx, "tcp", net.JoinHostPort(name, port))
	if err != nil {
		return nil, err
	}
	c := &channel{
		url: endpoint, conn: conn.(*net.TCPConn), conf: conf, timeout: timeout,
		faults: make(chan error, 1), closed: make(chan struct{}),
	}
	if err := c.open(ctx); err != nil {
		c.abandon()
		return nil, err
	}
	return c, nil
}

func (c *channel) open(ctx context.Context) (err error) {
	stop := context.AfterFunc(ctx, c.sever)
	defer stop()
	defer c.rescue(&err)
	policy, certificate := c.conf.SecurityPolicyURI, c.conf.RemoteCertificate
	transport, err := uacp.NewConn(c.conn, &uacp.Acknowledge{
		ReceiveBufSize: bufferSize, SendBufSize: bufferSize, MaxMessageSize: maxMessage, MaxChunkCount: maxChunks,
	})
	if err != nil {
		return err
	}
	if err := transport.Handshake(ctx, c.url); err != nil {
		return c.cause(ctx, fmt.Errorf("greeting the server: %w", err))
	}
	if n := transport.ReceiveBufSize(); n > bufferSize {
		return fmt.Errorf("server answers the greeting with a buffer of %d bytes, want %d at most, as it was told", n, bufferSize)
	}
	c.secure, err = uasc.NewSecureChannel(c.url, transport, c.conf, c.faults)
	if err != nil {
		return err
	}
	go c.watch()
	if err := c.secure.Open(ctx); err != nil {
		return c.cause(ctx, &openError{err})
	}
	// The library takes policy and certificate over from the answer.
	if c.conf.SecurityPolicyURI != policy || !bytes.Equal(c.conf.RemoteCertificate, certificate) {
		return errors.New("the server opened the channel with another policy or certificate than was asked for; " +
			"somebody may stand between")
	}
	return nil
}

// openError is a refusal of the channel itself.
type openError struct{ err error }

func (e *openError) Error() string { return "opening the secure channel: " + e.err.Error() }
func (e *openError) Unwrap() error { return e.err }

// watch ends the connection when a message could not be read: the library
// drops such a message and would have the caller wait for its deadline.
func (c *channel) watch() {
	for {
		select {
		case err := <-c.faults:
			var status ua.StatusCode
			if errors.As(err, &status) && status != ua.StatusBadSecurityChecksFailed && status != ua.StatusBadDecodingError {
				continue // the server's answer to a request; the caller gets it too
			}
			c.sever()
		case <-c.closed:
			return
		}
	}
}

// sever ends the connection at once, and with it every call on it, one that
// waits for a renewal of the keys among them.
func (c *channel) sever() {
	c.severed.Store(true)
	_ = c.conn.Close()
}

// abandon ends the connection and frees what the library holds. It does not
// wait: after sever nothing can keep the library for long.
func (c *channel) abandon() {
	c.sever()
	c.once.Do(func() {
		close(c.closed)
		if c.secure == nil {
			return
		}
		go c.hangUp()
	})
}

// farewell is the longest that a server is given to hear of the end of a
// session and its channel.
const farewell = 250 * time.Millisecond

// close ends session and channel in good order, so far as the server goes
// along.
func (c *channel) close() {
	if !c.severed.Load() {
		guard := time.AfterFunc(farewell, c.sever)
		if c.token != nil {
			_, _ = c.call(context.Background(), &ua.CloseSessionRequest{DeleteSubscriptions: true}) // it ends in any case
		}
		c.hangUp()
		guard.Stop()
	}
	c.abandon()
}

// hangUp has the library say goodbye, and free what it holds.
func (c *channel) hangUp() {
	defer func() { _ = recover() }() // of the library
	_ = c.secure.Close()
}

// fault is the server's refusal of a whole request.
type fault struct{ status ua.StatusCode }

func (f *fault) Error() string { return "the server refused the request: " + f.status.Error() }
func (f *fault) Unwrap() error { return f.status }

// errUnsent marks a call that put nothing on the wire.
var errUnsent = errors.New("nothing was sent")

// call sends a request and waits for its answer. The error is a *fault when
// the server answered no; it is errUnsent when nothing was sent; else the fate
// of the request is unknown and the connection is severed.
func (c *channel) call(ctx context.Context, request ua.Request) (answer ua.Response, err error) {
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("%w: %w", errUnsent, err)
	}
	if c.severed.Load() {
		return nil, fmt.Errorf("%w: %w", errUnsent, errEnded)
	}
	stop := context.AfterFunc(ctx, c.sever)
	defer stop()
	defer c.rescue(&err)
	err = c.secure.SendRequestWithTimeout(ctx, request, c.token, c.timeout, func(r ua.Response) error {
		answer = r
		return nil
	})
	if err == nil {
		if answer == nil {
			c.sever()
			return nil, errors.New("the answer is empty")
		}
		return answer, nil
	}
	if answer != nil && answer.Header() != nil {
		if status := answer.Header().ServiceResult; status != ua.StatusOK {
			return nil, &fault{status}
		}
	}
	c.sever()
	return nil, c.cause(ctx, err)
}

// cause names the context as the cause of an interruption. The deadline of the
// connection can strike a moment before the context's own.
func (c *channel) cause(ctx context.Context, err error) error {
	if why := ctx.Err(); why != nil {
		return fmt.Errorf("%w: %w", why, err)
	}
	var wait net.Error
	if end, ok := ctx.Deadline(); ok && errors.As(err, &wait) && wait.Timeout() && !time.Now().Before(end) {
		return fmt.Errorf("%w: %w", context.DeadlineExceeded, err)
	}
	return err
}

// rescue turns a panic of the library into an error.
func (c *channel) rescue(err *error) {
	if r := recover(); r != nil {
		c.sever()
		*err = fmt.Errorf("the library failed over what the server sent: %v", r)
	}
}
