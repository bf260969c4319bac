package record

import (
	"fmt"
	"time"
)

// Alarm is one change of an alarm. It tells of the line and decides nothing on it.
type Alarm struct {
	Alarm  string `json:"alarm"` // code, and behind a slash what it is about
	Act    string `json:"act"`   // the word of an alarm.Act
	By     string `json:"by,omitempty"`
	User   string `json:"user,omitempty"`
	Reason string `json:"reason,omitempty"`
	// Until is the end of a shelf.
	Until time.Time `json:"until,omitzero"`
	// Stage tells how far the same has become worse.
	Stage int `json:"stage,omitempty"`
	// At is when it happened, where that is not when the record was written.
	At time.Time `json:"at,omitzero"`
}

// Kind returns KindAlarm.
func (Alarm) Kind() Kind { return KindAlarm }

// RollNo returns 0: the record is about no single roll.
func (Alarm) RollNo() uint32 { return 0 }

// text is the change in a few words.
func (r *Alarm) text() string {
	s := r.Alarm + " " + r.Act
	if r.By != "" {
		s += " by " + person(r.By, r.User)
	}
	if !r.Until.IsZero() {
		s += " until " + r.Until.Format(time.DateTime)
	}
	if r.Reason != "" {
		s = fmt.Sprintf("%s: %s", s, r.Reason)
	}
	return s
}
