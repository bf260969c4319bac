package inspect

import (
	"context"
	"fmt"
	"math/bits"
	"strconv"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/link"
	"lapgate/recipe/quantity"
)

// tickUnit is one count of the controller's clock.
const tickUnit = 10 * time.Millisecond

// watchFor is how long the tick is watched at least, to tell its unit.
const watchFor = time.Second

// motion watches the tick until it has moved for a while, and the heartbeat
// with it. It reports whether the block can be believed.
func (l *inspection) motion(ctx context.Context) bool {
	const subject = "tick"
	first, began := l.request.Tick, time.Now()
	moved, newest, newestAt := began, first, began
	firstMove := time.Time{}
	var firstTick uint32
	for {
		if !l.wait(ctx) {
			return false
		}
		if err := l.fetch(ctx); err != nil {
			if l.items.Unreachable {
				return false
			}
			continue // caught half written; the tick must move in time all the same
		}
		now := time.Now()
		if l.request.Tick != newest {
			newest, newestAt, moved = l.request.Tick, now, now
			if firstMove.IsZero() {
				firstMove, firstTick = now, newest
			}
		}
		if now.Sub(moved) > l.expect.Stale {
			l.items.add(Fail, subject, fmt.Sprintf("%d, and it stands", newest), "a tick that moves within "+l.expect.Stale.String(),
				"the controller answers but its program does not run, or the registers are a copy; start the program")
			return false
		}
		if !firstMove.IsZero() && now.Sub(firstMove) >= watchFor {
			break
		}
	}
	l.tickUnit(subject, newest-firstTick, newestAt.Sub(firstMove))
	words := make([]uint16, handshake.HeartbeatWords)
	err := l.ask(ctx, link.Span{Block: handshake.HEARTBEAT, Dst: words})
	if link.ClassOf(err) == link.NoAccess {
		return true // whether another gateway serves the line is told by the session too
	}
	if !l.answered("block HEARTBEAT", err) {
		return !l.items.Unreachable
	}
	l.beats = words[1] != l.beat
	return true
}

// tickUnit tells of a clock that does not count in 10 ms. The reads are too
// coarse for less than a factor of two.
func (l *inspection) tickUnit(subject string, ticks uint32, took time.Duration) {
	counted := time.Duration(ticks) * tickUnit
	if counted > 2*took || 2*counted < took {
		l.items.add(Warn, subject, fmt.Sprintf("%d counts in %s", ticks, took.Round(tickUnit)), "about 100 counts a second",
			"the tick counts in units of 10 ms; correct the controller program, or the age of a commit is judged wrongly")
		return
	}
	l.items.add(OK, subject, fmt.Sprintf("%d, moving", l.request.Tick), "", "")
}

// identity compares the numbers that never go back, and who has the session.
func (l *inspection) identity() {
	r, k := &l.request, &l.expect.Past
	swapped := "another controller stands there, or it lost its memory; find out which before the line is armed"
	switch {
	case r.Boot == 0:
		l.items.add(Fail, "boot id", "0", "1 or more", "the controller program must count its starts and retain the number")
	case r.Boot < k.Boot:
		l.items.add(Fail, "boot id", strconv.Itoa(int(r.Boot)), fmt.Sprintf("%d or more, which the journal knows", k.Boot), swapped)
	default:
		l.items.add(OK, "boot id", strconv.FormatUint(uint64(r.Boot), 10), "", "")
	}
	for _, n := range []struct {
		name       string
		got, known uint32
	}{{"epoch floor", r.Floor, k.Floor}, {"outcomes", r.Produced, k.Outcomes}, {"roll number", r.RollNo, k.Covered}} {
		if n.got < n.known {
			l.items.add(Fail, n.name, strconv.FormatUint(uint64(n.got), 10), fmt.Sprintf("%d or more, which the journal knows", n.known), swapped)
		}
	}
	// Beside a gateway that is at work the journal was read before the controller.
	if acked := min(r.Acked, r.Produced); acked > k.Outcomes && k.Epoch != 0 && !l.beats && !l.expect.Pair {
		l.items.add(Fail, "outcomes", fmt.Sprintf("acknowledged up to %d", acked), fmt.Sprintf("at most %d, the newest that this journal holds", k.Outcomes),
			"the journal lags the controller, as one from a backup does, or another gateway served the line; find the journal that was written last")
	}
	if k.Epoch != 0 && r.Floor > k.Epoch && !l.expect.Pair {
		l.items.add(Warn, "epoch floor", strconv.FormatUint(uint64(r.Floor), 10), fmt.Sprintf("at most %d, the newest that this journal took", k.Epoch),
			"another gateway, or one with another journal, has served this controller; find out which one should")
	}
	if r.Flags&handshake.MemoryLost != 0 {
		l.items.add(Fail, "memory", "lost", "kept", "look why the controller lost its retained memory, then acknowledge at the controller")
	} else {
		l.items.add(OK, "memory", "kept", "", "")
	}
	l.session()
}

func (l *inspection) session() {
	r := &l.request
	seen := r.Flags&handshake.GatewayAlive != 0
	alive := l.beats || seen
	if l.expect.Alone {
		// The controller believes in a gateway for a while after its last
		// heartbeat, and so in this one after it was disarmed.
		alive = l.beats || seen && r.Active.Epoch != l.expect.Past.Epoch
	}
	who := fmt.Sprintf("epoch %d, nonce %08X", r.Active.Epoch, r.Active.Nonce)
	switch {
	case alive && l.expect.Alone:
		l.items.add(Fail, "session", who+", its heartbeat moves", "no gateway that writes", "another gateway serves this controller; stop it first")
	case alive:
		l.items.add(Note, "session", who+", its heartbeat moves", "", "a gateway serves this controller now")
	case r.Active == (handshake.Session{}):
		l.items.add(OK, "session", "none", "", "")
	default:
		l.items.add(OK, "session", who+", no heartbeat", "", "")
	}
	if r.Produced-r.Acked > 0 && r.Produced >= r.Acked {
		v, remedy := Note, ""
		if r.Flags&handshake.RingFull != 0 {
			v, remedy = Warn, "the ring is full and no roll is requested; arm a gateway, which acknowledges what it has in its journal"
		}
		l.items.add(v, "outcomes", fmt.Sprintf("%d not acknowledged", r.Produced-r.Acked), "", remedy)
	}
}

// station looks at what the line itself says.
func (l *inspection) station() {
	r, line := &l.request, l.expect.Line
	want := line.Limits.Permissives
	if off := want &^ r.Permissives; off != 0 {
		l.items.add(Note, "permissives", fmt.Sprintf("0x%X, %d of the wanted ones off", r.Permissives, bits.OnesCount32(off)), fmt.Sprintf("0x%X", want), "no recipe is accepted while one is off")
	} else {
		l.items.add(OK, "permissives", fmt.Sprintf("0x%X", r.Permissives), "", "")
	}
	switch {
	case r.Phase == handshake.Fault:
		l.items.add(Warn, "phase", r.Phase.String(), "", "see to the fault at the line")
	case r.Flags&handshake.OperatorMustAck != 0:
		l.items.add(Warn, "phase", r.Phase.String()+", the operator must acknowledge", "", "acknowledge at the controller")
	case r.Flags&handshake.ManualSelected != 0:
		l.items.add(Note, "phase", r.Phase.String()+", manual is selected", "", "")
	default:
		l.items.add(OK, "phase", r.Phase.String(), "", "")
	}
	l.roll()
	l.stand()
	if line.Equipment.Header.Powered() {
		const tenth = 0.1
		t := float64(r.Platen) * tenth
		got := line.Write(t, quantity.Temperature)
		if band := line.Limits.Temperature; t > band.Max {
			l.items.add(Warn, "platen", got, "at most "+line.Write(band.Max, quantity.Temperature), "hotter than any recipe may ask for; see to the controls of the header, and keep away from hot platens")
		} else {
			l.items.add(OK, "platen", got, "", "")
		}
	}
}

// roll looks at the roll that waits, if there is one.
func (l *inspection) roll() {
	r, line := &l.request, l.expect.Line
	if r.Phase != handshake.Await && r.Phase != handshake.Held {
		return
	}
	const tenth = 0.0001 // m
	for _, d := range []struct {
		name     string
		v        uint32
		min, max float64
	}{
		{"diameter", r.Diameter, line.Limits.Diameter.Min, line.Limits.Diameter.Max},
		{"width", r.Width, line.Limits.Width.Min, line.Limits.Width.Max},
	} {
		got := line.Write(float64(d.v)*tenth, quantity.Length)
		want := line.Write(d.min, quantity.Length) + " to " + line.Write(d.max, quantity.Length)
		if v := float64(d.v) * tenth; v < d.min || v > d.max {
			l.items.add(Warn, d.name, got, want, "the roll at the station would be held; compare the unit, 0.1 mm, with the controller program")
		} else {
			l.items.add(OK, d.name, got, "", "")
		}
	}
	m := &line.Materials
	known := r.Grade == 0
	for i := range m.Grades {
		known = known || m.Grades[i].Code == int(r.Grade)
	}
	if !known {
		l.items.add(Warn, "grade", strconv.Itoa(int(r.Grade)), "a code from grades", "add the grade to the configuration, or correct the code at the controller")
	}
	known = r.Core == 0
	for i := range m.Cores {
		known = known || m.Cores[i].Code == int(r.Core)
	}
	if !known {
		l.items.add(Warn, "core", strconv.Itoa(int(r.Core)), "a code from cores", "add the core to the configuration, or correct the code at the controller")
	}
}

// stand compares the slots that are ready with those of the configuration.
func (l *inspection) stand() {
	r, line := &l.request, l.expect.Line
	if !line.Equipment.Stand.Powered() {
		return
	}
	var configured uint16
	for _, s := range line.Stand.Slots {
		configured |= 1 << (s.Number - 1)
	}
	if extra := r.SlotsReady &^ configured; extra != 0 {
		l.items.add(Warn, "stand", fmt.Sprintf("slots ready %06b", r.SlotsReady), fmt.Sprintf("of %06b, slot 1 rightmost", configured),
			"a slot is ready that the configuration does not have; add it, or correct the controller program")
		return
	}
	v, remedy := OK, ""
	if configured&^r.SlotsReady != 0 {
		v, remedy = Note, "slots that are not ready are not chosen"
	}
	l.items.add(v, "stand", fmt.Sprintf("slots ready %06b", r.SlotsReady), fmt.Sprintf("of %06b, slot 1 rightmost", configured), remedy)
}

// untold says what the controller does not publish, so that nobody takes it
// for compared.
func (l *inspection) untold() {
	l.items.add(Note, "times of the controller program", "not published by the protocol", "those of controller.program",
		"compare them at the controller by hand")
}

// clock compares the clocks where the transport tells of one.
func (l *inspection) clock() {
	if l.items.Unreachable {
		return
	}
	clock, ok := l.port.(interface{ Skew() time.Duration })
	if !ok {
		l.items.add(Note, "clock", "not published over this transport", "", "")
		return
	}
	const most = 5 * time.Second
	skew := clock.Skew().Round(time.Millisecond)
	if skew > most || skew < -most {
		l.items.add(Warn, "clock", skew.String()+" ahead of ours", "at most "+most.String()+" either way", "set both clocks by one time server; nothing is decided by them, but people compare records")
		return
	}
	l.items.add(OK, "clock", skew.String()+" ahead of ours", "", "")
}
