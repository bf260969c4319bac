package cycle

import (
	"time"

	"lapgate/gateway/block"
	"lapgate/recipe"
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
	KindMode     Kind = "MODE"
	KindConfig   Kind = "CONFIG"
	KindShadow   Kind = "SHADOW"
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
	Session block.Session `json:"session"`
	Offer   uint16        `json:"offer"`
}

type (
	// SessionRecord stands before the HELLO of a session.
	SessionRecord struct {
		Session block.Session `json:"session"`
		Boot    uint32        `json:"boot"`
		Floor   uint32        `json:"floor"` // of the controller, read before the epoch was taken
		Cause   string        `json:"cause"` // start, link, restart of the controller, ...
	}
	// RequestRecord is what a recipe is computed from, whole, so that it can
	// be computed again.
	RequestRecord struct {
		Token       block.Token  `json:"token"`
		Roll        uint32       `json:"roll_no"`
		Measured    recipe.Roll  `json:"measured"`
		Stand       recipe.Stand `json:"stand"`
		Diameters   []uint16     `json:"diameters_dmm"` // samples, 0.1 mm
		Widths      []uint16     `json:"widths_dmm"`
		Permissives uint32       `json:"permissives"`
		Hung        []HungRoll   `json:"hung,omitempty"` // wrapper rolls whose accounts begin here
	}
	// IntentRecord stands before the PAYLOAD of an offer.
	IntentRecord struct {
		Token      block.Token      `json:"token"`
		Roll       uint32           `json:"roll_no"`
		Tag        string           `json:"tag"`
		Offer      OfferName        `json:"offer"`
		Form       block.Kind       `json:"kind"`
		HoldReason block.HoldReason `json:"hold_reason,omitempty"`
		Origin     block.Origin     `json:"origin"`
		By         string           `json:"by,omitempty"`
		Reason     string           `json:"reason,omitempty"`
		ConfigHash uint32           `json:"config_hash"`
		Payload    []uint16         `json:"payload"`
		Findings   []recipe.Finding `json:"findings"`
	}
	// CommitRecord stands before the COMMIT of an offer.
	CommitRecord struct {
		Roll  uint32    `json:"roll_no"`
		Offer OfferName `json:"offer"`
	}
	// VerdictRecord is the controller's verdict.
	VerdictRecord struct {
		Roll    uint32        `json:"roll_no"`
		Offer   OfferName     `json:"offer"`
		Verdict block.Verdict `json:"verdict"`
		Reason  uint16        `json:"reason"`
		Settled bool          `json:"settled,omitempty"` // learnt after a break, not while waiting
	}
	// VoidRecord says that no recipe of an offer was or will be used, and why
	// that is certain.
	VoidRecord struct {
		Roll     uint32    `json:"roll_no"`
		Offer    OfferName `json:"offer"`
		Evidence string    `json:"evidence"`
	}
	// OutcomeRecord stands before the ACK of an outcome.
	OutcomeRecord struct {
		Outcome  block.Outcome `json:"outcome"`
		Words    []uint16      `json:"words"`
		Weighing *Weighing     `json:"weighing,omitempty"` // nil when nothing was judged
	}
	// GapRecord names outcomes or rolls of which nothing can be known. Without
	// an upper end, the end is not known either.
	GapRecord struct {
		FromIndex uint32     `json:"from_index,omitempty"`
		ToIndex   uint32     `json:"to_index,omitempty"`
		FromRoll  uint32     `json:"from_roll,omitempty"`
		ToRoll    uint32     `json:"to_roll,omitempty"`
		Closed    *OfferName `json:"closed,omitempty"` // an offer closed as unknown
		Boot      uint32     `json:"boot,omitempty"`   // under which the controller's memory was found lost
		Cause     string     `json:"cause"`
	}
	// HoldRecord stands before an operator's hold, or its end, takes effect.
	HoldRecord struct {
		On     bool   `json:"on"`
		By     string `json:"by"`
		Reason string `json:"reason"`
	}
	// OverrideRecord stands before an override takes effect.
	OverrideRecord struct {
		Roll    uint32             `json:"roll_no"`
		By      string             `json:"by"`
		Reason  uint16             `json:"reason"`
		Text    string             `json:"text"`
		Old     map[string]float64 `json:"old"`
		New     map[string]float64 `json:"new"`
		Refused []recipe.Finding   `json:"refused,omitempty"`
	}
	// ModeRecord says that writing was allowed or forbidden.
	ModeRecord struct {
		Armed      bool      `json:"armed"`
		By         string    `json:"by"`
		Reason     string    `json:"reason"`
		Cause      ModeCause `json:"cause,omitempty"`
		Controller string    `json:"controller,omitempty"` // identity of the controller, as configured
	}
	// ConfigRecord says which configuration is in force.
	ConfigRecord struct {
		Hash    uint32         `json:"hash"`
		By      string         `json:"by,omitempty"`
		Changes []ConfigChange `json:"changes,omitempty"`
	}
	// ShadowRecord is the recipe that would have been offered, while writing
	// is forbidden.
	ShadowRecord struct {
		Token    block.Token      `json:"token"`
		Roll     uint32           `json:"roll_no"`
		Tag      string           `json:"tag"`
		Verdict  string           `json:"verdict"` // go, hold
		Payload  []uint16         `json:"payload"`
		Findings []recipe.Finding `json:"findings"`
	}
)

// ModeCause is what allowed or forbade writing. Empty stands for a command.
type ModeCause string

// Causes other than a command.
const (
	CauseRestart ModeCause = "restart" // of the daemon
	CauseSwap    ModeCause = "swap"    // the controller is another
)

// ConfigChange is one key that changed.
type ConfigChange struct {
	Key string `json:"key"`
	Old string `json:"old"`
	New string `json:"new"`
}

// Stored is a record as the journal holds it.
type Stored struct {
	Seq    uint64
	At     time.Time // wall clock, for people
	Record Record
}

// Kind returns KindSession.
func (SessionRecord) Kind() Kind { return KindSession }

// RollNo returns the roll the record is about, 0 for none.
func (SessionRecord) RollNo() uint32 { return 0 }

// Kind returns KindRequest.
func (RequestRecord) Kind() Kind { return KindRequest }

// RollNo returns the roll the record is about, 0 for none.
func (r RequestRecord) RollNo() uint32 { return r.Roll }

// Kind returns KindIntent.
func (IntentRecord) Kind() Kind { return KindIntent }

// RollNo returns the roll the record is about, 0 for none.
func (r IntentRecord) RollNo() uint32 { return r.Roll }

// Kind returns KindCommit.
func (CommitRecord) Kind() Kind { return KindCommit }

// RollNo returns the roll the record is about, 0 for none.
func (r CommitRecord) RollNo() uint32 { return r.Roll }

// Kind returns KindVerdict.
func (VerdictRecord) Kind() Kind { return KindVerdict }

// RollNo returns the roll the record is about, 0 for none.
func (r VerdictRecord) RollNo() uint32 { return r.Roll }

// Kind returns KindVoid.
func (VoidRecord) Kind() Kind { return KindVoid }

// RollNo returns the roll the record is about, 0 for none.
func (r VoidRecord) RollNo() uint32 { return r.Roll }

// Kind returns KindOutcome.
func (OutcomeRecord) Kind() Kind { return KindOutcome }

// RollNo returns the roll the record is about, 0 for none.
func (r OutcomeRecord) RollNo() uint32 { return r.Outcome.RollNo }

// Kind returns KindGap.
func (GapRecord) Kind() Kind { return KindGap }

// RollNo returns the roll the record is about, 0 for none.
func (GapRecord) RollNo() uint32 { return 0 }

// Kind returns KindHold.
func (HoldRecord) Kind() Kind { return KindHold }

// RollNo returns the roll the record is about, 0 for none.
func (HoldRecord) RollNo() uint32 { return 0 }

// Kind returns KindOverride.
func (OverrideRecord) Kind() Kind { return KindOverride }

// RollNo returns the roll the record is about, 0 for none.
func (r OverrideRecord) RollNo() uint32 { return r.Roll }

// Kind returns KindMode.
func (ModeRecord) Kind() Kind { return KindMode }

// RollNo returns the roll the record is about, 0 for none.
func (ModeRecord) RollNo() uint32 { return 0 }

// Kind returns KindConfig.
func (ConfigRecord) Kind() Kind { return KindConfig }

// RollNo returns the roll the record is about, 0 for none.
func (ConfigRecord) RollNo() uint32 { return 0 }

// Kind returns KindShadow.
func (ShadowRecord) Kind() Kind { return KindShadow }

// RollNo returns the roll the record is about, 0 for none.
func (r ShadowRecord) RollNo() uint32 { return r.Roll }

// NewRecord returns a pointer to an empty record of a kind, to be read into,
// or nil for a kind that is not known.
func NewRecord(k Kind) any {
	switch k {
	case KindSession:
		return new(SessionRecord)
	case KindRequest:
		return new(RequestRecord)
	case KindIntent:
		return new(IntentRecord)
	case KindCommit:
		return new(CommitRecord)
	case KindVerdict:
		return new(VerdictRecord)
	case KindVoid:
		return new(VoidRecord)
	case KindOutcome:
		return new(OutcomeRecord)
	case KindGap:
		return new(GapRecord)
	case KindHold:
		return new(HoldRecord)
	case KindOverride:
		return new(OverrideRecord)
	case KindMode:
		return new(ModeRecord)
	case KindConfig:
		return new(ConfigRecord)
	case KindShadow:
		return new(ShadowRecord)
	}
	return nil
}
