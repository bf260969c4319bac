// Package link is the gateway's port to the controller: what every transport
// can do, how its failures are told apart, and how reads and writes are
// planned. The transports are its subpackages.
package link

import (
	"context"

	"lapgate/gateway/handshake"
)

// Port is one connection to one controller. It is used by one goroutine at a
// time. Every error it returns is a *Error, whose Class tells what may be
// concluded. After a Down or Unknown error the port is dead: close it and dial
// a new one.
type Port interface {
	// Read fills every span, in as few round trips as the transport allows
	// while each block is read whole and alone. All spans are filled, or an error
	// is returned; a short reply is an error. An entry of OUT for which the
	// controller has no value is filled with zeros, as one that was never written.
	Read(ctx context.Context, spans ...Span) error
	// Write writes one gateway-owned block whole, in one request where the
	// controller can take it so. Refused and Config errors mean that nothing
	// was written; Unknown that it, or a part of it, may have been or may yet
	// be.
	Write(ctx context.Context, b handshake.ID, words []uint16) error
	// Close frees the connection. It may be called more than once.
	Close() error
}

// Forger is a port that also writes a block that is not whole, or not well formed,
// so that a controller can be proved to refuse it. Nothing but the proof of a
// controller uses it.
type Forger interface {
	Port
	// Forge writes a gateway-owned block as Write does, whatever stands in it. Only
	// its length is checked. Errors are those of Write.
	Forge(ctx context.Context, b handshake.ID, words []uint16) error
}

// Dialer opens ports to one controller.
type Dialer interface {
	// Dial connects and checks that the controller offers the blocks.
	// Errors are Down or Config.
	Dial(ctx context.Context) (Port, error)
}

// Span is one block to read: the whole of REQ, PAYLOAD and the like, or the
// entry of OUT at ring position Entry. Dst has the length of the block or
// entry.
type Span struct {
	Block handshake.ID
	Entry int
	Dst   []uint16
}

// Class tells what may be concluded from a failed call.
type Class uint8

// The classes. Refused: the controller answered no, and nothing was written.
// NoAccess: it answered that this gateway may not read the block. NoData: it
// answered that it has no good value for the block. Unknown: no answer; a write
// may have landed or may land later. Down: nothing was sent, and the link is dead.
// ConfigClass: it can never work as configured.
const (
	Refused Class = iota + 1
	NoAccess
	NoData
	Unknown
	Down
	ConfigClass
)

// Answered tells whether the controller answered no and did nothing. The port is
// as good as before then.
func (c Class) Answered() bool { return c == Refused || c == NoAccess || c == NoData }

// Error is a failed call of a port.
type Error struct {
	Op    string // "read", "write", "dial"
	Block handshake.ID
	Class Class
	Err   error
	Help  string // what a person can do about it
}
