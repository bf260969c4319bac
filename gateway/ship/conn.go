package ship

import (
	"context"

	"lapgate/gateway/engine"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
)

// Conn is what shipping needs of a connection to the engine. It is for one goroutine,
// and after any error it is only closed: the answer that did not come says nothing. But
// engine.ErrDenied and engine.ErrDamaged of what is read are answers.
type Conn interface {
	// Journals lists the journals of a line that are registered, of all machines.
	Journals(ctx context.Context, line string) ([]engine.Journal, error)
	// Register begins a journal behind its Kept, and does nothing where it is there.
	Register(ctx context.Context, j engine.Journal) (journal.Head, error)
	// Append hands records on and returns the newest that the engine has of the journal.
	// Its errors are those of engine.Conn.
	Append(ctx context.Context, genesis journal.Hash, records []journal.Entry) (journal.Head, error)
	// HashAt is the hash of a record; ok is false where the engine does not keep it.
	HashAt(ctx context.Context, genesis journal.Hash, seq uint64) (h journal.Hash, ok bool, err error)
	// Newest is the newest record of a kind; ok is false where there is none.
	Newest(ctx context.Context, genesis journal.Hash, kind record.Kind) (e journal.Entry, ok bool, err error)
	Close()
}
