// Package alarm makes alarms of the conditions of one line, in the words of
// IEC 62682 and ISA-18.2: what needs somebody is active until its cause is gone,
// and unacknowledged until a named person says that it is seen; it may be shelved
// for a while, or taken out of service. It only keeps account: nothing here acts on
// a line.
//
//	          cause                    acknowledged
//	normal ──────────> unacknowledged ─────────────> acknowledged
//	  ^                      │ cause gone                  │ cause gone
//	  │   acknowledged       v                             │
//	  ├───────────────── returned                          │
//	  └────────────────────────────────────────────────────┘
//
// Shelved and out of service stand above these: the cause is followed on, and
// nobody is called. Each change is an Event, from which Recover brings the same
// list about again.
package alarm

import (
	"fmt"
	"time"

	"lapgate/recipe/wording"
)

// Priority is how soon somebody must see to an alarm.
type Priority uint8

// The priorities. None is what is told, and is no alarm.
const (
	None   Priority = iota
	Low             // within the shift
	Medium          // within minutes
	High            // now
)

// String is the word of the priority.
func (p Priority) String() string {
	return wordOf(p, "none", "low", "medium", "high")
}

// MarshalText writes the word.
func (p Priority) MarshalText() ([]byte, error) { return []byte(p.String()), nil }

// UnmarshalText reads the word.
func (p *Priority) UnmarshalText(b []byte) error { return wordTo(p, string(b), High) }

// State is where an alarm stands.
type State uint8

// The states.
const (
	Normal         State = iota // no alarm
	Unacknowledged              // active, and nobody has said that it is seen
	Acknowledged                // active and seen
	Returned                    // no longer active, and nobody has said that it was seen
	Shelved                     // set aside by a person until a certain time
	OutOfService                // set aside by a person until a person ends that
)

// String is the word of the state.
func (s State) String() string {
	return wordOf(s, "normal", "unacknowledged", "acknowledged", "returned", "shelved", "out-of-service")
}

// Calls tells whether somebody has yet to say that the alarm is seen.
func (s State) Calls() bool { return s == Unacknowledged || s == Returned }

// MarshalText writes the word.
func (s State) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads the word.
func (s *State) UnmarshalText(b []byte) error { return wordTo(s, string(b), OutOfService) }

func wordOf[T ~uint8](v T, words ...string) string {
	if int(v) < len(words) {
		return words[v]
	}
	return fmt.Sprintf("unknown (%d)", v)
}

func wordTo[T interface {
	~uint8
	fmt.Stringer
}](v *T, word string, last T) error {
	for x := T(0); x <= last; x++ {
		if x.String() == word {
			*v = x
			return nil
		}
	}
	return fmt.Errorf("no such word: %q", word)
}

// Class is what the table of conditions says of the alarm that a condition makes.
type Class struct {
	Priority Priority
	// On is how long the condition must stand before there is an alarm, Off how long
	// it must be gone before the alarm has returned.
	On, Off time.Duration
	// Firm alarms are neither delayed, shelved nor taken out of service.
	Firm bool
}

// Rule is one row of the table of conditions.
type Rule struct {
	Code    string
	Meaning string       // a sentence
	Remedy  wording.Said // what to do
	Class
}

// Condition is one that stands.
type Condition struct {
	Key string // code, and behind a slash what it is about where it can stand for several things
	// Stage counts how often the same has become worse, as for a certificate whose end
	// comes near. A higher one calls again whoever had acknowledged or shelved the
	// alarm.
	Stage int
}

// Act is a change of an alarm. Its words are stored, and never change their
// meaning.
type Act string

// The acts. Those of persons have a name.
const (
	Raise      Act = "raised"
	Clear      Act = "cleared"
	Ack        Act = "acknowledged"
	Shelve     Act = "shelved"
	Unshelve   Act = "unshelved" // by a person, or by itself at the end of the shelf
	Retire     Act = "out-of-service"
	Reactivate Act = "in-service"
)

// Event is one change of one alarm.
type Event struct {
	Key    string
	Act    Act
	By     string // empty for what no person did
	User   string // of the operating system, that it was done as
	Reason string
	Until  time.Time // end of a shelf
	Stage  int
}

// Alarm is one alarm as it stands.
type Alarm struct {
	Key      string    `json:"alarm" label:"alarm"`
	Priority Priority  `json:"priority"`
	State    State     `json:"state"`
	Active   bool      `json:"active"`
	Since    time.Time `json:"since,omitzero" label:"raised"`  // of the newest raise
	Cleared  time.Time `json:"cleared,omitzero" print:"below"` // zero while active
	By       string    `json:"by,omitempty"`                   // who acknowledged, shelved or retired it
	Until    time.Time `json:"until,omitzero" label:"shelved until"`
	Reason   string    `json:"reason,omitempty" print:"below"`
	Meaning  string    `json:"meaning" print:"below"`
	Remedy   string    `json:"remedy" print:"below"`
}
