package controller

import (
	"fmt"
	"sync"

	"lapgate/sim/registers"
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
	out      [registers.RingEntries]OutWords
	limits   LimitsWords
	accepted PayloadWords
	area     Area
	earlier  Area // what stood in each block before its newest write
	torn     int  // reads of REQ still to be torn
	discard  map[registers.Block]int
	quirks   quirky
	onFault  func(fault string)
}

// NewImage returns an image with the blocks at the bases given.
func NewImage(b Bases) *Image {
	return &Image{bases: b, discard: map[registers.Block]int{}}
}

// OnFault sets what is called when a fault of the image takes effect. It is
// called with the image locked and must not call it back.
func (g *Image) OnFault(f func(fault string)) { g.mu.Lock(); g.onFault = f; g.mu.Unlock() }

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
	if !g.bases.within(lo, hi, false) && !g.bases.within(lo, hi, true) || !g.quirks.allows(g.bases, lo, hi, false) {
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
	if first := int(g.bases.Req); g.torn > 0 && lo < first+len(req) && hi > first && g.req != g.prevReq {
		// Head of the new publication, rest of the one before.
		copy(req[3:], g.prevReq[3:])
		g.torn--
		g.tellFault("torn-block")
	}
	put(g.bases.Req, req[:])
	for i := range g.out {
		put(g.bases.Out+uint16(i*len(g.out[i])), g.out[i][:])
	}
	for _, b := range gatewayBlocks() {
		put(g.bases.Of(b), g.area.block(b))
	}
	put(g.bases.Limits, g.limits[:])
	return dst, nil
}

// within reports whether the registers from lo to before hi lie in the area of
// one side. The limits stand apart from the rest of the controller's area.
func (b Bases) within(lo, hi int, gateway bool) bool {
	if lo >= int(b.Limits) && hi <= int(b.Limits)+registers.LimitsWords {
		return true
	}
	first, end := int(^uint16(0)), 0
	for _, block := range registers.Blocks() {
		s := block.Shape()
		if s.Gateway != gateway || block == registers.Limits {
			continue
		}
		words := s.Words
		if block == registers.Outcome {
			words *= registers.RingEntries
		}
		first, end = min(first, int(b.Of(block))), max(end, int(b.Of(block))+words)
	}
	return lo >= first && hi <= end
}

func (g *Image) tellFault(fault string) {
	if g.onFault != nil {
		g.onFault(fault)
	}
}

// block returns the words of a gateway-owned block within an area.
func (a *Area) block(n registers.Block) []uint16 {
	switch n {
	case registers.Heartbeat:
		return a.Heartbeat[:]
	case registers.Hello:
		return a.Hello[:]
	case registers.Payload:
		return a.Payload[:]
	case registers.Commit:
		return a.Commit[:]
	case registers.Ack:
		return a.Ack[:]
	}
	return nil
}

// gatewayBlocks are the blocks that the gateway owns.
func gatewayBlocks() []registers.Block {
	return []registers.Block{registers.Heartbeat, registers.Hello, registers.Payload, registers.Commit, registers.Ack}
}

// Write puts words at addr. They must lie within one block that the gateway
// owns, otherwise nothing is written.
func (g *Image) Write(addr uint16, words []uint16) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	if !g.quirks.allows(g.bases, int(addr), int(addr)+len(words), true) {
		return &AddressError{"write", addr, len(words)}
	}
	for _, n := range gatewayBlocks() {
		dst, off := g.area.block(n), int(addr)-int(g.bases.Of(n))
		if len(words) == 0 || off < 0 || off+len(words) > len(dst) {
			continue
		}
		if g.discard[n] > 0 {
			g.discard[n]--
			g.tellFault(map[registers.Block]string{registers.Commit: "lost-commit", registers.Ack: "ack-lost"}[n])
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
		if c.cfg.ShowLimits {
			g.limits = c.limits
		}
		g.prevReq, g.req = g.req, g.quirks.publish(c.req)
	}
}

// Clear empties the gateway's area, as a restart that does not keep it does.
func (g *Image) Clear() { g.mu.Lock(); g.area, g.earlier = Area{}, Area{}; g.mu.Unlock() }

// Tear makes the next n reads of REQ return half an old and half a new block.
func (g *Image) Tear(n int) { g.mu.Lock(); g.torn = n; g.mu.Unlock() }

// Discard makes the next n writes of a block vanish although they are
// confirmed.
func (g *Image) Discard(b registers.Block, n int) { g.mu.Lock(); g.discard[b] = n; g.mu.Unlock() }

// Reland writes what stood in a block before its newest write once more, as a
// copy held up on the way does. It reports whether there was anything to land.
func (g *Image) Reland(b registers.Block) bool {
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
