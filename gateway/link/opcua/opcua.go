// Package opcua is the controller link over OPC UA. Every block is a variable
// of its own, an array of UInt16; they are polled, never subscribed to.
//
// Package channel secures the messages; the session, the checking of
// certificates and what may be concluded from an answer are here. A call that
// gets no valid answer in time ends the connection: nothing is tried again, nothing
// is reconnected behind the caller's back, and whether the link lives is told
// by the controller's data alone.
package opcua

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"github.com/gopcua/opcua/ua"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
)

// Dialer opens ports to one server.
type Dialer struct {
	settings Settings
	own      *identity // nil without a policy
	lifetime time.Duration

	ringSeen atomic.Bool // every entry of the ring was looked at by a connection of ours

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
	p := &port{}
	c, err := d.connect(ctx, func(ctx context.Context, c *connection) error {
		p.connection = c
		return p.checkBlocks(ctx)
	})
	if err != nil {
		return nil, err
	}
	p.connection = c
	return p, nil
}

// checkOwn refuses an expired certificate of the gateway, and warns ahead.
func (d *Dialer) checkOwn(now time.Time) error {
	own := certificateOf(d.own.cert, "")
	if why := own.ValidAt(now); why != "" {
		return &configError{fmt.Errorf("the certificate of the gateway is %s", why),
			"check the clock; then make a new one with lapgate trust own --new, and have it accepted at the controller"}
	}
	d.tell(own.EndsSoon(now), "own", Warning{"expiry",
		"the certificate of the gateway ends on " + own.NotAfter.UTC().Format(time.DateOnly),
		"make a new one with lapgate trust own --new, and have it accepted at the controller; no line stops for it"})
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

var _ link.Forger = (*port)(nil)

// port is the blocks on one connection. It is used by one goroutine at a time.
type port struct {
	*connection
	blocks  [handshake.Blocks]*item
	entries [handshake.OutEntries]*item
}

func (p *port) item(id handshake.ID, entry int) *item {
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
		n := portion(len(spans), p.reads)
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
			if s.Block == handshake.OUT {
				clear(s.Dst) // no value, as of an entry never written
				continue
			}
			return &link.Error{Op: "read", Block: s.Block, Class: valueClass(s.Block, v.Status),
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

// valueClass tells what may be concluded from a value that is not good.
func valueClass(b handshake.ID, s ua.StatusCode) link.Class {
	if handshake.GatewayOwned(b) && noAccess(s) {
		return link.NoAccess
	}
	return link.NoData
}

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
// nodes.
func (p *port) Write(ctx context.Context, b handshake.ID, words []uint16) error {
	if err := link.CheckWrite(b, words); err != nil {
		return err
	}
	return p.put(ctx, b, words)
}

// Forge writes a block that need not be whole.
func (p *port) Forge(ctx context.Context, b handshake.ID, words []uint16) error {
	if err := link.CheckForged(b, words); err != nil {
		return err
	}
	return p.put(ctx, b, words)
}

func (p *port) put(ctx context.Context, b handshake.ID, words []uint16) error {
	if p.dead != nil {
		return p.refuseDead("write", b)
	}
	value, err := writing("write", b, p.item(b, 0).NodeID, words)
	if err != nil {
		return err
	}
	results, err := p.write(ctx, []*ua.WriteValue{value})
	if err != nil {
		return p.fail("write", b, err)
	}
	switch status := results[0]; {
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
