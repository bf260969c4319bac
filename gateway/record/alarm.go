package record

import (
	"time"

	"lapgate/recipe/wording"
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

// said is the change in a few words.
func (r *Alarm) said() wording.Said {
	s := wording.Say("record.alarm", "alarm", r.Alarm, "state", wording.Word("alarm-act", r.Act))
	if r.By != "" {
		s = wording.Say("record.alarm.by", "what", s, "by", person(r.By, r.User))
	}
	if !r.Until.IsZero() {
		s = wording.Say("record.alarm.until", "what", s, "until", r.Until.Format(time.DateTime))
	}
	if r.Reason != "" {
		s = wording.Say("record.why", "what", s, "why", r.Reason)
	}
	return s
}
