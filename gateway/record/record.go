package record

import (
	"fmt"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/recipe"
	"lapgate/recipe/wording"
)

// Kind names a kind of record. It is stored, and never changes its meaning.
type Kind string

// The kinds of record.
const (
	KindSession  Kind = "SESSION"
	KindRequest  Kind = "REQUEST"
	KindIntent   Kind = "INTENT"
	KindCommit   Kind = "COMMIT"
	KindVerdict  Kind = "VERDICT"
	KindVoid     Kind = "VOID"
	KindOutcome  Kind = "OUTCOME"
	KindGap      Kind = "GAP"
	KindHold     Kind = "HOLD"
	KindOverride Kind = "OVERRIDE"
	KindConfirm  Kind = "CONFIRM"
	KindMode     Kind = "MODE"
	KindConfig   Kind = "CONFIG"
	KindShadow   Kind = "SHADOW"
	KindOrigin   Kind = "ORIGIN"
	KindDoubt    Kind = "DOUBT"
	KindAccept   Kind = "ACCEPT"
	KindCarry    Kind = "CARRY"
	KindFrame    Kind = "FRAME"
	KindHang     Kind = "HANG"
	KindHung     Kind = "HUNG"
	KindStation  Kind = "STATION"
	KindHeads    Kind = "HEADS"
	KindAlarm    Kind = "ALARM"
	KindCorrect  Kind = "CORRECTION"

	KindPublished Kind = "PUBLISHED"
	KindRegister  Kind = "REGISTER"
	KindTakeover  Kind = "TAKEOVER"
)

// Record is one durable fact of the line. A record is plain data: it is stored
// as JSON and read back equal.
type Record interface {
	Kind() Kind
	// RollNo is the roll it is about, 0 for none.
	RollNo() uint32
}

// OfferName names one offer of one session; no other offer ever had it.
type OfferName struct {
	Session handshake.Session `json:"session"`
	Offer   uint16            `json:"offer"`
}

type (
	// Session stands before the HELLO of a session.
	Session struct {
		Session handshake.Session `json:"session"`
		Boot    uint32            `json:"boot"`
		Floor   uint32            `json:"floor"` // of the controller, read before the epoch was taken
		Cause   string            `json:"cause"` // start, link, restart of the controller, ...
		// Other is the newest record of the other machine's journal that was known; nil
		// for none, as where the line has one machine.
		Other *JournalHead `json:"other,omitempty"`
	}
	// Request is all of a request that the decision on it rests on, so that the
	// decision can be made again. What the records before it add is a Basis.
	Request struct {
		Token    handshake.Token `json:"token"`
		Roll     uint32          `json:"roll_no"`
		Measured recipe.Roll     `json:"measured"` // read with Measurement
		// TagHex is the tag of the roll as it stands in the registers, read with Tag.
		// It is empty where the text of Measured tells it whole.
		TagHex      string       `json:"tag_hex,omitempty"`
		Stand       recipe.Stand `json:"stand"`
		Diameters   []uint16     `json:"diameters_dmm"` // samples, 0.1 mm
		Widths      []uint16     `json:"widths_dmm"`
		Permissives uint32       `json:"permissives"`
		// Tick is the controller's clock at the publication, 10 ms; 0 in a record
		// of a version that did not keep it.
		Tick uint32 `json:"tick,omitempty"`
		// Flags are the controller's, nil in a record of a version that did not
		// keep them.
		Flags    *handshake.Flags `json:"flags,omitempty"`
		Diameter uint32           `json:"diameter_dmm,omitempty"` // the controller's own value, 0.1 mm
		Width    uint32           `json:"width_dmm,omitempty"`    // likewise
		// NotFinite names the numbers that were not finite. JSON has no such
		// numbers, so 0 stands in their place.
		NotFinite []string   `json:"not_finite,omitempty"`
		Hung      []HungRoll `json:"hung,omitempty"` // wrapper rolls whose accounts begin here
	}
	// Intent stands before the PAYLOAD of an offer.
	Intent struct {
		Token      handshake.Token      `json:"token"`
		Roll       uint32               `json:"roll_no"`
		Tag        string               `json:"tag"`
		Offer      OfferName            `json:"offer"`
		Form       handshake.Kind       `json:"kind"`
		HoldReason handshake.HoldReason `json:"hold_reason,omitempty"`
		Origin     handshake.Origin     `json:"origin"`
		By         string               `json:"by,omitempty"`
		User       string               `json:"user,omitempty"`
		Reason     string               `json:"reason,omitempty"`
		ConfigHash uint32               `json:"config_hash"`
		Payload    []uint16             `json:"payload"`
		Findings   []recipe.Finding     `json:"findings"`
		Risk       recipe.Risk          `json:"risk,omitzero"`   // chance of each kind of bad wrap
		Heads      []HeadsOf            `json:"heads,omitempty"` // that the roll takes, where they are counted
	}
	// Commit stands before the COMMIT of an offer.
	Commit struct {
		Roll  uint32    `json:"roll_no"`
		Offer OfferName `json:"offer"`
	}
	// Verdict is the controller's verdict.
	Verdict struct {
		Roll    uint32            `json:"roll_no"`
		Offer   OfferName         `json:"offer"`
		Verdict handshake.Verdict `json:"verdict"`
		Reason  uint16            `json:"reason"`
		Settled bool              `json:"settled,omitempty"` // learnt after a break, not while waiting
	}
	// Void says that no recipe of an offer was or will be used, and why
	// that is certain.
	Void struct {
		Roll     uint32    `json:"roll_no"`
		Offer    OfferName `json:"offer"`
		Evidence string    `json:"evidence"`
	}
	// Outcome stands before the ACK of an outcome.
	Outcome struct {
		Outcome  handshake.Outcome `json:"outcome"`
		Words    []uint16          `json:"words"`
		Weighing *Weighing         `json:"weighing,omitempty"` // nil when nothing was judged
		// Contradicts is how the offer ended in this journal that the controller
		// now says it used: void, rejected or held. Empty where nothing is wrong.
		Contradicts string `json:"contradicts,omitempty"`
	}
	// Gap names outcomes or rolls of which nothing can be known. Without
	// an upper end, the end is not known either.
	Gap struct {
		FromIndex uint32     `json:"from_index,omitempty"`
		ToIndex   uint32     `json:"to_index,omitempty"`
		FromRoll  uint32     `json:"from_roll,omitempty"`
		ToRoll    uint32     `json:"to_roll,omitempty"`
		Closed    *OfferName `json:"closed,omitempty"` // an offer closed as unknown
		Boot      uint32     `json:"boot,omitempty"`   // under which the controller's memory was found lost
		Cause     string     `json:"cause"`
	}
	// Hold stands before an operator's hold, or its end, takes effect.
	Hold struct {
		On     bool   `json:"on"`
		By     string `json:"by"`
		User   string `json:"user,omitempty"`
		Reason string `json:"reason"`
	}
	// Override stands before an override takes effect.
	Override struct {
		Roll uint32 `json:"roll_no"`
		// Token is the request that it was given for, zero in a record of a
		// version that bound it to the roll number alone.
		Token    handshake.Token    `json:"token,omitzero"`
		Operator uint32             `json:"operator,omitempty"` // number of the person in the payload
		By       string             `json:"by"`
		User     string             `json:"user,omitempty"`
		Reason   uint16             `json:"reason"`
		Text     string             `json:"text"`
		Old      map[string]float64 `json:"old"`
		New      map[string]float64 `json:"new"`
		Refused  []recipe.Finding   `json:"refused,omitempty"`
	}
	// Confirm stands before a named person's word takes effect: what a finding
	// of the request asks for is done. It counts for that request alone.
	Confirm struct {
		Roll    uint32          `json:"roll_no"`
		Token   handshake.Token `json:"token"`
		Finding recipe.Code     `json:"finding"`
		By      string          `json:"by"`
		User    string          `json:"user,omitempty"`
		Text    string          `json:"text"` // what the person was shown
	}
	// Hang stands before a named person's word on what hangs in a slot. It has an
	// effect by the Hung records that name it.
	Hang struct {
		No    uint32    `json:"no"` // of the act, counting up on the line
		Slot  int       `json:"slot"`
		State HangState `json:"state"`
		Width float64   `json:"width_m,omitempty"`
		Paper string    `json:"paper,omitempty"`
		// Outer is the outer diameter of what was hung, 0 not told. Length is set
		// where the person told that, of which Outer follows.
		Outer  float64 `json:"outer_m,omitempty"`
		Length float64 `json:"length_m,omitempty"`
		// Over is what the configuration said of the slot. The act counts as long as
		// it still says so.
		Over     HungRoll `json:"over"`
		Corrects uint32   `json:"corrects,omitempty"` // act that was told wrong
		By       string   `json:"by"`
		User     string   `json:"user,omitempty"`
	}
	// Hung is a step of an act of hanging: the slot was opened, the act is in force,
	// or it has no effect any more.
	Hung struct {
		No       uint32   `json:"no"`
		Slot     int      `json:"slot"`
		Step     HangStep `json:"step"`
		Evidence string   `json:"evidence"`
	}
	// Station stands before a station is worked by hand by a named person's word, or
	// as it is configured again. It takes effect with the next request.
	Station struct {
		Station string    `json:"station"` // its key in the configuration
		Mode    string    `json:"mode"`    // manual, as configured
		Until   time.Time `json:"until,omitzero"`
		By      string    `json:"by"`
		User    string    `json:"user,omitempty"`
		Reason  string    `json:"reason,omitempty"`
	}
	// Heads stands before a named person's count of the heads of one size.
	Heads struct {
		Material string  `json:"material"`
		Diameter float64 `json:"diameter_m"`
		Count    uint32  `json:"count"`
		By       string  `json:"by"`
		User     string  `json:"user,omitempty"`
	}
	// Mode says that writing was allowed or forbidden. In this record and all others
	// By is the name that a person gave, which may be the number of a badge, and User
	// the operating system's user that it was done as; that one is empty in a record
	// of a version that did not keep it, and for what nobody commanded.
	Mode struct {
		Armed      bool      `json:"armed"`
		By         string    `json:"by"`
		User       string    `json:"user,omitempty"`
		Reason     string    `json:"reason"`
		Cause      ModeCause `json:"cause,omitempty"`
		Controller string    `json:"controller,omitempty"` // identity of the controller, as configured
		Lasts      *Lasting  `json:"lasts,omitempty"`      // nil where it ends with the stay of the daemon
		// Pair says that both machines of a pair were armed, so that the one that stands by
		// may take over armed.
		Pair bool `json:"pair,omitempty"`
	}
	// Config says which configuration is in force from here on: it stands at each
	// start of the line, and for each change that was accepted. A roll under way is
	// finished with the one before, which its INTENT names.
	Config struct {
		Hash    uint32 `json:"hash"`
		Start   bool   `json:"start,omitempty"`
		By      string `json:"by,omitempty"`
		User    string `json:"user,omitempty"`
		File    string `json:"file,omitempty"`
		Program string `json:"program,omitempty"` // version of lapgate
		// Text is what the file says of the line, with stars in place of what tells of a
		// secret; left out where it is that of the record before.
		Text string `json:"text,omitempty"`
		// Values are all in force for the line, in the first record of a journal. From
		// there on the changes tell them.
		Values  []ConfigValue  `json:"values,omitempty"`
		Changes []ConfigChange `json:"changes,omitempty"` // since the record before
	}
	// Origin stands first in each file of a journal and says whose it is.
	Origin struct {
		Line         string `json:"line"`
		Installation string `json:"installation"` // random, made at the first start of an installation
		// Before names the archive that the journal goes on from, empty for none.
		Before string `json:"before,omitempty"`
		// Journal is the hash of the first record of the journal, in hexadecimal: what it is
		// called wherever it is kept besides. It is empty in that record itself, and in a
		// record of a version that did not keep it.
		Journal string `json:"journal,omitempty"`
	}
	// Doubt tells what speaks against the journal being that of the line, whole. It
	// stands until a named person accepts it.
	Doubt struct {
		Doubts []string `json:"doubts"`
	}
	// Accept is a named person's word that the line is to go on with the journal in
	// spite of what was doubted.
	Accept struct {
		By     string   `json:"by"`
		User   string   `json:"user,omitempty"`
		Reason string   `json:"reason"`
		Doubts []string `json:"doubts"`
	}
	// Correction says that an earlier record of a person's act is wrong, and how. No
	// record is ever changed.
	Correction struct {
		Seq    uint64 `json:"record"` // that is wrong
		By     string `json:"by"`
		User   string `json:"user,omitempty"`
		Reason string `json:"reason"`
	}
	// Takeover stands before a named person's word that this machine of a pair is to act on
	// the line takes effect, given while the engine was away.
	Takeover struct {
		By     string `json:"by"`
		User   string `json:"user,omitempty"`
		Reason string `json:"reason"`
		// Alive says that the controller showed a live gateway, and that the person wanted it
		// all the same.
		Alive bool `json:"alive,omitempty"`
	}
	// Published says that all that is sent onward of the records up to one was taken by
	// whoever they are sent to. Not every message has one: what was sent since the newest
	// is sent again after a restart.
	Published struct {
		To string `json:"to"` // kind of receiver
		// Journal is the identity that the messages carry beside the number of their
		// record. A number is used once under it.
		Journal string `json:"journal"`
		UpTo    uint64 `json:"up_to"`
	}
	// Register stands before a journal goes to the engine under another name, by a named
	// person's word, because what the engine has under the one before contradicts it.
	Register struct {
		Journal string `json:"journal"` // name before: the hash of its first record, in hexadecimal
		After   uint64 `json:"after"`   // newest record that both have
		By      string `json:"by"`
		User    string `json:"user,omitempty"`
		Reason  string `json:"reason"`
	}
	// Shadow is the recipe that would have been offered, while writing
	// is forbidden.
	Shadow struct {
		Token    handshake.Token  `json:"token"`
		Roll     uint32           `json:"roll_no"`
		Tag      string           `json:"tag"`
		Verdict  string           `json:"verdict"` // go, hold
		Payload  []uint16         `json:"payload"`
		Findings []recipe.Finding `json:"findings"`
		Risk     recipe.Risk      `json:"risk,omitzero"`
	}
	// Frame stands before the words of a block are written to a controller that
	// is being proved, whole or not. No journal of a line that is served has it.
	Frame struct {
		Case  string   `json:"case"`
		Block string   `json:"block"`
		Words []uint16 `json:"words"`
	}
)

// HeldByOther is the cause of a gap over outcomes that the other machine of a pair
// acknowledged, and over their rolls: its journal has them. It is stored.
const HeldByOther = "held by the other machine"

// JournalHead is the newest record that is known of a journal.
type JournalHead struct {
	Machine string `json:"machine"`
	Journal string `json:"journal"` // hash of its first record, in hexadecimal
	Seq     uint64 `json:"seq"`
	Hash    string `json:"hash"` // of the record, in hexadecimal
}

// Lasting says that writing is allowed over a restart of the daemon too, and for how
// long. The zero value is until somebody forbids it.
type Lasting struct {
	Until time.Time `json:"until,omitzero"`
	Rolls int       `json:"rolls,omitempty"` // that get a recipe; 0 for any number
}

// ModeCause is what allowed or forbade writing. Empty stands for a command.
type ModeCause string

// Causes other than a command.
const (
	CauseRestart ModeCause = "restart" // of the daemon
	CauseSwap    ModeCause = "swap"    // the controller is another
	CauseJournal ModeCause = "journal" // the journal before was set aside

	CauseResumed  ModeCause = "resumed"  // it lasts, and all was found as it was left
	CauseOver     ModeCause = "over"     // the time or the rolls that it was allowed for
	CauseReopened ModeCause = "reopened" // the line had ended and is served again
	CauseFenced   ModeCause = "fenced"   // another gateway serves the line
)

// ConfigValue is one value of a configuration, in the units that it prefers.
type ConfigValue struct {
	Key   string `json:"key"`
	Value string `json:"value"`
}

// ConfigChange is one key that changed.
type ConfigChange struct {
	Key string `json:"key"`
	Old string `json:"old"`
	New string `json:"new"`
	// Where the new value stands, as file:line; empty for a key that is gone, and in a
	// record of a version that did not keep it.
	Where string `json:"where,omitempty"`
}

// Stored is a record as the journal holds it.
type Stored struct {
	Seq    uint64
	At     time.Time // wall clock, for people
	Record Record
	// Journal is which one has it where several are read as one, from 0; 0 for one alone.
	Journal int
}

// String names the offer for people.
func (n OfferName) String() string {
	return fmt.Sprintf("%d/%08X/%d", n.Session.Epoch, n.Session.Nonce, n.Offer)
}

// HungRoll is a wrapper roll whose account begins with a request: its slot,
// and what the configuration said hangs there. Its outer diameter stands in
// the same record.
type HungRoll struct {
	Slot  int     `json:"slot"`
	Width float64 `json:"width_m"`
	Paper string  `json:"paper"`
}

// Weighing is the judgement on the scale reading of a wrapped roll. Verdict
// is one of good, doubtful, wrong and unreadable, the last for a reading that
// the recipe did not predict.
type Weighing struct {
	Verdict string  `json:"verdict"`
	Reading float64 `json:"reading_kg"`
	Gross   float64 `json:"gross_kg"` // expected; 0 when not predicted
	Delta   float64 `json:"delta_kg"` // reading less expected
	Text    string  `json:"text"`     // with the likely causes of a mismatch, in English
	// Said is the text free of any language, nil in what older versions recorded.
	Said *wording.Said `json:"said,omitempty"`
}

// Told is what the scale says of the roll.
func (w *Weighing) Told() wording.Said {
	if w.Said == nil {
		return wording.Plain(w.Text)
	}
	return *w.Said
}
