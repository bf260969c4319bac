package publish

import (
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
	"lapgate/recipe"
)

// channel is how a record names this way onward.
const channel = "mqtt"

// The events, which are the last part of a topic.
const (
	eventRoll      = "roll"
	eventGap       = "gap"
	eventHold      = "hold"
	eventHoldAll   = "hold-all"
	eventCondition = "condition"
	eventHead      = "head"
)

// message is one event on its way.
type message struct {
	seq     uint64
	event   string
	payload []byte
}

// envelope is what every message has. A receiver drops one whose sequence is not above
// the newest that it has of the same journal. Record is as lapgate journal list --json
// prints it.
type envelope struct {
	Journal  string    `json:"journal"`
	Sequence uint64    `json:"sequence"`
	At       time.Time `json:"at"`
	Line     string    `json:"line"`
	Event    string    `json:"event"`
	Roll     uint32    `json:"roll_no,omitempty"`
	Record   any       `json:"record"`

	*roll
	*condition
	Head *journal.Hash `json:"head,omitempty"` // of the journal, with this record
}

// roll is what a message on a roll that left has besides its outcome.
type roll struct {
	Tag      string       `json:"tag"`
	AskedAt  *time.Time   `json:"asked_at,omitempty"`
	Measured *recipe.Roll `json:"measured,omitempty"`
	Holds    int          `json:"holds"`  // offers for it that were holds
	Shadow   bool         `json:"shadow"` // its recipe was computed and not offered
	Recipe   any          `json:"recipe,omitempty"`
	Verdict  string       `json:"verdict,omitempty"` // of the controller
}

// condition is what a message on an alarm has besides the change.
type condition struct {
	Priority string `json:"priority"`
	Meaning  string `json:"meaning"`
	Remedy   string `json:"remedy,omitempty"`
}

// tells reports whether a message is made of a record.
func tells(r record.Record) bool { return eventOf(r) != "" }

// eventOf is the event that a record tells, empty for none.
func eventOf(r record.Record) string {
	switch r := r.(type) {
	case record.Outcome:
		return eventRoll
	case record.Gap:
		return eventGap
	case record.Intent:
		if r.Form == handshake.KindHold {
			return eventHold
		}
	case record.Shadow:
		if recipe.Held(r.Findings) {
			return eventHold
		}
	case record.Hold:
		return eventHoldAll
	case record.Alarm:
		return eventCondition
	case record.Published:
		return eventHead
	}
	return ""
}

// messageOf makes the message of a record; ok is false where it tells nothing.
func (p *Publisher) messageOf(e *journal.Entry) (m message, ok bool, err error) {
	event := eventOf(e.Record)
	if event == "" {
		return m, false, nil
	}
	out := envelope{Journal: p.at.identity, Sequence: e.Seq, At: e.At, Line: p.line.Name, Event: event, Roll: e.Record.RollNo()}
	if out.Record, err = inSI(e.Stored); err != nil {
		return m, false, err
	}
	switch r := e.Record.(type) {
	case record.Outcome:
		if out.roll, err = p.rollOf(r.Outcome.RollNo, e.Seq); err != nil {
			return m, false, err
		}
	case record.Alarm:
		code, _, _ := strings.Cut(r.Alarm, "/")
		rule, _ := p.line.Rule(code)
		out.condition = &condition{rule.Priority.String(), rule.Meaning, rule.Remedy.String()}
	case record.Published:
		out.Head = &e.Hash
	}
	payload, err := json.Marshal(out)
	if err != nil {
		return m, false, fmt.Errorf("record %d: %w", e.Seq, err)
	}
	return message{e.Seq, event, payload}, true, nil
}

func inSI(s record.Stored) (any, error) {
	v, err := record.ViewOf(s, &recipe.Line{})
	return v.Record, err
}

// rollOf gathers what is known of a roll whose outcome is a record.
func (p *Publisher) rollOf(number uint32, seq uint64) (*roll, error) {
	out := &roll{}
	r := p.at.rolls.Newest().Find(number)
	if r == nil || r.OutcomeAt.Seq != seq {
		return out, nil
	}
	out.Tag = r.Tag
	for i := range r.Rounds {
		if o := r.Rounds[i].Offer; o != nil && o.Form == handshake.KindHold {
			out.Holds++
		}
	}
	d := r.Used()
	if d == nil {
		return out, nil
	}
	out.AskedAt, out.Measured = &d.RequestAt.At, &d.Request.Measured
	if d.Verdict != nil {
		out.Verdict = d.Verdict.Verdict.String()
	}
	var err error
	switch {
	case d.Offer != nil:
		out.Recipe, err = inSI(record.Stored{Record: *d.Offer})
	case d.Shadow != nil:
		out.Shadow = true
		out.Recipe, err = inSI(record.Stored{Record: *d.Shadow})
	}
	return out, err
}
