package virtual

import (
	"fmt"
	"math/rand/v2"
	"sync"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link/memory"
	"lapgate/gateway/stationtest"
	"lapgate/sim/controller"
	"lapgate/sim/registers"
)

const (
	scanTime = 100 * time.Millisecond
	allOn    = 0x3F
)

// station is the controller's program with a line and an operator around it.
type station struct {
	mu      sync.Mutex // a read may let it scan between its halves
	image   *memory.Image
	live    *controller.Image
	config  controller.Config
	program *controller.Controller
	in      controller.Inputs // of the coming scan
	seed    uint64
	begin   time.Time
	feeding bool // rolls come

	base   uint32        // tick at the start of the program
	bootAt time.Duration // since the beginning
	down   time.Duration // the program does not run until then
	frozen bool          // it only stands still
	starts uint32
	offEnd time.Duration // permissives are off until then
	hand   time.Duration // the selector is at manual until then

	phase    controller.Phase
	since    time.Duration // of the phase
	rolls    uint64        // that came
	lies     bool          // one lies at the station
	retries  int
	surprise string // what comes to the next roll in its phase
	atCommit string // what comes in the scan that takes the next commit
	commit   [registers.CommitWords]uint16
	did      func(what string)      // tells that it came
	same     bool                   // the roll after a restart is the same
	measured controller.Measurement // newest
	shown    []controller.ReqWords  // publications, oldest first
	lag      int                    // publications
	lagEnd   time.Duration
	note     func(stationtest.Event) // writes the ledger
	judge    func(*controller.Event, controller.Measurement)
}

func newStation(image *memory.Image, seed uint64) *station {
	s := &station{
		image: image, live: controller.NewImage(controller.DefaultBases()), config: controller.DefaultConfig(),
		seed: seed, begin: time.Now(), feeding: true, same: true,
	}
	s.config.GoneTime = 500 * time.Millisecond // shorter than the pause between two rolls
	s.program = controller.Start(s.config, controller.Fresh(), s.clock())
	s.in = s.still()
	return s
}

func (s *station) now() time.Duration { return time.Since(s.begin) }

// clock is in seconds since 2020, and no two starts have the same.
func (s *station) clock() uint32 {
	s.starts++
	return 200_000_000 + uint32(s.now()/time.Second) + s.starts
}

func (s *station) tick() uint32 { return s.base + uint32((s.now()-s.bootAt)/controller.Tick) }

// still are the inputs of a machine on which all is well and nothing happens.
func (s *station) still() controller.Inputs {
	in := controller.Inputs{
		Permissives: allOn, Mode: 1, State: 6, SlotsReady: 0x3F,
		SlotOuter: [6]uint16{900, 900, 900, 900, 900, 900}, Platen: 1767, PlatenHot: 1767,
	}
	if s.now() < s.offEnd {
		in.Permissives &^= 1 << (s.rolls % 6)
	}
	in.ManualSelected, in.RollPresent = s.now() < s.hand, s.lies
	return in
}

// chance draws for one roll, whatever happened before it.
func (s *station) chance(about uint64) *rand.Rand {
	return rand.New(rand.NewPCG(s.seed<<20|s.rolls, about))
}

// measure is a measurement of the roll at the station.
func (s *station) measure() controller.Measurement {
	r := s.chance(1)
	diameter, width := uint32(11000+r.IntN(3000)), uint32(8128+r.IntN(3)*2032)
	if r.IntN(40) == 0 {
		width = 11400 // no wrapper fits
	}
	m := controller.Measurement{
		Tag: controller.TagOf(fmt.Sprintf("R-%06d", s.rolls)), Diameter: diameter, Width: width, Tick: s.tick(),
		Grade: 1, Core: 1, Quality: 95, Valid: true, DiameterN: 12, WidthN: 8,
	}
	for i := range m.Diameters {
		m.Diameters[i] = uint16(diameter)
	}
	for i := range m.Widths {
		m.Widths[i] = uint16(width)
	}
	s.measured = m
	return m
}

// operate is what line and operator do in this scan.
func (s *station) operate() {
	stood := s.now() - s.since
	r := s.chance(2)
	pause, wrap := time.Duration(5+r.IntN(55))*time.Second, time.Duration(30+r.IntN(60))*time.Second
	in := &s.in
	switch p := s.program.Phase(); {
	case s.program.MemoryLost():
		in.AckMemoryLoss = stood > 10*time.Second
	case s.program.ConfirmWanted():
		if stood > 5*time.Second {
			in.Confirm = controller.SameRoll
			if !s.same || !s.lies {
				in.Confirm, s.same = controller.OtherRoll, true
			}
		}
	case p == controller.PhaseEmpty:
		s.bring(stood > pause)
	case s.startles(p):
	case p == controller.PhaseRun || p == controller.PhaseManual:
		if stood > wrap {
			in.Done = &controller.Used{Slot: 1, Start: s.tick() - 500, End: s.tick(), FeedLength: 11943, Scale: 15698}
		}
	case p == controller.PhaseHeld && stood > 10*time.Second:
		if s.retries > 0 {
			s.lies = false // taken away
			break
		}
		s.retries++
		m := s.measure()
		in.Measured, in.Retry = &m, true
	case p == controller.PhaseAwait && stood > 3*time.Minute && s.now() > s.hand:
		s.hand = s.now() + time.Second // the operator waits no longer
	}
}

// bring lets the next roll come. After a loss of memory the one that lies there is
// first taken away.
func (s *station) bring(due bool) {
	if s.lies {
		s.lies = false
		return
	}
	if s.feeding && due && s.program.Clear() {
		s.rolls++
		s.retries, s.lies = 0, true
		m := s.measure()
		s.in.Enter, s.in.RollPresent = &m, true
	}
}

// startles does to a roll what was planned for the next one in this phase.
func (s *station) startles(p controller.Phase) bool {
	what := s.surprise
	running := what == "abort" || what == "taken-in-run"
	if what == "" || running != (p == controller.PhaseRun) || p != controller.PhaseAwait && p != controller.PhaseRun {
		return false
	}
	switch what {
	case "rescan":
		m := s.measure()
		m.Diameter++
		s.in.Measured = &m
	case "manual":
		s.in.ManualSelected = true
		s.hand = s.now() + 10*time.Second
	case "remove", "taken-in-run":
		s.lies = false
	case "abort":
		s.in.Abort = true
	}
	s.did(what)
	s.surprise = ""
	return true
}

// scan runs the program once.
func (s *station) scan() {
	if s.now() < s.down {
		return
	}
	if s.down != 0 {
		s.up()
	}
	s.image.Lock()
	defer s.image.Unlock()
	if p := s.program.Phase(); p != s.phase {
		s.phase, s.since = p, s.now()
	}
	s.operate()
	var area controller.Area
	copy(area.Heartbeat[:], s.image.Words(handshake.HEARTBEAT, 0))
	copy(area.Hello[:], s.image.Words(handshake.HELLO, 0))
	copy(area.Payload[:], s.image.Words(handshake.PAYLOAD, 0))
	copy(area.Commit[:], s.image.Words(handshake.COMMIT, 0))
	copy(area.Ack[:], s.image.Words(handshake.ACK, 0))
	if area.Commit != s.commit && s.atCommit != "" && s.program.Phase() == controller.PhaseAwait {
		s.disturb()
	}
	s.commit = area.Commit
	waiting := s.program.Waiting()
	events := s.program.Scan(s.tick(), &area, &s.in)
	s.in = s.still()
	s.live.Publish(s.program)
	s.publish()
	for i := range events {
		s.tell(&events[i], waiting)
	}
}

// disturb does what was planned between the last look of the gateway and the
// judgement.
func (s *station) disturb() {
	switch s.atCommit {
	case "permissive-at-commit":
		s.in.Permissives &^= 1 << (s.rolls % 6)
		s.offEnd = s.now() + 5*time.Second
	case "echo-at-commit":
		s.program.Disturb()
	case "rescan-at-commit":
		m := s.measure()
		m.Diameter++
		s.in.Measured = &m
	}
	s.did(s.atCommit)
	s.atCommit = ""
}

// up starts the program after it stood.
func (s *station) up() {
	s.down = 0
	if s.frozen {
		s.frozen = false
		return
	}
	s.bootAt, s.base = s.now(), s.starts*977
	s.in = s.still()
}

// power takes the program away for a while, and perhaps its memory and the registers.
func (s *station) power(off time.Duration, cleared, lost bool) {
	m := s.program.PowerOff()
	if lost {
		m.Damage()
	}
	if cleared {
		s.image.Lock()
		for _, id := range []handshake.ID{handshake.HEARTBEAT, handshake.HELLO, handshake.PAYLOAD, handshake.COMMIT, handshake.ACK} {
			clear(s.image.Words(id, 0))
		}
		s.image.Unlock()
	}
	s.down, s.frozen = s.now()+off, false
	s.program = controller.Start(s.config, m, s.clock())
}

// publish shows the request block, its result and last offer as they were some
// publications ago where they lag. The image is locked.
func (s *station) publish() {
	req := s.live.Request()
	if n := len(s.shown); n == 0 || s.shown[n-1] != req {
		s.shown = append(s.shown, req)
	}
	if s.now() >= s.lagEnd {
		s.lag = 0
	}
	if n := len(s.shown); n > 11 {
		s.shown = append(s.shown[:0], s.shown[n-11:]...)
	}
	if s.lag > 0 {
		old := s.shown[max(0, len(s.shown)-1-s.lag)]
		w, o := registers.In(registers.Request, req[:]), registers.In(registers.Request, old[:])
		for _, name := range []string{"last_offer", "result_req_id", "result_epoch", "result_nonce", "result_offer", "result_verdict", "result_reason", "result_payload_crc"} {
			w.Put(name, o.Get(name))
		}
		w.Seal()
	}
	copy(s.image.Words(handshake.REQ, 0), req[:])
}

// tell writes an event down. The image is locked.
func (s *station) tell(e *controller.Event, waiting controller.Measurement) {
	out := stationtest.Event{
		Boot: e.Boot, Roll: e.Roll, Req: e.Req, Epoch: e.Session.Epoch, Nonce: e.Session.Nonce, Offer: e.Offer,
		Verdict: handshake.Verdict(e.Verdict), Outcome: handshake.OutcomeKind(e.Outcome), Index: e.Index,
	}
	switch e.Kind {
	case controller.EventBoot:
		out.What = stationtest.Booted
	case controller.EventMemoryLost:
		out.What = stationtest.MemoryLost
		s.ring()
	case controller.EventAdopted:
		out.What = stationtest.Adopted
	case controller.EventEntered:
		out.What = stationtest.Entered
	case controller.EventRequested:
		out.What = stationtest.Requested
	case controller.EventVerdict:
		out.What = stationtest.Judged
		s.judge(e, waiting)
	case controller.EventOutcome:
		out.What = stationtest.Left
		s.lies = false
		s.ring()
	case controller.EventAcked:
		out.What = stationtest.Acknowledged
	default:
		return
	}
	s.note(out)
}

// ring shows the outcomes. The image is locked.
func (s *station) ring() {
	base := int(s.live.Bases().Out)
	for i := range handshake.OutEntries {
		words, err := s.live.Read(uint16(base+i*handshake.OutWords), handshake.OutWords)
		if err != nil {
			panic(err)
		}
		copy(s.image.Words(handshake.OUT, i), words)
	}
}
