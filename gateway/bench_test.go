package gateway_test

import (
	"context"
	"sync/atomic"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link/memory"
	"lapgate/sim/controller"
)

// bench is the simulator's controller program on an in-memory image, with a
// line around it that takes a fixed time for each roll.
type bench struct {
	image   *memory.Image
	live    *controller.Image
	program *controller.Controller
	config  controller.Config
	inputs  controller.Inputs

	rolls  []controller.Measurement
	next   int
	wrap   time.Duration // from accepted to finished
	pause  time.Duration // from one roll to the next
	since  time.Time     // of the present phase
	phase  controller.Phase
	begin  time.Time
	events []controller.Event

	retry   atomic.Bool   // the operator presses retry
	stopped atomic.Bool   // the program stands, its registers answer
	beat    atomic.Bool   // another gateway beats
	layout  atomic.Uint32 // layout word published instead, 0 for the right one
	beats   uint16
}

// swap puts another controller with a fresh program in the place of this one.
func (b *bench) swap() {
	b.image.Lock()
	defer b.image.Unlock()
	b.program = controller.Start(b.config, controller.Fresh(), 1)
	b.phase, b.since = controller.PhaseEmpty, time.Now()
}

func newBench(rolls ...controller.Measurement) *bench {
	b := &bench{
		image:  memory.NewImage(),
		live:   controller.NewImage(controller.DefaultBases()),
		config: controllerConfig(),
		rolls:  rolls,
		wrap:   6 * time.Second,
		pause:  2 * time.Second,
	}
	b.inputs = controller.Inputs{
		Permissives: 0x3F, Mode: 1, State: 6, SlotsReady: 0x3F,
		SlotOuter: [6]uint16{900, 900, 900, 900, 900, 900}, Platen: 1767,
	}
	b.program = controller.Start(b.config, controller.Fresh(), 1)
	return b
}

// controllerConfig is the simulator's program with a sensor that is sooner sure that
// a roll is gone than the pause between two of them.
func controllerConfig() controller.Config {
	c := controller.DefaultConfig()
	c.GoneTime = 500 * time.Millisecond
	return c
}

// measurement is a round roll with samples that agree.
func measurement(tag string, diameter, width uint32) controller.Measurement {
	m := controller.Measurement{
		Tag: controller.TagOf(tag), Diameter: diameter, Width: width,
		Grade: 1, Core: 1, Quality: 95, Valid: true, DiameterN: 12, WidthN: 8,
	}
	for i := range m.Diameters {
		m.Diameters[i] = uint16(diameter)
	}
	for i := range m.Widths {
		m.Widths[i] = uint16(width)
	}
	return m
}

// run scans every 20 ms until ctx ends.
func (b *bench) run(ctx context.Context) {
	b.begin = time.Now()
	b.since = b.begin
	ticker := time.NewTicker(20 * time.Millisecond)
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
			b.scan()
		}
	}
}

func (b *bench) scan() {
	b.image.Lock()
	defer b.image.Unlock()
	if b.stopped.Load() {
		return
	}
	if b.beat.Load() {
		b.beats++
		h := handshake.Heartbeat{Count: b.beats, Session: handshake.Session{Epoch: 9, Nonce: 9}}
		if err := h.Encode(b.image.Words(handshake.HEARTBEAT, 0)); err != nil {
			panic(err)
		}
	}
	tick := uint32(time.Since(b.begin) / controller.Tick)
	var area controller.Area
	copy(area.Heartbeat[:], b.image.Words(handshake.HEARTBEAT, 0))
	copy(area.Hello[:], b.image.Words(handshake.HELLO, 0))
	copy(area.Payload[:], b.image.Words(handshake.PAYLOAD, 0))
	copy(area.Commit[:], b.image.Words(handshake.COMMIT, 0))
	copy(area.Ack[:], b.image.Words(handshake.ACK, 0))

	in := b.inputs
	if p := b.program.Phase(); p != b.phase {
		b.phase, b.since = p, time.Now()
	}
	stood := time.Since(b.since)
	in.RollPresent = b.phase != controller.PhaseEmpty
	switch b.phase {
	case controller.PhaseEmpty:
		if b.next < len(b.rolls) && stood >= b.pause && b.program.Clear() {
			m := b.rolls[b.next]
			m.Tick = tick
			in.Enter, in.RollPresent = &m, true
			b.next++
		}
	case controller.PhaseRun:
		if stood >= b.wrap {
			in.Done = &controller.Used{Start: tick - 500, End: tick}
		}
	case controller.PhaseHeld:
		in.Retry = b.retry.Swap(false)
		if stood >= b.wrap {
			in.RollPresent = false
		}
	}
	events := b.program.Scan(tick, &area, &in)
	b.live.Publish(b.program)
	req := b.live.Request()
	copy(b.image.Words(handshake.REQ, 0), req[:])
	b.publish(handshake.LIMITS, 0, b.live.Bases().Limits)
	if v := b.layout.Load(); v != 0 {
		b.image.Words(handshake.REQ, 0)[1] = uint16(v)
	}
	for _, e := range events {
		b.events = append(b.events, e)
		if e.Kind == controller.EventOutcome {
			b.publishRing()
		}
	}
}

func (b *bench) publishRing() {
	base := int(b.live.Bases().Out)
	for i := range handshake.OutEntries {
		b.publish(handshake.OUT, i, uint16(base+i*handshake.OutWords))
	}
}

// publish copies one block, or one entry of the ring, of the live controller.
func (b *bench) publish(id handshake.ID, entry int, at uint16) {
	words, err := b.live.Read(at, len(b.image.Words(id, entry)))
	if err != nil {
		panic(err)
	}
	copy(b.image.Words(id, entry), words)
}

// judged counts the judgements that fulfil a condition.
func (b *bench) judged(when func(controller.Event) bool) int {
	b.image.Lock()
	defer b.image.Unlock()
	n := 0
	for _, e := range b.events {
		if e.Kind == controller.EventVerdict && when(e) {
			n++
		}
	}
	return n
}
