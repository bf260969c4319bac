package cycle

import (
	"encoding/binary"
	"hash/crc32"
	"slices"
)

// controller is a stand-in for the controller side of the handshake, written
// from its sections 4 to 7 alone: it has its own register numbers, checksum
// and judgement, and shares no code with the gateway.
type controller struct {
	// retained
	boot, roll, req, floor uint32
	phase                  int
	res                    [12]uint16 // registers 40 to 51 of REQ, without the produced counter
	produced, acked, over  uint32
	ring                   [64][40]uint16
	kept                   []uint16 // accepted payload
	lost, mustAck          bool

	// volatile
	epoch, nonce uint32
	last         uint16
	latch        *latch
	tick         uint32
	stopped      bool // program stands, registers still answer
	hbCount      uint16
	hbTick       uint32
	hbLive       bool
	stale        uint32
	staleBytes   []uint16

	// gateway-owned registers
	hb, hello, commit, ack, payload []uint16

	// the roll at the station
	diameter, width uint32
	weight          uint32
	grade, core     uint16
	quality         uint16
	age             uint16
	dimsOK          bool
	perms           uint32
	tag             string
	mode            uint16
	limit           uint16    // reason that the controller's own limits give, 0 none
	refuse          uint16    // reason that every offer gets, 0 none
	slow            bool      // judges one scan after copying
	used            uint32    // wrapper that each wrap takes by the encoder, 0.1 mm; 0 without one
	outers          [6]uint16 // outer diameters of the wrapper rolls, mm
	notReady        uint16    // slots that are not ready, slot 1 the lowest bit
	confirmed       uint16    // slot that the operator confirmed
	overhang        uint16    // measured of each wrap, 0.1 mm
	policyCount     bool      // rolls enter although the ring is full

	lag            int  // publications by which result and last OFFER show later than the phase
	lagPhase       bool // the phase lags with them
	noVerdict      bool // verdict 0 stands for one publication beside the name of an offer
	noVerdictStays bool
	shown          []shown

	hotter    uint16 // platen, 0.1 °C
	published [96]uint16
	before    [96]uint16 // the image before the newest publication
	gen       uint16

	onAdopt   func(epoch, nonce uint32)
	onAccept  func(commit, payload []uint16, held bool)
	onAck     func(from, to uint32)
	onOutcome func(words [40]uint16)
	onJudge   func(commit []uint16, verdict uint16)
	onRequest func()
	onBoot    func(lost bool)
}

// shown is what of a publication may lag.
type shown struct {
	res   [11]uint16
	last  uint16
	phase int
}

type latch struct{ commit, payload []uint16 }

const (
	plcEmpty = iota
	plcAwait
	plcRun
	plcHeld
	plcManual
	plcTTL    = 200 // ticks
	plcHBLoss = 250
	plcPerms  = 0x3F
)

func newController() *controller {
	c := &controller{
		outers: [6]uint16{900, 900, 900, 900, 900, 900},
		hotter: 1767, boot: 41, perms: plcPerms, quality: 98, dimsOK: true, mode: 1, tick: 880000,
		hb: make([]uint16, 10), hello: make([]uint16, 10), commit: make([]uint16, 14),
		ack: make([]uint16, 10), payload: make([]uint16, 80),
	}
	c.publish()
	c.publish()
	return c
}

func sum(w []uint16) uint32 {
	b := make([]byte, 0, 2*len(w))
	for _, v := range w {
		b = binary.BigEndian.AppendUint16(b, v)
	}
	return crc32.ChecksumIEEE(b)
}

func whole(w []uint16) bool {
	n := len(w)
	return long(w, n-2) == sum(w[:n-2])
}

func long(w []uint16, at int) uint32 { return uint32(w[at])<<16 | uint32(w[at+1]) }

func setLong(w []uint16, at int, v uint32) { w[at], w[at+1] = uint16(v>>16), uint16(v) }

// scan is one turn of the program.
func (c *controller) scan() {
	if c.stopped {
		return
	}
	c.tick += 2
	hello, ack, commit := slices.Clone(c.hello), slices.Clone(c.ack), slices.Clone(c.commit)
	payload, hb := slices.Clone(c.payload), slices.Clone(c.hb)

	if hello[0] == 0x4845 && hello[1] == 2 && whole(hello) && long(hello, 6) == c.boot && long(hello, 2) > c.floor && !c.lost &&
		long(hello, 2) <= 4_000_000_000 && (c.floor == 0 || long(hello, 2)-c.floor <= 1<<20) {
		c.floor, c.epoch, c.nonce = long(hello, 2), long(hello, 2), long(hello, 4)
		c.last, c.latch, c.hbLive = 0, nil, false
		c.hbCount = 0
		if c.onAdopt != nil {
			c.onAdopt(c.epoch, c.nonce)
		}
	}
	if ack[0] == 0x414B && whole(ack) && c.own(ack) && long(ack, 6) > c.acked && long(ack, 6) <= c.produced {
		if c.onAck != nil {
			c.onAck(c.acked, long(ack, 6))
		}
		c.acked = long(ack, 6)
	}
	switch {
	case c.latch != nil:
		l := c.latch
		c.latch = nil
		if c.eligible(l.commit) {
			c.judge(l.commit, l.payload)
		}
	case c.eligible(commit):
		if c.slow {
			c.latch = &latch{commit, payload}
		} else {
			c.judge(commit, payload)
		}
	case commit[0] == 0x434D && whole(commit) && (!c.own(commit) || commit[1] != c.last) && !slices.Equal(commit, c.staleBytes):
		c.stale++
		c.staleBytes = commit
	}
	// A commit goes by the heartbeat that the last look read.
	if hb[0] == 0x4842 && whole(hb) && c.own(hb) && hb[1] != c.hbCount {
		c.hbCount, c.hbTick, c.hbLive = hb[1], c.tick, true
	}
	if c.tick-c.hbTick > plcHBLoss {
		c.hbLive = false
	}
	c.publish()
}

func (c *controller) own(w []uint16) bool {
	return c.epoch != 0 && long(w, 2) == c.epoch && long(w, 4) == c.nonce
}

func (c *controller) eligible(k []uint16) bool {
	return k[0] == 0x434D && whole(k) && c.own(k) && c.phase == plcAwait && long(k, 6) == c.req && k[1] > c.last
}

func (c *controller) judge(k, p []uint16) {
	c.last = k[1]
	verdict, reason := uint16(2), c.refusal(k, p)
	switch {
	case reason != 0:
	case p[13] == 2:
		verdict = 3
	case c.perms != plcPerms:
		for i := range uint16(6) {
			if c.perms>>i&1 == 0 {
				reason = 20 + i
				break
			}
		}
	case c.limit != 0:
		reason = c.limit
	default:
		verdict = 1
	}
	setLong(c.res[:], 0, long(k, 6))
	copy(c.res[2:6], k[2:6])
	c.res[6], c.res[7], c.res[8] = k[1], verdict, reason
	copy(c.res[9:11], k[8:10])
	switch verdict {
	case 1:
		c.phase, c.kept = plcRun, slices.Clone(p)
	case 3:
		c.phase = plcHeld
	}
	if c.onJudge != nil {
		c.onJudge(k, verdict)
	}
	if verdict != 2 && c.onAccept != nil {
		c.onAccept(k, p, verdict == 3)
	}
}

func (c *controller) refusal(k, p []uint16) uint16 {
	switch {
	case p[0] != 0x5041 || !whole(p) || long(p, 78) != long(k, 8):
		return 10
	case !slices.Equal(p[2:6], k[2:6]) || long(p, 6) != c.boot || long(p, 8) != c.req || long(p, 10) != c.roll || p[12] != k[1]:
		return 11
	case !slices.Equal(p[21:29], tagWords(c.tag)) || long(p, 29) != c.diameter || long(p, 31) != c.width:
		return 12
	case c.tick-long(k, 10) > plcTTL:
		return 13
	case !c.hbLive:
		return 14
	}
	return c.refuse
}

func tagWords(s string) []uint16 {
	w := make([]uint16, 8)
	for i := range len(s) {
		w[i/2] |= uint16(s[i]) << (8 * (1 - i%2))
	}
	return w
}

// show returns what this publication shows of result, last OFFER and phase.
func (c *controller) show() shown {
	now := shown{last: c.last, phase: c.phase}
	copy(now.res[:], c.res[:11])
	c.shown = append(c.shown, now)
	if n := len(c.shown) - 1 - c.lag; n > 0 {
		c.shown = c.shown[n:]
	}
	s := c.shown[0]
	if !c.lagPhase {
		s.phase = now.phase
	}
	if c.noVerdict && (c.noVerdictStays || c.published[46] != s.res[6]) {
		s.res[7] = 0
	}
	return s
}

func (c *controller) publish() {
	c.before = c.published
	s := c.show()
	c.gen++
	w := c.published[:]
	clear(w)
	w[0], w[1], w[2], w[93] = 0x5251, 2, c.gen, c.gen
	setLong(w, 3, c.boot)
	setLong(w, 5, c.tick)
	setLong(w, 7, c.epoch)
	setLong(w, 9, c.nonce)
	setLong(w, 11, c.floor)
	w[13], w[14] = s.last, uint16(s.phase)
	set := func(bit int, on bool) {
		if on {
			w[15] |= 1 << bit
		}
	}
	set(0, c.perms == plcPerms)
	set(1, c.lost)
	set(2, c.phase == plcManual)
	set(3, c.produced-c.acked >= 64)
	set(4, c.hbLive)
	set(5, c.dimsOK)
	set(6, c.mustAck)
	setLong(w, 16, c.perms)
	setLong(w, 18, c.roll)
	setLong(w, 20, c.req)
	copy(w[22:30], tagWords(c.tag))
	setLong(w, 30, c.diameter)
	setLong(w, 32, c.width)
	setLong(w, 34, c.weight)
	w[36], w[37], w[38], w[39] = c.grade, c.core, c.quality, c.age
	copy(w[40:51], s.res[:])
	setLong(w, 51, c.produced)
	setLong(w, 53, c.acked)
	setLong(w, 55, c.stale)
	setLong(w, 57, c.over)
	w[59], w[60], w[61], w[62] = c.mode, 4, 3, 2
	for i := range 3 {
		w[63+i] = uint16(c.diameter)
	}
	w[75], w[76] = uint16(c.width), uint16(c.width)
	w[83] = 0x3F &^ c.notReady
	copy(w[84:90], c.outers[:])
	w[90] = c.confirmed
	w[91], w[92] = 1767, c.hotter
	setLong(w, 94, sum(w[:94]))
}

// entry is the ring entry of an index; half of it is of the entry before when
// the read tears.
func (c *controller) entry(index uint32) []uint16 { return slices.Clone(c.ring[index%64][:]) }

func (c *controller) request() {
	c.req++
	c.phase = plcAwait
	c.age = 10
	c.latch = nil
	if c.onRequest != nil {
		c.onRequest()
	}
}

// arrive brings a roll to the station, if one may come.
func (c *controller) arrive(diameter, width uint32, tag string) bool {
	if c.phase != plcEmpty || c.produced-c.acked >= 64 && !c.policyCount || c.lost {
		return false
	}
	c.roll++
	c.diameter, c.width, c.tag = diameter, width, tag
	c.request()
	return true
}

func (c *controller) rescan(diameter uint32) bool {
	if c.phase != plcAwait {
		return false
	}
	c.diameter = diameter
	c.request()
	return true
}

func (c *controller) outcome(kind uint16) {
	c.produced++
	if c.produced-c.acked > 64 {
		c.over++
	}
	var e [40]uint16
	e[0], e[1] = 0x4F55, 2
	setLong(e[:], 2, c.produced)
	setLong(e[:], 4, c.roll)
	setLong(e[:], 6, c.boot)
	setLong(e[:], 8, c.req)
	if c.kept != nil {
		copy(e[6:10], c.kept[6:10]) // of the accepted payload, also after a restart
		copy(e[10:14], c.kept[2:6])
		e[14] = c.kept[12]
		copy(e[17:19], c.kept[78:80])
		e[19] = c.kept[33]
		setLong(e[:], 30, c.used)
		e[36] = c.overhang
	}
	e[15] = kind
	setLong(e[:], 28, 15712)
	setLong(e[:], 32, c.tick-100)
	setLong(e[:], 34, c.tick)
	setLong(e[:], 38, sum(e[:38]))
	c.ring[c.produced%64] = e
	c.kept = nil
	c.phase = plcEmpty
	if c.onOutcome != nil {
		c.onOutcome(e)
	}
}

// finish ends whatever the roll at the station is in.
func (c *controller) finish() bool {
	switch c.phase {
	case plcRun:
		c.outcome(1)
	case plcManual:
		c.outcome(2)
	default:
		return false
	}
	return true
}

func (c *controller) manual() bool {
	if c.phase != plcAwait && c.phase != plcHeld {
		return false
	}
	c.phase, c.latch = plcManual, nil
	return true
}

func (c *controller) remove() bool {
	if c.phase == plcEmpty || c.phase == plcRun {
		return false
	}
	c.outcome(3)
	return true
}

func (c *controller) retry() bool {
	if c.phase != plcHeld {
		return false
	}
	c.request()
	return true
}

// restart is power off and on; the gateway-owned registers survive or not.
func (c *controller) restart(clearArea, sameRoll bool) {
	c.boot++
	c.epoch, c.nonce, c.last, c.latch, c.hbLive = 0, 0, 0, nil, false
	c.stopped = false
	if c.onBoot != nil {
		c.onBoot(false)
	}
	if clearArea {
		c.clearArea()
	}
	switch {
	case c.phase == plcAwait:
		c.request()
	case c.phase == plcRun && !sameRoll:
		c.outcome(4)
	}
	c.publish()
}

func (c *controller) clearArea() {
	for _, w := range [][]uint16{c.hb, c.hello, c.commit, c.ack, c.payload} {
		clear(w)
	}
}

// lose is a start with retained memory damaged. Numbers begin again, and each
// roll on the line gets outcome 5.
func (c *controller) lose(clock uint32) {
	onLine := c.phase != plcEmpty
	*c = controller{
		boot: clock, lost: true, mustAck: true, perms: c.perms, quality: 98, dimsOK: true, mode: 1, tick: c.tick,
		hb: c.hb, hello: c.hello, commit: c.commit, ack: c.ack, payload: c.payload, tag: c.tag, grade: c.grade, core: c.core,
		published: c.published, gen: c.gen, slow: c.slow, lag: c.lag, lagPhase: c.lagPhase, noVerdict: c.noVerdict, used: c.used, outers: c.outers, notReady: c.notReady, confirmed: c.confirmed, overhang: c.overhang, policyCount: c.policyCount,
		onAdopt: c.onAdopt, onAccept: c.onAccept, onAck: c.onAck, onOutcome: c.onOutcome,
		onJudge: c.onJudge, onRequest: c.onRequest, onBoot: c.onBoot,
	}
	if c.onBoot != nil {
		c.onBoot(true)
	}
	if onLine {
		c.roll = 1
		c.outcome(5)
	}
	c.publish()
}

func (c *controller) acknowledge() { c.lost, c.mustAck = false, false }

// area returns the gateway-owned registers of a block.
func (c *controller) area(name string) []uint16 {
	switch name {
	case "HEARTBEAT":
		return c.hb
	case "HELLO":
		return c.hello
	case "PAYLOAD":
		return c.payload
	case "COMMIT":
		return c.commit
	case "ACK":
		return c.ack
	}
	return nil
}
