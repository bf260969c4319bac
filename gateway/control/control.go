// Package control is the channel of an operator's commands to the running
// daemon: a Unix socket for the daemon's user and the group lapgate, with one
// request and one reply on each connection, each a line of JSON. Each request comes
// with who sent it, as the operating system tells it.
package control

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"lapgate/gateway/alarm"
	"lapgate/gateway/handshake"
)

// Command is what a person asks of the daemon.
type Command string

// The commands.
const (
	Arm      Command = "arm"
	Disarm   Command = "disarm"
	Hold     Command = "hold"
	Override Command = "override"
	Confirm  Command = "confirm"
	Hang     Command = "hang"
	Station  Command = "station"
	Stock    Command = "stock"
	Reload   Command = "reload"
	Restart  Command = "restart"
	Status   Command = "status" // only asks
	// AcceptJournal goes on with a journal in spite of doubts.
	AcceptJournal Command = "accept-journal"
	Alarms        Command = "alarms"
	Correct       Command = "correct"
	// RegisterJournal has a journal go to the engine under another name.
	RegisterJournal Command = "register-journal"
	// Pair asks which machine of a pair acts, Takeover has this one act.
	Pair     Command = "pair"
	Takeover Command = "takeover"
)

// Request is one command with what it needs.
type Request struct {
	Command Command `json:"command"`
	Line    string  `json:"line,omitempty"` // empty for the only one, or for all
	By      string  `json:"by,omitempty"`
	Reason  string  `json:"reason,omitempty"`
	Off     bool    `json:"off,omitempty"` // ends what the command begins
	// Program says that a program reads the status or the alarms: in English, whatever the mill reads.
	Program bool `json:"program,omitempty"`

	// Of alarms: what is done to which. An empty act lists them.
	Alarm string    `json:"alarm,omitempty"`
	Act   alarm.Act `json:"act,omitempty"`
	End   time.Time `json:"end,omitzero"` // of a shelf; zero for the end of the shift
	// Caller is who sent the request. The daemon fills it in.
	Caller Caller `json:"-"`

	// Of an arming: that it lasts over a restart of the daemon, and for how long and how
	// many rolls it does, 0 for no bound.
	Keep  bool          `json:"keep,omitempty"`
	For   time.Duration `json:"for_ns,omitempty"`
	Rolls int           `json:"rolls,omitempty"`
	Pair  bool          `json:"pair,omitempty"` // on both machines

	// Of a takeover: that it is wanted although the controller shows a live gateway.
	Alive bool `json:"alive,omitempty"`

	// Of a reload: that the configuration before is meant and not the file.
	Previous bool `json:"previous,omitempty"`
	// Answer is that to the question that the person was asked.
	Answer string `json:"answer,omitempty"`

	Record uint64 `json:"record,omitempty"` // that is wrong, of a correction

	// Of an override or a confirmation: the number of the roll, 0 for the one
	// that waits, and the setpoints or the finding. Shown is the request whose
	// change or finding the person has seen and agreed to; nil asks only what it
	// is.
	Roll    uint32           `json:"roll,omitempty"`
	Values  []Value          `json:"values,omitempty"`
	Finding string           `json:"finding,omitempty"`
	Shown   *handshake.Token `json:"shown,omitempty"`

	// Of hanging, of heads and of a station. Agreed says that the person was shown the caution
	// and what comes of the act; without it that is only asked.
	Wrapper *Wrapper  `json:"wrapper,omitempty"`
	Heads   *Heads    `json:"heads,omitempty"`
	Station string    `json:"station,omitempty"` // its key in the configuration
	Mode    string    `json:"mode,omitempty"`    // manual, or the one that is configured
	Until   time.Time `json:"until,omitzero"`
	Agreed  bool      `json:"agreed,omitempty"`
}

// Wrapper is what a person tells of a slot of the stand, with quantities as people
// write them.
type Wrapper struct {
	Slot         int    `json:"slot"`
	Width        string `json:"width,omitempty"`
	Paper        string `json:"paper,omitempty"`
	Outer        string `json:"outer,omitempty"`  // diameter
	Length       string `json:"length,omitempty"` // on the wrapper roll
	Empty        bool   `json:"empty,omitempty"`
	OutOfService bool   `json:"out_of_service,omitempty"`
	Correct      uint32 `json:"correct,omitempty"` // act that was told wrong
}

// Heads is a count of the heads of one size.
type Heads struct {
	Material string `json:"material"`
	Size     string `json:"size"` // as people write it
	Count    uint32 `json:"count"`
}

// Value is a setpoint by its name with the value that it is to have, as people
// write it: with its unit.
type Value struct {
	Name string `json:"name"`
	Text string `json:"text"`
}

// Proposal is what an override changes, or what a confirmation is about.
type Proposal struct {
	Line    string          `json:"line"`
	Roll    uint32          `json:"roll"`
	Tag     string          `json:"tag"`
	Token   handshake.Token `json:"token"` // of the request that it is bound to
	Changes []Change        `json:"changes"`
	Finding string          `json:"finding,omitempty"` // its sentence
	// Held tells that the roll is held: the operator must press retry at the
	// controller for the override or the confirmation to take effect.
	Held bool `json:"held"`
}

// Change is one setpoint before and after, in the units of the line.
type Change struct {
	Setpoint string `json:"setpoint"`
	Old      string `json:"old"`
	New      string `json:"new"`
}

// LineAlarms are the alarms of one line that are not normal.
type LineAlarms struct {
	Line   string        `json:"line"`
	Alarms []alarm.Alarm `json:"alarms"`
}

// Outcome of a command.
type Outcome string

// The outcomes. Asked: a person has to agree first, nothing was done. Refused: the command was
// understood and a check was against it. Usage: it asks for what there is not, or leaves out
// what it needs, and is to be given otherwise. Unreachable: the controller could not be asked.
// Invalid: a configuration is invalid. Failed: all else.
const (
	Done        Outcome = "done"
	Asked       Outcome = "asked"
	Refused     Outcome = "refused"
	Usage       Outcome = "usage"
	Unreachable Outcome = "unreachable"
	Invalid     Outcome = "invalid"
	Failed      Outcome = "failed"
)

// Reply is what came of a command.
type Reply struct {
	Outcome Outcome  `json:"outcome"`
	Text    []string `json:"text,omitempty"`  // what was done, a line each
	Error   string   `json:"error,omitempty"` // why not
	// Alarms are those of the lines asked for.
	Alarms []LineAlarms `json:"alarms,omitempty"`
	// Proposal is the answer to an override or a confirmation.
	Proposal *Proposal `json:"proposal,omitempty"`
	// Status is the answer to a question for the status: what /status.json has.
	Status json.RawMessage `json:"status,omitempty"`
	// Question is what a person has to agree to.
	Question *Question `json:"question,omitempty"`
	// Pair is the answer to a question for the pair.
	Pair []PairLine `json:"pair,omitempty"`
}

// PairLine is what one machine of a pair knows of a line.
type PairLine struct {
	Line    string    `json:"line"`
	Machine string    `json:"machine"` // that is asked
	Role    string    `json:"role"`
	Acts    bool      `json:"acts"`
	Since   time.Time `json:"since"`
	Lease   uint32    `json:"lease"`            // its number
	Holder  string    `json:"holder,omitempty"` // machine of the lease; empty for none
	Silent  string    `json:"engine_error,omitempty"`

	Armed     bool   `json:"armed"`
	TakesOver bool   `json:"takes_over_armed"`
	Records   uint64 `json:"records"` // in its journal
	Arrived   uint64 `json:"arrived"` // of them, in the engine

	Untold []string `json:"not_told,omitempty"` // acts of which the other machine was not told yet

	// Of the other machine, as it told last.
	Other          string `json:"other,omitempty"`
	OtherThere     bool   `json:"other_there"`
	OtherRole      string `json:"other_role,omitempty"`
	OtherArmed     bool   `json:"other_armed"`
	OtherTakesOver bool   `json:"other_takes_over_armed"`
	OtherRecords   uint64 `json:"other_records"`
	OtherArrived   uint64 `json:"other_arrived"`
}

// Question is what a command would do. It is done when it comes again with the answer.
type Question struct {
	Text   []string `json:"text"` // a line each
	Answer string   `json:"answer"`
}

// ErrNoDaemon says that nobody takes commands at a path.
var ErrNoDaemon = errors.New("no daemon takes commands there")

// Call sends one command to the daemon at a path and waits for its reply. The
// error names the whole path.
func Call(ctx context.Context, path string, r Request) (*Reply, error) {
	shown := path
	if whole, err := filepath.Abs(path); err == nil {
		shown = whole
	}
	var d net.Dialer
	c, err := d.DialContext(ctx, "unix", path)
	if err != nil {
		if errors.Is(err, os.ErrNotExist) || errors.Is(err, syscall.ECONNREFUSED) {
			return nil, fmt.Errorf("%s: %w; start it, or name the configuration it runs with", shown, ErrNoDaemon)
		}
		if errors.Is(err, os.ErrPermission) {
			return nil, fmt.Errorf("%s: %w; run this as a user of the group "+socketGroup+", or as the user of the daemon", shown, err)
		}
		return nil, fmt.Errorf("control socket %s: %w", shown, err)
	}
	defer func() { _ = c.Close() }()
	stop := context.AfterFunc(ctx, func() { _ = c.SetDeadline(time.Unix(1, 0)) })
	defer stop()
	b, err := json.Marshal(r)
	if err != nil {
		return nil, err
	}
	if _, err := c.Write(append(b, '\n')); err != nil {
		return nil, fmt.Errorf("control socket %s: %w", shown, err)
	}
	var reply Reply
	if err := json.NewDecoder(io.LimitReader(c, maxReply)).Decode(&reply); err != nil {
		if ctx.Err() != nil {
			err = ctx.Err()
		}
		return nil, fmt.Errorf("control socket %s: no reply, the command may have been done: %w", shown, err)
	}
	return &reply, nil
}
