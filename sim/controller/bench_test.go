package controller

import (
	"testing"
	"time"

	"lapgate/sim/internal/standin"
)

// bench is a program with a roll waiting, a session open and a living
// gateway, from which each test goes its own way.
type bench struct {
	t    *testing.T
	c    *Controller
	area Area
	in   Inputs
	tick uint32
	beat uint16

	epoch, nonce uint32

	ran, down bool // outputs and the start button in the scan before
	absent    int  // scans that the sensor saw no roll
}

const allOn = 0x3F

func roll(tag string, diameter, width uint32, tick uint32) *Measurement {
	m := &Measurement{
		Tag: TagOf(tag), Diameter: diameter, Width: width, Grade: 2, Core: 1, Quality: 95, Valid: true, Tick: tick,
		DiameterN: 12, WidthN: 8,
	}
	for i := range m.Diameters {
		m.Diameters[i] = uint16(diameter) + uint16(i%3)
	}
	for i := range m.Widths {
		m.Widths[i] = uint16(width) - uint16(i%2)
	}
	return m
}

// long is the 32-bit value at a register.
func long(words []uint16, at int) uint32 { return uint32(words[at])<<16 | uint32(words[at+1]) }

func newBench(t *testing.T) *bench {
	cfg := DefaultConfig()
	cfg.GoneTime = 100 * time.Millisecond
	b := &bench{t: t, c: Start(cfg, Fresh(), 200_000_000), tick: 5000, epoch: 11, nonce: 0xC0FFEE}
	b.in.Permissives = allOn
	b.scan()
	b.enter()
	b.open()
	return b
}

// scan runs one scan of 20 ms; pulses of the operator and the line last one.
func (b *bench) scan() []Event {
	b.tick += 2
	ev := b.c.Scan(b.tick, &b.area, &b.in)
	b.watch(&b.in)
	b.in = Inputs{
		Permissives: b.in.Permissives, Mode: 1, State: 4, SlotsReady: 0x3F,
		ManualSelected: b.in.ManualSelected, RollPresent: b.in.RollPresent,
	}
	return ev
}

// leave takes the roll away for longer than it takes to be gone.
func (b *bench) leave() {
	b.in.RollPresent = false
	for range 7 {
		b.scan()
	}
}

// enter lets a roll come in behind the one that left.
func (b *bench) enter() {
	if b.in.RollPresent {
		b.leave()
	}
	b.in.RollPresent, b.in.Enter = true, roll("B-1", 10160, 15240, b.tick)
	b.scan()
}

// open adopts a session and makes it alive.
func (b *bench) open() {
	b.hello(b.epoch, b.nonce, b.c.Boot())
	b.scan()
	b.heartbeat()
	b.scan()
	if b.c.Active() != (Session{b.epoch, b.nonce}) || !b.c.Alive() {
		b.t.Fatalf("session %v, alive %t", b.c.Active(), b.c.Alive())
	}
}

func (b *bench) hello(epoch, nonce, boot uint32) {
	copy(b.area.Hello[:], standin.Hello(epoch, nonce, boot))
}

func (b *bench) heartbeat() {
	b.beat++
	copy(b.area.Heartbeat[:], standin.Heartbeat(b.beat, b.epoch, b.nonce))
}

func (b *bench) request() *standin.Request {
	b.t.Helper()
	w := b.c.req
	r, ok := standin.Decode(w[:])
	if !ok {
		b.t.Fatal("request block is not whole")
	}
	return &r
}

// setpoints inside every limit, all groups in force.
func setpoints(p []uint16) {
	p[33], p[34] = 2, 17780
	copy(p[35:], standin.Two(98000))
	copy(p[37:], standin.Two(19600))
	p[39], p[40], p[41], p[42], p[43] = 300, 1524, 600, 2554, 3120
	p[44], p[45], p[46], p[47], p[48] = 125, 1190, 1702, 2890, 6900
	p[49], p[50], p[51], p[52], p[53], p[54] = 6500, 5100, 4100, 103, 1767, 420
	p[55], p[56], p[57], p[58] = 1000, 965, 0x3F, 85
	copy(p[60:], standin.Two(9876))
	copy(p[62:], standin.Two(231))
	p[64], p[66] = 150, 0xFF
	p[59], p[67] = 1680, 1850
}

// offer writes a payload and its commit, the payload changed beforehand and
// the commit afterwards, both sealed anew.
func (b *bench) offer(n uint16, payload, commit func(w []uint16)) {
	p := standin.Payload(n, b.epoch, b.nonce, b.request())
	setpoints(p)
	if payload != nil {
		payload(p)
	}
	standin.Seal(p)
	m := standin.Commit(n, b.epoch, b.nonce, b.c.ReqID(), b.tick, p)
	if commit != nil {
		commit(m)
		standin.Seal(m)
	}
	copy(b.area.Payload[:], p)
	copy(b.area.Commit[:], m)
}

func (b *bench) accept(n uint16) {
	b.t.Helper()
	b.offer(n, nil, nil)
	b.want(b.scan(), Accepted, 0)
}

// want checks the verdict in the events and in the published result.
func (b *bench) want(ev []Event, v OfferVerdict, reason uint16) {
	b.t.Helper()
	e := answered(ev)
	if e == nil {
		b.t.Fatal("nothing was answered")
	}
	if e.Verdict != v || e.Reason != reason {
		b.t.Fatalf("verdict %d reason %d, want %d reason %d", e.Verdict, e.Reason, v, reason)
	}
	r := b.request()
	if r.Verdict != uint16(v) || r.Reason != reason || r.ResultReq != e.Req || r.ResultEpoch != b.epoch || r.ResultOffer != e.Offer {
		b.t.Fatalf("published result %d/%d for request %d offer %d", r.Verdict, r.Reason, r.ResultReq, r.ResultOffer)
	}
}

func answered(ev []Event) *Event {
	for i := range ev {
		if ev[i].Kind == EventVerdict {
			return &ev[i]
		}
	}
	return nil
}

func (b *bench) refused(ev []Event) {
	b.t.Helper()
	if e := answered(ev); e != nil {
		b.t.Fatalf("answered %d, reason %d; want no answer", e.Verdict, e.Reason)
	}
}

// watch holds each scan to 6.4: outputs come on with a press of start, a roll and
// all permissives alone, and are on with nothing less than a roll and these.
func (b *bench) watch(in *Inputs) {
	b.t.Helper()
	if b.absent++; in.RollPresent {
		b.absent = 0
	}
	pressed := in.Start && !b.down
	on, phase := b.c.Running(), b.c.Phase()
	switch {
	case !on:
	case phase != PhaseRun && phase != PhaseManual, b.c.ConfirmWanted():
		b.t.Fatalf("outputs are on in phase %s", phase)
	case in.Permissives != allOn:
		b.t.Fatalf("outputs are on with permissives %b", in.Permissives)
	case b.absent > 6:
		b.t.Fatalf("outputs are on without a roll for %d scans", b.absent)
	case !b.ran && (!pressed || !in.RollPresent):
		b.t.Fatalf("outputs came on without a press of start (%t) or a roll (%t)", pressed, in.RollPresent)
	}
	b.ran, b.down = on, in.Start
}
