package opcua

import (
	"context"
	"errors"
	"fmt"
	"net"
	"slices"
	"time"

	"github.com/gopcua/opcua/id"
	"github.com/gopcua/opcua/ua"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
	"lapgate/gateway/link/opcua/channel"
)

// connection is a session with a server: what a port, raw access and a probe
// have in common. It is used by one goroutine at a time.
type connection struct {
	channel       *channel.Channel
	dialer        *Dialer
	own           *identity // that the server knows it by, nil without a policy
	reads, writes int       // nodes in one request, 0 for any number
	skew          time.Duration
	dead          error // why nothing is sent any more, nil while it lives

	request channel.ReadRequest
	nodes   []*item
}

// connect checks the server's certificate, logs in, reads the limits of the
// server and then calls examine, which may be nil. Errors are
// *link.Error of class Down or ConfigClass.
func (d *Dialer) connect(ctx context.Context, examine func(context.Context, *connection) error) (*connection, error) {
	c, err := d.session(ctx)
	if err != nil {
		return nil, d.dialError(ctx, err)
	}
	err = c.limits(ctx)
	if err == nil && examine != nil {
		err = examine(ctx, c)
	}
	if err != nil {
		_ = c.Close()
		return nil, d.dialError(ctx, err)
	}
	c.channel.SetTimeout(d.settings.Timeout)
	return c, nil
}

// session connects, checks the server's certificate and logs in: with the present
// identity, which may have been renewed since the dialer was made, and where the server
// does not take it, with one that was before.
func (d *Dialer) session(ctx context.Context) (*connection, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	now := time.Now()
	if d.own == nil {
		return d.sessionAs(ctx, nil, now)
	}
	if own, err := loadIdentity(d.settings.Folder); err == nil { // else the one that is known is as good
		d.own = own
	}
	if err := d.checkOwn(now); err != nil {
		return nil, err
	}
	c, err := d.sessionAs(ctx, d.own, now)
	rejected := err != nil && d.rejected(err)
	if rejected {
		c, err = d.sessionAsBefore(ctx, err, now)
	}
	d.tell(rejected && err == nil, "renewed", Warning{"not-trusted-yet",
		"the server at " + d.settings.Endpoint + " does not trust the new certificate of the gateway yet; the connection goes on with the one before", d.rejectedHelp()})
	return c, err
}

// sessionAsBefore is session with the newest identity before the present one that the
// server takes. Where it takes none the error is that of the present one.
func (d *Dialer) sessionAsBefore(ctx context.Context, rejected error, now time.Time) (*connection, error) {
	for _, before := range formerIdentities(d.settings.Folder, now) {
		if ctx.Err() != nil {
			break
		}
		if c, err := d.sessionAs(ctx, before, now); err == nil {
			return c, nil
		}
	}
	return nil, rejected
}

// sessionAs is session with one identity.
func (d *Dialer) sessionAs(ctx context.Context, own *identity, now time.Time) (*connection, error) {
	s := &d.settings
	offered, err := discover(ctx, s.Endpoint, s.Timeout, s.Turn)
	if err != nil {
		return nil, err
	}
	server, err := choose(s, offered, now)
	if err != nil {
		return nil, err
	}
	d.warnOf(server, now)
	conf := channel.Config{
		Policy: s.Policy.uri(), Mode: s.Mode.code(), Lifetime: d.lifetime, Timeout: max(s.Timeout, loginPatience), Turn: s.Turn,
	}
	if own != nil {
		conf.Certificate, conf.Key, conf.Server = own.cert.Raw, own.key, server.leaf.Raw
	}
	opened, err := dialChannel(ctx, s.Endpoint, conf)
	if err != nil {
		return nil, err
	}
	c := &connection{channel: opened, dialer: d, own: own}
	if err := c.login(ctx, server); err != nil {
		opened.Close()
		return nil, err
	}
	return c, nil
}

// loginPatience is the least time that a server gets for each step of a login
// and of the check of the blocks: a small controller calculates with long numbers then. The
// context of Dial can end it sooner.
const loginPatience = 5 * time.Second

// dialChannel opens a channel to an endpoint.
func dialChannel(ctx context.Context, endpoint string, conf channel.Config) (*channel.Channel, error) {
	name, port, err := host(endpoint)
	if err != nil {
		return nil, err
	}
	conf.Endpoint, conf.Address = endpoint, net.JoinHostPort(name, port)
	return channel.Dial(ctx, conf)
}

// limits reads how many nodes a request may name. A server without such limits
// has no such nodes, or says 0.
func (c *connection) limits(ctx context.Context) error {
	results, err := c.ask(ctx, []*item{
		valueOfNode(ua.NewNumericNodeID(0, id.Server_ServerCapabilities_OperationLimits_MaxNodesPerRead)),
		valueOfNode(ua.NewNumericNodeID(0, id.Server_ServerCapabilities_OperationLimits_MaxNodesPerWrite)),
	})
	if err != nil {
		return fmt.Errorf("reading the limits of the server: %w", err)
	}
	for i, to := range []*int{&c.reads, &c.writes} {
		if n, ok := valueOf[uint32](results[i]); ok && n < 1<<31 {
			*to = int(n)
		}
	}
	return nil
}

// portion is how many of n nodes fit into one request.
func portion(n, limit int) int {
	if limit > 0 {
		return min(n, limit)
	}
	return n
}

// item is an attribute of a node, which is encoded once and read often.
type item struct {
	*ua.ReadValueID
	encoded channel.Encoded
}

func attribute(node *ua.NodeID, a ua.AttributeID) *item {
	return &item{ReadValueID: &ua.ReadValueID{NodeID: node, AttributeID: a, DataEncoding: &ua.QualifiedName{}}}
}

func valueOfNode(node *ua.NodeID) *item { return attribute(node, ua.AttributeIDValue) }

// valueOf is a good value of one type.
func valueOf[T any](v *ua.DataValue) (value T, ok bool) {
	if !good(v.Status) || v.Value == nil {
		return value, false
	}
	value, ok = v.Value.Value().(T)
	return value, ok
}

// fewer halves the number of nodes in one request where a server refused n as too
// many: not every server says its limits, or keeps to what it says. It reports false
// where the error is another one, or one node was too many.
func fewer(limit *int, n int, err error) bool {
	var f *channel.Fault
	if n < 2 || !errors.As(err, &f) || !slices.Contains([]ua.StatusCode{
		ua.StatusBadTooManyOperations, ua.StatusBadRequestTooLarge, ua.StatusBadResponseTooLarge, ua.StatusBadEncodingLimitsExceeded,
	}, f.Status) {
		return false
	}
	*limit = n / 2
	return true
}

// ask reads nodes, fresh and with both timestamps, and returns as many results as
// were asked for. It takes one request, or more where the server refuses so many nodes
// in one.
func (c *connection) ask(ctx context.Context, nodes []*item) ([]*ua.DataValue, error) {
	results, err := c.askOnce(ctx, nodes)
	if !fewer(&c.reads, len(nodes), err) {
		return results, err
	}
	results = make([]*ua.DataValue, 0, len(nodes))
	for len(nodes) > 0 {
		n := portion(len(nodes), c.reads)
		part, err := c.ask(ctx, nodes[:n])
		if err != nil {
			return nil, err
		}
		results, nodes = append(results, part...), nodes[n:]
	}
	return results, nil
}

// askOnce is ask in one request.
func (c *connection) askOnce(ctx context.Context, nodes []*item) ([]*ua.DataValue, error) {
	c.request.TimestampsToReturn = ua.TimestampsToReturnBoth
	c.request.NodesToRead = c.request.NodesToRead[:0]
	for _, n := range nodes {
		if n.encoded == nil {
			var err error
			if n.encoded, err = ua.Encode(n.ReadValueID); err != nil {
				return nil, fmt.Errorf("%w: node %s: %w", channel.ErrUnsent, n.NodeID, err)
			}
		}
		c.request.NodesToRead = append(c.request.NodesToRead, n.encoded)
	}
	asked := time.Now()
	answer, err := c.channel.Call(ctx, &c.request)
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
		c.measure(asked, time.Now(), h.Timestamp)
	}
	return response.Results, nil
}

// write writes nodes in one request and returns as many results. Only the
// values are sent: a server may refuse a status or a time.
func (c *connection) write(ctx context.Context, items []*ua.WriteValue) ([]ua.StatusCode, error) {
	answer, err := c.channel.Call(ctx, &ua.WriteRequest{NodesToWrite: items})
	if err != nil {
		return nil, err
	}
	response, ok := answer.(*ua.WriteResponse)
	if !ok || len(response.Results) != len(items) {
		return nil, &mismatchError{fmt.Errorf("answer is a %T, want a write with as many results as nodes, %d", answer, len(items))}
	}
	return response.Results, nil
}

// writing is the writing of one value. An error is a fault of the gateway.
func writing(op string, b handshake.ID, node *ua.NodeID, value any) (*ua.WriteValue, error) {
	v, err := ua.NewVariant(value)
	if err != nil {
		return nil, &link.Error{Op: op, Block: b, Class: link.ConfigClass, Err: fmt.Errorf("node %s: %w", node, err), Help: "this is a fault of the gateway; report it"}
	}
	return &ua.WriteValue{NodeID: node, AttributeID: ua.AttributeIDValue,
		Value: &ua.DataValue{EncodingMask: ua.DataValueValue, Value: v}}, nil
}

// Skew is how far the clock of the server is ahead of the gateway's, as it was
// at the last read.
func (c *connection) Skew() time.Duration { return c.skew }

// measure compares the server's time of its answer with the middle of our
// wait for it.
func (c *connection) measure(asked, answered, stamp time.Time) {
	if stamp.IsZero() {
		return
	}
	c.skew = stamp.Sub(asked.Round(0).Add(answered.Sub(asked) / 2))
	limit := c.dialer.settings.SkewLimit
	if c.skew.Abs() <= limit {
		c.dialer.tell(false, "skew", Warning{})
		return
	}
	c.dialer.tell(true, "skew", Warning{"clock-skew",
		fmt.Sprintf("the clock of the server is %v off ours, more than %v", c.skew.Round(time.Millisecond), limit),
		"let both machines take the time from the same source; certificates and records rest on it"})
}

// mismatchError is an answer that does not fit the request.
type mismatchError struct{ err error }

func (e *mismatchError) Error() string { return e.err.Error() }
func (e *mismatchError) Unwrap() error { return e.err }

// good tells by the two highest bits whether data may be used.
func good(s ua.StatusCode) bool { return s>>30 == 0 }

func (c *connection) refuseDead(op string, b handshake.ID) error {
	return &link.Error{Op: op, Block: b, Class: link.Down, Err: fmt.Errorf("the port is dead since: %w", c.dead)}
}

// fail classes an error, and ends the connection unless the server certainly
// answered this request and did nothing.
func (c *connection) fail(op string, b handshake.ID, err error) error {
	e := &link.Error{Op: op, Block: b, Class: link.Unknown, Err: err, Help: silenceHelp(err)}
	var f *channel.Fault
	switch {
	case errors.Is(err, channel.ErrUnsent):
		e.Class = link.Down
		if timedOut(err) {
			e.Help = "" // the caller's time was over before anything was sent
		}
	case errors.As(err, &f):
		e.Class, e.Help = faultClass(f.Status), statusHelp(f.Status)
	}
	if !e.Class.Answered() {
		c.dead = err
		c.channel.Sever()
	}
	return e
}

var errClosed = errors.New("the port was closed")

// Close ends session and channel in good order, so far as the server goes
// along. It may be called more than once.
func (c *connection) Close() error {
	if c.dead == nil {
		c.dead = errClosed
		patience := farewell
		if c.dialer.settings.Turn != nil {
			patience += turnPatience
		}
		farewell, cancel := context.WithTimeout(context.Background(), patience)
		defer cancel()
		_, _ = c.channel.Call(farewell, &ua.CloseSessionRequest{DeleteSubscriptions: true}) // it ends in any case
		c.channel.Close()
	}
	return nil
}

// farewell is the longest that a server is given to hear of the end of a
// session.
const farewell = 250 * time.Millisecond

// turnPatience is added to it where messages wait for their turn.
const turnPatience = time.Second
