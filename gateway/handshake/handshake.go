// Package handshake is the handshake on the wire as plain data: the blocks that
// gateway and controller share, their layout, codec and checksum. It knows
// numbers in the units of the wire, and nothing of what they mean for a roll.
package handshake

// ID names a block.
type ID uint8

// The blocks. The gateway writes those from HEARTBEAT to ACK and nothing else. A
// controller need not have LIMITS.
const (
	REQ ID = iota
	OUT
	HEARTBEAT
	HELLO
	PAYLOAD
	COMMIT
	ACK
	LIMITS
)

// Session is the name of one session of the gateway. Epoch alone decides
// order; both decide identity.
type Session struct {
	Epoch uint32 `json:"epoch"`
	Nonce uint32 `json:"nonce"`
}

// Token names one measurement of one roll; no other request ever had it.
type Token struct {
	Boot uint32 `json:"boot"`
	Req  uint32 `json:"req"`
}

// Phase of the station, as the controller publishes it.
type Phase uint16

// Phases.
const (
	Empty Phase = iota
	Await
	Run
	Held
	ByHand
	Fault
)

// Flags of the request block.
type Flags uint16

// Flags.
const (
	AllPermissives Flags = 1 << iota
	MemoryLost
	ManualSelected
	RingFull
	GatewayAlive
	DimensionsValid
	OperatorMustAck
	LimitsPublished
)

// Verdict of the controller on an offer.
type Verdict uint16

// Verdicts.
const (
	NoVerdict Verdict = iota
	Accepted
	Rejected
	HeldVerdict
)

// Kind of an offer.
type Kind uint16

// Kinds.
const (
	KindRecipe Kind = 1
	KindHold   Kind = 2
)

// Origin of an offer.
type Origin uint16

// Origins.
const (
	Computed Origin = 1
	Override Origin = 2
)

// OutcomeKind is how a roll left the station.
type OutcomeKind uint16

// Outcomes; exactly one per roll number.
const (
	Wrapped       OutcomeKind = 1
	WrappedByHand OutcomeKind = 2
	Removed       OutcomeKind = 3
	Aborted       OutcomeKind = 4
	Lost          OutcomeKind = 5 // unknown after memory loss
)

// HoldReason is the reason number of an offer of kind hold.
type HoldReason uint16

// Reasons for hold.
const (
	NoHold               HoldReason = 0
	HoldNoRecipe         HoldReason = 1
	HoldDimensionLimits  HoldReason = 2
	HoldImplausible      HoldReason = 3
	HoldMeasurement      HoldReason = 4
	HoldInterlock        HoldReason = 5
	HoldPermissive       HoldReason = 6
	HoldSupply           HoldReason = 7
	HoldOperator         HoldReason = 8
	HoldJournalFault     HoldReason = 9
	HoldConfigFault      HoldReason = 10
	HoldOrderDataMissing HoldReason = 11
	HoldTag              HoldReason = 12
)

// Request is the block of everything that the gateway decides on. Lengths are
// 0.1 mm, masses 0.1 kg, ticks and ages 10 ms, temperatures 0.1 °C.
type Request struct {
	GenHead, GenTail    uint16
	Boot                uint32
	Tick                uint32
	Active              Session
	Floor               uint32
	LastOffer           uint16
	Phase               Phase
	Flags               Flags
	Permissives         uint32
	RollNo              uint32
	Req                 uint32
	Tag                 Tag
	Diameter, Width     uint32
	Weight              uint32
	Grade, Core         uint16
	Quality             uint16
	ScanAge             uint16
	ResultReq           uint32
	ResultSession       Session
	ResultOffer         uint16
	ResultVerdict       Verdict
	ResultReason        uint16
	ResultCRC           uint32
	Produced, Acked     uint32 // outcomes
	StaleCommits        uint32
	Overwritten         uint32
	UnitMode, UnitState uint16
	DiameterN, WidthN   uint16
	Diameters           [12]uint16
	Widths              [8]uint16
	SlotsReady          uint16
	SlotOuter           [6]uint16 // mm
	SlotConfirmed       uint16
	Platen              uint16 // of the cooler platen, 0 not measured
	PlatenHot           uint16 // of the hotter platen, 0 not measured
}

// Token of the request.
func (r *Request) Token() Token { return Token{r.Boot, r.Req} }

// Outcome is one entry of the outcome ring.
type Outcome struct {
	Index        uint32
	RollNo       uint32
	Boot, Req    uint32
	Session      Session
	Offer        uint16
	Outcome      OutcomeKind
	Reason       uint16
	PayloadCRC   uint32
	Slot         uint16
	FeedLength   uint32 // 0.1 mm
	Layers       uint16 // × 100
	CrimpTime    uint16 // 10 ms
	Temperature  uint16 // 0.1 °C
	Dwell        uint16 // 10 ms
	OuterHead    uint16 // mm
	Overlap      uint16 // 0.1 mm
	Scale        uint32 // 0.1 kg, 0 not weighed
	EncoderUsed  uint32 // 0.1 mm
	Start, Ended uint32 // ticks
	// Overhang and Pressure are of a later layout than the rest; 0 is not
	// measured, or not told by the record.
	Overhang uint16 // 0.1 mm
	Pressure uint16 // of the press, kPa
}

// Heartbeat tells the controller that the gateway lives.
type Heartbeat struct {
	Count   uint16
	Session Session
	State   uint16
	Flags   uint16
}

// Flags of the heartbeat.
const (
	FlagHoldAll uint16 = 1 << iota
	FlagJournalFault
	FlagConfigFault
	FlagStandby
)

// Hello opens a session.
type Hello struct {
	Session Session
	Boot    uint32
}

// Commit asks the controller to judge the payload.
type Commit struct {
	Offer      uint16
	Session    Session
	Req        uint32
	PayloadCRC uint32
	Tick       uint32 // of the request block read in the last look
}

// Ack lets the controller forget outcomes.
type Ack struct {
	Session Session
	UpTo    uint32
}

// Payload is one offer, a recipe or a hold.
type Payload struct {
	Session              Session
	Boot, Req, RollNo    uint32
	Offer                uint16
	Kind                 Kind
	HoldReason           HoldReason
	Origin               Origin
	OverrideReason       uint16
	Operator             uint32
	ConfigHash           uint32
	Tag                  Tag
	Diameter, Width      uint32 // 0.1 mm, echoed
	Slot                 uint16
	WrapperWidth         uint16 // 0.1 mm
	FeedLength           uint32 // 0.1 mm
	FeedCounts           uint32
	Layers               uint16 // × 100
	Overlap              uint16 // 0.1 mm
	WrapSpeed            uint16 // mm/s
	TurningHz, FeedHz    uint16 // 0.01 Hz
	CrimpTurns           uint16 // × 100
	CrimpTime            uint16 // 10 ms
	CrimpTurningHz       uint16 // 0.01 Hz
	CrimperHz            uint16 // 0.01 Hz
	CrimperPressure      uint16 // kPa
	RollCentre           uint16 // 0.1 mm
	CrimperPosition      uint16 // 0.1 mm
	PlatenStroke         uint16 // 0.1 mm
	ContactPressure      uint16 // 0.1 kPa
	Temperature          uint16 // 0.1 °C
	Dwell                uint16 // 10 ms
	InnerHead, OuterHead uint16 // mm, 0 none
	Zones                uint16
	Glue                 uint16 // g
	CloseMin, CloseMax   uint16 // 0.1 °C, of the cooler and the hotter platen at closing
	Gross, Tare          uint32 // 0.1 kg
	ScaleTolerance       uint16 // 0.01 %
	Centring             int16  // 0.1 mm
	Groups               uint16
}
