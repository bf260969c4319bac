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
	Gap   int // registers between two spans that are read along rather than asked for apart
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
	if l.Gap < 0 || l.Gap > MostRead {
		bad = append(bad, fmt.Errorf("gap read along is %d registers, want 0 to %d", l.Gap, MostRead))
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
}

// Plan turns spans into requests. It is used again and again, without
// allocating once it has grown. It is not safe for concurrent use.
type Plan struct {
	Layout Layout
	Limits Limits
	// Apart never joins a block of the controller with one of the gateway,
	// where the two are read by different functions.
	Apart    bool
	requests []Request
	parts    []part
}

// Set plans the reading of spans. A span goes whole into the first request
// that it touches, or comes near to within the gap, and that stays within the
// limit; else it begins a new one. Requests so stand in the order in which
// their first span was given. Only a span longer than the limit is split; its
// pieces are requests of their own. Errors are those of CheckRead.
func (p *Plan) Set(spans []Span) error {
	p.requests, p.parts = p.requests[:0], p.parts[:0]
	if err := CheckRead(spans); err != nil {
		return err
	}
	for _, s := range spans {
		from, n := p.Layout.Address(s.Block, s.Entry), len(s.Dst)
		for n > p.Limits.Read {
			p.add(Request{from, p.Limits.Read}, s.Dst[len(s.Dst)-n:][:p.Limits.Read], s.Block)
			from, n = from+p.Limits.Read, n-p.Limits.Read
		}
		rest := s.Dst[len(s.Dst)-n:]
		if n < len(s.Dst) || !p.join(Request{from, n}, rest, s.Block) {
			p.add(Request{from, n}, rest, s.Block)
		}
	}
	return nil
}

func (p *Plan) add(r Request, dst []uint16, id handshake.ID) {
	p.requests = append(p.requests, r)
	p.parts = append(p.parts, part{len(p.requests) - 1, 0, dst, id})
}

func (p *Plan) join(r Request, dst []uint16, id handshake.ID) bool {
	for i := range p.requests {
		have := &p.requests[i]
		if r.Address > have.Address+have.Words+p.Limits.Gap || have.Address > r.Address+r.Words+p.Limits.Gap {
			continue
		}
		if p.Apart && handshake.GatewayOwned(p.Block(i)) != handshake.GatewayOwned(id) {
			continue
		}
		from := min(r.Address, have.Address)
		to := max(r.Address+r.Words, have.Address+have.Words)
		if to-from > p.Limits.Read {
			continue
		}
		for j := range p.parts {
			if p.parts[j].request == i {
				p.parts[j].at += have.Address - from
			}
		}
		*have = Request{from, to - from}
		p.parts = append(p.parts, part{i, r.Address - from, dst, id})
		return true
	}
	return false
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
