// Package channel is a secure channel of OPC UA over one TCP connection, from
// the client's side, as OPC 10000-6 sections 6.7 and 7.1 describe it. The
// library encodes, decodes and calculates; what a server may do is decided
// here.
//
//	Dial: greet → open        Call: renew if due → seal → send → frames → unseal → check → decode
//
// Nothing that a server sends is believed before it is looked at, and all of it
// is looked at in the goroutine of the caller, where a panic of the decoder can
// be caught. No goroutine and no timer works behind the caller's back. The
// limits of what is received are ours; a server can lower what is sent to it,
// never raise what is taken from it.
package channel

import (
	"bufio"
	"context"
	"crypto/rsa"
	"errors"
	"fmt"
	"io"
	"net"
	"sync/atomic"
	"time"

	"github.com/gopcua/opcua/ua"
	"github.com/gopcua/opcua/uapolicy"
)

// Config is what a channel is opened with.
type Config struct {
	Address  string // host:port
	Endpoint string // the address as the server is told it
	Policy   string // URI of the security policy
	Mode     ua.MessageSecurityMode
	// Key and Certificate (DER) are the client's, Server is the certificate
	// that the server must show. All are empty without a policy.
	Key         *rsa.PrivateKey
	Certificate []byte
	Server      []byte
	// Lifetime is asked for the keys. A server can shorten it.
	Lifetime time.Duration
	// Timeout is the longest wait for one answer; the context of a call can end
	// it sooner.
	Timeout time.Duration
	// Turn is waited for before the connection and before each message; nil for
	// nothing. The wait is no part of Timeout.
	Turn func(context.Context) error
}

// Channel is one secure channel on one connection, and later its session. Only
// one goroutine calls it; Sever may come from any.
type Channel struct {
	conf    Config
	conn    net.Conn
	in      *bufio.Reader // holds the frame that is looked at
	taken   int           // bytes of that frame
	body    []byte        // of the request, before it is sealed
	out     []byte        // what is sent
	peer    peerLimits
	session *ua.NodeID
	severed atomic.Bool

	opening cover  // of the messages that agree on keys
	ours    []byte // thumbprint of our certificate
	its     []byte // and of the server's
	id      uint32
	token   uint32
	traffic cover // of all others, by the keys of the token
	renewAt time.Time

	request  uint32 // identifier of the last one
	sent     uint32 // sequence number of the last chunk
	received uint32
	heard    bool // received is set
}

// Dial connects and opens a channel. It ends with ctx, whatever it waits for.
// The error is an *OpenError when the server did not go along with the channel
// itself.
func Dial(ctx context.Context, conf Config) (*Channel, error) {
	if conf.Turn == nil {
		conf.Turn = func(context.Context) error { return nil }
	}
	if err := conf.Turn(ctx); err != nil {
		return nil, err
	}
	conn, err := new(net.Dialer).DialContext(ctx, "tcp", conf.Address)
	if err != nil {
		return nil, err
	}
	c := &Channel{conf: conf, conn: conn, in: bufio.NewReaderSize(conn, bufferSize)}
	if err := c.start(ctx); err != nil {
		c.Sever()
		return nil, err
	}
	return c, nil
}

func (c *Channel) start(ctx context.Context) (err error) {
	defer context.AfterFunc(ctx, c.Sever)()
	defer c.rescue(&err)
	if err := c.turn(ctx); err != nil {
		return c.cause(ctx, err)
	}
	if err := c.greet(); err != nil {
		return c.cause(ctx, fmt.Errorf("greeting the server: %w", err))
	}
	if err := c.prepare(); err != nil {
		return err
	}
	if err := c.turn(ctx); err != nil {
		return c.cause(ctx, err)
	}
	if err := c.agree(ua.SecurityTokenRequestTypeIssue); err != nil {
		return c.cause(ctx, &OpenError{err})
	}
	return nil
}

// OpenError is a refusal of the channel itself.
type OpenError struct{ err error }

func (e *OpenError) Error() string { return "opening the secure channel: " + e.err.Error() }

// Unwrap returns the cause.
func (e *OpenError) Unwrap() error { return e.err }

// Fault is the server's refusal of a whole request.
type Fault struct{ Status ua.StatusCode }

func (f *Fault) Error() string { return "the server refused the request: " + f.Status.Error() }

// Unwrap returns the status.
func (f *Fault) Unwrap() error { return f.Status }

// ErrUnsent marks a call that put nothing of its request on the wire.
var ErrUnsent = errors.New("nothing was sent")

// errEnded is the other side ending the connection without a reason.
var errEnded = fmt.Errorf("the server ended the connection: %w", io.EOF)

// SetSession makes later calls part of the session with this token.
func (c *Channel) SetSession(token *ua.NodeID) { c.session = token }

// SetTimeout is the longest wait for an answer from now on.
func (c *Channel) SetTimeout(d time.Duration) { c.conf.Timeout = d }

// Call sends a request and waits for its answer. The error is a *Fault when the
// server answered no; it is ErrUnsent when nothing was sent; else the fate of
// the request is unknown. Except after a *Fault the connection is ended.
func (c *Channel) Call(ctx context.Context, request ua.Request) (answer ua.Response, err error) {
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrUnsent, err)
	}
	if c.severed.Load() {
		return nil, fmt.Errorf("%w: %w", ErrUnsent, errEnded)
	}
	defer context.AfterFunc(ctx, c.Sever)()
	defer c.rescue(&err)
	if err := c.ready(ctx); err != nil {
		c.Sever()
		return nil, fmt.Errorf("%w: %w", ErrUnsent, c.cause(ctx, err))
	}
	if answer, err = c.ask(message, request); err != nil {
		var fault *Fault
		if !errors.As(err, &fault) {
			c.Sever()
		}
		return nil, c.cause(ctx, err)
	}
	return answer, nil
}

// ready has the connection fit for a request: with a deadline, and with keys
// that last. Keys are renewed here and not by a timer, so that no request ever
// waits for a renewal that it does not know of.
func (c *Channel) ready(ctx context.Context) error {
	if err := c.turn(ctx); err != nil {
		return err
	}
	if time.Now().Before(c.renewAt) {
		return nil
	}
	if err := c.agree(ua.SecurityTokenRequestTypeRenew); err != nil {
		return fmt.Errorf("renewing the keys of the connection: %w", err)
	}
	return c.turn(ctx)
}

// turn waits until a message may be sent, and gives it its deadline.
func (c *Channel) turn(ctx context.Context) error {
	if err := c.conf.Turn(ctx); err != nil {
		return err
	}
	return c.conn.SetDeadline(c.deadline(ctx))
}

// ask sends one request as a message of a kind and decodes its answer.
func (c *Channel) ask(kind string, request ua.Request) (ua.Response, error) {
	s, body, err := c.encode(request)
	if err != nil {
		return nil, err
	}
	if err := c.send(kind, body); err != nil {
		return nil, err
	}
	bytes, err := c.receive(kind)
	if err != nil {
		return nil, err
	}
	if err := checkAnswer(bytes, s); err != nil {
		return nil, err
	}
	_, decoded, err := ua.DecodeService(bytes)
	if err != nil {
		return nil, fmt.Errorf("answer cannot be decoded: %w", err)
	}
	answer, ok := decoded.(ua.Response)
	if !ok || answer.Header() == nil {
		return nil, fmt.Errorf("answer is a %T", decoded)
	}
	if status := answer.Header().ServiceResult; status != ua.StatusOK {
		return nil, &Fault{status}
	}
	if _, refused := decoded.(*ua.ServiceFault); refused {
		return nil, errors.New("the server refuses the request and calls that good")
	}
	return answer, nil
}

// encode gives the request its header and writes it down. The bytes are valid
// until the next call.
func (c *Channel) encode(request ua.Request) (service, []byte, error) {
	s, ok := serviceOf(request)
	if !ok {
		return s, nil, fmt.Errorf("%w: no answer to a %T is known", ErrUnsent, request)
	}
	session := c.session
	if session == nil {
		session = ua.NewTwoByteNodeID(0)
	}
	c.request++
	request.SetHeader(&ua.RequestHeader{
		AuthenticationToken: session, Timestamp: time.Now(), RequestHandle: c.request,
		TimeoutHint: uint32(c.conf.Timeout.Milliseconds()),
	})
	body, err := ua.Encode(request)
	if err != nil {
		return s, nil, fmt.Errorf("%w: encoding: %w", ErrUnsent, err)
	}
	c.body = append(append(c.body[:0], 1, 0, byte(s.request), byte(s.request>>8)), body...)
	return s, c.body, nil
}

// Close tells the server that the channel ends, so far as it goes along, and
// ends the connection.
func (c *Channel) Close() {
	defer c.Sever()
	if c.severed.Load() {
		return
	}
	defer func() { _ = recover() }() // the end comes in any case
	if c.conf.Turn(context.Background()) != nil {
		return
	}
	_ = c.conn.SetDeadline(time.Now().Add(farewell))
	if _, body, err := c.encode(&ua.CloseSecureChannelRequest{}); err == nil {
		_ = c.send(goodbye, body)
	}
}

// farewell is the longest that a server is given to hear of the end.
const farewell = 250 * time.Millisecond

// Sever ends the connection at once, and with it the call on it.
func (c *Channel) Sever() {
	c.severed.Store(true)
	_ = c.conn.Close()
}

// deadline is the end of the wait for an answer.
func (c *Channel) deadline(ctx context.Context) time.Time {
	end := time.Now().Add(c.conf.Timeout)
	if sooner, ok := ctx.Deadline(); ok && sooner.Before(end) {
		return sooner
	}
	return end
}

// cause names the context as the cause of an interruption. The deadline of the
// connection can strike a moment before the context's own.
func (c *Channel) cause(ctx context.Context, err error) error {
	var fault *Fault
	if errors.As(err, &fault) {
		return err
	}
	if why := ctx.Err(); why != nil {
		return fmt.Errorf("%w: %w", why, err)
	}
	var wait net.Error
	if end, ok := ctx.Deadline(); ok && errors.As(err, &wait) && wait.Timeout() && !time.Now().Before(end) {
		return fmt.Errorf("%w: %w", context.DeadlineExceeded, err)
	}
	return err
}

// rescue turns a panic over what a server sent into an error. The fate of the
// request is unknown then.
func (c *Channel) rescue(err *error) {
	if r := recover(); r != nil {
		c.Sever()
		*err = fmt.Errorf("the library failed over what the server sent: %v", r)
	}
}

// algorithm is what a policy calculates with, between our key and the key of a
// certificate that was checked.
func algorithm(policy string, key *rsa.PrivateKey, certificate []byte) (*uapolicy.EncryptionAlgorithm, *rsa.PublicKey, error) {
	if policy == ua.SecurityPolicyURINone {
		a, err := uapolicy.Asymmetric(policy, nil, nil)
		return a, nil, err
	}
	public, err := publicKey(certificate)
	if err != nil {
		return nil, nil, err
	}
	a, err := uapolicy.Asymmetric(policy, key, public)
	return a, public, err
}
