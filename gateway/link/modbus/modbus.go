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

	"lapgate/gateway/handshake"
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
	// Reads is how the controller's own blocks are read; those of the gateway
	// are always read back as the holding registers they are.
	Reads Reads
	// Writes is how a block of the gateway is written.
	Writes Writes
	// Warn is told what works but should not stay so: each once for as long as
	// it lasts. It is called by the goroutine that dials. Nil for nobody.
	Warn func(link.Warning)
}

// Reads is the function that reads the controller's own blocks.
type Reads uint8

// The functions: 3 for holding registers, 4 for input registers.
const (
	ReadHolding Reads = iota
	ReadInput
)

// Writes is the function that writes the gateway's blocks.
type Writes uint8

// The functions: 16 writes a block in one request. 6 writes one register after
// the other, the last word last, for a controller that lacks function 16.
//
// With function 6 a controller can see a block half written, and after an
// interruption it stays so. Still only a recipe that was offered can be
// accepted. The checksum stands in the last two words, so a block half written
// fails it, as surely as one that was torn while it was read. With only the very
// last register missing the block differs from the whole by a burst of at most
// 16 bits, which CRC-32 always finds. Payload and commit stay in order, since
// each register is confirmed before the next is written. The price is time: a
// payload takes 80 round trips instead of one.
const (
	WriteMultiple Writes = iota
	WriteSingle
)

func (c Config) check() []error {
	var bad []error
	if c.Layout == (link.Layout{}) {
		bad = append(bad, errors.New("register bases are not set"))
	}
	if err := c.Limits.Check(); err != nil {
		bad = append(bad, err)
	}
	if c.Reads > ReadInput {
		bad = append(bad, fmt.Errorf("way of reading is %d, want %d or %d", c.Reads, ReadHolding, ReadInput))
	}
	if c.Writes > WriteSingle {
		bad = append(bad, fmt.Errorf("way of writing is %d, want %d or %d", c.Writes, WriteMultiple, WriteSingle))
	}
	return append(bad, c.checkTimeout()...)
}

func (c Config) checkTimeout() []error {
	if c.Timeout <= 0 {
		return []error{fmt.Errorf("request timeout is %v, want more than 0", c.Timeout)}
	}
	return nil
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
	conf  Config
	ready func(now time.Time) error // tells why there is no use in connecting, nil for nothing

	open func(ctx context.Context) (transport, modbus.Packager, error)
	help func(err error) string // of a failed open

	warnings link.Warnings
}

var _ link.Dialer = (*Dialer)(nil)

func newDialer(conf Config, bad []error) (*Dialer, error) {
	if bad = append(bad, conf.check()...); len(bad) > 0 {
		return nil, &link.Error{Op: "dial", Class: link.ConfigClass, Err: errors.Join(bad...),
			Help: "correct the controller's section of the configuration"}
	}
	return bareDialer(conf), nil
}

func bareDialer(conf Config) *Dialer {
	return &Dialer{conf: conf, ready: func(time.Time) error { return nil }, warnings: link.Warnings{To: conf.Warn}}
}

func checkAddress(address string) error {
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		if wrong := (*net.AddrError)(nil); errors.As(err, &wrong) {
			err = errors.New(wrong.Err) // without the address, which stands here
		}
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

// Dial connects, and reads the controller's own blocks once, so that a base address
// or a limit that the controller does not support shows before any work depends on
// it. The gateway's blocks are not read: it may have no right to.
// Errors are *link.Error of class Down or ConfigClass.
func (d *Dialer) Dial(ctx context.Context) (link.Port, error) {
	if err := ctx.Err(); err != nil {
		return nil, &link.Error{Op: "dial", Class: link.Down, Err: err}
	}
	t, packager, err := d.connect(ctx)
	if err != nil {
		return nil, err
	}
	p := &port{
		client: modbus.NewClient2(packager, t),
		t:      t,
		plan:   link.Plan{Layout: d.conf.Layout, Limits: d.conf.Limits},
		reads:  d.conf.Reads,
		writes: d.conf.Writes,
	}
	if err := p.checkBlocks(ctx); err != nil {
		_ = p.Close()
		return nil, err
	}
	return p, nil
}

// connect opens a connection. Errors are those of Dial.
func (d *Dialer) connect(ctx context.Context) (transport, modbus.Packager, error) {
	if err := d.ready(time.Now()); err != nil {
		return nil, nil, err
	}
	opening, cancel := context.WithTimeout(ctx, d.conf.Timeout)
	defer cancel()
	t, packager, err := d.open(opening)
	if err != nil {
		return nil, nil, &link.Error{Op: "dial", Class: link.Down, Err: err, Help: d.help(err)}
	}
	return t, packager, nil
}

var _ link.Forger = (*port)(nil)

// port is one connection. It is used by one goroutine at a time.
type port struct {
	client modbus.Client
	t      transport
	plan   link.Plan
	reads  Reads
	writes Writes
	room   [2 * link.MostWrite]byte
	dead   error
}

// checkBlocks reads the request block, and the first and the last entry of the ring.
func (p *port) checkBlocks(ctx context.Context) error {
	spans := []link.Span{
		{Block: handshake.REQ, Dst: make([]uint16, handshake.ReqWords)},
		{Block: handshake.OUT, Dst: make([]uint16, handshake.OutWords)},
		{Block: handshake.OUT, Entry: handshake.OutEntries - 1, Dst: make([]uint16, handshake.OutWords)},
	}
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
		id := p.plan.Block(i)
		function, read := byte(modbus.FuncCodeReadHoldingRegisters), p.client.ReadHoldingRegisters
		if p.reads == ReadInput && !handshake.GatewayOwned(id) {
			function, read = modbus.FuncCodeReadInputRegisters, p.client.ReadInputRegisters
		}
		reply, err := read(uint16(r.Address), uint16(r.Words))
		if err == nil && !p.plan.Fill(i, reply) {
			err = fmt.Errorf("answer holds %d bytes, want %d", len(reply), 2*r.Words)
		}
		if err != nil {
			return p.fail(failure{op: "read", block: id, request: r, function: function}, err)
		}
	}
	return nil
}

func (p *port) Write(ctx context.Context, b handshake.ID, words []uint16) error {
	if err := link.CheckWrite(b, words); err != nil {
		return err
	}
	return p.write(ctx, b, words)
}

// Forge writes a block that need not be whole.
func (p *port) Forge(ctx context.Context, b handshake.ID, words []uint16) error {
	if err := link.CheckForged(b, words); err != nil {
		return err
	}
	return p.write(ctx, b, words)
}

func (p *port) write(ctx context.Context, b handshake.ID, words []uint16) error {
	if p.dead != nil {
		return p.refuseDead("write", b)
	}
	p.t.begin(ctx)
	defer p.t.end()
	f := failure{op: "write", block: b, request: link.Request{Address: p.plan.Layout.Address(b, 0), Words: len(words)}}
	if p.writes == WriteSingle {
		return p.writeSingly(f, words)
	}
	f.function = modbus.FuncCodeWriteMultipleRegisters
	for i, w := range words {
		p.room[2*i], p.room[2*i+1] = byte(w>>8), byte(w)
	}
	if _, err := p.client.WriteMultipleRegisters(uint16(f.request.Address), uint16(f.request.Words), p.room[:2*len(words)]); err != nil {
		return p.fail(f, err)
	}
	return nil
}

// writeSingly writes one register after the other, the last word last.
func (p *port) writeSingly(f failure, words []uint16) error {
	f.function = modbus.FuncCodeWriteSingleRegister
	for i, w := range words {
		if _, err := p.client.WriteSingleRegister(uint16(f.request.Address+i), w); err != nil {
			f.written = i
			return p.fail(f, err)
		}
	}
	return nil
}

// failure is the call that failed.
type failure struct {
	op       string
	block    handshake.ID
	function byte
	request  link.Request
	written  int // registers of the block that were written before
}

func (p *port) refuseDead(op string, b handshake.ID) error {
	return &link.Error{Op: op, Block: b, Class: link.Down, Err: fmt.Errorf("the port is dead since: %w", p.dead)}
}

// fail classes an error, and ends the connection unless the controller
// certainly answered this request and did nothing.
func (p *port) fail(f failure, err error) error {
	e := &link.Error{Op: f.op, Block: f.block, Err: err}
	if code := exceptionOf(err); code != 0 {
		e.Class = exceptionClass(f, code)
		e.Help = exceptionHelp(code, f)
	} else {
		e.Class, e.Help = link.Unknown, silenceHelp(err)
		if !p.t.sent() {
			e.Class = link.Down
			if timedOut(err) {
				e.Help = "" // the caller's time was over before anything was sent
			}
		}
	}
	if f.written > 0 {
		e.Class = link.Unknown
		e.Err = fmt.Errorf("after %d of %d registers: %w", f.written, f.request.Words, err)
	}
	if !e.Class.Answered() {
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
