package engine

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"

	"lapgate/gateway/journal"
)

// Identity tells one engine from another, and its past from its present.
type Identity struct {
	// System is made when a cluster of databases is set up, and its copies have it too.
	System uint64 `json:"system"`
	// Timeline grows when a copy takes over.
	Timeline uint32 `json:"timeline"`
}

// Memory remembers the identity of the engine over restarts.
type Memory interface {
	// Load tells what is remembered, zero where nothing is.
	Load() (Identity, error)
	Store(Identity) error
}

// File is a memory in a file.
type File string

// Load reads the file. One that is not there remembers nothing.
func (f File) Load() (id Identity, err error) {
	text, err := os.ReadFile(string(f))
	if errors.Is(err, fs.ErrNotExist) {
		return id, nil
	}
	if err == nil {
		err = json.Unmarshal(text, &id)
	}
	if err != nil {
		return id, fmt.Errorf("%s, which tells the engine from another: %w", f, err)
	}
	return id, nil
}

// Store writes the file, whole or not at all.
func (f File) Store(id Identity) error {
	text, err := json.Marshal(id)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(string(f)), 0o750); err != nil {
		return err
	}
	return journal.Replace(string(f), append(text, '\n'))
}

// Forget lets whichever engine answers next be believed.
func (f File) Forget() error {
	err := os.Remove(string(f))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}

// IdentityError says that the server that answers is not the engine that is known, or
// is one that was left behind when its copy took over.
type IdentityError struct{ Known, Got Identity }

// Error says what differs, and what is to be done.
func (e *IdentityError) Error() string {
	if e.Known.System != e.Got.System {
		return fmt.Sprintf("this is another engine: it was set up as system %d, the one that is known as %d; "+
			"name the right address, or, where the engine was set up anew on purpose, let lapgate engine accept it", e.Got.System, e.Known.System)
	}
	return fmt.Sprintf("this server was left behind: it is on timeline %d, and timeline %d was seen, which began when its copy took over; "+
		"take it off the network and set it up as a standby of the other", e.Got.Timeline, e.Known.Timeline)
}

// believe holds an identity against what is known, and remembers a newer one.
func (e *Engine) believe(id Identity) error {
	if e.settings.Known == nil {
		return nil
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	known, err := e.settings.Known.Load()
	switch {
	case err != nil:
		return err
	case known == id:
		return nil
	case known != Identity{} && (known.System != id.System || known.Timeline > id.Timeline):
		return &IdentityError{known, id}
	}
	return e.settings.Known.Store(id)
}

// identify asks the server who it is. One that takes no changes is refused.
func (c *Conn) identify(ctx context.Context) (id Identity, err error) {
	var system int64
	var readOnly bool
	var segment string
	err = c.pg.QueryRow(ctx, `SELECT (pg_control_system()).system_identifier,
		pg_is_in_recovery() OR current_setting('transaction_read_only')::boolean,
		CASE WHEN pg_is_in_recovery() THEN '' ELSE pg_walfile_name(pg_current_wal_lsn()) END`).Scan(&system, &readOnly, &segment)
	if err != nil {
		return id, err
	}
	if readOnly {
		return id, ErrReadOnly
	}
	const digits = 8 // of the timeline, at the front of the name of a log segment
	if len(segment) < digits {
		return id, fmt.Errorf("the server names its log segment %q, want its timeline in front", segment)
	}
	timeline, err := strconv.ParseUint(segment[:digits], 16, 32)
	return Identity{uint64(system), uint32(timeline)}, err
}
