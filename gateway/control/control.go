// Package control is the channel of an operator's commands to the running
// daemon: a Unix socket that only the daemon's user may open, with one request
// and one reply on each connection, each a line of JSON.
package control

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"sync"
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
)

// Request is one command with what it needs.
type Request struct {
	Command Command `json:"command"`
	Line    string  `json:"line,omitempty"` // empty for the only one, or for all
	By      string  `json:"by,omitempty"`
	Reason  string  `json:"reason,omitempty"`
	Off     bool    `json:"off,omitempty"` // ends what the command begins

	// Of alarms: what is done to which. An empty act lists them.
	Alarm string    `json:"alarm,omitempty"`
	Act   alarm.Act `json:"act,omitempty"`
	End   time.Time `json:"end,omitzero"` // of a shelf; zero for the end of the shift

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

// The outcomes. Refused: the command was understood and a check was against
// it. Unreachable: the controller could not be asked. Invalid: a configuration
// is invalid. Failed: all else.
const (
	Done        Outcome = "done"
	Refused     Outcome = "refused"
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
}

// Bounds of one exchange.
const (
	maxRequest  = 64 << 10
	maxReply    = 4 << 20
	patience    = 5 * time.Second // for a request to come in, and a reply to go out
	atOnce      = 8               // connections
	longestPath = 100             // bytes of a path that every system takes
)

// Server takes commands.
type Server struct {
	path     string
	listener net.Listener
	cancel   context.CancelFunc
	all      sync.WaitGroup
}

// Listen takes commands at a path, which must not be that of another daemon,
// and hands each to handle, several at a time. A socket that a dead daemon left
// is replaced.
func Listen(ctx context.Context, path string, handle func(context.Context, Request) Reply) (*Server, error) {
	dir := filepath.Dir(path)
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return nil, fmt.Errorf("control socket: %w", err)
	}
	var d net.Dialer
	if c, err := d.DialContext(ctx, "unix", path); err == nil {
		_ = c.Close()
		return nil, fmt.Errorf("control socket %s: another daemon answers there; stop it, or give each its own control.socket", path)
	}
	l, err := listen(ctx, dir, path)
	if err != nil {
		return nil, fmt.Errorf("control socket %s: %w", path, err)
	}
	ctx, cancel := context.WithCancel(ctx)
	s := &Server{path: path, listener: l, cancel: cancel}
	s.all.Go(func() { s.serve(ctx, handle) })
	return s, nil
}

// listen makes the socket in a folder that nobody else can enter, and moves it
// to its path when its own permissions stand: at no moment can another user
// open it.
func listen(ctx context.Context, dir, path string) (net.Listener, error) {
	private, err := os.MkdirTemp(dir, ".c")
	if err != nil {
		return nil, err
	}
	defer func() { _ = os.RemoveAll(private) }()
	made := filepath.Join(private, "s")
	if len(made) > longestPath || len(path) > longestPath {
		return nil, fmt.Errorf("the path has %d bytes, want at most %d; set control.socket to a shorter one, such as a file below /run", max(len(made), len(path)), longestPath)
	}
	var lc net.ListenConfig
	l, err := lc.Listen(ctx, "unix", made)
	if err != nil {
		return nil, err
	}
	l.(*net.UnixListener).SetUnlinkOnClose(false)
	if err = os.Chmod(made, 0o600); err == nil {
		err = os.Rename(made, path)
	}
	if err != nil {
		return nil, errors.Join(err, l.Close())
	}
	return l, nil
}

func (s *Server) serve(ctx context.Context, handle func(context.Context, Request) Reply) {
	places := make(chan struct{}, atOnce)
	for {
		c, err := s.listener.Accept()
		if err != nil {
			return
		}
		places <- struct{}{}
		s.all.Go(func() {
			defer func() { <-places }()
			defer func() { _ = c.Close() }()
			answer(ctx, c, handle)
		})
	}
}

func answer(ctx context.Context, c net.Conn, handle func(context.Context, Request) Reply) {
	_ = c.SetReadDeadline(time.Now().Add(patience))
	var r Request
	reply := Reply{Outcome: Failed}
	line, err := bufio.NewReader(io.LimitReader(c, maxRequest)).ReadBytes('\n')
	if err == nil {
		d := json.NewDecoder(bytes.NewReader(line))
		d.DisallowUnknownFields()
		err = d.Decode(&r)
	}
	if err != nil {
		reply.Error = "not a request: " + err.Error()
	} else {
		reply = handle(ctx, r)
	}
	b, err := json.Marshal(reply)
	if err != nil {
		b, _ = json.Marshal(Reply{Outcome: Failed, Error: err.Error()})
	}
	_ = c.SetWriteDeadline(time.Now().Add(patience))
	_, _ = c.Write(append(b, '\n')) // the other side is gone when this fails
}

// Path is where commands are taken.
func (s *Server) Path() string { return s.path }

// Close ends what is being handled and takes no more commands.
func (s *Server) Close() error {
	s.cancel()
	err := s.listener.Close()
	s.all.Wait()
	if e := os.Remove(s.path); !errors.Is(e, os.ErrNotExist) {
		err = errors.Join(err, e)
	}
	return err
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
			return nil, fmt.Errorf("%s: %w; run this as the user of the daemon", shown, err)
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
