package stationtest

import (
	"fmt"

	"lapgate/gateway/handshake"
)

// step is what an operation does or observes.
type step uint8

const (
	started step = iota
	adopted
	entered
	requested
	judged
	left
	acknowledged

	opened    // a session is in the journal
	offered   // the operation of an offer
	closed    // the journal says which verdict an offer got
	voided    // the journal says that nothing of an offer was or will be used
	journaled // the journal has an outcome
	missed    // the journal has a gap
	forgot    // the journal was set back
	atRest    // the end of a history that came to rest
)

var steps = [...]string{
	"the program starts", "session adopted", "roll enters", "request", "judged", "roll leaves", "acknowledged",
	"SESSION", "offer", "VERDICT", "VOID", "OUTCOME", "GAP", "journal set back", "the end",
}

// input is the data of an operation; which of them count depends on the step.
type input struct {
	what      step
	boot, req uint32
	roll      uint32
	session   handshake.Session
	number    uint16 // of the offer within its session
	offer     int    // within its roll
	hold      bool
	other     bool // the offer was made for another roll
	known     bool // the session is in the journal
	passed    bool // the result names an offer of another roll by now
	verdict   handshake.Verdict
	outcome   handshake.OutcomeKind
	index     uint32
	upTo      uint32
}

func (in input) String() string {
	s := steps[in.what]
	add := func(on bool, format string, args ...any) {
		if on {
			s += fmt.Sprintf(format, args...)
		}
	}
	add(in.roll != 0, ", roll %d", in.roll)
	add(in.req != 0, ", request %d of start %d", in.req, in.boot)
	add(in.session.Epoch != 0, ", session %d/%08X offer %d", in.session.Epoch, in.session.Nonce, in.number)
	add(in.what == offered || in.what == closed || in.what == voided || in.what == judged, ", offer no. %d of the roll", in.offer+1)
	add(in.verdict != 0, ", %s", in.verdict)
	add(in.outcome != 0, ", %s", in.outcome)
	add(in.index != 0, ", outcome %d", in.index)
	return s
}

// phase of one roll at the station.
type phase uint8

const (
	outside phase = iota
	came          // and has not asked yet
	waits
	runs
	held
	gone
)

// roll is the station as one roll sees it. Fates has a verdict, as a letter, for
// each offer that was judged.
type roll struct {
	phase     phase
	boot, req uint32
	fates     string
	newest    int  // offer that the result names, from 1; 0 none
	unseen    bool // it was judged, and the ledger does not say so yet
	recipe    int  // offer that was accepted, from 1; 0 none
	outcome   handshake.OutcomeKind
	index     uint32
	told      bool // the journal has its outcome
	inGap     bool
}

const untold = '.'

func (r *roll) fate(offer int) handshake.Verdict {
	if offer < 0 || offer >= len(r.fates) || r.fates[offer] == untold {
		return handshake.NoVerdict
	}
	return handshake.Verdict(r.fates[offer] - '0')
}

func (r roll) judge(offer int, v handshake.Verdict) roll {
	b := []byte(r.fates)
	for len(b) <= offer {
		b = append(b, untold)
	}
	b[offer] = byte('0' + v)
	r.fates, r.newest, r.unseen = string(b), offer+1, true
	switch v {
	case handshake.Accepted:
		r.phase, r.recipe = runs, offer+1
	case handshake.HeldVerdict:
		r.phase = held
	}
	return r
}

// next returns what the station can be after a step: nothing where it cannot be,
// and several states where nobody knows yet what an offer came to.
func (r roll) next(in input) []roll {
	if in.what == judged {
		ok := r.unseen && r.newest == in.offer+1 && r.fate(in.offer) == in.verdict && r.boot == in.boot && r.req == in.req
		r.unseen = false
		return when(ok, r)
	}
	if r.unseen {
		return nil // the controller writes down at once what it judges
	}
	switch in.what {
	case entered:
		ok := r.phase == outside
		r.phase = came
		return when(ok, r)
	case requested:
		ok := (r.phase == came || r.phase == waits || r.phase == held) && in.boot >= r.boot && in.req > r.req
		r.phase, r.boot, r.req = waits, in.boot, in.req
		return when(ok, r)
	case offered:
		return r.offer(in)
	case closed:
		return when(r.fate(in.offer) == in.verdict, r)
	case voided:
		fate := r.fate(in.offer)
		shown := r.newest == in.offer+1 && !in.passed && fate == handshake.HeldVerdict
		return when(fate != handshake.Accepted && !shown, r)
	}
	return r.end(in)
}

// offer is the one instant at which an offer takes effect, if it ever does.
func (r roll) offer(in input) []roll {
	all := []roll{r}
	if r.phase != waits || r.boot != in.boot || r.req != in.req {
		return all
	}
	verdict := handshake.Accepted
	if in.hold {
		verdict = handshake.HeldVerdict
	}
	if !in.other {
		all = append(all, r.judge(in.offer, verdict))
	}
	return append(all, r.judge(in.offer, handshake.Rejected))
}

// end are the steps with which a roll goes.
func (r roll) end(in input) []roll {
	switch in.what {
	case left:
		ok := r.leaves(in)
		r.phase, r.outcome, r.index = gone, in.outcome, in.index
		return when(ok, r)
	case journaled:
		used := noOffer
		if r.outcome == handshake.Wrapped || r.outcome == handshake.Aborted {
			used = r.recipe - 1
		}
		ok := r.phase == gone && !r.told && r.outcome == in.outcome && r.index == in.index && used == in.offer
		r.told = true
		return when(ok, r)
	case missed:
		r.inGap = true
	case forgot:
		r.told = false
	case atRest:
		return when((r.told || r.inGap) && (r.phase == gone || r.phase == outside), r)
	}
	return []roll{r}
}

func (r *roll) leaves(in input) bool {
	switch in.outcome {
	case handshake.Wrapped, handshake.Aborted:
		return r.phase == runs && r.recipe == in.offer+1
	case handshake.WrappedByHand, handshake.Removed:
		return (r.phase == waits || r.phase == held) && in.offer == noOffer
	case handshake.Lost:
		return r.phase == outside && in.offer == noOffer
	}
	return false
}

func when[S any](ok bool, s S) []S {
	if !ok {
		return nil
	}
	return []S{s}
}

// line is the station over all rolls, from one loss of memory to the next.
type line struct {
	boot      uint32
	floor     uint32
	session   handshake.Session // in force
	number    uint16            // of the newest offer judged in it
	taken     uint32            // newest epoch in the journal
	roll      uint32
	occupied  bool
	produced  uint32
	journaled uint32
	ever      uint32 // journaled before the journal was set back
	acked     uint32
}

// ring is how many outcomes the controller keeps.
const ring = handshake.OutEntries

// next returns the line after a step, and nothing where it cannot be.
func (l line) next(in input) []line {
	ok := true
	switch in.what {
	case started:
		ok = in.boot > l.boot
		l.boot, l.session, l.number = in.boot, handshake.Session{}, 0
	case adopted:
		ok = in.known && in.session.Epoch > l.floor && in.boot == l.boot
		l.floor, l.session, l.number = in.session.Epoch, in.session, 0
	case opened:
		ok = in.session.Epoch > l.taken
		l.taken = in.session.Epoch
	case entered:
		ok = in.roll == l.roll+1 && !l.occupied
		l.roll, l.occupied = in.roll, true
	case requested:
		ok = l.occupied && in.roll == l.roll && in.boot == l.boot
	case judged:
		ok = l.occupied && in.roll == l.roll && in.session == l.session && in.number > l.number
		l.number = in.number
	case left:
		ok = in.index == l.produced+1 && (l.occupied && in.roll == l.roll || in.outcome == handshake.Lost && in.roll == l.roll+1)
		l.roll, l.occupied, l.produced = in.roll, false, in.index
	case acknowledged:
		ok = in.index > l.acked && in.index <= max(l.journaled, l.ever) && in.index <= l.produced
		l.acked = in.index
	case journaled:
		ok = in.index == l.journaled+1 && in.index <= l.produced
		l.journaled = in.index
	case missed:
		// A gap stands only over what cannot be read any more.
		ok = in.index <= l.journaled+1 && in.upTo > l.journaled && in.upTo <= l.produced && (in.upTo <= l.acked || in.upTo+ring <= l.produced)
		l.journaled = in.upTo
	case forgot:
		l.ever = max(l.ever, l.journaled)
		l.journaled, l.taken = in.index, in.session.Epoch
	case atRest:
		ok = !l.occupied && l.produced == l.journaled && l.journaled == l.acked
	default:
		panic("stationtest: a step of a roll has come to the line")
	}
	return when(ok, l)
}
