// Package opcua is the controller link over OPC UA. Every block is a variable
// of its own, an array of UInt16; they are polled, never subscribed to.
//
// The library packs, secures and unpacks. Connections, deadlines, the session
// and the checking of answers and certificates are done here. A call that gets
// no valid answer in time ends the connection: nothing is tried again, nothing
// is reconnected behind the caller's back, and whether the link lives is told
// by the controller's data alone.
package opcua

import (
	"context"
	"crypto/sha1" // OPC UA names certificates by SHA-1; nothing is proved by it
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/gopcua/opcua/ua"
	"github.com/gopcua/opcua/uasc"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
)

// Dialer opens ports to one server.
type Dialer struct {
	settings Settings
	own      *identity // nil without a policy
	lifetime time.Duration

	mu   sync.Mutex
	told map[string]bool
}

var _ link.Dialer = (*Dialer)(nil)

// New makes a dialer, and with it the certificate of the gateway where a policy
// needs one and there is none yet. The error names every problem at once.
func New(settings Settings) (*Dialer, error) {
	bad := settings.check()
	d := &Dialer{settings: settings, lifetime: tokenLifetime, told: map[string]bool{}}
	if len(bad) == 0 && settings.Policy != PolicyNone {
		var err error
		if d.own, err = ownIdentity(settings.Folder); err != nil {
			bad = append(bad, err)
		}
	}
	if len(bad) > 0 {
		return nil, &link.Error{Op: "dial", Class: link.ConfigClass, Err: errors.Join(bad...),
			Help: "correct the controller's section of the configuration"}
	}
	return d, nil
}

// Dial connects, checks the server's certificate, logs in, and reads every
// block once with its type, so that what is missing or of another type shows
// before any work depends on it. Errors are *link.Error of class Down or
// ConfigClass.
func (d *Dialer) Dial(ctx context.Context) (link.Port, error) {
	p, err := d.dial(ctx)
	if err != nil {
		return nil, d.dialError(ctx, err)
	}
	return p, nil
}

func (d *Dialer) dial(ctx context.Context) (*port, error) {
	c, err := d.session(ctx)
	if err != nil {
		return nil, err
	}
	p := &port{channel: c, dialer: d}
	if err := p.survey(ctx); err != nil {
		c.close()
		return nil, err
	}
	c.timeout = d.settings.Timeout
	return p, nil
}

// session connects, checks the server's certificate and logs in.
func (d *Dialer) session(ctx context.Context) (*channel, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	s := &d.settings
	now := time.Now()
	if err := d.checkOwn(now); err != nil {
		return nil, err
	}
	offered, err := discover(ctx, s.Endpoint, s.Timeout)
	if err != nil {
		return nil, err
	}
	server, err := choose(s, offered, now)
	if err != nil {
		return nil, err
	}
	d.warnOf(server, now)
	conf := &uasc.Config{
		SecurityPolicyURI: s.Policy.uri(),
		SecurityMode:      s.Mode.code(),
		Lifetime:          uint32(d.lifetime.Milliseconds()),
		RequestTimeout:    s.Timeout,
		UserKey:           s.User.Key,
	}
	if d.own != nil {
		thumb := sha1.Sum(server.leaf.Raw)
		conf.Certificate, conf.LocalKey = d.own.cert.Raw, d.own.key
		conf.RemoteCertificate, conf.Thumbprint = server.leaf.Raw, thumb[:]
	}
	c, err := openChannel(ctx, s.Endpoint, conf, max(s.Timeout, loginPatience))
	if err != nil {
		return nil, err
	}
	if err := c.login(ctx, s, server, d.own); err != nil {
		c.close()
		return nil, err
	}
	return c, nil
}

// loginPatience is the least time that a server gets for each step of a login
// and of the survey: a small controller calculates with long numbers then. The
// context of Dial can end it sooner.
const loginPatience = 5 * time.Second

// checkOwn refuses an expired certificate of the gateway, and warns ahead.
func (d *Dialer) checkOwn(now time.Time) error {
	if d.own == nil {
		return nil
	}
	own := certificateOf(d.own.cert, "")
	if why := own.ValidAt(now); why != "" {
		return &configError{fmt.Errorf("the certificate of the gateway is %s", why),
			fmt.Sprintf("check the clock; then move %s/%s away, start again, and have the new certificate accepted at the controller", d.settings.Folder, ownFolder)}
	}
	d.tell(own.EndsSoon(now), "own", Warning{"expiry",
		"the certificate of the gateway ends on " + own.NotAfter.UTC().Format(time.DateOnly),
		fmt.Sprintf("at a standstill, move %s/%s away, start again, and have the new certificate accepted at the controller", d.settings.Folder, ownFolder)})
	return nil
}

// warnOf warns of what a server is like.
func (d *Dialer) warnOf(server *serverEndpoint, now time.Time) {
	s := &d.settings
	d.tell(s.Policy == PolicyNone, "none", Warning{"no-security",
		"the connection to " + s.Endpoint + " has NO SECURITY: everybody on the network can read and change what is sent, recipes among it",
		"use policy " + string(PolicyBasic256Sha256) + " with mode " + string(ModeSignAndEncrypt)})
	if server.leaf == nil {
		return
	}
	c := certificateOf(server.leaf, "")
	d.tell(c.EndsSoon(now), "server", Warning{"expiry",
		"the certificate of the server at " + s.Endpoint + " ends on " + c.NotAfter.UTC().Format(time.DateOnly),
		"have it renewed at the controller, then accept the new one here; both can be trusted at the same time"})
}

// tell gives a warning when a condition begins.
func (d *Dialer) tell(holds bool, key string, w Warning) {
	d.mu.Lock()
	first := holds && !d.told[key]
	d.told[key] = holds
	d.mu.Unlock()
	if first && d.settings.Warn != nil {
		d.settings.Warn(w)
	}
}

// port is one connection. It is used by one goroutine at a time.
type port struct {
	channel *channel
	dialer  *Dialer
	blocks  [int(handshake.ACK) + 1]*ua.ReadValueID
	entries [handshake.OutEntries]*ua.ReadValueID
	limit   int // nodes in one read, 0 for any number
	skew    time.Duration
	dead    error

	request ua.ReadRequest
	nodes   []*ua.ReadValueID
}

// Skew is how far the clock of the server is ahead of the gateway's, as it was
// at the last read.
func (p *port) Skew() time.Duration { return p.skew }

func (p *port) item(id handshake.ID, entry int) *ua.ReadValueID {
	if id == handshake.OUT {
		return p.entries[entry]
	}
	return p.blocks[id]
}

func (p *port) Read(ctx context.Context, spans ...link.Span) error {
	if err := link.CheckRead(spans); err != nil || len(spans) == 0 {
		return err
	}
	if p.dead != nil {
		return p.refuseDead("read", spans[0].Block)
	}
	for len(spans) > 0 {
		n := len(spans)
		if p.limit > 0 {
			n = min(n, p.limit)
		}
		if err := p.readPart(ctx, spans[:n]); err != nil {
			return err
		}
		spans = spans[n:]
	}
	return nil
}

// readPart reads spans in one request.
func (p *port) readPart(ctx context.Context, spans []link.Span) error {
	p.nodes = p.nodes[:0]
	for _, s := range spans {
		p.nodes = append(p.nodes, p.item(s.Block, s.Entry))
	}
	results, err := p.ask(ctx, p.nodes)
	if err != nil {
		return p.fail("read", spans[0].Block, err)
	}
	for i, s := range spans {
		v := results[i]
		if !good(v.Status) {
			return &link.Error{Op: "read", Block: s.Block, Class: link.Refused,
				Err: fmt.Errorf("value is not good: %w", v.Status), Help: statusHelp(v.Status)}
		}
		words, err := wordsOf(v, len(s.Dst))
		if err != nil {
			return p.fail("read", s.Block, err)
		}
		copy(s.Dst, words)
	}
	return nil
}

// ask reads nodes in one request, fresh and with both timestamps, and returns
// as many results as were asked for.
func (p *port) ask(ctx context.Context, nodes []*ua.ReadValueID) ([]*ua.DataValue, error) {
	p.request = ua.ReadRequest{MaxAge: 0, TimestampsToReturn: ua.TimestampsToReturnBoth, NodesToRead: nodes}
	asked := time.Now()
	answer, err := p.channel.call(ctx, &p.request)
	if err != nil {
		return nil, err
	}
	response, ok := answer.(*ua.ReadResponse)
	if !ok {
		return nil, &mismatchError{fmt.Errorf("answer is a %T, want a read", answer)}
	}
	if len(response.Results) != len(nodes) {
		return nil, &mismatchError{fmt.Errorf("answer holds %d values, want %d", len(response.Results), len(nodes))}
	}
	for _, v := range response.Results {
		if v == nil {
			return nil, &mismatchError{errors.New("answer holds an empty value")}
		}
	}
	if h := response.ResponseHeader; h != nil {
		p.measure(asked, time.Now(), h.Timestamp)
	}
	return response.Results, nil
}

// measure compares the server's time of its answer with the middle of our
// wait for it.
func (p *port) measure(asked, answered, stamp time.Time) {
	if stamp.IsZero() {
		return
	}
	p.skew = stamp.Sub(asked.Round(0).Add(answered.Sub(asked) / 2))
	limit := p.dialer.settings.SkewLimit
	if p.skew.Abs() <= limit {
		p.dialer.tell(false, "skew", Warning{})
		return
	}
	p.dialer.tell(true, "skew", Warning{"clock-skew",
		fmt.Sprintf("the clock of the server is %v off ours, more than %v", p.skew.Round(time.Millisecond), limit),
		"let both machines take the time from the same source; certificates and records rest on it"})
}

// mismatchError is an answer that does not fit the request.
type mismatchError struct{ err error }

func (e *mismatchError) Error() string { return e.err.Error() }
func (e *mismatchError) Unwrap() error { return e.err }

// wordsOf takes the registers of a value.
func wordsOf(v *ua.DataValue, want int) ([]uint16, error) {
	if v.Value == nil || v.Value.Value() == nil {
		return nil, &mismatchError{errors.New("value is empty although it is good")}
	}
	words, ok := v.Value.Value().([]uint16)
	if !ok {
		return nil, &mismatchError{fmt.Errorf("value is of type %T, want an array of %d UInt16", v.Value.Value(), want)}
	}
	if len(words) != want {
		return nil, &mismatchError{fmt.Errorf("value has %d elements, want %d", len(words), want)}
	}
	return words, nil
}

// Write writes one node, so it is one request whatever the server's limit of
// nodes. Only the value is sent: a server may refuse a status or a time.
func (p *port) Write(ctx context.Context, b handshake.ID, words []uint16) error {
	if err := link.CheckWrite(b, words); err != nil {
		return err
	}
	if p.dead != nil {
		return p.refuseDead("write", b)
	}
	value, err := ua.NewVariant(words)
	if err != nil {
		return &link.Error{Op: "write", Block: b, Class: link.ConfigClass, Err: err, Help: "this is a fault of the gateway; report it"}
	}
	answer, err := p.channel.call(ctx, &ua.WriteRequest{NodesToWrite: []*ua.WriteValue{{
		NodeID: p.item(b, 0).NodeID, AttributeID: ua.AttributeIDValue,
		Value: &ua.DataValue{EncodingMask: ua.DataValueValue, Value: value},
	}}})
	if err != nil {
		return p.fail("write", b, err)
	}
	response, ok := answer.(*ua.WriteResponse)
	if !ok || len(response.Results) != 1 {
		return p.fail("write", b, &mismatchError{fmt.Errorf("answer is a %T, want a write with one result", answer)})
	}
	switch status := response.Results[0]; {
	case status == ua.StatusGoodCompletesAsynchronously:
		return p.fail("write", b, fmt.Errorf("the write is not done yet: %w", status))
	case good(status):
		return nil
	case nothingDone(status):
		return &link.Error{Op: "write", Block: b, Class: link.Refused, Err: status, Help: statusHelp(status)}
	default:
		return p.fail("write", b, status)
	}
}

// good tells by the two highest bits whether data may be used.
func good(s ua.StatusCode) bool { return s>>30 == 0 }

func (p *port) refuseDead(op string, b handshake.ID) error {
	return &link.Error{Op: op, Block: b, Class: link.Down, Err: fmt.Errorf("the port is dead since: %w", p.dead)}
}

// fail classes an error, and ends the connection unless the server certainly
// answered this request and did nothing.
func (p *port) fail(op string, b handshake.ID, err error) error {
	e := &link.Error{Op: op, Block: b, Class: link.Unknown, Err: err, Help: silenceHelp(err)}
	var f *fault
	switch {
	case errors.Is(err, errUnsent):
		e.Class = link.Down
		if timedOut(err) {
			e.Help = "" // the caller's time was over before anything was sent
		}
	case errors.As(err, &f):
		e.Class, e.Help = faultClass(f.status), statusHelp(f.status)
	}
	if e.Class != link.Refused {
		p.dead = err
		p.channel.abandon()
	}
	return e
}

var errClosed = errors.New("the port was closed")

func (p *port) Close() error {
	if p.dead == nil {
		p.dead = errClosed
		p.channel.close()
	}
	return nil
}
