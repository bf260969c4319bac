// Package memory is a controller's registers in this process, and ports to
// them. It stands in for a transport where time is virtual: nothing in it uses
// a socket or starts a goroutine, and every fault of a transport is played on
// demand.
package memory

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
)

// Image is the registers that gateway and controller share. Store and Load
// move one block whole; a controller that wants several blocks in one act
// holds the lock and uses Words.
type Image struct {
	mu   sync.Mutex
	regs [handshake.Blocks][]uint16
	late []late
}

type late struct {
	id    handshake.ID
	words []uint16
}

// NewImage returns registers that are all zero.
func NewImage() *Image {
	m := &Image{}
	for _, id := range handshake.IDs() {
		n := handshake.Words(id)
		if id == handshake.OUT {
			n *= handshake.OutEntries
		}
		m.regs[id] = make([]uint16, n)
	}
	return m
}

// Lock keeps ports and other users out until Unlock.
func (m *Image) Lock() { m.mu.Lock() }

// Unlock ends Lock.
func (m *Image) Unlock() { m.mu.Unlock() }

// Words returns the live registers of a block, for OUT of one entry of the
// ring. The caller holds the lock.
func (m *Image) Words(id handshake.ID, entry int) []uint16 {
	n := handshake.Words(id)
	return m.regs[id][entry*n : (entry+1)*n]
}

// Load copies a block, for OUT one entry, to dst.
func (m *Image) Load(id handshake.ID, entry int, dst []uint16) {
	m.mu.Lock()
	defer m.mu.Unlock()
	copy(dst, m.Words(id, entry))
}

// Store copies words to a block, for OUT to one entry.
func (m *Image) Store(id handshake.ID, entry int, words []uint16) {
	m.mu.Lock()
	defer m.mu.Unlock()
	copy(m.Words(id, entry), words)
}

// Land carries out the writes that fault Late held back, in the order in which
// they were sent, and returns their number.
func (m *Image) Land() int {
	m.mu.Lock()
	defer m.mu.Unlock()
	n := len(m.late)
	for _, w := range m.late {
		copy(m.Words(w.id, 0), w.words)
	}
	m.late = nil
	return n
}

// Kind is how one call fails.
type Kind uint8

// The kinds. Only Refuse, Closed and Valueless leave the port usable.
const (
	None      Kind = iota
	Refuse         // answered no, nothing written
	Cut            // the link was dead before the call, nothing sent
	Lost           // sent, lost on the way, and the link closed: no answer
	Landed         // carried out, then the link closed before the answer
	BlackHole      // lost on the way, and no answer until the context ends
	Late           // a write that lands with Image.Land, and no answer until the context ends
	Closed         // answered that the block may not be read
	Valueless      // answered that there is no good value
	Torn           // a read of which Between runs after the first At registers
)

// Fault is what happens to one call.
type Fault struct {
	Kind    Kind
	Delay   time.Duration // before anything else; the context can end it
	At      int           // Torn: registers copied before Between
	Between func()        // Torn: runs without the lock, in the middle of the read
}

// Call is one call of a port, or a dial.
type Call struct {
	Op    string       // "read", "write", "dial"
	Block handshake.ID // of a read, the first span's
}

// Dialer opens ports to an image. The hooks may be nil, and are called without
// the lock.
type Dialer struct {
	Image *Image
	// Before decides what happens to a call.
	Before func(Call) Fault
	// After is called when a call was carried out, whether or not the caller
	// learnt of it; a controller can run a scan there.
	After func(Call)
}

var _ link.Dialer = (*Dialer)(nil)

// Dial opens a port. Errors are Down, and Config for a nil image.
func (d *Dialer) Dial(ctx context.Context) (link.Port, error) {
	if d.Image == nil {
		return nil, &link.Error{Op: "dial", Class: link.ConfigClass, Err: errors.New("the dialer has no image")}
	}
	p := &port{dialer: d}
	f := p.before(Call{Op: "dial"})
	if err := wait(ctx, f); err != nil {
		return nil, &link.Error{Op: "dial", Class: link.Down, Err: err}
	}
	if f.Kind != None {
		return nil, &link.Error{Op: "dial", Class: link.Down, Err: errCut}
	}
	p.after(Call{Op: "dial"})
	return p, nil
}

var (
	errCut    = errors.New("the link is cut")
	errRefuse = errors.New("the controller answered no")
	errClosed = errors.New("the port is closed")
)

var _ link.Forger = (*port)(nil)

type port struct {
	dialer *Dialer
	dead   error
}

func (p *port) before(c Call) Fault {
	if p.dialer.Before == nil {
		return Fault{}
	}
	return p.dialer.Before(c)
}

func (p *port) after(c Call) {
	if p.dialer.After != nil {
		p.dialer.After(c)
	}
}

// wait ends with the delay, or with the context; then, and when the fault
// swallows the answer, it returns the context's error.
func wait(ctx context.Context, f Fault) error {
	if f.Delay > 0 {
		timer := time.NewTimer(f.Delay)
		defer timer.Stop()
		select {
		case <-timer.C:
		case <-ctx.Done():
		}
	}
	if f.Kind == BlackHole || f.Kind == Late {
		<-ctx.Done()
	}
	return ctx.Err()
}

// fail marks the port dead when nothing more can be expected of it.
func (p *port) fail(c Call, class link.Class, err error) error {
	if !class.Answered() {
		p.dead = err
	}
	return &link.Error{Op: c.Op, Block: c.Block, Class: class, Err: err}
}

// start plays the part of a fault that comes before the registers are touched.
// A nil error means that the call is to be carried out.
func (p *port) start(ctx context.Context, c Call) (Fault, error) {
	if p.dead != nil {
		return Fault{}, &link.Error{Op: c.Op, Block: c.Block, Class: link.Down,
			Err: fmt.Errorf("the port is dead since: %w", p.dead)}
	}
	if err := ctx.Err(); err != nil {
		return Fault{}, p.fail(c, link.Down, err)
	}
	f := p.before(c)
	switch f.Kind {
	case Cut:
		return f, p.fail(c, link.Down, errCut)
	case Late:
		return f, nil
	}
	if err := wait(ctx, f); err != nil {
		return f, p.fail(c, link.Unknown, err)
	}
	switch f.Kind {
	case Refuse:
		return f, p.fail(c, link.Refused, errRefuse)
	case Closed:
		return f, p.fail(c, link.NoAccess, errRefuse)
	case Valueless:
		return f, p.fail(c, link.NoData, errRefuse)
	case Lost:
		return f, p.fail(c, link.Unknown, errCut)
	}
	return f, nil
}

func (p *port) Read(ctx context.Context, spans ...link.Span) error {
	if err := link.CheckRead(spans); err != nil || len(spans) == 0 {
		return err
	}
	c := Call{Op: "read", Block: spans[0].Block}
	f, err := p.start(ctx, c)
	if err != nil {
		return err
	}
	if f.Kind == Late {
		return p.fail(c, link.Unknown, wait(ctx, f))
	}
	left := -1
	if f.Kind == Torn {
		left = f.At
	}
	p.dialer.Image.Lock()
	for _, s := range spans {
		from := 0
		if left >= 0 && left < len(s.Dst) {
			copy(s.Dst[:left], p.dialer.Image.Words(s.Block, s.Entry))
			from = left
			p.dialer.Image.Unlock()
			if f.Between != nil {
				f.Between()
			}
			p.dialer.Image.Lock()
			left = -1
		} else if left >= 0 {
			left -= len(s.Dst)
		}
		copy(s.Dst[from:], p.dialer.Image.Words(s.Block, s.Entry)[from:])
	}
	p.dialer.Image.Unlock()
	return p.finish(c, f)
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
	c := Call{Op: "write", Block: b}
	f, err := p.start(ctx, c)
	if err != nil {
		return err
	}
	if f.Kind == Late {
		m := p.dialer.Image
		m.Lock()
		m.late = append(m.late, late{b, append([]uint16(nil), words...)})
		m.Unlock()
		return p.fail(c, link.Unknown, wait(ctx, f))
	}
	p.dialer.Image.Store(b, 0, words)
	return p.finish(c, f)
}

func (p *port) finish(c Call, f Fault) error {
	p.after(c)
	if f.Kind == Landed {
		return p.fail(c, link.Unknown, errCut)
	}
	return nil
}

func (p *port) Close() error {
	if p.dead == nil {
		p.dead = errClosed
	}
	return nil
}
