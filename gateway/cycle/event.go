// Package cycle is the pure state machine of one line: the handshake with the
// controller and the decision on each roll. Step takes one event and returns
// the actions it calls for. It holds no goroutine, clock, logger, socket or
// randomness: time, numbers drawn and answers all come in with events, and
// what must be on disk before the wire is an action that comes first.
package cycle

import (
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe"
)

// Moment is when an event happened. Mono runs steadily and decides; Wall is
// for people and is only written into records.
type Moment struct {
	Mono time.Duration
	Wall time.Time
}

// Event is something that happened outside the machine.
type Event interface{ event() }

type (
	// LinkUp says that a fresh connection to the controller stands.
	LinkUp struct{}
	// LinkDown says that the connection is gone, so that the fate of whatever
	// was on its way is unknown.
	LinkDown struct{ Err string }
	// Tick says that the poll interval has passed.
	Tick struct{}
	// Nonce answers DrawNonce with a random number that is not zero.
	Nonce struct{ Value uint32 }
	// View answers FetchView with one consistent request block, and what the
	// scan made of its samples.
	View struct {
		Request handshake.Request
		Roll    recipe.Roll
		Stand   recipe.Stand
		// Wait says that a reading or an order of the roll may still come, so
		// that nothing is to be offered yet.
		Wait bool
	}
	// BadView answers FetchView when the block read is not whole; Cause is one
	// of the words type, layout, crc, generation, no data.
	BadView struct{ Cause string }
	// Payload answers FetchPayload with the words that stand in the controller.
	// Closed says that the controller does not let the gateway read them.
	Payload struct {
		Words  []uint16
		Closed bool
	}
	// Outcomes answers FetchOutcomes, one element for each entry asked for.
	Outcomes struct{ Entries []OutcomeRead }
	// Written says that the controller confirmed a write.
	Written struct{ Block handshake.ID }
	// Refused says that the controller refused a write or a read, and that
	// nothing was written.
	Refused struct {
		Block handshake.ID
		Err   string
	}
	// JournalFailed says that a record could not be made durable. The actions
	// that followed it were not executed.
	JournalFailed struct{ Err string }
	// HoldAll is an operator's wish that no roll gets a recipe, or its end. By is the
	// name that was given, User the operating system's user, here and below.
	HoldAll struct {
		On     bool
		By     string
		User   string
		Reason string
	}
	// OverrideRoll is a named person's choice of setpoints for the request in
	// view. It is answered by OverrideAnswer, and ends unused when the roll is
	// measured again, when writing is forbidden and after five minutes.
	OverrideRoll struct {
		// Token is the request that the person was shown; zero means the one in
		// view, whichever that is.
		Token    handshake.Token
		Roll     uint32 // at the station; 0 means whichever is
		By       string
		User     string
		Operator uint32 // number of the person in the payload
		Reason   uint16
		Text     string             // the reason in words
		Changes  map[string]float64 // setpoint by its JSON name, SI
		Preview  bool               // only answer
	}
	// ConfirmFinding is a named person's word that what a finding of the request
	// in view asks for is done. It is answered by ConfirmAnswer, and ends unused
	// as OverrideRoll does.
	ConfirmFinding struct {
		// Token is the request that the person was shown; zero means the one in
		// view, whichever that is.
		Token   handshake.Token
		Roll    uint32 // at the station; 0 means whichever is
		Finding recipe.Code
		By      string
		User    string
		Preview bool // only answer
	}
	// HangWrapper is a named person's word on what hangs in a slot of the stand. It is
	// answered by HangAnswer.
	HangWrapper struct {
		Slot     int
		State    record.HangState
		Width    float64 // m; 0, as the rest, where nothing hangs
		Paper    string
		Outer    float64 // outer diameter, m; 0 not told
		Length   float64 // on the wrapper roll, m; 0 not told
		Corrects uint32  // number of the act that was told wrong, 0 none
		By       string
		User     string
		Preview  bool // only answer
	}
	// CountHeads is a named person's count of the heads of one size. It is answered by
	// HeadsAnswer.
	CountHeads struct {
		Material string
		Diameter float64 // m
		Count    uint32
		By, User string
		Preview  bool // only answer
	}
	// SetStation has a station worked by hand, or as it is configured. It is answered
	// by StationAnswer and takes effect with the next request.
	SetStation struct {
		Station string // its key in the configuration
		ByHand  bool
		Until   time.Time // for people; nothing ends by itself
		By      string
		User    string
		Reason  string
		Preview bool // only answer
	}
	// Arm allows the machine to write, or forbids it. Cause is empty for a
	// command.
	Arm struct {
		On         bool
		By         string
		User       string
		Reason     string
		Cause      record.ModeCause
		Controller string // identity of the controller that was looked at
		Lasts      *record.Lasting
		Pair       bool // on both machines of a pair
	}
	// Shadowed says why the line is in shadow though a person had armed it, and that
	// nobody armed it since. Where the cause is the journal, that is a new one because
	// the one before could not be gone on with.
	Shadowed struct {
		Cause  record.ModeCause
		Reason string
	}
	// HoldsUnknown says that the journal is a new one that tells of no hold and no
	// arming, or one that may have been put back: a hold of before is not known.
	HoldsUnknown struct{}
	// Doubt says, before the first connection, what speaks against the journal being
	// that of the line; nothing where all is well. What the journal itself tells of
	// doubts stands on.
	Doubt struct{ Doubts []string }
	// AcceptJournal is a named person's word to go on with the journal in spite of all
	// doubts.
	AcceptJournal struct{ By, User, Reason string }
	// Configure puts another configuration in force from the next roll on, and its
	// record into the journal at once.
	Configure struct {
		Line   *recipe.Line
		Record record.Config
	}
	// Lease says, in a pair, that this gateway should act, or should no longer.
	// Number is the number of the lease; no epoch is taken below it, and a line that
	// was fenced opens again only with a greater one than it held then.
	//
	// Silent says that the store of the lease does not answer. The rest is as it was then:
	// who leads goes on, and who stands by goes on standing by, unless a person, or the
	// gateway itself, changed that since. Held is false on evidence alone, which is that the
	// store names another holder, or none.
	Lease struct {
		Held   bool
		Number uint32
		Silent bool
	}
	// Stored says, in a pair, up to which outcome the store that both read has the
	// records. Losses is how often the controller had lost its memory by then; an
	// index of before means nothing after.
	Stored struct {
		UpTo   uint32
		Losses uint32
		Other  *OfOther // nil where the store has nothing of another machine
	}
)

// OfOther is what the store of a pair has of the other machine's journal.
type OfOther struct {
	Head record.JournalHead
	UpTo uint32 // newest outcome, 0 for none that is known
	Boot uint32 // start of the controller under which that was produced
}

// OutcomeRead is one entry of the outcome ring as read: decoded, or the reason
// why it could not be.
type OutcomeRead struct {
	Words   []uint16
	Outcome handshake.Outcome
	Err     string
}

func (LinkUp) event()         {}
func (LinkDown) event()       {}
func (Tick) event()           {}
func (Nonce) event()          {}
func (View) event()           {}
func (BadView) event()        {}
func (Payload) event()        {}
func (Outcomes) event()       {}
func (Written) event()        {}
func (Refused) event()        {}
func (JournalFailed) event()  {}
func (HoldAll) event()        {}
func (OverrideRoll) event()   {}
func (ConfirmFinding) event() {}
func (HangWrapper) event()    {}
func (CountHeads) event()     {}
func (SetStation) event()     {}
func (Arm) event()            {}
func (Configure) event()      {}
func (Lease) event()          {}
func (Stored) event()         {}
func (Doubt) event()          {}
func (AcceptJournal) event()  {}
func (Shadowed) event()       {}
func (HoldsUnknown) event()   {}
