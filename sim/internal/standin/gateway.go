// Package standin is a bare gateway for the simulator's own tests: it keeps
// the handshake as its description says, forgets everything when it ends, and
// takes its setpoints from a function. It is written for the tests alone and
// shares no code with the controller program.
package standin

import (
	"encoding/binary"
	"hash/crc32"
)

// Line is where it reads and writes registers.
type Line interface {
	Read(addr uint16, count int) ([]uint16, error)
	Write(addr uint16, words []uint16) error
}

// Request is what it needs of a request block.
type Request struct {
	Words           []uint16
	Boot, Tick      uint32
	Epoch, Nonce    uint32
	Floor           uint32
	LastOffer       uint16
	Phase, Flags    uint16
	Roll, Req       uint32
	Diameter, Width uint32
	ScanAge         uint16
	ResultReq       uint32
	ResultEpoch     uint32
	ResultOffer     uint16
	Verdict, Reason uint16
	Produced, Acked uint32
	Permissives     uint32
	SlotsReady      uint16
}

// Gateway is the stand-in. Fill writes the setpoints, registers 33 to 77, into
// a payload and returns 0, or returns the reason of a hold.
type Gateway struct {
	Line Line
	Fill func(r *Request, payload []uint16) (hold uint16)

	epoch, nonce uint32
	offer        uint16
	offered      uint32 // request
	boot         uint32
	count        uint16
	tries        int

	// Seen are the outcome entries read, in order.
	Seen [][]uint16
}

// Seal writes the checksum into the last two words.
func Seal(w []uint16) {
	c := CRC(w[:len(w)-2])
	w[len(w)-2], w[len(w)-1] = uint16(c>>16), uint16(c)
}

// CRC is CRC-32 over the words as big-endian bytes.
func CRC(w []uint16) uint32 {
	b := make([]byte, 0, 2*len(w))
	for _, x := range w {
		b = binary.BigEndian.AppendUint16(b, x)
	}
	return crc32.ChecksumIEEE(b)
}

// Two splits a 32-bit value.
func Two(v uint32) []uint16 { return []uint16{uint16(v >> 16), uint16(v)} }

func join(w []uint16, at int) uint32 { return uint32(w[at])<<16 + uint32(w[at+1]) }

// Decode reads a request block; ok tells whether it is whole.
func Decode(w []uint16) (r Request, ok bool) {
	if len(w) != 96 || w[0] != 0x5251 || w[1] != 2 || w[2] != w[93] || CRC(w[:94]) != join(w, 94) {
		return r, false
	}
	return Request{
		Words: w, Boot: join(w, 3), Tick: join(w, 5), Epoch: join(w, 7), Nonce: join(w, 9), Floor: join(w, 11),
		LastOffer: w[13], Phase: w[14], Flags: w[15], Permissives: join(w, 16), Roll: join(w, 18), Req: join(w, 20),
		Diameter: join(w, 30), Width: join(w, 32), ScanAge: w[39],
		ResultReq: join(w, 40), ResultEpoch: join(w, 42), ResultOffer: w[46], Verdict: w[47], Reason: w[48],
		Produced: join(w, 51), Acked: join(w, 53), SlotsReady: w[83],
	}, true
}

// Hello builds a HELLO block.
func Hello(epoch, nonce, boot uint32) []uint16 {
	w := make([]uint16, 10)
	w[0], w[1] = 0x4845, 2
	copy(w[2:], Two(epoch))
	copy(w[4:], Two(nonce))
	copy(w[6:], Two(boot))
	Seal(w)
	return w
}

// Heartbeat builds a HEARTBEAT block.
func Heartbeat(count uint16, epoch, nonce uint32) []uint16 {
	w := make([]uint16, 10)
	w[0], w[1] = 0x4842, count
	copy(w[2:], Two(epoch))
	copy(w[4:], Two(nonce))
	w[6] = 4
	Seal(w)
	return w
}

// Ack builds an ACK block.
func Ack(epoch, nonce, upTo uint32) []uint16 {
	w := make([]uint16, 10)
	w[0] = 0x414B
	copy(w[2:], Two(epoch))
	copy(w[4:], Two(nonce))
	copy(w[6:], Two(upTo))
	Seal(w)
	return w
}

// Commit builds a COMMIT block for a payload.
func Commit(offer uint16, epoch, nonce, req, tick uint32, payload []uint16) []uint16 {
	w := make([]uint16, 14)
	w[0], w[1] = 0x434D, offer
	copy(w[2:], Two(epoch))
	copy(w[4:], Two(nonce))
	copy(w[6:], Two(req))
	copy(w[8:], payload[78:80])
	copy(w[10:], Two(tick))
	Seal(w)
	return w
}

// Payload builds a PAYLOAD block that echoes the request. Its setpoints are
// still to be filled and the block to be sealed.
func Payload(offer uint16, epoch, nonce uint32, r *Request) []uint16 {
	w := make([]uint16, 80)
	w[0], w[1] = 0x5041, 2
	copy(w[2:], Two(epoch))
	copy(w[4:], Two(nonce))
	copy(w[6:], Two(r.Boot))
	copy(w[8:], Two(r.Req))
	copy(w[10:], Two(r.Roll))
	w[12], w[13], w[15] = offer, 1, 1
	copy(w[21:29], r.Words[22:30])
	copy(w[29:31], r.Words[30:32])
	copy(w[31:33], r.Words[32:34])
	return w
}

// Poll is one poll. Errors of the line are dropped: the next poll looks again.
func (g *Gateway) Poll() {
	w, err := g.Line.Read(1000, 96)
	if err != nil {
		return
	}
	r, ok := Decode(w)
	if !ok {
		return
	}
	if r.Boot == 0 {
		return
	}
	if r.Boot != g.boot || g.epoch == 0 || r.Floor > g.epoch {
		g.boot = r.Boot
		g.epoch, g.offer, g.offered, g.tries = max(g.epoch, r.Floor)+1, 0, 0, 0
		g.nonce = 0x9E370000 + g.epoch
		_ = g.Line.Write(4010, Hello(g.epoch, g.nonce, g.boot))
		return
	}
	if r.Epoch != g.epoch || r.Nonce != g.nonce {
		_ = g.Line.Write(4010, Hello(g.epoch, g.nonce, g.boot))
		return
	}
	g.count++
	_ = g.Line.Write(4000, Heartbeat(g.count, g.epoch, g.nonce))
	if r.Produced > r.Acked {
		for n := r.Acked + 1; n <= r.Produced; n++ {
			e, err := g.Line.Read(uint16(1200+40*(n%64)), 40)
			if err != nil || CRC(e[:38]) != join(e, 38) || join(e, 2) != n {
				return
			}
			if len(g.Seen) == 0 || join(g.Seen[len(g.Seen)-1], 2) != n {
				g.Seen = append(g.Seen, e)
			}
		}
		_ = g.Line.Write(4140, Ack(g.epoch, g.nonce, r.Produced))
	}
	if r.Phase != 1 || r.Flags&(1<<4) == 0 {
		return
	}
	if r.Req == g.offered {
		rejected := r.ResultReq == r.Req && r.ResultEpoch == g.epoch && r.Verdict == 2 && r.ResultOffer == g.offer
		lost := r.LastOffer < g.offer
		if g.tries++; !rejected && (!lost || g.tries < 5) {
			return
		}
	}
	g.offered, g.tries = r.Req, 0
	g.offer++
	p := Payload(g.offer, g.epoch, g.nonce, &r)
	if hold := g.Fill(&r, p); hold != 0 {
		clear(p[33:78])
		p[13], p[14] = 2, hold
	}
	Seal(p)
	if g.Line.Write(4030, p) != nil {
		return
	}
	_ = g.Line.Write(4120, Commit(g.offer, g.epoch, g.nonce, r.Req, r.Tick, p))
}
