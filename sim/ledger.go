package sim

import (
	"time"

	"lapgate/sim/controller"
)

// LedgerEvent is one event of the controller's program as a ledger has it, to be
// held against a gateway's journal. Only what the kind of event has is set.
type LedgerEvent struct {
	At      int64  `json:"at"` // microseconds since 1970
	What    string `json:"what"`
	Boot    uint32 `json:"boot"`
	Roll    uint32 `json:"roll_no,omitempty"`
	Req     uint32 `json:"req_id,omitempty"`
	Epoch   uint32 `json:"epoch,omitempty"`
	Nonce   uint32 `json:"nonce,omitempty"`
	Offer   uint16 `json:"offer,omitempty"`
	Verdict uint16 `json:"verdict,omitempty"`
	Outcome uint16 `json:"outcome,omitempty"`
	Index   uint32 `json:"out_idx,omitempty"`
}

// ledgerEvent makes the entry of an event; ok is false for one that no ledger has.
func ledgerEvent(at time.Time, e *controller.Event) (l LedgerEvent, ok bool) {
	var what string
	switch e.Kind {
	case controller.EventBoot:
		what = "boot"
	case controller.EventMemoryLost:
		what = "memory-lost"
	case controller.EventAdopted:
		what = "adopted"
	case controller.EventEntered:
		what = "entered"
	case controller.EventRequested:
		what = "requested"
	case controller.EventVerdict:
		what = "judged"
	case controller.EventOutcome:
		what = "left"
	case controller.EventAcked:
		what = "acknowledged"
	default:
		return LedgerEvent{}, false
	}
	return LedgerEvent{
		At: at.UnixMicro(), What: what, Boot: e.Boot, Roll: e.Roll, Req: e.Req, Epoch: e.Session.Epoch, Nonce: e.Session.Nonce,
		Offer: e.Offer, Verdict: uint16(e.Verdict), Outcome: uint16(e.Outcome), Index: e.Index,
	}, true
}
