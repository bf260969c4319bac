// Package stationtest holds the history of one station against a sequential
// specification of it. A history is what two sides wrote down: the controller in
// a ledger, each event at its instant, and the gateway in its journal.
//
// An offer is an operation of the gateway on the station. It begins with its COMMIT
// record and ends with the record that closes it; between the two it takes effect
// once, at one instant, or never. One that no record closes has no end, and may
// take effect at any time or never. The ledger and the other records are
// observations at an instant. The history is right when the offers can be placed so
// that a station which does one thing after the other shows all of that: each offer
// judged at most once, for the roll and the measurement that it was made for; one
// recipe for a roll; the journal saying of each what the station did; each roll
// leaving once, and its outcome in the journal once and before it is acknowledged.
//
// Each roll is a history of its own, as is the order of sessions, rolls and
// outcomes between two losses of the controller's memory. The search is that of
// porcupine.
package stationtest

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"lapgate/gateway/handshake"
)

// What is the kind of an event of the controller.
type What string

// The kinds of event.
const (
	Booted       What = "boot"         // the program started, with its memory
	MemoryLost   What = "memory-lost"  // the program started without its memory
	Adopted      What = "adopted"      // a session
	Entered      What = "entered"      // a roll came to the station
	Requested    What = "requested"    // a request was raised for the roll
	Judged       What = "judged"       // an offer got its verdict
	Left         What = "left"         // the roll left with an outcome
	Acknowledged What = "acknowledged" // outcomes up to an index
)

// Event is one line of a controller's ledger. Only the fields that its kind has are
// set.
type Event struct {
	At      int64                 `json:"at"` // by the clock of the journal, or by a number that both sides share
	What    What                  `json:"what"`
	Boot    uint32                `json:"boot"`
	Roll    uint32                `json:"roll_no,omitempty"`
	Req     uint32                `json:"req_id,omitempty"`
	Epoch   uint32                `json:"epoch,omitempty"`
	Nonce   uint32                `json:"nonce,omitempty"`
	Offer   uint16                `json:"offer,omitempty"`
	Verdict handshake.Verdict     `json:"verdict,omitempty"`
	Outcome handshake.OutcomeKind `json:"outcome,omitempty"`
	Index   uint32                `json:"out_idx,omitempty"`
	// Stranger says of a session that it is of a gateway whose journal is not here.
	Stranger bool `json:"stranger,omitempty"`
}

func (e *Event) session() handshake.Session {
	return handshake.Session{Epoch: e.Epoch, Nonce: e.Nonce}
}

// ReadLedger reads events, one JSON object after the other.
func ReadLedger(r io.Reader) ([]Event, error) {
	var all []Event
	for d := json.NewDecoder(r); ; {
		var e Event
		switch err := d.Decode(&e); {
		case errors.Is(err, io.EOF):
			return all, nil
		case err != nil:
			return nil, fmt.Errorf("event %d of the ledger: %w", len(all)+1, err)
		}
		all = append(all, e)
	}
}
