// Package lease decides which of two gateways should act on a line, by a counted lease in
// a row of the engine that both reach.
//
// A row has a number, which counts the holders, and a beat, which counts the renewals of
// one holder. Line is the pure part: Step takes one event and returns what is to be done
// and told. It has no clock and no connection. Keeper is the shell around it: one
// goroutine and one connection for all lines of a daemon.
//
//	STANDBY → TAKING → ACTIVE ⇄ UNPROVEN → FENCED → STANDBY
//
// A standby takes the lease of another when number and beat stood still for the time of
// the row by its own steady clock, with every read answered. Silence of the engine is
// never evidence: who leads goes on, UNPROVEN, and who stands by goes on standing by.
// None of this is safety: the controller serves the newest session alone, whoever holds
// a lease.
package lease

import (
	"strings"
	"time"

	"lapgate/gateway/cycle"
	"lapgate/gateway/engine"
)

// State of one line in a pair.
type State uint8

// The states.
const (
	Standby  State = iota // another holds the lease, or nobody does yet
	Taking                // taking it is on its way
	Active                // this gateway holds it, by the engine's newest word
	Unproven              // it held it when the engine was heard last, and goes on
	Fenced                // the controller serves a newer session; the lease is let go
)

var stateNames = [...]string{"STANDBY", "TAKING", "ACTIVE", "UNPROVEN", "FENCED"}

// String is the word for the state.
func (s State) String() string {
	if int(s) < len(stateNames) {
		return stateNames[s]
	}
	return "UNKNOWN"
}

// Acts reports whether a gateway in this state acts on the line.
func (s State) Acts() bool { return s == Active || s == Unproven }

const instanceMark = "/"

// Instance names one start of the daemon of a machine. random tells it from all others,
// so that a daemon that was started again waits for the lease as everyone does.
func Instance(machine, random string) string { return machine + instanceMark + random }

// MachineOf is the machine in the name of an instance.
func MachineOf(instance string) string {
	if i := strings.LastIndex(instance, instanceMark); i >= 0 {
		return instance[:i]
	}
	return instance
}

// May is what this daemon may do about the lease of a line. Each includes those before.
type May uint8

// What it may do.
const (
	Nothing May = iota // the line is not served here or in shadow: the lease is let go
	Keep               // keep what it holds
	Vacant             // take a lease that nobody holds, or that this machine held before
	Over               // take it over from another machine that fell silent
)

// Config is what the states of a line rest on.
type Config struct {
	Line     string
	Instance string        // of this start of the daemon
	TTL      time.Duration // where the row has none
	Renew    time.Duration // between renewals
	Look     time.Duration // between looks of a standby
}

// Line is the state of one line's lease. The zero value is not usable; see NewLine.
type Line struct {
	c       Config
	state   State
	since   time.Duration // of the state
	number  uint32        // of the lease held, or held last
	letGo   uint32        // greatest number that this daemon let go of its own accord
	may     May
	byHand  bool          // a person moved the line here, and the engine does not know yet
	lookAt  time.Duration // not before
	renewAt time.Duration

	seen     engine.Lease
	counting bool          // seen stands since stoodAt, with every read answered
	stoodAt  time.Duration // when it was first seen so

	told cycle.Lease
	out  []Action
}

// NewLine is a standby that has seen nothing.
func NewLine(c Config) *Line { return &Line{c: c} }

// State is the present state, and since when by the clock of the events.
func (l *Line) State() (State, time.Duration) { return l.state, l.since }

// Number is that of the lease held, or held last.
func (l *Line) Number() uint32 { return l.number }

// Seen is the row as it was read last, or as it is held; then its beat is not known.
func (l *Line) Seen() engine.Lease { return l.seen }

// Step takes one event and returns what is to be done about it, in order. now runs
// steadily, whatever happens to the clock of the machine. The slice is valid until the
// next call.
func (l *Line) Step(now time.Duration, e Event) []Action {
	l.out = l.out[:0]
	switch e := e.(type) {
	case Tick:
		l.tick(now, e)
	case Read:
		l.read(now, e.Row)
	case Renewed:
		l.renewed(now)
	case Lost:
		l.lost(now, e.Row)
	case Took:
		if e.OK {
			l.hold(now, e.Number)
		} else {
			l.stand(now)
		}
	case Silent:
		l.silent(now)
	case MovedByHand:
		if !l.state.Acts() {
			l.number, l.byHand = max(l.seen.Number, l.number, l.letGo)+1, true
			l.enter(now, Unproven)
			l.tell(cycle.Lease{Held: true, Number: l.number, Silent: true})
		}
	}
	return l.out
}

func (l *Line) do(a Action) { l.out = append(l.out, a) }

func (l *Line) enter(now time.Duration, s State) {
	if l.state != s {
		l.state, l.since = s, now
	}
}

// tell tells the machine of the line, once.
func (l *Line) tell(e cycle.Lease) {
	if e != l.told {
		l.told = e
		l.do(Tell{e})
	}
}

// hold begins to act.
func (l *Line) hold(now time.Duration, number uint32) {
	l.number, l.counting, l.byHand = number, false, false
	l.seen = engine.Lease{Line: l.c.Line, Number: number, Instance: l.c.Instance, TTL: l.c.TTL}
	l.renewAt = now + l.c.Renew
	l.enter(now, Active)
	l.tell(cycle.Lease{Held: true, Number: number})
}

// stand stands by, and counts anew from the next read on.
func (l *Line) stand(now time.Duration) {
	l.enter(now, Standby)
	l.counting, l.lookAt = false, now
	l.tell(cycle.Lease{Number: l.seen.Number})
}

func (l *Line) tick(now time.Duration, e Tick) {
	l.may = e.May
	if l.state.Acts() {
		switch {
		case e.Fenced && e.FencedAt >= l.number:
			l.release(now, Fenced, e.Online)
		case e.May == Nothing:
			l.release(now, Standby, e.Online)
		}
	}
	switch {
	case !e.Online:
	case l.state.Acts():
		if now >= l.renewAt {
			l.renewAt = now + l.c.Renew
			l.do(Renew{l.number})
		}
	case l.state != Taking && now >= l.lookAt:
		l.lookAt = now + l.c.Look
		l.do(Look{})
	}
}

// release lets the lease go. Where the engine cannot be told now, it is told when a look
// shows that the row still names this daemon.
func (l *Line) release(now time.Duration, to State, online bool) {
	l.letGo = max(l.letGo, l.number)
	l.enter(now, to)
	l.counting, l.seen.Instance = false, ""
	l.tell(cycle.Lease{Number: l.number, Silent: !online})
	if online {
		l.do(Release{l.number})
	}
}

// read takes a row that a standby looked at.
func (l *Line) read(now time.Duration, row engine.Lease) {
	if l.state != Standby && l.state != Fenced {
		return
	}
	same := l.counting && row.Number == l.seen.Number && row.Beat == l.seen.Beat && row.Instance == l.seen.Instance
	l.seen = row
	if !same {
		l.counting, l.stoodAt = true, now
	}
	own := row.Instance == l.c.Instance
	if l.state == Fenced && row.Number > l.letGo && !own {
		l.enter(now, Standby)
	}
	l.tell(cycle.Lease{Number: row.Number})
	switch {
	case own && row.Number <= l.letGo:
		l.do(Release{row.Number})
	case own: // the answer to a take was lost: whether it stands, a renewal tells
		l.number = row.Number
		l.enter(now, Taking)
		l.do(Renew{row.Number})
	case l.mayTake(row) && (l.handedOver(row) || now-l.stoodAt >= l.ttl(row)):
		l.take(now, row)
	}
}

// handedOver reports whether another daemon let the lease go, so that it is taken at
// once. What this one let go itself is left to the other for a while.
func (l *Line) handedOver(row engine.Lease) bool {
	return row.Instance == "" && row.Number > l.letGo
}

func (l *Line) mayTake(row engine.Lease) bool {
	switch l.may {
	case Over:
		return true
	case Vacant:
		return row.Instance == "" || MachineOf(row.Instance) == MachineOf(l.c.Instance)
	}
	return false
}

func (l *Line) ttl(row engine.Lease) time.Duration {
	if row.TTL > 0 {
		return row.TTL
	}
	return l.c.TTL
}

// take tries to take the row as it was seen. Where the engine forgot numbers that this
// daemon has held, the next one must be above those too.
func (l *Line) take(now time.Duration, row engine.Lease) {
	l.enter(now, Taking)
	if row.Number < l.letGo {
		l.do(Claim{l.letGo})
		return
	}
	l.do(Take{row})
}

func (l *Line) renewed(now time.Duration) {
	if l.state != Standby && l.state != Fenced {
		l.hold(now, l.number)
	}
}

// lost takes the row of a lease that could not be renewed. A number below the own one
// says that the engine forgot; anything else, that another holds it, or nobody.
func (l *Line) lost(now time.Duration, row engine.Lease) {
	l.seen = row
	switch {
	case l.state.Acts() && row.Number < l.number:
		if !l.byHand {
			l.do(Forgot{Row: row, Held: l.number})
		}
		l.do(Claim{l.number})
	case l.state.Acts(), l.state == Taking:
		l.stand(now)
	}
}

// silent takes that the engine did not answer.
func (l *Line) silent(now time.Duration) {
	l.counting, l.lookAt, l.renewAt = false, now, now
	switch l.state {
	case Active:
		l.enter(now, Unproven)
	case Taking:
		l.enter(now, Standby)
	}
	e := l.told
	e.Silent = true
	l.tell(e)
}
