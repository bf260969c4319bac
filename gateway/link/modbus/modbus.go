// Package modbus is the controller link over Modbus: TCP, TCP with TLS
// (Modbus/TCP Security) and RTU on a serial line. The library packs and
// unpacks; connections, deadlines and the checking of answers are done here,
// because an answer is only worth something when it is certainly the answer to
// the request that was sent.
//
// An answer that does not fit its request, or that does not come, ends the
// connection: nothing is tried again, and no late answer can be taken for that
// of another request.
package modbus

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strconv"
	"time"

	"github.com/goburrow/modbus"

	"lapgate/gateway/block"
	"lapgate/gateway/link"
)

// Config is what all transports need.
type Config struct {
	// Unit is the unit identifier, 1 to 247 on a serial line. On TCP it names
	// a device behind a bridge; 0 and 255 mean the device itself.
	Unit uint8
	// Layout has the register bases.
	Layout link.Layout
	// Limits of one request.
	Limits link.Limits
	// Timeout is the longest wait for one connection or one answer; the
	// context of a call can end it sooner.
	Timeout time.Duration
}

func (c Config) check() []error {
	var bad []error
	if c.Layout == (link.Layout{}) {
		bad = append(bad, errors.New("register bases are not set"))
	}
	if err := c.Limits.Check(); err != nil {
		bad = append(bad, err)
	}
	if c.Timeout <= 0 {
		bad = append(bad, fmt.Errorf("request timeout is %v, want more than 0", c.Timeout))
	}
	return bad
}

// transport carries requests and answers over one connection.
type transport interface {
	modbus.Transporter
	// begin makes ctx the context of every Send until end.
	begin(ctx context.Context)
	end()
	// sent tells whether the last Send put anything on the wire.
	sent() bool
	Close() error
}

// Dialer opens ports over one of the transports.
type Dialer struct {
	conf Config
	open func(ctx context.Context) (transport, modbus.Packager, error)
	help func(err error) string // of a failed open
}

var _ link.Dialer = (*Dialer)(nil)

func newDialer(conf Config, bad []error) (*Dialer, error) {
	if bad = append(bad, conf.check()...); len(bad) > 0 {
		return nil, &link.Error{Op: "dial", Class: link.ConfigClass, Err: errors.Join(bad...),
			Help: "correct the controller's section of the configuration"}
	}
	return &Dialer{conf: conf}, nil
}

func checkAddress(address string) error {
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		return fmt.Errorf("address %q: %w, want host:port", address, err)
	}
	if n, err := strconv.Atoi(port); err != nil || n < 1 || n > 65535 {
		return fmt.Errorf("address %q: port %q, want 1 to 65535", address, port)
	}
	if host == "" {
		return fmt.Errorf("address %q has no host, want host:port", address)
	}
	return nil
}

// Dial connects, and reads every block once, so that a base address or a limit
// that the controller does not support shows before any work depends on it.
// Errors are *link.Error of class Down or ConfigClass.
func (d *Dialer) Dial(ctx context.Context) (link.Port, error) {
	if err := ctx.Err(); err != nil {
		return nil, &link.Error{Op: "dial", Class: link.Down, Err: err}
	}
	opening, cancel := context.WithTimeout(ctx, d.conf.Timeout)
	defer cancel()
	t, packager, err := d.open(opening)
	if err != nil {
		return nil, &link.Error{Op: "dial", Class: link.Down, Err: err, Help: d.help(err)}
	}
	p := &port{
		client: modbus.NewClient2(packager, t),
		t:      t,
		plan:   link.Plan{Layout: d.conf.Layout, Limits: d.conf.Limits},
	}
	if err := p.survey(ctx); err != nil {
		_ = p.Close()
		return nil, err
	}
	return p, nil
}

// port is one connection. It is used by one goroutine at a time.
type port struct {
	client modbus.Client
	t      transport
	plan   link.Plan
	room   [2 * link.MostWrite]byte
	dead   error
}

// survey reads the ends of every block.
func (p *port) survey(ctx context.Context) error {
	spans := make([]link.Span, 0, len(block.IDs())+1)
	for _, id := range block.IDs() {
		spans = append(spans, link.Span{Block: id, Dst: make([]uint16, block.Words(id))})
	}
	spans = append(spans, link.Span{Block: block.OUT, Entry: block.OutEntries - 1, Dst: make([]uint16, block.OutWords)})
	err := p.Read(ctx, spans...)
	var e *link.Error
	if !errors.As(err, &e) {
		return err
	}
	class := link.Down
	if code := exceptionOf(err); code >= modbus.ExceptionCodeIllegalFunction && code <= modbus.ExceptionCodeIllegalDataValue {
		class = link.ConfigClass
	}
	return &link.Error{Op: "dial", Block: e.Block, Class: class,
		Err: fmt.Errorf("reading block %s: %w", e.Block, e.Err), Help: e.Help}
}

func (p *port) Read(ctx context.Context, spans ...link.Span) error {
	if err := p.plan.Set(spans); err != nil || len(spans) == 0 {
		return err
	}
	if p.dead != nil {
		return p.refuseDead("read", spans[0].Block)
	}
	p.t.begin(ctx)
	defer p.t.end()
	for i, r := range p.plan.Requests() {
		reply, err := p.client.ReadHoldingRegisters(uint16(r.Address), uint16(r.Words))
		if err == nil && !p.plan.Fill(i, reply) {
			err = fmt.Errorf("answer holds %d bytes, want %d", len(reply), 2*r.Words)
		}
		if err != nil {
			return p.fail("read", p.plan.Block(i), r, err)
		}
	}
	return nil
}

func (p *port) Write(ctx context.Context, b block.ID, words []uint16) error {
	if err := link.CheckWrite(b, words); err != nil {
		return err
	}
	if p.dead != nil {
		return p.refuseDead("write", b)
	}
	p.t.begin(ctx)
	defer p.t.end()
	for i, w := range words {
		p.room[2*i], p.room[2*i+1] = byte(w>>8), byte(w)
	}
	r := link.Request{Address: p.plan.Layout.Address(b, 0), Words: len(words)}
	if _, err := p.client.WriteMultipleRegisters(uint16(r.Address), uint16(r.Words), p.room[:2*len(words)]); err != nil {
		return p.fail("write", b, r, err)
	}
	return nil
}

func (p *port) refuseDead(op string, b block.ID) error {
	return &link.Error{Op: op, Block: b, Class: link.Down, Err: fmt.Errorf("the port is dead since: %w", p.dead)}
}

// fail classes an error, and ends the connection unless the controller
// certainly answered this request and did nothing.
func (p *port) fail(op string, b block.ID, r link.Request, err error) error {
	e := &link.Error{Op: op, Block: b, Err: err}
	if code := exceptionOf(err); code != 0 {
		e.Class = exceptionClass(op, code)
		e.Help = exceptionHelp(code, b, r)
	} else {
		e.Class, e.Help = link.Unknown, silenceHelp(err)
		if !p.t.sent() {
			e.Class = link.Down
			if timedOut(err) {
				e.Help = "" // the caller's time was over before anything was sent
			}
		}
	}
	if e.Class != link.Refused {
		p.dead = err
		_ = p.t.Close()
	}
	return e
}

var errClosed = errors.New("the port was closed")

func (p *port) Close() error {
	if p.dead == nil {
		p.dead = errClosed
		return p.t.Close()
	}
	return nil
}
