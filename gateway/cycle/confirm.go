package cycle

import (
	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/check"
	"lapgate/recipe/wording"
)

// waitingConfirm is a confirmation that waits for its request to be offered.
type waitingConfirm struct {
	ConfirmFinding
	word
	text wording.Said // of the finding
}

// askConfirm answers whether a person's word on a finding can be taken for the
// request in view. Unless only that was asked, it is kept until the request is
// offered. It starts nothing: a held roll is offered again when the operator
// presses retry at the controller.
func (m *Machine) askConfirm(e ConfirmFinding) {
	a := ConfirmAnswer{Token: e.Token, Roll: m.view.roll, Tag: m.view.tag}
	a.Problems = m.wordProblems(e.Token, e.Roll)
	if e.By == "" {
		a.Problems = append(a.Problems, wording.Say("refused.confirm.name"))
	}
	if !check.Confirmable(e.Finding) {
		a.Problems = append(a.Problems, wording.Say("refused.confirm.finding", "finding", e.Finding))
	}
	if len(a.Problems) == 0 {
		a.Token = m.view.token
		if a.Text = m.findingText(e.Finding); a.Text.IsZero() {
			a.Problems = append(a.Problems, wording.Say("refused.confirm.none", "roll", m.view.roll, "finding", e.Finding))
		}
	}
	a.Held = m.view.phase == handshake.Held
	m.do(a)
	fields := []Field{{"roll_no", m.view.roll}, {"by", e.By}, {"user", e.User}, {"finding", string(e.Finding)}}
	switch {
	case len(a.Problems) > 0:
		m.tell(noteConfirmRefused, wording.Say("told.confirmation-refused", "finding", e.Finding, "roll", m.view.roll, "by", e.By, "why", a.Problems[0]), fields...)
	case !e.Preview:
		m.confirm = &waitingConfirm{e, m.bind(), a.Text}
		said := wording.Say("told.confirmation-waits")
		if a.Held {
			said = wording.Say("told.confirmation-waits.held")
		}
		m.tell(noteConfirmWaits, said, fields...)
	}
}

// findingText is the sentence of a finding of the request in view, nothing
// without that finding.
func (m *Machine) findingText(code recipe.Code) wording.Said {
	r := m.requestOf(&m.seen)
	basis := m.mem.Basis(m.view.token)
	d := Decide(m.line, &r, &basis, nil)
	for i := range d.Findings {
		if f := &d.Findings[i]; f.Code == code {
			return f.Told()
		}
	}
	return wording.Said{}
}

// takeConfirm makes durable the confirmation that waits for the request in
// view, which is about to be decided on. It is used up by that.
func (m *Machine) takeConfirm(v *View) {
	c := m.confirm
	if c == nil || c.token != v.Request.Token() {
		return
	}
	if why := c.spoiled(v, m.hash); !why.IsZero() {
		m.dropConfirm(why)
		return
	}
	m.confirm = nil
	m.journal(record.Confirm{Roll: v.Request.RollNo, Token: c.token, Finding: c.Finding, By: c.By, User: c.User, Text: c.text.String()})
	m.tell(noteConfirmed, wording.Say("told.finding-confirmed", "by", c.By, "finding", c.Finding, "roll", v.Request.RollNo),
		Field{"roll_no", v.Request.RollNo}, Field{"by", c.By}, Field{"user", c.User}, Field{"finding", string(c.Finding)})
}

// dropConfirm ends a confirmation that waits.
func (m *Machine) dropConfirm(why wording.Said) {
	if c := m.confirm; c != nil {
		m.confirm = nil
		m.tell(noteConfirmDropped, wording.Say("told.confirmation-dropped", "finding", c.Finding, "roll", c.given.RollNo, "by", c.By, "why", why),
			Field{"roll_no", c.given.RollNo}, Field{"by", c.By}, Field{"user", c.User})
	}
}
