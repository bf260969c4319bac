package engine

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net"
	"os"

	"github.com/jackc/pgx/v5/pgconn"
)

var (
	// ErrHole says that records are missing between those that arrived and those that
	// were sent.
	ErrHole = errors.New("records are missing in between")
	// ErrFork says that the chain that was sent is another one than the chain that
	// arrived: the journal was restored from a backup, or two write it.
	ErrFork = errors.New("the engine has another chain under the name of this journal")
	// ErrHash says that a record does not give its hash.
	ErrHash = errors.New("a record does not give its hash")
	// ErrUnknownJournal says that the journal is not registered.
	ErrUnknownJournal = errors.New("the journal is not registered")
	// ErrTaken says that the journal is registered for another line or machine.
	ErrTaken = errors.New("the journal is registered elsewhere")
	// ErrNotReplicated says that a change stands on the server alone that answered,
	// though it waits for a standby otherwise.
	ErrNotReplicated = errors.New("the change is not on the standby server")
	// ErrReadOnly says that the server takes no changes: it is a standby, or set so.
	ErrReadOnly = errors.New("the server takes no changes: it is a standby, or was set read-only")
	// ErrDamaged says that a record there is not what its hash, or its own text, says.
	ErrDamaged = errors.New("the engine has a record that does not hold")
	// ErrDenied says that the user may not do it.
	ErrDenied = errors.New("the user has no right to do this")
)

// sqlStates are the errors that the server raises, by their state.
func sqlState(code string) error {
	switch code {
	case "LG001":
		return ErrHole
	case "LG002":
		return ErrFork
	case "LG003":
		return ErrHash
	case "LG004":
		return ErrUnknownJournal
	case "LG005":
		return ErrTaken
	case "25006":
		return ErrReadOnly
	case "42501":
		return ErrDenied
	}
	return nil
}

// unreached says why nothing answers at an address, nil for another error.
func unreached(err error) error {
	const remedy = "see that PostgreSQL runs and listens there, and that engine.address names it"
	var name *net.DNSError
	var dial *net.OpError
	switch {
	case errors.As(err, &name):
		return fmt.Errorf("the name %s is not known here; %s", name.Name, remedy)
	case errors.As(err, &dial) && dial.Op == "dial":
		why := dial.Err
		if call := (*os.SyscallError)(nil); errors.As(why, &call) {
			why = call.Err
		}
		return fmt.Errorf("no server answers there: %w; %s", why, remedy)
	}
	return nil
}

// inWords gives an error of the server its meaning. What it says itself stands behind.
func inWords(err error) error {
	var server *pgconn.PgError
	if errors.As(err, &server) {
		if known := sqlState(server.Code); known != nil {
			return fmt.Errorf("%w: %s", known, server.Message)
		}
		return fmt.Errorf("the server answers: %s (%s)", server.Message, server.Code)
	}
	if errors.Is(err, context.DeadlineExceeded) {
		return fmt.Errorf("no answer in time: %w", context.DeadlineExceeded)
	}
	return cmp.Or(unreached(err), err)
}
