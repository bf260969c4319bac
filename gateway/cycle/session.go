package cycle

import (
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/quantity"
	"lapgate/recipe/wording"
)

// Causes of a session, for the journal and for counting.
const (
	causeStart     = "start"
	causeLink      = "link"
	causeRestart   = "controller restarted"
	causeStale     = "data stale"
	causeUnread    = "no valid read"
	causeMemory    = "controller memory lost"
	causeNotOwn    = "session not own"
	causeBehind    = "own memory was behind"
	causeNoVerdict = "no verdict"
	causeReadback  = "payload read back differs"
	causeRefused   = "payload refused"
	causeOffers    = "offer numbers used up"
	causeNoAnswer  = "no answer"
	causeArmed     = "armed"
	causeDisarmed  = "disarmed"
	causeLease     = "lease"
)

// Interrupted tells whether the cause of a session is that the controller could not be
// heard for a while.
func Interrupted(cause string) bool {
	switch cause {
	case causeLink, causeRestart, causeStale, causeUnread, causeMemory, causeNoAnswer:
		return true
	}
	return false
}

// watch is what the newest valid request blocks told.
type watch struct {
	tick      uint32
	tickAt    time.Duration // when it was first seen at this value
	tickKnown bool
	tickMoved bool
	validAt   time.Duration
	bad       int // invalid reads in a row

	seen        bool
	token       handshake.Token
	roll        uint32
	newest      uint32 // greatest roll number since the controller's memory is whole
	floor       uint32 // likewise
	boot        uint32 // likewise
	tag         string
	phase       handshake.Phase
	flags       handshake.Flags
	permissives uint32
	produced    uint32
	acked       uint32
	stale       uint32
}

// unreadable handles a block that is not whole. It is read again at once, a few
// times; then people are told, and it is read at every poll.
func (m *Machine) unreadable(cause string) {
	m.count("reads-invalid/" + cause)
	m.view.bad++
	if m.view.bad < readTries {
		m.askView()
		return
	}
	if m.view.bad == readTries {
		m.raise(condInvalidRead, wording.Say("told.invalid-read", "reads", readTries, "cause", cause),
			Field{"cause", cause})
	}
	if m.now.Mono-m.view.validAt > m.times.Stale {
		m.leave(causeUnread)
	}
}

// seeRequest takes one request block that was read whole. If it is valid and of
// the session in force, the machine goes on from the state that it is in.
func (m *Machine) seeRequest(v *View) {
	r := &v.Request
	if r.GenHead != r.GenTail {
		m.unreadable(handshake.CauseGeneration)
		return
	}
	m.view.bad = 0
	m.end(condInvalidRead)
	m.end(refusedKey(handshake.REQ))
	believed := m.confirmed(r)
	if !m.moving(r) || !believed {
		return
	}
	m.remember(r)
	m.seen = *v
	m.watchPlatens(&v.Stand)
	if r.Flags&handshake.MemoryLost != 0 {
		if m.mem.LostBoot != r.Boot {
			m.lost(r, causeMemory)
		}
		m.raise(condMemoryLost, wording.Say("told.memory-lost"))
		m.leave(causeMemory)
		return
	}
	m.end(condMemoryLost)
	if cause := m.wentBack(r); cause != "" {
		m.lost(r, cause)
		m.leave(causeMemory)
		return
	}
	if r.RollNo < m.mem.Covered {
		m.raise(condRollBack, wording.Say("told.roll-number-back", "from", m.mem.Covered, "roll", r.RollNo),
			Field{"from_roll", m.mem.Covered}, Field{"to_roll", r.RollNo})
	} else {
		m.end(condRollBack)
	}
	m.view.newest = max(m.view.newest, r.RollNo)
	m.view.floor, m.view.boot = r.Floor, r.Boot
	if m.state == StateWatch && !m.offBound(r) {
		m.watchView(v)
		return
	}
	if m.sessionHolds(r) {
		m.goOnWith(v)
	}
}

// offBound ends the shadow of a line that may write and was only kept from it by
// the bound on epochs.
func (m *Machine) offBound(r *handshake.Request) bool {
	if !m.armed || m.atBound(r.Floor) {
		return false
	}
	m.end(condEpoch)
	m.state = StateOffline
	m.job = job{} // what was shown in shadow is offered now
	return true
}

// sessionHolds reports whether the session, if there is one, is still that of
// the controller, and leaves it where it is not.
func (m *Machine) sessionHolds(r *handshake.Request) bool {
	if m.ses.name != (handshake.Session{}) && r.Boot != m.ses.boot {
		m.tell(noteRestarted, wording.Say("told.controller-restarted"), Field{"boot", r.Boot})
		m.leave(causeRestart)
		return false
	}
	if m.ses.adopted && r.Active != m.ses.name {
		if r.Floor > m.ses.name.Epoch {
			m.fence(r)
		} else {
			m.leave(causeNotOwn)
		}
		return false
	}
	return true
}

// goOnWith does what a valid request block calls for in the state that the
// machine is in.
func (m *Machine) goOnWith(v *View) {
	switch m.state {
	case StateOffline:
		m.begin(&v.Request)
	case StateHelloWait:
		m.helloWait(v)
	case StateSettle:
		m.settle(v)
	case StatePoll:
		m.poll(v)
	case StateLook:
		m.commit(v)
	case StateVerdict:
		m.awaitVerdict(v)
	}
}

// moving reports whether the controller's tick moves. After a new connection
// the tick has to change once before anything is believed, because a controller
// whose program is stopped often still answers.
func (m *Machine) moving(r *handshake.Request) bool {
	w := &m.view
	if !w.tickKnown || w.tick != r.Tick {
		w.tickMoved = w.tickKnown
		w.tickKnown = true
		w.tick = r.Tick
		w.tickAt = m.now.Mono
	}
	if m.now.Mono-w.tickAt > m.times.Stale {
		w.tickMoved = false
		m.count("reads-invalid/tick")
		m.raise(condTickStands, wording.Say("told.controller-stands"))
		m.leave(causeStale)
		return false
	}
	if w.tickMoved {
		m.end(condTickStands)
	}
	return w.tickMoved
}

func (m *Machine) remember(r *handshake.Request) {
	w := &m.view
	w.validAt = m.now.Mono
	w.seen = true
	w.token, w.roll, w.tag = r.Token(), r.RollNo, r.Tag.String()
	w.phase, w.flags, w.permissives = r.Phase, r.Flags, r.Permissives
	w.produced, w.acked, w.stale = r.Produced, r.Acked, r.StaleCommits
	if r.Produced-r.Acked >= ringAlarm && r.Produced >= r.Acked {
		m.raise(condRing, wording.Say("told.ring-nearly-full"))
	} else {
		m.end(condRing)
	}
	m.keepPersons(r)
	m.watchSlots(r)
}

func (m *Machine) gap(g record.Gap) {
	begins := m.begins && g.Boot == 0 && g.Closed == nil && m.stored.Other == nil
	if begins {
		g.Cause = gapBegins
	}
	m.journal(g)
	fields := []Field{{"from_index", g.FromIndex}, {"to_index", g.ToIndex}, {"from_roll", g.FromRoll}, {"to_roll", g.ToRoll}}
	if begins {
		m.tell(noteBegins, wording.Say("told.record-begins"), fields...)
		return
	}
	if g.Cause == record.HeldByOther {
		m.tellOfOther(g, fields)
		return
	}
	m.count("gaps")
	m.tell(noteGap, wording.Say("told.journal-gap", "cause", wording.Word("gap", g.Cause)), fields...)
}

// begin opens a session, if nothing stands against it. The boot number is taken
// before the epoch. In the other order, a gateway that was suspended in between
// could bring an old epoch into a controller that has lost its floor.
func (m *Machine) begin(r *handshake.Request) {
	if m.standby() {
		return
	}
	if m.overtaken(r) {
		m.fence(r)
		return
	}
	if m.mem.Banned[r.Boot] {
		m.raise(condBootSeen, wording.Say("told.boot-number-used", "boot", r.Boot))
		return
	}
	m.end(condBootSeen)
	if m.now.Mono < m.ses.reopenAt {
		return
	}
	if m.atBound(r.Floor) {
		m.state = StateWatch
		m.raise(condEpoch, wording.Say("told.epoch-bound", "floor", r.Floor, "newest", m.newestEpoch(r.Floor), "greatest", uint32(greatestEpoch), "step", epochStep),
			Field{"floor", r.Floor}, Field{"epoch", m.newestEpoch(r.Floor)})
		return
	}
	m.ses.boot = r.Boot
	m.ses.floor = r.Floor
	m.state = StateOpen
	m.ask(aNonce, DrawNonce{})
}

// overtaken reports whether the other of a pair opened a newer session while this one did
// not hear the controller, and this one was given no greater lease since its own: what it
// believes of the lease is older than that session. Both may take the same epoch at once;
// then the one that is not adopted is overtaken, unless it opens its first session by its
// lease, with which it takes over.
func (m *Machine) overtaken(r *handshake.Request) bool {
	by := func(number uint32) bool { return m.pair && number != 0 && m.lease.Number <= number }
	return by(m.openedBy) && r.Floor > m.mem.Epoch ||
		by(m.keptBy) && r.Active.Epoch == m.mem.Epoch && r.Active != m.ses.newest
}

// newestEpoch is the greatest epoch that is known to have been taken.
func (m *Machine) newestEpoch(floor uint32) uint32 { return max(m.mem.Epoch, floor, m.lease.Number) }

// atBound reports whether the next epoch would be one that no controller adopts.
// A floor of 0 is that of a controller without memory, which adopts any.
func (m *Machine) atBound(floor uint32) bool {
	newest := m.newestEpoch(floor)
	return newest >= greatestEpoch || floor != 0 && newest-floor >= epochStep
}

func (m *Machine) open(nonce uint32) {
	if m.state != StateOpen {
		return
	}
	if nonce == 0 {
		m.ask(aNonce, DrawNonce{})
		return
	}
	s := &m.ses
	if m.atBound(s.floor) { // by a lease that came in between
		m.state = StateOffline
		return
	}
	s.name = handshake.Session{Epoch: m.newestEpoch(s.floor) + 1, Nonce: nonce}
	s.newest = s.name
	m.openedBy = m.lease.Number
	s.openedAt = m.now.Mono
	s.offer = 0
	s.hellos = 0
	s.beat = false
	s.ackTo = 0
	m.journal(record.Session{Session: s.name, Boot: s.boot, Floor: s.floor, Cause: s.cause, Other: m.otherHead()})
	m.count("sessions/" + s.cause)
	m.state = StateHelloWait
	m.sendHello()
}

func (m *Machine) sendHello() {
	m.ses.helloAt = m.now.Mono
	m.ses.hellos++
	h := handshake.Hello{Session: m.ses.name, Boot: m.ses.boot}
	w := make([]uint16, handshake.HelloWords)
	m.send(handshake.HELLO, w, h.Encode(w))
}

// send writes one block. err is that of its encoding; only PAYLOAD can fail
// there, since the other blocks hold nothing but numbers.
func (m *Machine) send(id handshake.ID, words []uint16, err error) {
	if err != nil {
		m.halt("encode block " + id.String() + ": " + err.Error())
		return
	}
	m.do(Send{Block: id, Words: words})
}

func (m *Machine) helloWait(v *View) {
	r := &v.Request
	switch own := m.ses.name; {
	case r.Active == own:
		m.ses.adopted = true
		m.keptBy = m.openedBy
		m.end(condHello)
		m.tell(noteSession, wording.Say("told.session-opened"), Field{"epoch", own.Epoch}, Field{"cause", m.ses.cause})
		m.state = StateSettle
		m.settle(v)
	case r.Floor > own.Epoch, m.overtaken(r):
		m.fence(r)
	case r.Floor == own.Epoch:
		m.leave(causeBehind)
	case m.now.Mono-m.ses.helloAt >= m.times.Verdict:
		m.count("resends/HELLO")
		if m.ses.hellos >= readTries {
			m.raise(condHello, wording.Say("told.session-not-adopted"))
		}
		m.sendHello()
	}
}

// fence stops this gateway, because another one has opened a newer session. Two
// that went on competing would fence each other off for ever, so alone the line
// ends, and in a pair it opens again with a greater number of the lease only.
func (m *Machine) fence(r *handshake.Request) {
	own := m.mem.Epoch
	m.leave(causeNotOwn)
	m.state = StateFenced
	fields := []Field{{"epoch", own}, {"floor", r.Floor}}
	fenced := wording.Say("told.fenced", "floor", r.Floor, "own", own)
	overtaken := wording.Say("told.overtaken", "floor", r.Floor, "own", own)
	if r.Floor == own {
		fenced = wording.Say("told.fenced.same-number", "own", own)
		overtaken = wording.Say("told.overtaken.same-number", "own", own)
	}
	if m.pair {
		m.fencedAt = m.lease.Number
		m.lease.Held = false
		m.tell(noteOvertaken, overtaken, fields...)
		return
	}
	m.tell(noteFenced, fenced, fields...)
	m.fenced = true
	m.halt("another gateway serves the line; it stays so until this one is started again")
}

// beat sends a heartbeat when one is due. Before the controller has adopted the
// session none is sent: it would overwrite the heartbeat of another gateway whose
// session is still in force.
func (m *Machine) beat() {
	if !m.ses.adopted || !m.linkUp || !m.armed || m.state == StateHalted {
		return
	}
	if !m.ses.beat || m.now.Mono-m.ses.beatAt >= m.times.Heartbeat {
		m.sendBeat()
	}
}

func (m *Machine) sendBeat() {
	s := &m.ses
	s.beats++
	s.beatAt = m.now.Mono
	s.beat = true
	flags := s.flags
	if m.mem.HoldAll {
		flags |= handshake.FlagHoldAll
	}
	h := handshake.Heartbeat{Count: s.beats, Session: s.name, State: uint16(m.state), Flags: flags}
	w := make([]uint16, handshake.HeartbeatWords)
	m.send(handshake.HEARTBEAT, w, h.Encode(w))
}

// watchPlatens tells of a platen that is hotter than any may be, whether a roll waits
// or not. It only tells: no roll gets a recipe while that is so, and what stops a
// heater is the press's own trip.
func (m *Machine) watchPlatens(s *recipe.Stand) {
	if hot := s.Hotter(); hot > recipe.HottestPlaten {
		m.raise(condPlatenHot, wording.Say("told.platen-above-ceiling", "temperature", m.line.Write(hot, quantity.Temperature), "limit", m.line.Write(recipe.HottestPlaten, quantity.Temperature)))
	} else {
		m.end(condPlatenHot)
	}
}
