package cycle

import (
	"maps"
	"math"
	"slices"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/wording"
)

// wordLife is how long a person's word may wait to take effect. Whoever gave
// it looked at the roll and the line as they were then.
const wordLife = 5 * time.Minute

// problems are the reasons why a person's word cannot be taken.
type problems []wording.Said

func (p *problems) add(bad bool, why wording.Said) {
	if bad {
		*p = append(*p, why)
	}
}

// word is what a named person said of one request, to which it is bound.
type word struct {
	token   handshake.Token   // of the request that it takes effect with
	given   handshake.Request // the request block that the person saw
	roll    recipe.Roll       // the measurement that the person saw
	config  uint32            // hash of the configuration that the person's word was checked by
	retried bool              // token is the operator's retry of the request given
	at      time.Duration
}

// bind binds a person's word to the request in view.
func (m *Machine) bind() word {
	return word{token: m.view.token, given: m.seen.Request, roll: m.seen.Roll, config: m.hash, at: m.now.Mono}
}

// follow takes the newest view of the request, and returns why the word ends,
// nothing where it stands. A held roll gets its recipe by the operator's retry,
// which is the next request: a word given for the request held passes to that
// one, if nothing was measured between.
func (w *word) follow(r *handshake.Request) (gone wording.Said) {
	switch {
	case r.RollNo != w.given.RollNo || r.Phase != handshake.Await && r.Phase != handshake.Held:
		return wording.Say("unused.left")
	case r.Token() == w.token:
	case w.given.Phase == handshake.Held && !w.retried && r.Phase == handshake.Await &&
		r.Boot == w.token.Boot && r.Req == w.token.Req+1 && sameMeasurement(&w.given, r):
		w.token, w.retried = r.Token(), true
	default:
		return wording.Say("unused.requested")
	}
	return wording.Said{}
}

// spoiled returns why the word may not take effect with a view, nothing where it
// may.
func (w *word) spoiled(v *View, config uint32) (why wording.Said) {
	switch {
	case v.Roll.Diameter != w.roll.Diameter || v.Roll.Width != w.roll.Width:
		return wording.Say("unused.measured")
	case w.config != config:
		return wording.Say("unused.config")
	}
	return why
}

// waitingOverride is an override that waits for its request to be offered.
type waitingOverride struct {
	OverrideRoll
	word
}

// askOverride answers whether a named person's recipe can be offered for the
// request in view, and what it changes. Unless only that was asked, it is kept
// until the request is offered.
func (m *Machine) askOverride(e OverrideRoll) {
	a := OverrideAnswer{Token: e.Token, Roll: m.view.roll, Tag: m.view.tag}
	if a.Problems = m.askProblems(&e); len(a.Problems) == 0 {
		a.Token = m.view.token
		e.Token, e.Changes = a.Token, maps.Clone(e.Changes)
		asked := record.Override{Roll: m.view.roll, Token: e.Token, By: e.By, User: e.User, Operator: e.Operator, Reason: e.Reason, Text: e.Text, New: e.Changes}
		r := m.requestOf(&m.seen)
		basis := m.mem.Basis(e.Token)
		before := Decide(m.line, &r, &basis, nil)
		after := Decide(m.line, &r, &basis, &asked)
		for _, f := range after.Override.Refused {
			a.Problems = append(a.Problems, f.Told())
		}
		if len(a.Problems) == 0 {
			a.Changes = changesBetween(&before.Setpoints, &after.Setpoints)
		}
	}
	a.Held = m.view.phase == handshake.Held
	m.do(a)
	switch {
	case len(a.Problems) > 0:
		m.refuseOverride(m.view.roll, &e, a.Problems[0])
	case !e.Preview:
		m.override = &waitingOverride{e, m.bind()}
		said := wording.Say("told.override-waits")
		if a.Held {
			said = wording.Say("told.override-waits.held")
		}
		m.tell(noteOverrideWaits, said, Field{"roll_no", m.view.roll}, Field{"by", e.By}, Field{"user", e.User})
	}
}

// askProblems lists why an override cannot be taken, whatever it changes.
func (m *Machine) askProblems(e *OverrideRoll) (problems problems) {
	problems.add(e.By == "" || e.Text == "", wording.Say("refused.override.name"))
	problems.add(len(e.Changes) == 0, wording.Say("refused.override.nothing"))
	for _, name := range slices.Sorted(maps.Keys(e.Changes)) {
		v := e.Changes[name]
		problems.add(math.IsNaN(v) || math.IsInf(v, 0), wording.Say("refused.override.number", "setpoint", name, "value", v))
	}
	return append(m.wordProblems(e.Token, e.Roll), problems...)
}

// wordProblems lists why no word of a person can be taken for a roll and the
// request that was shown; zeros mean whichever is there.
func (m *Machine) wordProblems(token handshake.Token, roll uint32) (problems problems) {
	w := &m.view
	waits := w.seen && (w.phase == handshake.Await || w.phase == handshake.Held)
	problems.add(!m.linkUp, wording.Say("refused.link"))
	problems.add(!m.armed, wording.Say("refused.shadow"))
	problems.add(!waits, wording.Say("refused.roll.none"))
	problems.add(waits && roll != 0 && roll != w.roll, wording.Say("refused.roll", "roll", roll, "number", w.roll))
	problems.add(waits && token != (handshake.Token{}) && token != w.token,
		wording.Say("refused.roll.changed", "roll", w.roll, "request", token.Req, "number", w.token.Req))
	return problems
}

func (m *Machine) refuseOverride(roll uint32, e *OverrideRoll, why wording.Said) {
	m.tell(noteOverrideRefused, wording.Say("told.override-refused", "roll", roll, "by", e.By, "why", why),
		Field{"roll_no", roll}, Field{"by", e.By}, Field{"user", e.User})
}

// dropOverride ends an override that waits.
func (m *Machine) dropOverride(why wording.Said) {
	if o := m.override; o != nil {
		m.override = nil
		m.tell(noteOverrideDropped, wording.Say("told.override-dropped", "roll", o.given.RollNo, "by", o.By, "why", why),
			Field{"roll_no", o.given.RollNo}, Field{"by", o.By}, Field{"user", o.User})
	}
}

// agePersons ends what a person said too long ago.
func (m *Machine) agePersons() {
	why := wording.Say("unused.late")
	if m.override != nil && m.now.Mono-m.override.at >= wordLife {
		m.dropOverride(why)
	}
	if m.confirm != nil && m.now.Mono-m.confirm.at >= wordLife {
		m.dropConfirm(why)
	}
}

// keepPersons ends what a person said of a request that is gone.
func (m *Machine) keepPersons(r *handshake.Request) {
	if m.override != nil {
		if gone := m.override.follow(r); !gone.IsZero() {
			m.dropOverride(gone)
		}
	}
	if m.confirm != nil {
		if gone := m.confirm.follow(r); !gone.IsZero() {
			m.dropConfirm(gone)
		}
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
	if o == nil || o.token != v.Request.Token() {
		return nil
	}
	if why := o.spoiled(v, m.hash); !why.IsZero() {
		m.dropOverride(why)
		return nil
	}
	m.override = nil
	return &record.Override{Roll: v.Request.RollNo, Token: o.token, By: o.By, User: o.User, Operator: o.Operator, Reason: o.Reason, Text: o.Text, New: o.Changes}
}

// tellOverride tells what became of an override at the offer of its request.
func (m *Machine) tellOverride(o *record.Override) {
	if len(o.Refused) > 0 {
		m.tell(noteOverrideRefused,
			wording.Say("told.override-refused", "roll", o.Roll, "by", o.By, "why", o.Refused[0].Told()),
			Field{"roll_no", o.Roll}, Field{"by", o.By}, Field{"user", o.User}, Field{"findings", o.Refused})
		return
	}
	m.tell(noteOverride, wording.Say("told.override-offered", "roll", o.Roll, "by", o.By, "change", o.Text),
		Field{"roll_no", o.Roll}, Field{"by", o.By}, Field{"user", o.User}, Field{"reason", o.Reason})
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
