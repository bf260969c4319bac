// Package controller is the line controller's side of the recipe handshake as
// a pure program: one call of Scan is one scan. It takes a private copy of
// what the gateway wrote and the inputs of the machine, and builds the request
// block and the outcome ring. It holds no clock, socket or goroutine, so that
// it serves a Modbus server, an OPC UA server and an in-memory link alike.
//
// The controller is the judge: every guard that carries a guarantee stands
// here, and each is judged and used on one copy in one scan.
package controller

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"time"

	"lapgate/sim/registers"
)

// Phase of the station.
type Phase uint16

// Phases, by their numbers in the request block.
const (
	PhaseEmpty Phase = iota
	PhaseAwait
	PhaseRun
	PhaseHeld
	PhaseManual
	PhaseFault
)

func (p Phase) String() string { return spelled(registers.Request, "phase", int(p)) }

// spelled is the word of a number in a field.
func spelled(b registers.Block, field string, n int) string {
	if words := b.Shape().Field(field).Named; n < len(words) {
		return words[n]
	}
	return "unknown"
}

// Flags of the request block.
const (
	FlagPermissives = 1 << iota
	FlagMemoryLost
	FlagManual
	FlagRingFull
	FlagAlive
	FlagValid
	FlagOperator
	FlagLimits
)

// OfferVerdict is what the program says to an offer.
type OfferVerdict uint16

// Verdicts on an offer, by their numbers in the request block.
const (
	Accepted     OfferVerdict = 1
	Rejected     OfferVerdict = 2
	HeldByRecipe OfferVerdict = 3
)

// Reasons of a rejection. Permissives and limits add the number of the bit and
// of the field to theirs; the number of a field is its register in the payload
// less 33, so that the wrapper slot is 60.
const (
	ReasonDamaged    = 10
	ReasonOtherOffer = 11
	ReasonWrongData  = 12
	ReasonTooLate    = 13
	ReasonNotAlive   = 14
	ReasonPermissive = 20
	ReasonLimit      = 60
)

// Outcome is how a roll left the station.
type Outcome uint16

// Outcomes, by their numbers in an entry of the ring.
const (
	Wrapped Outcome = iota + 1
	ByHand
	Removed
	Aborted
	Lost
)

func (o Outcome) String() string { return spelled(registers.Outcome, "outcome", int(o)) }

// Config is what the program is set up with.
type Config struct {
	Permissives   uint32        // bits that must be on
	CommitTTL     time.Duration // from the last look to the judgement
	HeartbeatLoss time.Duration // a count that stands this long is silence
	Publish       time.Duration // longest time between two publications
	GoneTime      time.Duration // a roll that the sensor does not see for so long is gone
	FirstScans    int           // how many scans the first one is spread over, at least 1

	// Limits are the machine's own, from its data sheet, and Falls are the states
	// that its outputs fall to. Without the one every recipe is rejected, without the
	// other there is no output.
	Limits     []Limit
	Falls      [Outputs]State
	ShowLimits bool // the block LIMITS is published

	// Broken is the one rule that the program breaks, for tests of what proves a
	// controller. Empty for a program that keeps them all.
	Broken Rule
}

// Delivered is the program as delivered, with six permissives: nobody has entered
// yet what the machine may do.
func Delivered() Config {
	return Config{
		Permissives:   0x3F,
		CommitTTL:     2 * time.Second,
		HeartbeatLoss: 2500 * time.Millisecond,
		Publish:       100 * time.Millisecond,
		GoneTime:      2 * time.Second,
		FirstScans:    1,
		ShowLimits:    true,
	}
}

// DefaultConfig is the program as the simulated machine has it.
func DefaultConfig() Config {
	c := Delivered()
	c.Limits, c.Falls = DataSheet(), makersStates()
	return c
}

// Tick is the unit of the controller's clock.
const Tick = 10 * time.Millisecond

// Measurement is one measurement of one roll, in the units of the wire.
type Measurement struct {
	Tag             Tag
	Diameter, Width uint32 // 0.1 mm
	Weight          uint32 // 0.1 kg, 0 not weighed before
	Grade, Core     uint16
	Quality         uint16 // 0 to 100
	Valid           bool
	Tick            uint32 // when it was taken
	DiameterN       uint16
	WidthN          uint16
	Diameters       [12]uint16
	Widths          [8]uint16
	AgeUnknown      bool // taken before a restart, so that its tick says nothing
}

// Used are the figures of a finished roll, in the units of the wire.
type Used struct {
	Slot        uint16
	FeedLength  uint32 // 0.1 mm
	Layers      uint16 // × 100
	CrimpTime   uint16 // 10 ms
	Temperature uint16 // 0.1 °C
	Dwell       uint16 // 10 ms
	OuterHead   uint16 // mm
	Overlap     uint16 // 0.1 mm
	Hangs       uint16 // 0.1 mm of overhang as measured, 0 not measured
	Pressure    uint16 // kPa of the press as measured, 0 not measured
	Scale       uint32 // 0.1 kg, 0 not weighed
	Encoder     uint32 // 0.1 mm
	Start, End  uint32 // ticks
}

// Answer of the operator, who stands at the station and looks, to the question
// whether the roll there is still the same.
type Answer uint8

// Answers.
const (
	NoAnswer Answer = iota
	SameRoll
	OtherRoll // or none
)

// Inputs are the machine and the operator as one scan sees them.
type Inputs struct {
	Permissives   uint32
	Mode, State   uint16 // ISA-TR88 numbers
	SlotsReady    uint16
	SlotOuter     [6]uint16 // mm
	SlotConfirmed uint16
	Platen        uint16 // 0.1 °C, the cooler one
	PlatenHot     uint16 // 0.1 °C, the hotter one

	RollPresent    bool // sensor at the station
	ManualSelected bool // selector switch
	Start          bool // button; its press counts, not that it is down
	Abort          bool // reports what was done already: a jam, an emergency stop, a roll craned out
	Closing        bool // the line wants to close the press

	Enter         *Measurement // a roll has arrived and is measured
	Measured      *Measurement // the roll at the station was measured again
	Retry         bool         // button, with Measured for a new measurement
	Done          *Used        // the roll is finished, by the line or by hand
	Confirm       Answer       // also that another roll lies there after one that was aborted or lost
	AckMemoryLoss bool
	ClearMemory   bool // key switch of the memory-loss procedure, with the line stopped and locked out
}

// EventKind names what happened in a scan.
type EventKind uint8

// Kinds of event.
const (
	EventBoot EventKind = iota + 1
	EventMemoryLost
	EventAdopted
	EventEntered
	EventRequested
	EventVerdict
	EventOutcome
	EventAcked
	EventStale
	EventConfirmWanted
)

// Event is what happened in a scan, for whoever watches the program. The
// handshake itself does not need it.
type Event struct {
	Kind    EventKind
	Boot    uint32
	Roll    uint32
	Req     uint32
	Session Session
	Offer   uint16
	Verdict OfferVerdict
	Reason  uint16
	Hold    uint16 // reason of a hold, as the gateway gave it
	Outcome Outcome
	Index   uint32 // of an outcome, or acknowledged up to
	Under   uint32 // start that an outcome names: for a recipe that under which it was accepted
	Tick    uint32
	Echoed  uint32 // tick in the commit
	On      uint32 // permissives at the judgement
	Payload PayloadWords
}

// Setpoints of the payload of an EventVerdict.
func (e *Event) Setpoints() Recipe { return recipeOf(registers.In(registers.Payload, e.Payload[:])) }

// Echo returns the roll data that the payload of an EventVerdict echoes.
func (e *Event) Echo() (tag Tag, diameter, width uint32) {
	p := registers.In(registers.Payload, e.Payload[:])
	return p.Letters("roll_tag"), p.Get("diameter"), p.Get("width")
}

// result of the newest judged offer.
type result struct {
	Req     uint32
	Session Session
	Offer   uint16
	Verdict OfferVerdict
	Reason  uint16
	CRC     uint32
}

// retained is the memory that outlives the loss of power.
type retained struct {
	Boot, Roll, Req uint32
	Floor           uint32
	Result          result
	Phase           Phase
	Roll1           Measurement // of the roll at the station
	Payload         PayloadWords
	Hold            uint16
	RunStart        uint32
	Confirm         bool // operator must say whether the roll is the same
	Still           bool // the sensor has not seen the roll leave that has its outcome
	ByHand          bool // the roll in manual was begun
	MemoryLost      bool
	ClockWrong      bool // memory was lost and the clock gave no number for the start
	Produced, Acked uint32
	Stale           uint32
	Overwritten     uint32
	Ring            [registers.RingEntries]OutWords
}

// Memory is the retained memory as found at power-up, with its checksum.
type Memory struct {
	data retained
	crc  uint32
}

// Damage makes the memory fail its checksum, as an empty battery does.
func (m *Memory) Damage() { m.crc ^= 0x5A5A5A5A; m.data.Roll ^= 0xFFFF }

func (r *retained) checksum() uint32 {
	var b bytes.Buffer
	// The struct holds fixed-size fields alone; Write cannot fail on it.
	_ = binary.Write(&b, binary.BigEndian, r)
	return crc32.ChecksumIEEE(b.Bytes())
}

// Controller is the program of one line. It is not safe for concurrent use.
type Controller struct {
	cfg Config

	mem retained

	starting   int // scans that the first one still takes
	memoryGood bool
	cleared    bool // by the operator, so that the next start finds no memory
	clock      uint32
	limits     LimitsWords

	lostWith   Area // what the gateway's blocks held when memory was found lost
	notWritten [gatewayOwned]bool
	away       bool // the sensor does not see a roll
	gone       bool
	awaySince  uint32
	startDown  bool
	on         bool // the outputs
	closing    Closing
	closes     bool

	active     Session
	lastOffer  uint16
	lastCommit [registers.CommitWords]uint16

	breaking breaking

	hbCount  uint16
	hbTick   uint32
	hbSeen   bool
	alive    bool
	gen      uint16
	pubTick  uint32
	pubState pubState

	manual    bool
	req       ReqWords
	published bool
	outDirty  []int
	events    []Event
}

// pubState is what must be shown at once when it changes.
type pubState struct {
	phase           Phase
	req             uint32
	res             result
	active          Session
	lastOffer       uint16
	flags           uint16
	permissives     uint32
	produced, acked uint32
}

// Fresh is the memory of a controller that was commissioned and never ran.
func Fresh() Memory { return FreshAt(0) }

// FreshAt is such a memory with a floor of epochs, as a stray message may leave it.
func FreshAt(floor uint32) Memory {
	m := Memory{data: retained{Floor: floor}}
	m.crc = m.data.checksum()
	return m
}

// Start returns the program as it is before its first scan. The clock gives
// the seconds since the start of 2020 and is used after loss of memory only.
func Start(cfg Config, m Memory, clock uint32) *Controller {
	if cfg.breaks(RulePublished) {
		cfg.Publish *= 5
	}
	cfg.FirstScans = max(cfg.FirstScans, 1)
	c := &Controller{cfg: cfg, starting: cfg.FirstScans, clock: clock, limits: cfg.limitsBlock()}
	c.memoryGood = m.crc == m.data.checksum()
	if c.memoryGood {
		c.mem = m.data
	}
	return c
}

// PowerOff returns the retained memory as it stands after the last scan. A
// program that has not finished its first scan leaves a damaged memory damaged.
func (c *Controller) PowerOff() Memory {
	m := Memory{data: c.mem, crc: c.mem.checksum()}
	if c.starting > 0 && !c.memoryGood || c.cleared {
		m.Damage()
	}
	return m
}

// Phase of the station.
func (c *Controller) Phase() Phase { return c.mem.Phase }

// RollNo of the newest roll that entered.
func (c *Controller) RollNo() uint32 { return c.mem.Roll }

// ReqID of the newest request.
func (c *Controller) ReqID() uint32 { return c.mem.Req }

// Boot is the number of the controller's start.
func (c *Controller) Boot() uint32 { return c.mem.Boot }

// Active is the session in force.
func (c *Controller) Active() Session { return c.active }

// Outcomes returns how many outcomes were produced and acknowledged.
func (c *Controller) Outcomes() (produced, acked uint32) { return c.mem.Produced, c.mem.Acked }

// StaleCommits counts the commits that were ignored.
func (c *Controller) StaleCommits() uint32 { return c.mem.Stale }

// Overwritten counts the outcomes lost from the ring.
func (c *Controller) Overwritten() uint32 { return c.mem.Overwritten }

// Alive reports whether the gateway's heartbeat is alive.
func (c *Controller) Alive() bool { return c.alive }

// ConfirmWanted reports whether the operator must say that the roll in the
// station is still the same.
func (c *Controller) ConfirmWanted() bool { return c.mem.Confirm }

// ClockWrong reports the alarm that memory was lost and the clock gives nothing
// to number the start by: set it and start the program again.
func (c *Controller) ClockWrong() bool { return c.mem.ClockWrong }

// Starting reports whether the first scan is not finished.
func (c *Controller) Starting() bool { return c.starting > 0 }

// MemoryLost reports whether the operator must acknowledge a loss of memory.
func (c *Controller) MemoryLost() bool { return c.mem.MemoryLost }

// Result returns the request, verdict and reason of the newest judged offer.
func (c *Controller) Result() (req uint32, v OfferVerdict, reason uint16) {
	return c.mem.Result.Req, c.mem.Result.Verdict, c.mem.Result.Reason
}

// Waiting returns the measurement of the roll at the station.
func (c *Controller) Waiting() Measurement { return c.mem.Roll1 }

// Disturb changes the controller's own width of the waiting roll by 0.1 mm
// without a new request: a fault of the program, for tests of the echo.
func (c *Controller) Disturb() { c.mem.Roll1.Width++ }

// full reports whether the ring holds no room for another outcome.
func (c *Controller) full() bool { return c.mem.Produced-c.mem.Acked >= registers.RingEntries }

func ticks(d time.Duration) uint32 { return uint32(d / Tick) }

// Scan runs one scan at the given tick on a private copy of the gateway's area.
// The events returned are valid until the next scan.
func (c *Controller) Scan(tick uint32, area *Area, in *Inputs) []Event {
	c.events = c.events[:0]
	c.outDirty = c.outDirty[:0]
	c.published = false
	if c.starting > 0 && !c.firstScan(tick, area, in) {
		return c.events
	}
	c.breaking.was = c.on
	c.presence(tick, in)
	fresh := c.fresh(area)
	if c.cfg.breaks(RuleHelloFirst) {
		c.commit(tick, &fresh, in)
	}
	c.hello(&fresh)
	c.ack(&fresh)
	if c.cfg.breaks(RuleHelloDrops) {
		c.commitOfBefore(tick, &fresh, in)
	} else {
		c.commit(tick, &fresh, in)
	}
	c.heartbeat(tick, &fresh)
	c.line(tick, in)
	c.outputs(in)
	c.publish(tick, in)
	return c.events
}

func (c *Controller) note(e Event) {
	e.Boot = c.mem.Boot
	c.events = append(c.events, e)
}

func (c *Controller) hello(area *Area) {
	h := registers.In(registers.Hello, area.Hello[:])
	again := c.helloChanged(area) && c.cfg.breaks(RuleHelloSame)
	if !h.Whole() && !c.cfg.breaks(RuleHelloCRC) || !h.LayoutKnown() && !c.cfg.breaks(RuleHelloLayout) ||
		h.Get("boot_id") != c.mem.Boot && !c.cfg.breaks(RuleHelloBoot) || c.mem.MemoryLost && !c.cfg.breaks(RuleHelloLost) {
		return
	}
	s := sessionIn(h)
	if s == c.active && !again || s != c.active && !c.epochFits(s.Epoch) {
		return
	}
	if !c.cfg.breaks(RuleHelloRaises) {
		c.mem.Floor = s.Epoch
	}
	c.active = s
	if !c.cfg.breaks(RuleHelloOffer) {
		c.lastOffer = 0
	}
	c.hbSeen, c.alive = false, false
	c.note(Event{Kind: EventAdopted, Session: s})
}

// Bounds of an epoch, so that one that is wrong cannot use up all that are left.
const (
	lastEpoch = 4_000_000_000
	epochStep = 1_048_576 // above the floor
)

func (c *Controller) ack(area *Area) {
	a := registers.In(registers.Ack, area.Ack[:])
	if !a.Whole() && !c.cfg.breaks(RuleAckCRC) || c.active == (Session{}) || sessionIn(a) != c.active && !c.cfg.breaks(RuleAckSession) {
		return
	}
	if n := a.Get("up_to"); (n > c.mem.Acked || c.cfg.breaks(RuleAckForward) && n != 0 && n != c.mem.Acked) && (n <= c.mem.Produced || c.cfg.breaks(RuleAckProduced)) {
		c.mem.Acked = n
		c.note(Event{Kind: EventAcked, Session: c.active, Index: n})
	}
}

func (c *Controller) commit(tick uint32, area *Area, in *Inputs) {
	m := registers.In(registers.Commit, area.Commit[:])
	changed := area.Commit != c.lastCommit
	c.lastCommit = area.Commit
	offer := uint16(m.Get("offer"))
	ours := (m.Whole() || c.cfg.breaks(RuleCommitCRC) && changed) && c.active != (Session{}) && c.sameSession(m)
	newer := offer > c.lastOffer || c.cfg.breaks(RuleCommitOffer) && changed && offer != c.lastOffer || c.cfg.breaks(RuleCommitAgain) && changed
	waits := c.mem.Phase == PhaseAwait && !c.gone || c.cfg.breaks(RuleCommitPhase) && c.mem.Phase == PhaseHeld
	switch {
	case ours && offer == c.lastOffer && offer != 0 && !(c.cfg.breaks(RuleCommitAgain) && changed):
		// The result stands.
	case ours && newer && waits && (m.Get("req_id") == c.mem.Req || c.cfg.breaks(RuleCommitRequest)):
		c.answer(tick, area, in)
	case (changed || c.cfg.breaks(RuleStaleOnce)) && !c.cfg.breaks(RuleStaleCounted):
		c.mem.Stale++
		c.note(Event{Kind: EventStale, Offer: offer, Tick: tick})
	}
}

func (c *Controller) heartbeat(tick uint32, area *Area) {
	h := registers.In(registers.Heartbeat, area.Heartbeat[:])
	count := uint16(h.Get("count"))
	if c.active != (Session{}) && (h.Whole() || c.cfg.breaks(RuleBeatCRC)) && (sessionIn(h) == c.active || c.cfg.breaks(RuleBeatSession)) &&
		(!c.hbSeen || count != c.hbCount && !c.cfg.breaks(RuleBeatCounts)) {
		c.hbSeen, c.hbCount, c.hbTick = true, count, tick
	}
	c.alive = c.hbSeen && (tick-c.hbTick <= ticks(c.cfg.HeartbeatLoss) || c.cfg.breaks(RuleBeatSilence))
}
