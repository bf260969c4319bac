// Package sim is a wrapping line that behaves: rolls arrive and are scanned
// with noise, a controller program runs the recipe handshake scan by scan, and
// stand, feed, crimp, press and scale do what they were told, by physics. Each
// finished wrap is judged by what was truly done to it. The line shares
// nothing with the gateway but the description of the handshake.
//
// The simulator is no safety function and drives nothing. A real line has nip
// points, hot platens and hydraulics, and its guards, stops and temperature
// cut-outs belong to its safety system.
package sim

import (
	"context"
	"errors"
	"fmt"
	"math/bits"
	"strings"
	"time"

	"lapgate/sim/controller"
	"lapgate/sim/mapped"
	"lapgate/sim/modbus"
	"lapgate/sim/opcua"
	"lapgate/sim/registers"
	"lapgate/sim/wire"
)

// Sim is one simulated line. Run it once.
type Sim struct {
	cfg    Config
	image  *controller.Image
	server *modbus.Server
	opcua  *opcua.Server
	wires  []*wire.Wire // before each server

	prog      *controller.Controller
	station   *station
	audit     *audit
	planned   []PlannedFault
	due       []dueFault
	counts    []FaultCount
	fromImage chan string
	thisScan  []PlannedFault // faults that act through the inputs of this scan

	tickBase uint32
	bootAt   time.Duration
	lastScan time.Duration
	down     time.Duration // the program does not run until then
	frozen   bool          // it only stands still, and does not restart
	restarts int

	next     int // index of the next roll
	cur      *RollReport
	entered  bool
	measured controller.Measurement        // the newest the line made
	inForce  controller.Measurement        // the one the newest request was raised with
	in       controller.Inputs             // of the coming scan
	offBits  uint32                        // permissives that are off
	offUntil time.Duration                 // 0: until the operator acts
	taken    bool                          // the roll at the station was taken away
	blink    bool                          // the sensor misses the roll in the coming scan
	leftAt   time.Duration                 // when the newest roll left
	lies     time.Duration                 // a roll that was aborted lies at the station until then
	start    uint32                        // tick at which the job began
	payload  uint32                        // request whose payload was seen
	commit   [registers.CommitWords]uint16 // as copied in the scan before
	hasOpen  bool                          // a session was adopted once
	operator operator
	report   Report
}

// New checks the configuration and opens the server, so that its address is
// known before Run.
func New(cfg Config) (*Sim, error) {
	if err := cfg.Validate(); err != nil {
		return nil, err
	}
	s := &Sim{
		cfg: cfg, image: controller.NewImage(cfg.Bases), fromImage: make(chan string, 64),
		tickBase: 100_000,
	}
	s.image.Distort(cfg.Quirks)
	// The sensor is as fast as the line, but a single scan is no proof.
	s.cfg.Program.GoneTime = max(time.Duration(cfg.Times.Gone/cfg.Speed*float64(time.Second)), 2*cfg.Scan)
	s.station = newStation(&s.cfg)
	s.station.guided = true
	s.audit = newAudit(s.cfg.Program)
	s.planned = append(plan(cfg.Faults, len(cfg.Rolls)), planAt(cfg.Faults)...)
	for _, f := range SimulatedFaults() {
		for _, st := range s.planned {
			if st.Fault == f.Name {
				s.counts = append(s.counts, FaultCount{Fault: f.Name})
				break
			}
		}
	}
	s.image.OnFault(func(f string) {
		select {
		case s.fromImage <- f:
		default:
		}
	})
	s.prog = controller.Start(s.cfg.Program, controller.FreshAt(cfg.Floor), clock())
	if err := s.serve(); err != nil {
		return nil, errors.Join(err, s.Close())
	}
	return s, nil
}

// serve opens the servers that the configuration has.
func (s *Sim) serve() error {
	ctx, c := context.Background(), &s.cfg
	if c.Modbus.Addr != "" {
		var registers modbus.Registers = s.image
		if c.Tags != nil {
			registers = mapped.NewRegisters(s.image, *c.Tags)
		}
		srv, err := modbus.Listen(ctx, c.Modbus.Addr, c.Modbus.Unit, registers, c.Modbus.TLS)
		if err != nil {
			return err
		}
		s.server, s.wires = srv, append(s.wires, srv.Wire())
	}
	if c.OPCUA.Addr != "" {
		srv, err := opcua.Listen(ctx, c.OPCUA, s.image)
		if err != nil {
			return err
		}
		s.opcua, s.wires = srv, append(s.wires, srv.Wire())
		if c.Tags != nil {
			return mapped.Serve(srv, s.image, c.Tags.Without...)
		}
	}
	return nil
}

// clock is the controller's clock in seconds since the start of 2020.
func clock() uint32 {
	return uint32(time.Since(time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC)) / time.Second)
}

// ModbusAddr is the address of the Modbus TCP server, empty without one.
func (s *Sim) ModbusAddr() string {
	if s.server == nil {
		return ""
	}
	return s.server.Addr()
}

// OPCUA is the OPC UA server, nil without one.
func (s *Sim) OPCUA() *opcua.Server { return s.opcua }

// Image is the live register area, for links in memory.
func (s *Sim) Image() *controller.Image { return s.image }

// Close stops serving. It may be called more than once.
func (s *Sim) Close() error {
	var all []error
	if s.server != nil {
		all = append(all, s.server.Close())
	}
	if s.opcua != nil {
		all = append(all, s.opcua.Close())
	}
	return errors.Join(all...)
}

// Run wraps the shift. It returns when every roll has left and every outcome
// is acknowledged, when the context ends, or when the limit of real time has
// passed; in the last two cases the error tells what is open. The report is
// never nil. The server goes on until Close.
func (s *Sim) Run(ctx context.Context) (*Report, error) {
	begin := time.Now()
	t := time.NewTicker(s.cfg.Scan)
	defer t.Stop()
	// Time that this process did not get is time in which controller, line and operator
	// stood.
	var now time.Duration
	last := begin
	var err error
	for s.cfg.Linger || !s.done() {
		select {
		case <-ctx.Done():
			if s.cfg.Linger && s.done() {
				return s.finish(time.Since(begin)), nil
			}
			err = fmt.Errorf("simulated shift stopped after %d of %d rolls, open: %s", len(s.report.Rolls), len(s.cfg.Rolls), s.open())
		case <-t.C:
			at := time.Now()
			now += min(at.Sub(last), 5*s.cfg.Scan)
			last = at
			s.scan(now)
			if at.Sub(begin) > s.cfg.Limit && !s.done() {
				err = fmt.Errorf("simulated shift not over after %s: %d of %d rolls done, open: %s", s.cfg.Limit, len(s.report.Rolls), len(s.cfg.Rolls), s.open())
			}
		}
		if err != nil {
			break
		}
	}
	return s.finish(time.Since(begin)), err
}

func (s *Sim) done() bool {
	produced, acked := s.prog.Outcomes()
	if s.cfg.Shadow && s.lastScan-s.leftAt < seen {
		return false
	}
	return s.next == len(s.cfg.Rolls) && s.cur == nil && (produced == acked || s.cfg.Shadow) && s.down == 0 && !s.prog.Starting()
}

// seen is how long an outcome stands that nobody acknowledges, so that a gateway in
// shadow reads the last one too.
const seen = time.Second

// open tells what keeps the shift from ending.
func (s *Sim) open() string {
	var what []string
	if s.cur != nil {
		what = append(what, fmt.Sprintf("roll %s at the station, phase %s", s.cur.Tag, s.prog.Phase()))
	}
	if n := len(s.cfg.Rolls) - s.next; n > 0 {
		what = append(what, fmt.Sprintf("%d rolls not yet come", n))
	}
	if p, a := s.prog.Outcomes(); p != a {
		what = append(what, fmt.Sprintf("%d outcomes not acknowledged", p-a))
	}
	if !s.hasOpen && !s.cfg.Shadow {
		what = append(what, "no gateway opened a session")
	}
	if len(what) == 0 {
		return "nothing"
	}
	return strings.Join(what, ", ")
}

func (s *Sim) tick(now time.Duration) uint32 {
	return s.tickBase + uint32((now-s.bootAt)/controller.Tick)
}

// scan is one scan of the program and what the line did since the last.
func (s *Sim) scan(now time.Duration) {
	gone := now - s.lastScan
	s.lastScan = now
	s.imageFaults()
	if !s.running(now) {
		return
	}
	tick := s.tick(now)
	s.station.paused, s.station.closes = !s.prog.Running(), s.prog.PressCloses()
	s.station.advance(gone.Seconds() * s.cfg.Speed)
	s.bring(now, tick)

	area := s.image.Copy()
	at := time.Now() // after all that the gateway did before this scan
	s.noticePayload(&area)
	s.injectDue(now, tick)
	if s.down > now {
		return
	}
	if len(s.thisScan) > 0 {
		// Operator and line acted a moment before the commit that may stand in
		// the copy. For this scan that commit is still on its way.
		area.Commit = s.commit
	}
	s.commit = area.Commit
	s.levels(now)
	in := s.in
	events := s.prog.Scan(tick, &area, &in)
	s.image.Publish(s.prog)
	if s.prog.Starting() {
		return // what was pressed waits for the end of the first scan
	}
	s.in = controller.Inputs{ManualSelected: in.ManualSelected}
	s.audit.scanned(s.prog, &in, tick)
	for i := range events {
		if events[i].Kind == controller.EventRequested {
			switch {
			case in.Enter != nil:
				s.inForce = *in.Enter
			case in.Measured != nil:
				s.inForce = *in.Measured
			}
		}
		if s.cfg.OnEvent != nil {
			s.cfg.OnEvent(&events[i])
		}
		s.audit.see(&events[i], &s.inForce)
		if l, ok := ledgerEvent(at, &events[i]); ok && s.cfg.OnLedger != nil {
			s.cfg.OnLedger(l)
		}
		s.handle(now, &events[i])
	}
	s.afterThisScan(events)
	s.operate(now, tick)
}

// running reports whether the program runs, and starts it again where it stood
// for long enough.
func (s *Sim) running(now time.Duration) bool {
	if s.down == 0 {
		return true
	}
	if now < s.down {
		return false
	}
	s.down = 0
	if !s.frozen {
		s.bootAt, s.tickBase = now, 0
		if s.prog.Phase() == controller.PhaseAwait && s.cur != nil {
			s.remeasure(now)
		}
	}
	s.frozen = false
	return true
}

// noticePayload tells the planned faults when the payload for the request in
// force has arrived.
func (s *Sim) noticePayload(area *controller.Area) {
	p := registers.In(registers.Payload, area.Payload[:])
	id := p.Get("req_id")
	if id == s.prog.ReqID() && id != s.payload && s.prog.Phase() == controller.PhaseAwait && p.Begun() {
		s.payload = id
		s.reach(atPayload)
	}
}

// bring lets the next roll arrive, and shows it to the program as soon as it is
// measured.
func (s *Sim) bring(now time.Duration, tick uint32) {
	st := s.station
	if s.cur == nil && s.next < len(s.cfg.Rolls) && s.prog.Clear() && !s.prog.Starting() && !s.prog.MemoryLost() {
		r := &s.cfg.Rolls[s.next]
		s.next++
		s.cur = &RollReport{Ordinal: s.next, Tag: r.Tag, Diameter: r.Diameter, Width: r.Width}
		s.entered = false
		s.in.ManualSelected = false
		s.operator = operator{}
		st.arrive(s.next, r)
		s.cur.Process = st.trouble.names
	}
	if s.cur == nil || st.stage != waiting || s.entered {
		return
	}
	if st.scans == 0 {
		s.measured = st.measure(tick)
		s.measured.Tick -= uint32(st.roll.ScanAge * 100)
		if p := st.roll.Permissive; p > 0 {
			s.offBits, s.offUntil = 1<<(p-1), 0
		}
		s.reach(atMeasure)
		s.injectDue(now, tick)
	}
	m := s.measured
	s.in.Enter = &m
	if produced, acked := s.prog.Outcomes(); s.cfg.Shadow && produced-acked >= 64 {
		s.in.ManualSelected = true // or the line would stand for ever
	}
}

// remeasure scans the roll again and shows the program the result.
func (s *Sim) remeasure(now time.Duration) {
	s.measured = s.station.measure(s.tick(now))
	m := s.measured
	s.in.Measured = &m
}

// levels sets the inputs that are states of the machine.
func (s *Sim) levels(now time.Duration) {
	st := s.station
	cooler, _ := st.platenTemperatures()
	on := uint32(0x3F)
	if cooler < s.cfg.Header.Hot {
		on &^= 1 << PlatensHot
	}
	if s.offUntil > 0 && now >= s.offUntil {
		s.offBits, s.offUntil = 0, 0
	}
	s.in.Permissives = on &^ s.offBits
	st.show(&s.in)
	s.in.RollPresent = (st.atStation() && !s.taken && !s.blink) || now < s.lies
	s.blink = false
	if s.cfg.Habit.Confirm && st.roll != nil {
		if i := st.habitSlot(); i >= 0 {
			s.in.SlotConfirmed = uint16(s.cfg.Stand.Slots[i].Number)
		}
	}
	s.in.Mode, s.in.State = unitState(s.prog, s.in.ManualSelected)
}

// unitState gives mode and state by their ISA-TR88 numbers.
func unitState(p *controller.Controller, manual bool) (mode, state uint16) {
	mode = 1 // produce
	if manual {
		mode = 3
	}
	switch p.Phase() {
	case controller.PhaseRun, controller.PhaseManual:
		state = 6 // execute
	case controller.PhaseHeld:
		state = 11
	case controller.PhaseAwait:
		state = 5 // suspended: waits for something from outside
	case controller.PhaseFault:
		state = 9
	default:
		state = 4
	}
	return mode, state
}

// handle follows what the program decided.
func (s *Sim) handle(now time.Duration, e *controller.Event) {
	switch e.Kind {
	case controller.EventAdopted:
		s.report.Sessions++
		s.hasOpen = true
		s.operator.since = now
	case controller.EventEntered:
		s.entered = true
		if s.cur != nil {
			s.cur.number(e)
		}
	case controller.EventRequested:
		s.operator.asked(now)
		s.reach(atRequest)
	case controller.EventVerdict:
		s.verdict(now, e)
	case controller.EventOutcome:
		s.left(e)
	case controller.EventBoot:
		s.report.Boots++
		s.operator.since = now
	case controller.EventMemoryLost:
		s.report.MemoryLosses++
		s.operator.since = now
	}
}

func (s *Sim) verdict(now time.Duration, e *controller.Event) {
	s.operator.judged(now)
	switch e.Verdict {
	case controller.Accepted:
		s.report.Accepted++
		r := e.Setpoints()
		s.start = e.Tick
		s.station.begin(&r)
		s.reach(atRun)
	case controller.HeldByRecipe:
		s.report.Held++
		s.operator.hold = e.Hold
		if s.cur != nil {
			s.cur.Holds = append(s.cur.Holds, e.Hold)
		}
	case controller.Rejected:
		s.report.Rejected++
		if s.cur != nil {
			s.cur.Rejections = append(s.cur.Rejections, e.Reason)
		}
	}
}

// left closes the book of the roll that left the station.
func (s *Sim) left(e *controller.Event) {
	if s.cur == nil {
		return
	}
	r := s.cur
	r.number(e)
	r.Outcome, r.OutcomeNumber = e.Outcome.String(), e.Outcome
	if e.Outcome == controller.Wrapped || e.Outcome == controller.ByHand {
		j := s.station.judgeWrap()
		r.Judgement = &j
	}
	s.report.Rolls = append(s.report.Rolls, *r)
	s.reach(atOutcome)
	s.station.leave()
	s.cur, s.taken, s.leftAt = nil, false, s.lastScan
	s.in = controller.Inputs{}
	if s.offUntil == 0 {
		s.offBits = 0
	}
	if s.cfg.OnRoll != nil {
		s.cfg.OnRoll(*r)
	}
}

// finish makes the report.
func (s *Sim) finish(took time.Duration) *Report {
	s.imageFaults()
	r := &s.report
	r.Planned = len(s.cfg.Rolls)
	r.Took = took.Seconds()
	r.Faults = s.counts
	r.Process = s.cfg.processCounts()
	r.countProcess()
	r.Violations = s.audit.violations
	r.Stale = s.prog.StaleCommits()
	r.Produced, r.Acknowledged = s.prog.Outcomes()
	return r
}

// Err tells what a shift went wrong by: invariants broken, or wraps that the
// line itself judged bad, of which each judgement says why. Nil when all is well.
func (r *Report) Err() error {
	var all []error
	for _, v := range r.Violations {
		all = append(all, errors.New("invariant broken: "+v))
	}
	var bad []string
	for i := range r.Rolls {
		if j := r.Rolls[i].Judgement; j != nil && !j.Good {
			bad = append(bad, r.Rolls[i].Tag)
		}
	}
	if len(bad) > 0 {
		all = append(all, errors.New("wraps judged bad, of the rolls "+strings.Join(bad, ", ")))
	}
	return errors.Join(all...)
}

// permissiveOff names the first permissive that is off, empty when none is.
func permissiveOff(need, on uint32) string {
	off := need &^ on
	if off == 0 {
		return ""
	}
	i := bits.TrailingZeros32(off)
	if n := PermissiveNames(); i < len(n) {
		return n[i]
	}
	return fmt.Sprintf("bit %d", i)
}
