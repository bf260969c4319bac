package cycle

import (
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/process"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/wording"
)

// State of the machine; the number is the one in the heartbeat.
type State uint16

// States.
const (
	StateOffline   State = iota // no session; reads until a request block is valid
	StateOpen                   // a nonce is being drawn
	StateHelloWait              // the controller has not adopted the session yet
	StateSettle                 // an offer of an earlier session is being settled
	StatePoll                   // nothing is on its way
	StateCompute                // inside one step, never seen outside
	StatePrepare                // a payload is being written and read back
	StateLook                   // last look before the commit
	StateVerdict                // the controller judges
	StateFenced                 // a newer session of someone else exists
	StateWatch                  // not armed: reads and journals, sends nothing
	StateHalted                 // the line must not be served by this process
)

var stateNames = [...]string{
	"OFFLINE", "OPEN", "HELLO_WAIT", "SETTLE", "POLL", "COMPUTE", "PREPARE", "LOOK", "VERDICT", "FENCED", "WATCH", "HALTED",
}

// String returns the name of the state as the handshake writes it.
func (s State) String() string {
	if int(s) < len(stateNames) {
		return stateNames[s]
	}
	return "UNKNOWN"
}

// How long, and how often, the machine waits or tries. None of these limits
// closes an offer.
const (
	offerLimit      = 65000                  // offers of one session; its next one begins at 1 again
	readTries       = 3                      // invalid reads before people are told
	payloadTries    = 2                      // writes of one payload
	commitResends   = 2                      // repeats of one commit
	firstPause      = 250 * time.Millisecond // before the second try, doubling
	longestPause    = 5 * time.Second
	permissiveWait  = 10 * time.Second // for a permissive to return, then the roll is held
	sessionSettled  = 10 * time.Second // a session this old was not opened in vain
	answerPatience  = 30 * time.Second // for an answer of the shell, then the link is dropped
	ringAlarm       = 48               // outcomes not acknowledged
	bootJump        = 16               // restarts of the controller that nobody may have seen before a first session
	outcomesPerRead = 3
	ackAlone        = 32 // outcomes that wait in the controller; then they are acknowledged although only this gateway has them
	// A result may show ten publications later than the phase.
	newerPublications = 11
	greatestEpoch     = 4_000_000_000
	epochStep         = 1 << 20 // above a floor that is not 0
)

// Times are the gateway's own times of the handshake.
type Times struct {
	Poll      time.Duration // between reads of the request block
	Heartbeat time.Duration // between heartbeats
	Stale     time.Duration // the tick may stand so long; then what is read is not used
	Verdict   time.Duration // wait for a verdict before looking again
}

// Config is what a machine is made from.
type Config struct {
	Line       *recipe.Line
	ConfigHash uint32 // first 32 bits of the hash of the configuration
	Times      Times
	Armed      bool // whether the machine may write
	Pair       bool // one of two gateways: acts only while it holds the lease
}

// Machine is the state of one line.
type Machine struct {
	line       *recipe.Line
	hash       uint32
	next       *Configure // waits for the next roll
	times      Times
	armed      bool
	pair       bool
	lease      Lease
	stored     Stored
	offerLimit uint16

	now      Moment
	out      []Action
	state    State
	why      string // reason of a halt
	begins   bool   // the journal tells of no roll yet
	closed   bool   // the payload cannot be read back, and people know
	fenced   bool   // halted because another gateway serves the line
	fencedAt uint32 // number of the lease that was held when it was fenced
	openedBy uint32 // number of the lease when the newest session was opened, 0 for none yet
	keptBy   uint32 // likewise, of the newest that the controller adopted
	linkUp   bool

	pending      pending // the answer that is waited for
	pendingSince time.Duration

	mem     memory
	view    watch
	seen    View // newest that was valid
	ses     session
	job     job
	fly     flight
	ending  closing
	doubt   doubt
	empty   closing // publications of an empty station whose newest roll has no outcome
	leftSo  bool    // they are enough
	mostLag int     // publications that a result came later than its phase

	outTries int              // reads of the next outcome that gave nothing
	outAt    time.Duration    // not read before
	override *waitingOverride // nil without one
	confirm  *waitingConfirm  // nil without one

	wrapping wrapping

	process process.Line      // faults of the process, from the records
	untold  []process.Finding // that stand since before the start

	conditions []condition   // that stand, oldest first
	counts     []Count       // sorted by key
	cycleTime  time.Duration // request to verdict, newest
}

// pending is the answer that the machine waits for.
type pending uint8

const (
	nothing pending = iota
	aView
	aPayload
	someOutcomes
	aNonce
)

// session is what the machine knows of the session in force beyond the journal;
// it is gone after a restart.
type session struct {
	name     handshake.Session
	newest   handshake.Session // that was opened, also when it is over
	boot     uint32
	floor    uint32
	cause    string
	openedAt time.Duration
	helloAt  time.Duration
	hellos   int
	offer    uint16 // newest number used
	adopted  bool

	beats  uint16 // goes on over sessions
	beatAt time.Duration
	beat   bool // whether one was sent in this session
	flags  uint16

	ackAt time.Duration
	ackTo uint32

	pause    time.Duration // before the next session, doubling while sessions come to nothing
	reopenAt time.Duration
}

// flight is what the machine knows of the offer on its way beyond the journal; it
// is gone after a restart.
type flight struct {
	tries     int // writes of the payload
	lookAt    time.Duration
	commitAt  time.Duration
	resends   int
	startedAt time.Duration
	setpoints recipe.Setpoints
	measured  recipe.Roll
	line      *recipe.Line // as it was decided on
	overhangU float64      // standard uncertainty of the overhang, m
}

// New returns a machine that has seen nothing yet. Recover gives it the
// journal; then come the events.
func New(c Config) *Machine {
	m := &Machine{
		line: c.Line, hash: c.ConfigHash, times: c.Times, armed: c.Armed, pair: c.Pair,
		offerLimit: offerLimit,
		mem:        newMemory(),
		process:    process.Line{Recipe: c.Line},
	}
	m.ses.cause, m.begins = causeStart, true
	if !m.armed {
		m.state = StateWatch
	}
	return m
}

// Recover takes one stored record; it is called for each in order before the
// first step. An error says that the records contradict each other.
func (m *Machine) Recover(s record.Stored) error {
	m.recoverProcess(s)
	switch s.Record.(type) {
	case record.Mode, record.Config, record.Hold, record.Origin, record.Hang, record.Hung, record.Station, record.Heads, record.Alarm, record.Correction, record.Takeover: // they tell of no roll and no controller
	default:
		m.begins = false
	}
	return m.mem.apply(s.Record)
}

// StartArmed says whether the machine may write, where that is not what its
// Config says. It is called before the first step only.
func (m *Machine) StartArmed(armed bool) {
	m.armed = armed
	m.state = StateOffline
	if !armed {
		m.state = StateWatch
	}
}

// Step takes one event and returns what is to be done about it, in order. The
// slice is valid until the next call.
func (m *Machine) Step(at Moment, ev Event) []Action {
	m.now = at
	m.out = m.out[:0]
	if m.state == StateHalted {
		return append(m.out, Halt{Reason: m.why, Fenced: m.fenced})
	}
	m.agePersons()
	m.ageStations()
	if m.mem.HoldAll && m.standing(condHoldAll) < 0 {
		m.raise(condHoldAll, wording.Say("told.hold-all.before"))
	}
	if m.untold != nil {
		m.tellProcess(m.untold)
		m.untold = nil
	}
	m.take(ev)
	m.beat()
	return m.out
}

// take does what an event of the controller, the link or the journal calls for.
func (m *Machine) take(ev Event) {
	switch e := ev.(type) {
	case LinkUp:
		m.connected()
	case LinkDown:
		m.disconnected(e.Err)
	case Tick:
		m.goOn()
	case Nonce:
		if m.answered(aNonce) {
			m.open(e.Value)
		}
	case View:
		if m.answered(aView) {
			m.seeRequest(&e)
		}
	case BadView:
		if m.answered(aView) {
			m.unreadable(e.Cause)
		}
	case Payload:
		if m.answered(aPayload) {
			m.compare(e)
		}
	case Outcomes:
		if m.answered(someOutcomes) {
			m.collected(e.Entries)
		}
	case Written:
		if e.Block != handshake.PAYLOAD { // that one ends with its read-back
			m.end(refusedKey(e.Block))
		}
	case Refused:
		m.refused(e)
	case JournalFailed:
		m.journalFailed(e.Err)
	case Shadowed:
		if e.Cause == record.CauseJournal {
			m.begins = false
			m.raise(condJournal, wording.Plain(e.Reason))
		} else {
			m.raise(condShadow, wording.Say("told.shadow", "why", e.Reason))
		}
	case HoldsUnknown:
		m.forgotHolds()
	case Doubt:
		m.begins = m.begins && len(e.Doubts) == 0
		m.doubtJournal(e.Doubts...)
	case Lease:
		m.setLease(e)
	case Stored:
		m.stored = e
		m.watchHeld()
	default:
		m.hear(ev)
	}
}

// hear does what a person's word calls for.
func (m *Machine) hear(ev Event) {
	switch e := ev.(type) {
	case HoldAll:
		m.setHoldAll(e)
	case OverrideRoll:
		m.askOverride(e)
	case ConfirmFinding:
		m.askConfirm(e)
	case HangWrapper:
		m.askHang(e)
	case CountHeads:
		m.askHeads(e)
	case SetStation:
		m.askStation(e)
	case Arm:
		m.arm(e)
	case AcceptJournal:
		m.acceptJournal(e)
	case Configure:
		m.configure(e)
	}
}

// do adds an action. After a halt nothing follows.
func (m *Machine) do(a Action) {
	if m.state != StateHalted {
		m.out = append(m.out, a)
	}
}

// journal makes a record durable and takes it into memory the same way as
// Recover does, so that a restart at any point finds what the machine knew. If
// the record cannot be made durable the machine ends, and memory with it.
func (m *Machine) journal(r record.Record) {
	m.do(Append{r})
	switch r.(type) {
	case record.Request, record.Outcome:
		m.begins = false
	}
	if err := m.mem.apply(r); err != nil {
		m.halt("the journal would contradict itself: " + err.Error())
	}
	m.tellProcess(m.observe(record.Stored{At: m.now.Wall, Record: r}))
}

func (m *Machine) halt(why string) {
	m.do(Halt{Reason: why, Fenced: m.fenced})
	m.state = StateHalted
	m.why = why
}

func (m *Machine) answered(p pending) bool {
	if m.pending != p {
		return false
	}
	m.pending = nothing
	return true
}

func (m *Machine) ask(p pending, a Action) {
	m.pending = p
	m.pendingSince = m.now.Mono
	m.do(a)
}

func (m *Machine) askView() { m.ask(aView, FetchView{}) }

func (m *Machine) standby() bool { return m.pair && !m.lease.Held }

// goOn does what is due at a tick. The rest of the actions of a step is dropped
// when a read or a write of it is refused; the next tick makes up for them.
func (m *Machine) goOn() {
	if !m.linkUp {
		return
	}
	if m.pending != nothing {
		if m.now.Mono-m.pendingSince > answerPatience {
			m.leave(causeNoAnswer)
			m.disconnect("no answer to a read")
		}
		return
	}
	switch m.state {
	case StateHalted:
	case StateOpen:
		m.ask(aNonce, DrawNonce{})
	case StatePrepare:
		m.sendPayload()
	default: // a standby reads too, and so knows the controller when it has to act
		m.askView()
	}
}

// disconnect drops the connection; whatever was on its way has an unknown
// fate.
func (m *Machine) disconnect(reason string) {
	m.linkUp = false
	m.pending = nothing
	m.do(Drop{reason})
}

func (m *Machine) connected() {
	m.leave(causeLink)
	m.linkUp = true
	m.pending = nothing
	m.view.tickKnown, m.view.tickMoved = false, false
	m.end(ConditionLink)
	m.goOn()
}

func (m *Machine) disconnected(err string) {
	m.leave(causeLink)
	m.linkUp = false
	m.pending = nothing
	m.raise(ConditionLink, wording.Say("told.link-down", "why", err))
}

// leave ends the session, if there is one. An offer on its way stays open: it
// is settled under the next session.
func (m *Machine) leave(cause string) {
	m.fly = flight{}
	m.job.notBefore = 0
	switch m.state {
	case StateWatch, StateFenced, StateHalted, StateOffline:
		return
	}
	m.state = StateOffline
	// A session that came to nothing delays the next one, so that a fault that
	// stays cannot fill the journal.
	if m.now.Mono-m.ses.openedAt >= sessionSettled {
		m.ses.pause = 0
	}
	m.ses.reopenAt = m.now.Mono + m.ses.pause
	m.ses.pause = Backoff(m.ses.pause, firstPause, longestPause)
	m.ses.name = handshake.Session{}
	m.ses.adopted = false
	m.ses.cause = cause
	m.tell(noteSessionLeft, wording.Say("told.session-left", "cause", cause), Field{"cause", cause})
}

func (m *Machine) journalFailed(err string) {
	m.tell(noteJournalFailed,
		wording.Say("told.journal-failed", "why", err))
	if m.ses.adopted && m.armed && m.linkUp {
		m.ses.flags |= handshake.FlagJournalFault
		m.sendBeat()
	}
	m.halt("journal: " + err)
}

// refused tells of a refusal once. A refused write wrote nothing and a refused
// read read nothing, so each state goes on at the next tick.
func (m *Machine) refused(e Refused) {
	m.pending = nothing
	m.count("refused/" + e.Block.String())
	m.raise(refusedKey(e.Block), wording.Say("told.controller-refuses", "block", e.Block.String(), "why", e.Err),
		Field{"block", e.Block.String()})
	if m.state == StatePrepare && m.fly.tries >= payloadTries {
		m.void(voidRefused)
		m.leave(causeRefused)
	}
}

func (m *Machine) arm(e Arm) {
	if e.On == m.armed {
		return
	}
	m.journal(record.Mode{Armed: e.On, By: e.By, User: e.User, Reason: e.Reason, Cause: e.Cause, Controller: e.Controller, Lasts: e.Lasts, Pair: e.Pair})
	m.armed = e.On
	m.job = job{} // what was shown in shadow is offered now, and the other way round
	if e.On {
		if e.Cause == "" {
			for _, seen := range [...]string{condJournal, condContradiction, condShadow, condHoldsUnknown} {
				m.end(seen) // whoever arms the line by name has looked
			}
		}
		m.tell(noteArmed, wording.Say("told.armed"), Field{"by", e.By}, Field{"user", e.User})
		if m.state == StateWatch {
			m.state = StateOffline
			m.ses.cause = causeArmed
		}
		return
	}
	if e.Cause == record.CauseSwap {
		m.tell(noteSwapped, wording.Say("told.controller-swapped", "why", e.Reason))
	}
	m.tell(noteDisarmed, wording.Say("told.disarmed"), Field{"by", e.By}, Field{"user", e.User})
	why := wording.Say("unused.shadow")
	m.dropOverride(why)
	m.dropConfirm(why)
	m.leave(causeDisarmed)
	if m.state != StateHalted {
		m.state = StateWatch
	}
}

// forgotHolds says that the journal may have forgotten a hold.
func (m *Machine) forgotHolds() {
	m.raise(condHoldsUnknown, wording.Say("told.holds-unknown"))
}

func (m *Machine) setHoldAll(e HoldAll) {
	if e.On == m.mem.HoldAll && m.standing(condHoldsUnknown) < 0 {
		return
	}
	m.journal(record.Hold(e))
	m.end(condHoldsUnknown)
	if e.On {
		m.raise(condHoldAll, wording.Say("told.hold-all", "why", e.Reason), Field{"by", e.By}, Field{"user", e.User})
	} else {
		m.end(condHoldAll)
	}
	m.ses.beat = false // tell the controller now
}

func (m *Machine) configure(e Configure) {
	if e.Line == nil {
		return
	}
	m.journal(e.Record)
	m.next = &e // one that waited never came into force
	m.tell(noteConfigWaits, wording.Say("told.config-waits"))
}

// takeConfig puts a waiting configuration in force. It is called between
// rolls only.
func (m *Machine) takeConfig() {
	if m.next == nil {
		return
	}
	m.line, m.hash = m.next.Line, m.next.Record.Hash
	m.process.Recipe = m.line
	m.next = nil
	m.tell(noteConfigInForce, wording.Say("told.config-in-force"))
}

// setLease takes what the store of the lease says. Its silence is no evidence of
// anything: the controller's floor decides who may write, and not the lease.
func (m *Machine) setLease(e Lease) {
	switch {
	case !e.Silent:
		m.end(condLeaseSilent)
	case m.pair:
		m.raise(condLeaseSilent, wording.Say("told.lease-silent"))
	}
	had := m.lease.Held
	m.lease.Held = e.Held
	m.lease.Number = max(m.lease.Number, e.Number)
	switch {
	case !m.pair:
	case e.Held && m.state == StateFenced && e.Number > m.fencedAt:
		m.state = StateOffline
		m.ses.cause = causeLease
	case e.Held && !had && m.state == StateOffline:
		m.ses.cause = causeLease
	case !e.Held && m.armed:
		m.leave(causeLease)
	}
}
