package link

import (
	"errors"
	"fmt"

	"lapgate/gateway/handshake"
)

// Limits of one request, in registers.
type Limits struct {
	Read  int // most that one read may ask for
	Write int // most that one write may carry
}

// The most that Modbus allows, by Modbus Application Protocol V1.1b3.
const (
	MostRead  = 125
	MostWrite = 123
)

// Check returns every problem at once. A write is never split, so a write
// must have room for the longest block that the gateway owns.
func (l Limits) Check() error {
	var bad []error
	if l.Read < 1 || l.Read > MostRead {
		bad = append(bad, fmt.Errorf("registers per read are %d, want 1 to %d", l.Read, MostRead))
	}
	if l.Write < handshake.PayloadWords || l.Write > MostWrite {
		bad = append(bad, fmt.Errorf("registers per write are %d, want %d to %d: a block is written in one request",
			l.Write, handshake.PayloadWords, MostWrite))
	}
	return errors.Join(bad...)
}

// Request is one read on the wire.
type Request struct {
	Address int // zero-based
	Words   int
}

// part is a piece of a span and the place in a reply where it stands.
type part struct {
	request int
	at      int
	dst     []uint16
	block   handshake.ID
	entry   int
}

// Plan turns spans into requests. It is used again and again, without
// allocating once it has grown. It is not safe for concurrent use.
type Plan struct {
	Layout   Layout
	Limits   Limits
	requests []Request
	parts    []part
}

// Set plans the reading of spans. Each block is a request of its own, for a
// controller may refuse a range that is not one whole block. Only entries of OUT
// that are asked for one behind the other, up to where the ring begins anew, share a
// request while they stay within the limit. A span longer than the limit is cut; its
// pieces are requests of their own. Errors are those of CheckRead.
func (p *Plan) Set(spans []Span) error {
	p.requests, p.parts = p.requests[:0], p.parts[:0]
	if err := CheckRead(spans); err != nil {
		return err
	}
	for _, s := range spans {
		if p.follows(s) {
			r := &p.requests[len(p.requests)-1]
			p.parts = append(p.parts, part{len(p.requests) - 1, r.Words, s.Dst, s.Block, s.Entry})
			r.Words += len(s.Dst)
			continue
		}
		from, rest := p.Layout.Address(s.Block, s.Entry), s.Dst
		for len(rest) > 0 {
			n := min(len(rest), p.Limits.Read)
			p.requests = append(p.requests, Request{from, n})
			p.parts = append(p.parts, part{len(p.requests) - 1, 0, rest[:n], s.Block, s.Entry})
			from, rest = from+n, rest[n:]
		}
	}
	return nil
}

// follows tells whether a span is the entry behind the last one planned and still
// fits into its request.
func (p *Plan) follows(s Span) bool {
	if s.Block != handshake.OUT || len(p.parts) == 0 {
		return false
	}
	last := p.parts[len(p.parts)-1]
	return last.block == handshake.OUT && last.entry+1 == s.Entry && len(last.dst) == len(s.Dst) &&
		p.requests[last.request].Words+len(s.Dst) <= p.Limits.Read
}

// Requests returns the requests of the last Set, valid until the next.
func (p *Plan) Requests() []Request { return p.requests }

// Block returns the first block that request i is for.
func (p *Plan) Block(i int) handshake.ID {
	for _, q := range p.parts {
		if q.request == i {
			return q.block
		}
	}
	return 0
}

// Fill copies the reply to request i, registers as big-endian bytes, to the
// spans. It tells whether the reply has the length that was asked for; when it
// has not, nothing is copied.
func (p *Plan) Fill(i int, reply []byte) bool {
	if len(reply) != 2*p.requests[i].Words {
		return false
	}
	for _, q := range p.parts {
		if q.request != i {
			continue
		}
		bytes := reply[2*q.at:]
		for k := range q.dst {
			q.dst[k] = uint16(bytes[2*k])<<8 | uint16(bytes[2*k+1])
		}
	}
	return true
}
