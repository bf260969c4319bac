package cycle

import (
	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
	"lapgate/recipe/wording"
)

// Action is something that the shell has to do. The actions of one step are
// executed in order; when one fails, the rest is dropped and the failure comes
// back as an event. A fetch or a draw that was executed is answered by one
// event: its own, Refused or LinkDown. Within one step no record follows a
// write or a fetch, so that a failed write never takes a record with it.
type Action interface{ action() }

type (
	// Append makes a record durable before anything that follows it.
	Append struct{ Record record.Record }
	// Send writes one gateway-owned block.
	Send struct {
		Block handshake.ID
		Words []uint16
	}
	// FetchView reads the request block.
	FetchView struct{}
	// FetchPayload reads the payload block back.
	FetchPayload struct{}
	// FetchOutcomes reads N entries of the outcome ring, the first being index
	// From.
	FetchOutcomes struct {
		From uint32
		N    int
	}
	// DrawNonce asks for a random number.
	DrawNonce struct{}
	// Drop closes the connection and opens another.
	Drop struct{ Reason string }
	// Notify tells people something: one code for log and metrics, plain
	// data beside it.
	Notify struct {
		Code   string
		Level  Level
		Said   wording.Said
		Text   string // the same in English
		Fields []Field
	}
	// OverrideAnswer answers OverrideRoll in the same step.
	OverrideAnswer struct {
		Token    handshake.Token // that the override is bound to
		Roll     uint32
		Tag      string
		Problems []wording.Said   // why it cannot be offered; empty where it can
		Changes  []SetpointChange // what differs from the computed recipe, in the order of the payload
		Held     bool             // the operator must press retry for it to be offered
	}
	// ConfirmAnswer answers ConfirmFinding in the same step.
	ConfirmAnswer struct {
		Token    handshake.Token // that the confirmation is bound to
		Roll     uint32
		Tag      string
		Problems []wording.Said // why it cannot be taken; empty where it can
		Text     wording.Said   // of the finding
		Held     bool           // the operator must press retry for it to take effect
	}
	// HangAnswer answers HangWrapper in the same step.
	HangAnswer struct {
		No       uint32         // of the act
		Problems []wording.Said // why it cannot be taken; empty where it can
		Next     wording.Said   // what comes next
	}
	// HeadsAnswer answers CountHeads in the same step.
	HeadsAnswer struct {
		Problems []wording.Said
		Next     wording.Said
	}
	// StationAnswer answers SetStation in the same step.
	StationAnswer struct {
		Problems []wording.Said
		Next     wording.Said
	}
	// Halt ends the machine: the line must not be served by this process. Fenced
	// says that another gateway serves it.
	Halt struct {
		Reason string
		Fenced bool
	}
)

// SetpointChange is one setpoint of a request with and without an override.
type SetpointChange struct {
	Name     string // in JSON
	Old, New float64
}

// Level of a notice.
type Level uint8

// Levels.
const (
	Info Level = iota
	Warning
	Alarm
)

// Field is one datum of a notice. What is for people is a wording.Said.
type Field struct {
	Key   string
	Value any
}

func (Append) action()         {}
func (Send) action()           {}
func (FetchView) action()      {}
func (FetchPayload) action()   {}
func (FetchOutcomes) action()  {}
func (DrawNonce) action()      {}
func (Drop) action()           {}
func (Notify) action()         {}
func (OverrideAnswer) action() {}
func (ConfirmAnswer) action()  {}
func (HangAnswer) action()     {}
func (HeadsAnswer) action()    {}
func (StationAnswer) action()  {}
func (Halt) action()           {}
