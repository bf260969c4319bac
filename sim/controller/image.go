package controller

import (
	"fmt"
	"sync"
)

// BlockName names a block of the register image.
type BlockName string

// The blocks.
const (
	BlockReq       BlockName = "REQ"
	BlockOut       BlockName = "OUT"
	BlockHeartbeat BlockName = "HEARTBEAT"
	BlockHello     BlockName = "HELLO"
	BlockPayload   BlockName = "PAYLOAD"
	BlockCommit    BlockName = "COMMIT"
	BlockAck       BlockName = "ACK"
)

// AddressError is a read or write of registers that are not there, or that
// the gateway does not own.
type AddressError struct {
	Op    string
	Addr  uint16
	Count int
}

func (e *AddressError) Error() string {
	return fmt.Sprintf("%s of %d registers at %d: no such registers, or not the gateway's to write", e.Op, e.Count, e.Addr)
}

// Image is the live register area that links read and write. One call is one
// atomic access, but nothing in the handshake relies on that. It is safe for
// concurrent use.
type Image struct {
	bases Bases

	mu       sync.Mutex
	req      ReqWords
	prevReq  ReqWords
	out      [ringLen]OutWords
	accepted PayloadWords
	area     Area
	earlier  Area // what stood in each block before its newest write
	torn     int  // reads of REQ still to be torn
	discard  map[BlockName]int
	onStrike func(fault string)
}

// NewImage returns an image with the blocks at the bases given.
func NewImage(b Bases) *Image {
	return &Image{bases: b, discard: map[BlockName]int{}}
}

// OnStrike sets what is called when a fault of the image takes effect. It is
// called with the image locked and must not call it back.
func (g *Image) OnStrike(f func(fault string)) { g.mu.Lock(); g.onStrike = f; g.mu.Unlock() }

// Bases returns where the blocks stand.
func (g *Image) Bases() Bases { return g.bases }

// Read returns count registers from addr on.
func (g *Image) Read(addr uint16, count int) ([]uint16, error) {
	if count < 1 {
		return nil, &AddressError{"read", addr, count}
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	lo, hi := int(addr), int(addr)+count
	side := func(first, end int) bool { return lo >= first && hi <= end }
	b := g.bases
	gatewayFirst := min(b.Heartbeat, b.Hello, b.Payload, b.Commit, b.Ack)
	gatewayEnd := max(int(b.Heartbeat)+heartbeatLen, int(b.Hello)+helloLen, int(b.Payload)+payloadLen,
		int(b.Commit)+commitLen, int(b.Ack)+ackLen)
	own := side(int(min(b.Req, b.Out)), max(int(b.Req)+reqLen, int(b.Out)+ringLen*outLen))
	if !own && !side(int(gatewayFirst), gatewayEnd) {
		return nil, &AddressError{"read", addr, count}
	}
	dst := make([]uint16, count)
	put := func(base uint16, words []uint16) {
		for i, w := range words {
			if at := int(base) + i; at >= lo && at < hi {
				dst[at-lo] = w
			}
		}
	}
	req := g.req
	if g.torn > 0 && lo < int(b.Req)+reqLen && hi > int(b.Req) && g.req != g.prevReq {
		// Head of the new publication, rest of the one before.
		copy(req[3:], g.prevReq[3:])
		g.torn--
		g.struck("torn-block")
	}
	put(b.Req, req[:])
	for i := range g.out {
		put(b.Out+uint16(i*outLen), g.out[i][:])
	}
	put(b.Heartbeat, g.area.Heartbeat[:])
	put(b.Hello, g.area.Hello[:])
	put(b.Payload, g.area.Payload[:])
	put(b.Commit, g.area.Commit[:])
	put(b.Ack, g.area.Ack[:])
	return dst, nil
}

func (g *Image) struck(fault string) {
	if g.onStrike != nil {
		g.onStrike(fault)
	}
}

// block returns the words of a gateway-owned block within an area.
func (a *Area) block(n BlockName) []uint16 {
	switch n {
	case BlockHeartbeat:
		return a.Heartbeat[:]
	case BlockHello:
		return a.Hello[:]
	case BlockPayload:
		return a.Payload[:]
	case BlockCommit:
		return a.Commit[:]
	case BlockAck:
		return a.Ack[:]
	}
	return nil
}

func (g *Image) base(n BlockName) uint16 {
	switch n {
	case BlockHeartbeat:
		return g.bases.Heartbeat
	case BlockHello:
		return g.bases.Hello
	case BlockPayload:
		return g.bases.Payload
	case BlockCommit:
		return g.bases.Commit
	}
	return g.bases.Ack
}

var gatewayBlocks = [...]BlockName{BlockHeartbeat, BlockHello, BlockPayload, BlockCommit, BlockAck}

// Write puts words at addr. They must lie within one block that the gateway
// owns, otherwise nothing is written.
func (g *Image) Write(addr uint16, words []uint16) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	for _, n := range gatewayBlocks {
		dst, off := g.area.block(n), int(addr)-int(g.base(n))
		if len(words) == 0 || off < 0 || off+len(words) > len(dst) {
			continue
		}
		if g.discard[n] > 0 {
			g.discard[n]--
			g.struck(map[BlockName]string{BlockCommit: "lost-commit", BlockAck: "ack-lost"}[n])
			return nil
		}
		copy(g.earlier.block(n), dst)
		copy(dst[off:], words)
		return nil
	}
	return &AddressError{"write", addr, len(words)}
}

// Copy returns the gateway's area as it stands.
func (g *Image) Copy() Area { g.mu.Lock(); defer g.mu.Unlock(); return g.area }

// Publish makes the outputs of the controller's newest scan visible.
func (g *Image) Publish(c *Controller) {
	if !c.published && len(c.outDirty) == 0 {
		return
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	for _, i := range c.outDirty {
		g.out[i] = c.mem.Ring[i]
	}
	if c.published {
		g.accepted = c.mem.Payload
		g.prevReq, g.req = g.req, c.req
	}
}

// Clear empties the gateway's area, as a restart that does not keep it does.
func (g *Image) Clear() { g.mu.Lock(); g.area, g.earlier = Area{}, Area{}; g.mu.Unlock() }

// Tear makes the next n reads of REQ return half an old and half a new block.
func (g *Image) Tear(n int) { g.mu.Lock(); g.torn = n; g.mu.Unlock() }

// Discard makes the next n writes of a block vanish although they are
// confirmed.
func (g *Image) Discard(b BlockName, n int) { g.mu.Lock(); g.discard[b] = n; g.mu.Unlock() }

// Reland writes what stood in a block before its newest write once more, as a
// copy held up on the way does. It reports whether there was anything to land.
func (g *Image) Reland(b BlockName) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	old, now := g.earlier.block(b), g.area.block(b)
	if old == nil || old[0] == 0 {
		return false
	}
	copy(now, old)
	return true
}

// Request returns the request block as a link would read it.
func (g *Image) Request() ReqWords { g.mu.Lock(); defer g.mu.Unlock(); return g.req }

// Accepted returns the payload of the offer accepted last, all zero before the
// first. It is for displays; no link can read it.
func (g *Image) Accepted() PayloadWords { g.mu.Lock(); defer g.mu.Unlock(); return g.accepted }
