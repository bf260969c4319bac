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
	"os/user"
	"path/filepath"
	"strconv"
	"sync"
	"time"
)

// Bounds of one exchange.
const (
	maxRequest  = 64 << 10
	maxReply    = 4 << 20
	patience    = 5 * time.Second        // for a request to come in, and a reply to go out
	lastLook    = 50 * time.Millisecond  // for what came in while the time ran out
	breather    = 100 * time.Millisecond // before a connection is accepted that could not be
	longestPath = 100                    // bytes of a path that every system takes
)

// How many commands are handled at once. What stops a line has places of its own,
// so that no other command keeps it waiting.
const (
	stopPlaces  = 8
	otherPlaces = 8
	mostQueued  = 64 // commands of either kind that are handled or wait for a place
)

// socketGroup is the group of the operating system that may send commands, where
// there is one of that name.
const socketGroup = "lapgate"

// stops reports whether the command only ever keeps a line from doing something.
func (r *Request) stops() bool { return r.Command == Disarm || r.Command == Hold && !r.Off }

// Server takes commands.
type Server struct {
	path     string
	group    string
	listener *net.UnixListener
	handle   func(context.Context, Request) Reply
	cancel   context.CancelFunc
	all      sync.WaitGroup
	waiting  waiting
	stop     places // of commands that stop a line
	other    places // of all others
}

// places are where commands of one kind are handled, and where they wait for that.
type places struct{ handled, queued chan struct{} }

func newPlaces(n int) places {
	return places{make(chan struct{}, n), make(chan struct{}, mostQueued)}
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
	l, group, err := listen(ctx, dir, path)
	if err != nil {
		return nil, fmt.Errorf("control socket %s: %w", path, err)
	}
	ctx, cancel := context.WithCancel(ctx)
	s := &Server{
		path: path, group: group, listener: l, handle: handle, cancel: cancel,
		stop: newPlaces(stopPlaces), other: newPlaces(otherPlaces),
	}
	s.all.Go(func() { s.serve(ctx) })
	return s, nil
}

// listen makes the socket in a folder that nobody else can enter, and moves it
// to its path when its own permissions stand: at no moment can another user
// open it who may not later. It returns the name of the group that may.
func listen(ctx context.Context, dir, path string) (l *net.UnixListener, group string, err error) {
	private, err := os.MkdirTemp(dir, ".c")
	if err != nil {
		return nil, "", err
	}
	defer func() { _ = os.RemoveAll(private) }()
	made := filepath.Join(private, "s")
	if len(made) > longestPath || len(path) > longestPath {
		return nil, "", fmt.Errorf("the path has %d bytes, want at most %d; set control.socket to a shorter one, such as a file below /run", max(len(made), len(path)), longestPath)
	}
	var lc net.ListenConfig
	any, err := lc.Listen(ctx, "unix", made)
	if err != nil {
		return nil, "", err
	}
	l = any.(*net.UnixListener)
	l.SetUnlinkOnClose(false)
	group = give(made)
	if err = os.Chmod(made, sharedMode); err == nil {
		err = os.Rename(made, path)
	}
	if err != nil {
		return nil, "", errors.Join(err, l.Close())
	}
	return l, group, nil
}

// give gives the socket to the group of the operators where there is one that the
// daemon may give it to, and returns its name; else it stays with the daemon's own
// group, and the name is empty.
func give(path string) string {
	g, err := user.LookupGroup(socketGroup)
	if err != nil {
		return ""
	}
	id, err := strconv.Atoi(g.Gid)
	if err != nil || os.Chown(path, -1, id) != nil {
		return ""
	}
	return g.Name
}

func (s *Server) serve(ctx context.Context) {
	for {
		c, err := s.listener.AcceptUnix()
		switch {
		case err == nil:
			s.take(ctx, c)
		case errors.Is(err, net.ErrClosed):
			return
		default: // such as no file descriptor: the next one may be taken
			select {
			case <-ctx.Done():
				return
			case <-time.After(breather):
			}
		}
	}
}

// take has a connection answered. Connections wait in the order in which they came, so that
// one that speaks is not taken for older than those that were there before it.
func (s *Server) take(ctx context.Context, c *net.UnixConn) {
	_ = c.SetReadDeadline(time.Now().Add(patience))
	p, err := peerOf(c)
	s.waiting.enter(c, p.uid)
	s.all.Go(func() {
		defer func() { _ = c.Close() }()
		s.answer(ctx, c, p, err)
	})
}

// answer takes the request of one connection and sends the reply to it. The error is that
// of telling whose connection it is.
func (s *Server) answer(ctx context.Context, c *net.UnixConn, p peer, err error) {
	reply := Reply{Outcome: Failed}
	r, unread := s.request(c)
	switch {
	case err != nil:
		reply.Error = "the operating system does not tell who sends this: " + err.Error()
	case unread != nil:
		reply.Error = "not a request: " + unread.Error()
	default:
		r.Caller = callerOf(p)
		reply = s.do(ctx, r)
	}
	b, err := json.Marshal(reply)
	if err != nil {
		b, _ = json.Marshal(Reply{Outcome: Failed, Error: err.Error()})
	}
	_ = c.SetWriteDeadline(time.Now().Add(patience))
	_, _ = c.Write(append(b, '\n')) // the other side is gone when this fails
}

// request reads one request. A connection that says nothing takes no place from one
// that does: its time is over when there are too many, but what has come is read.
func (s *Server) request(c *net.UnixConn) (r Request, err error) {
	defer s.waiting.leave(c)
	in := bufio.NewReader(io.LimitReader(c, maxRequest))
	line, err := in.ReadBytes('\n')
	if errors.Is(err, os.ErrDeadlineExceeded) {
		_ = c.SetReadDeadline(time.Now().Add(lastLook))
		var rest []byte
		rest, err = in.ReadBytes('\n')
		line = append(line, rest...)
	}
	if errors.Is(err, os.ErrDeadlineExceeded) {
		return r, fmt.Errorf("no whole line of JSON came within %s, or while fewer than %d others waited", patience, mostWaiting)
	}
	if err != nil {
		return r, err
	}
	d := json.NewDecoder(bytes.NewReader(line))
	d.DisallowUnknownFields()
	err = d.Decode(&r)
	return r, err
}

// do has a request handled when there is a place.
func (s *Server) do(ctx context.Context, r Request) Reply {
	p := &s.other
	if r.stops() {
		p = &s.stop
	}
	busy := Reply{Outcome: Failed, Error: "the daemon is busy with other commands; give this one again"}
	select {
	case p.queued <- struct{}{}:
		defer func() { <-p.queued }()
	default:
		return busy
	}
	full := time.NewTimer(patience)
	defer full.Stop()
	select {
	case p.handled <- struct{}{}:
		defer func() { <-p.handled }()
		return s.handle(ctx, r)
	case <-ctx.Done():
		return Reply{Outcome: Failed, Error: "the daemon is ending"}
	case <-full.C:
		return busy
	}
}

// Path is where commands are taken.
func (s *Server) Path() string { return s.path }

// Group is the group of the operating system whose members may send commands, empty
// for the daemon's own.
func (s *Server) Group() string { return s.group }

// Close ends what is being handled and takes no more commands.
func (s *Server) Close() error {
	s.cancel()
	err := s.listener.Close()
	s.waiting.endAll()
	s.all.Wait()
	if e := os.Remove(s.path); !errors.Is(e, os.ErrNotExist) {
		err = errors.Join(err, e)
	}
	return err
}
