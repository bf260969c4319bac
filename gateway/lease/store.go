package lease

import (
	"context"
	"time"

	"lapgate/gateway/engine"
)

// Store is one connection to the engine, for one goroutine. After any error it is closed
// and another is opened: the fate of what was asked is unknown then.
type Store interface {
	// Leases reads the rows of lines, in the order asked for. One that does not stand yet
	// has number 0.
	Leases(ctx context.Context, lines []string) ([]engine.Lease, error)
	// Renew counts the beats of leases on that are still of the instance, and names their
	// lines.
	Renew(ctx context.Context, instance string, held []engine.Lease) (renewed []string, err error)
	// Take takes a lease, if its row is still as it was seen.
	Take(ctx context.Context, seen engine.Lease, instance string, ttl time.Duration) (number uint32, taken bool, err error)
	// Claim takes a lease of which the engine forgot that it was held under a number, under
	// a greater one, if its row has a number below that.
	Claim(ctx context.Context, line, instance string, held uint32, ttl time.Duration) (number uint32, taken bool, err error)
	// Release lets leases go that are still of the instance.
	Release(ctx context.Context, instance string, held []engine.Lease) error

	// Meet says that a machine is there, and reads what all machines say of themselves.
	Meet(ctx context.Context, self engine.Member) ([]engine.Member, error)
	// Post leaves an act for the other machine, unless it is there under its key, and
	// returns its number; 0 where that cannot be told yet.
	Post(ctx context.Context, a engine.Act) (number uint64, err error)
	// Waiting reads the acts on lines that other machines posted and nobody answered,
	// oldest first.
	Waiting(ctx context.Context, machine string, lines []string) ([]engine.Act, error)
	// Answer answers an act that nobody answered yet; it reports false where another
	// machine did.
	Answer(ctx context.Context, number uint64, machine, answer string) (bool, error)
	// Answers reads what was answered to acts, by their keys, without a machine where nobody
	// did. Acts that the engine does not have are left out.
	Answers(ctx context.Context, keys []string) ([]engine.Answer, error)

	// Journals reads what the engine has of the journals of a line, of all for an empty one.
	Journals(ctx context.Context, line string) ([]engine.Journal, error)

	Close()
}

// Kinds of an act: what a person did on one machine that the other must do too.
const (
	ActArm     = "arm"
	ActArmed   = "armed" // the one that asked for it has armed itself too
	ActDisarm  = "disarm"
	ActHold    = "hold"
	ActHoldOff = "hold-off"
)
