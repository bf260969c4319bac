package cycle

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
)

// overrideLife is how long an override may wait to be offered. Whoever gave
// it looked at the roll and the line as they were then.
const overrideLife = 5 * time.Minute

// waitingOverride is an override that waits for its request to be offered.
type waitingOverride struct {
	OverrideRoll
	given   handshake.Request // the request block that the person saw
	roll    recipe.Roll       // the measurement that the person saw
	config  uint32            // hash of the configuration that the person's values were checked by
	retried bool              // Token is the operator's retry of the request given
	at      time.Duration
}

// askOverride answers whether a named person's recipe can be offered for the
// request in view, and what it changes. Unless only that was asked, it is kept
// until the request is offered.
func (m *Machine) askOverride(e OverrideRoll) {
	a := OverrideAnswer{Token: e.Token, Roll: m.view.roll, Tag: m.view.tag}
	if a.Problems = m.askProblems(&e); len(a.Problems) == 0 {
		a.Token = m.view.token
		e.Token, e.Changes = a.Token, maps.Clone(e.Changes)
		asked := record.Override{Roll: m.view.roll, Token: e.Token, By: e.By, Operator: e.Operator, Reason: e.Reason, Text: e.Text, New: e.Changes}
		r := m.requestOf(&m.seen)
		basis := m.mem.Basis(e.Token)
		before := Decide(m.line, &r, &basis, nil)
		after := Decide(m.line, &r, &basis, &asked)
		for _, f := range after.Override.Refused {
			a.Problems = append(a.Problems, f.Text)
		}
		if len(a.Problems) == 0 {
			a.Changes = changesBetween(&before.Setpoints, &after.Setpoints)
		}
	}
	a.Held = m.view.phase == handshake.Held
	m.do(a)
	switch {
	case len(a.Problems) > 0:
		m.refuseOverride(m.view.roll, e.By, a.Problems[0])
	case !e.Preview:
		m.override = &waitingOverride{OverrideRoll: e, given: m.seen.Request, roll: m.seen.Roll, config: m.hash, at: m.now.Mono}
		text := "the override waits for the offer of its request"
		if a.Held {
			text = "the roll is held; press retry at the controller within five minutes and the override is offered"
		}
		m.tell(noteOverrideWaits, text, Field{"roll_no", m.view.roll}, Field{"by", e.By})
	}
}

// askProblems lists why an override cannot be taken, whatever it changes.
func (m *Machine) askProblems(e *OverrideRoll) (problems []string) {
	say := func(bad bool, format string, args ...any) {
		if bad {
			problems = append(problems, fmt.Sprintf(format, args...))
		}
	}
	w := &m.view
	say(!m.linkUp, "there is no connection to the controller")
	say(!m.armed, "writing is forbidden; arm the line first")
	say(e.By == "" || e.Text == "", "an override needs the name of a person and a reason in words")
	say(len(e.Changes) == 0, "an override changes at least one setpoint; name it with its value")
	for _, name := range slices.Sorted(maps.Keys(e.Changes)) {
		v := e.Changes[name]
		say(math.IsNaN(v) || math.IsInf(v, 0), "%s: got %v, want a number", name, v)
	}
	waits := w.seen && (w.phase == handshake.Await || w.phase == handshake.Held)
	say(!waits, "no roll waits for a recipe at the station")
	say(waits && e.Roll != 0 && e.Roll != w.roll, "roll %d does not wait at the station, roll %d does", e.Roll, w.roll)
	say(waits && e.Token != (handshake.Token{}) && e.Token != w.token,
		"the request of roll %d has changed since it was shown (it was request %d, now it is %d); look at the roll and its values again", w.roll, e.Token.Req, w.token.Req)
	return problems
}

func (m *Machine) refuseOverride(roll uint32, by, why string) {
	m.tell(noteOverrideRefused, fmt.Sprintf("override of roll %d by %s is refused: %s", roll, by, why),
		Field{"roll_no", roll}, Field{"by", by})
}

// dropOverride ends an override that waits.
func (m *Machine) dropOverride(why string) {
	if o := m.override; o != nil {
		m.override = nil
		m.tell(noteOverrideDropped, fmt.Sprintf("override of roll %d by %s ends unused: %s", o.given.RollNo, o.By, why),
			Field{"roll_no", o.given.RollNo}, Field{"by", o.By})
	}
}

// ageOverride ends an override that waited too long.
func (m *Machine) ageOverride() {
	if m.override != nil && m.now.Mono-m.override.at >= overrideLife {
		m.dropOverride("it was given five minutes ago")
	}
}

// keepOverride ends an override whose request is gone. A held roll gets its
// recipe by the operator's retry, which is the next request: an override given
// for the request held passes to that one, if nothing was measured between.
func (m *Machine) keepOverride(r *handshake.Request) {
	o := m.override
	switch {
	case o == nil:
	case r.RollNo != o.given.RollNo || r.Phase != handshake.Await && r.Phase != handshake.Held:
		m.dropOverride("the roll no longer waits")
	case r.Token() == o.Token:
	case o.given.Phase == handshake.Held && !o.retried && r.Phase == handshake.Await &&
		r.Boot == o.Token.Boot && r.Req == o.Token.Req+1 && sameMeasurement(&o.given, r):
		o.Token, o.retried = r.Token(), true
	default:
		m.dropOverride("the roll was measured again or is requested anew; look at it and its values again")
	}
}

// sameMeasurement reports whether a request shows the measurement of an
// earlier one.
func sameMeasurement(earlier, r *handshake.Request) bool {
	return r.ScanAge >= earlier.ScanAge && r.Diameter == earlier.Diameter && r.Width == earlier.Width && r.Weight == earlier.Weight &&
		r.Quality == earlier.Quality && r.Grade == earlier.Grade && r.Core == earlier.Core && r.Tag == earlier.Tag &&
		r.DiameterN == earlier.DiameterN && r.WidthN == earlier.WidthN && r.Diameters == earlier.Diameters && r.Widths == earlier.Widths
}

// takeOverride returns the override that waits for the request in view, which
// is about to be offered, or nil.
func (m *Machine) takeOverride(v *View) *record.Override {
	o := m.override
	if o == nil || o.Token != v.Request.Token() {
		return nil
	}
	switch {
	case v.Roll.Diameter != o.roll.Diameter || v.Roll.Width != o.roll.Width:
		m.dropOverride("the roll was measured again; look at it and its values again")
		return nil
	case o.config != m.hash:
		m.dropOverride("another configuration took effect; look at the values again")
		return nil
	}
	m.override = nil
	return &record.Override{Roll: v.Request.RollNo, Token: o.Token, By: o.By, Operator: o.Operator, Reason: o.Reason, Text: o.Text, New: o.Changes}
}

// tellOverride tells what became of an override at the offer of its request.
func (m *Machine) tellOverride(o *record.Override) {
	if len(o.Refused) > 0 {
		m.tell(noteOverrideRefused,
			fmt.Sprintf("override of roll %d by %s is refused: %s", o.Roll, o.By, o.Refused[0].Text),
			Field{"roll_no", o.Roll}, Field{"by", o.By}, Field{"findings", o.Refused})
		return
	}
	m.tell(noteOverride, fmt.Sprintf("roll %d gets a recipe by %s: %s", o.Roll, o.By, o.Text),
		Field{"roll_no", o.Roll}, Field{"by", o.By}, Field{"reason", o.Reason})
}

// changesBetween lists the setpoints that differ, in the order of the payload.
func changesBetween(before, after *recipe.Setpoints) (out []SetpointChange) {
	for i := range sentSetpoints {
		p := &sentSetpoints[i]
		if old, now := p.Get(before), p.Get(after); old != now {
			out = append(out, SetpointChange{Name: p.Name, Old: finite(old), New: finite(now)})
		}
	}
	return out
}
