package conform_test

import (
	"context"
	"fmt"
	"sync"
	"time"

	"lapgate/gateway/conform"
	"lapgate/gateway/handshake"
	"lapgate/gateway/link/memory"
	"lapgate/sim/controller"
	"lapgate/sim/registers"
)

// rig is a controller that scans every 20 ms, with somebody who does at it what a
// case asks for.
type rig struct {
	cfg   controller.Config
	image *controller.Image
	ctx   context.Context
	mem   *memory.Image // of the link in memory, nil for a link over sockets

	mu     sync.Mutex
	c      *controller.Controller
	in     controller.Inputs
	tick   uint32
	clock  uint32 // seconds since 2020
	rolls  int
	beside sync.WaitGroup // what runs beside it
	shown  uint32         // outcomes that the link in memory shows
}

const scan = 20 * time.Millisecond

// newRig is a machine as the simulator has it, with a roll at the station and the
// unit mode given.
func newRig(broken controller.Rule, mode uint16) *rig {
	return newRigWith(broken, mode, controller.DataSheet())
}

// newRigWith has limits of its own.
func newRigWith(broken controller.Rule, mode uint16, limits []controller.Limit) *rig {
	cfg := controller.DefaultConfig()
	cfg.Broken, cfg.Limits = broken, limits
	m := &rig{cfg: cfg, image: controller.NewImage(controller.DefaultBases()), tick: 0xFFFFF000, clock: 210_000_000}
	m.c = controller.Start(cfg, controller.Fresh(), m.clock)
	m.in = controller.Inputs{Permissives: cfg.Permissives, Mode: mode, State: 4, SlotsReady: 0x3F}
	m.temper(1750, 1780)
	return m
}

// temper sets the platens, in 0.1 °C.
func (m *rig) temper(cool, hot uint16) { m.in.Platen, m.in.PlatenHot = cool, hot }

// run scans until the context ends.
func (m *rig) run(ctx context.Context) {
	every := time.NewTicker(scan)
	defer every.Stop()
	for {
		m.mu.Lock()
		m.scan()
		m.mu.Unlock()
		select {
		case <-every.C:
		case <-ctx.Done():
			return
		}
	}
}

// scan runs one scan. What is pressed is pressed for that scan alone.
func (m *rig) scan() {
	m.tick += 2
	area := m.image.Copy()
	if m.mem != nil {
		area = m.area()
	}
	m.c.Scan(m.tick, &area, &m.in)
	m.image.Publish(m.c)
	if m.mem != nil {
		m.show()
	}
	last := m.in
	m.in = controller.Inputs{
		Permissives: last.Permissives, Mode: last.Mode, State: last.State, SlotsReady: last.SlotsReady, Platen: last.Platen, PlatenHot: last.PlatenHot,
		ManualSelected: last.ManualSelected, RollPresent: last.RollPresent, Closing: last.Closing, Start: last.Start,
	}
}

// area is the gateway's area of the link in memory.
func (m *rig) area() (a controller.Area) {
	m.mem.Load(handshake.HEARTBEAT, 0, a.Heartbeat[:])
	m.mem.Load(handshake.HELLO, 0, a.Hello[:])
	m.mem.Load(handshake.PAYLOAD, 0, a.Payload[:])
	m.mem.Load(handshake.COMMIT, 0, a.Commit[:])
	m.mem.Load(handshake.ACK, 0, a.Ack[:])
	return a
}

// show makes the controller's blocks visible to the link in memory.
func (m *rig) show() {
	at := m.image.Bases()
	copyTo := func(id handshake.ID, entry int, base uint16, words int) {
		w, err := m.image.Read(base, words)
		if err != nil {
			panic(err)
		}
		m.mem.Store(id, entry, w)
	}
	copyTo(handshake.REQ, 0, at.Req, registers.RequestWords)
	copyTo(handshake.LIMITS, 0, at.Limits, registers.LimitsWords)
	produced, _ := m.c.Outcomes()
	if produced == m.shown {
		return
	}
	m.shown = produced
	for i := range registers.RingEntries {
		copyTo(handshake.OUT, i, at.Out+uint16(i*registers.OutcomeWords), registers.OutcomeWords)
	}
}

// press changes the inputs of the next scan and runs it.
func (m *rig) press(change func(in *controller.Inputs)) {
	change(&m.in)
	m.scan()
}

// wait lets the machine scan for a time, by its own clock: on a busy machine there are
// fewer scans than there should be.
func (m *rig) wait(d time.Duration) {
	for end := m.tick + uint32(d/controller.Tick); int32(end-m.tick) > 0; {
		m.mu.Unlock()
		<-time.After(scan)
		m.mu.Lock()
	}
}

func (m *rig) measurement() *controller.Measurement {
	m.rolls++
	r := controller.Measurement{
		Tag: controller.TagOf(fmt.Sprintf("R-%d", m.rolls)), Diameter: 12500 + uint32(m.rolls), Width: 16000, Grade: 2, Core: 1, Quality: 97, Valid: true, Tick: m.tick,
		DiameterN: 1, WidthN: 1,
	}
	r.Diameters[0], r.Widths[0] = uint16(r.Diameter), uint16(r.Width)
	return &r
}

// leave has the sensor off for longer than GoneTime.
func (m *rig) leave() {
	m.in.RollPresent = false
	m.wait(m.cfg.GoneTime + 200*time.Millisecond)
}

// place has the next roll enter behind the one that left.
func (m *rig) place() {
	if m.in.RollPresent {
		m.leave()
	}
	m.press(func(in *controller.Inputs) { in.RollPresent, in.Enter = true, m.measurement() })
}

// restart switches the controller off and on.
func (m *rig) restart(memory controller.Memory) {
	m.c, m.shown = controller.Start(m.cfg, memory, m.clock), 0
	m.scan()
}

// act does what a case asks for.
func (m *rig) act(_ context.Context, a conform.Act) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	do, ok := m.acts()[a.Name]
	if !ok {
		return fmt.Errorf("the rig does not know the act %q", a.Name)
	}
	do()
	return nil
}

func (m *rig) acts() map[string]func() {
	set := func(change func(in *controller.Inputs)) func() { return func() { m.press(change) } }
	return map[string]func(){
		"place":      m.place,
		"remove":     m.leave,
		"put-back":   set(func(in *controller.Inputs) { in.RollPresent = true }),
		"fill-ring":  m.fillRing,
		"power":      func() { m.restart(m.c.PowerOff()) },
		"clock-zero": func() { m.clock = 0 }, "clock-right": func() { m.clock = 211_000_000 },
		"enter-again": set(func(in *controller.Inputs) { in.Enter = m.measurement() }),
		"flicker": func() {
			m.in.RollPresent = false
			m.wait(m.cfg.GoneTime / 2)
			m.press(func(in *controller.Inputs) { in.RollPresent = true })
		},
		"measure":    set(func(in *controller.Inputs) { in.Measured = m.measurement() }),
		"retry":      set(func(in *controller.Inputs) { in.Retry, in.Measured = true, m.measurement() }),
		"manual":     set(func(in *controller.Inputs) { in.ManualSelected = true }),
		"automatic":  set(func(in *controller.Inputs) { in.ManualSelected = false }),
		"by-hand":    set(func(in *controller.Inputs) { in.Done = &controller.Used{} }),
		"finish":     set(func(in *controller.Inputs) { in.Done = &controller.Used{Slot: 2} }),
		"start-down": set(func(in *controller.Inputs) { in.Start = true }),
		"start-up":   set(func(in *controller.Inputs) { in.Start = false }),
		"start": func() {
			m.press(func(in *controller.Inputs) { in.Start = true })
			m.press(func(in *controller.Inputs) { in.Start = false })
		},
		"abort":          set(func(in *controller.Inputs) { in.Abort = true }),
		"permissive-off": set(func(in *controller.Inputs) { in.Permissives &^= 1 }),
		"permissive-on":  set(func(in *controller.Inputs) { in.Permissives |= 1 }),
		"same-roll":      set(func(in *controller.Inputs) { in.Confirm = controller.SameRoll }),
		"other-roll":     set(func(in *controller.Inputs) { in.Confirm = controller.OtherRoll }),
		"lose-memory": func() {
			lost := m.c.PowerOff()
			lost.Damage()
			m.clock++
			m.restart(lost)
		},
		"acknowledge":  set(func(in *controller.Inputs) { in.AckMemoryLoss = true }),
		"platens-cold": set(func(*controller.Inputs) { m.temper(1630, 1780) }),
		"platens-hot":  set(func(*controller.Inputs) { m.temper(1750, 1900) }),
		"platens-good": set(func(*controller.Inputs) { m.temper(1750, 1780) }),
		"close":        set(func(in *controller.Inputs) { in.Closing = true }),
		"open":         set(func(in *controller.Inputs) { in.Closing = false }),
	}
}

// fillRing has rolls come and go until the ring is full.
func (m *rig) fillRing() {
	for range 2 * registers.RingEntries {
		if produced, acked := m.c.Outcomes(); produced-acked >= registers.RingEntries {
			return
		}
		m.leave()
		if produced, acked := m.c.Outcomes(); produced-acked < registers.RingEntries {
			m.place()
		}
	}
}

// see looks at the controller.
func (m *rig) see(_ context.Context, s conform.Sight) (bool, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.scan() // what was done before shows
	switch s.Name {
	case "outputs-on":
		return m.c.Running(), nil
	case "press-closing":
		return m.c.PressCloses(), nil
	case "clock-alarm":
		return m.c.ClockWrong(), nil
	}
	return false, fmt.Errorf("the rig does not know %q", s.Name)
}
