package control_test

import (
	"context"
	"errors"
	"net"
	"os"
	"os/user"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"lapgate/gateway/control"
)

func echo(_ context.Context, r control.Request) control.Reply {
	return control.Reply{Outcome: control.Done, Text: []string{string(r.Command), r.Line, r.By, r.Reason}}
}

func TestExchange(t *testing.T) {
	path := filepath.Join(t.TempDir(), "below", "c.sock")
	if _, err := control.Call(t.Context(), path, control.Request{Command: "arm"}); !errors.Is(err, control.ErrNoDaemon) {
		t.Errorf("without a daemon: %v", err)
	}
	s, err := control.Listen(t.Context(), path, echo)
	if err != nil {
		t.Fatal(err)
	}
	info, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	want := os.FileMode(0o660)
	if runtime.GOOS != "linux" {
		want = 0o600 // where nobody tells who connects
	}
	if got := info.Mode().Perm(); got != want {
		t.Errorf("the socket has permissions %o, want %o", got, want)
	}
	reply, err := control.Call(t.Context(), path, control.Request{Command: "arm", Line: "north", By: "kim", Reason: "line\nbreaks"})
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.Join(reply.Text, "|"); reply.Outcome != control.Done || got != "arm|north|kim|line\nbreaks" {
		t.Errorf("got %+v", reply)
	}
	if _, err := control.Listen(t.Context(), path, echo); err == nil || !strings.Contains(err.Error(), "another daemon answers") {
		t.Errorf("a second daemon: %v", err)
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
	left, err := os.ReadDir(filepath.Dir(path))
	if err != nil || len(left) != 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}

// TestStaleSocket begins where a daemon died: its socket is still there.
func TestStaleSocket(t *testing.T) {
	path := filepath.Join(t.TempDir(), "c.sock")
	dead, err := net.Listen("unix", path)
	if err != nil {
		t.Fatal(err)
	}
	dead.(*net.UnixListener).SetUnlinkOnClose(false)
	if err := dead.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := control.Call(t.Context(), path, control.Request{}); !errors.Is(err, control.ErrNoDaemon) {
		t.Errorf("at a dead daemon's socket: %v", err)
	}
	s, err := control.Listen(t.Context(), path, echo)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := control.Call(t.Context(), path, control.Request{Command: "x"}); err != nil {
		t.Error(err)
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}

func TestBadRequests(t *testing.T) {
	path := filepath.Join(t.TempDir(), "c.sock")
	s, err := control.Listen(t.Context(), path, func(context.Context, control.Request) control.Reply {
		t.Error("a bad request was handled")
		return control.Reply{}
	})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	}()
	for _, text := range []string{"\n", "nonsense\n", `{"command":"arm","shell":"x"}` + "\n", "{}"} {
		c, err := net.Dial("unix", path)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := c.Write([]byte(text)); err != nil {
			t.Fatal(err)
		}
		if err := c.(*net.UnixConn).CloseWrite(); err != nil {
			t.Fatal(err)
		}
		b := make([]byte, 1024)
		n, _ := c.Read(b)
		if got := string(b[:n]); !strings.Contains(got, `"outcome":"failed"`) || !strings.Contains(got, "not a request") {
			t.Errorf("%q: got %q", text, got)
		}
		if err := c.Close(); err != nil {
			t.Error(err)
		}
	}
}

// TestLongPath is refused with a remedy, where the system would only say that
// an argument is invalid.
func TestLongPath(t *testing.T) {
	path := filepath.Join(t.TempDir(), strings.Repeat("x", 100), "c.sock")
	if _, err := control.Listen(t.Context(), path, echo); err == nil || !strings.Contains(err.Error(), "set control.socket to a shorter one") {
		t.Errorf("got %v", err)
	}
}

// TestCloseEndsCommands cancels what is being handled.
func TestCloseEndsCommands(t *testing.T) {
	path := filepath.Join(t.TempDir(), "c.sock")
	begun := make(chan struct{})
	s, err := control.Listen(t.Context(), path, func(ctx context.Context, _ control.Request) control.Reply {
		close(begun)
		<-ctx.Done()
		return control.Reply{Outcome: control.Failed, Error: "stopped"}
	})
	if err != nil {
		t.Fatal(err)
	}
	got := make(chan *control.Reply, 1)
	go func() {
		r, err := control.Call(context.Background(), path, control.Request{Command: "arm"})
		if err != nil {
			t.Error(err)
		}
		got <- r
	}()
	<-begun
	if err := s.Close(); err != nil {
		t.Error(err)
	}
	if r := <-got; r == nil || r.Error != "stopped" {
		t.Errorf("got %+v", r)
	}
}

// TestCallerIsTold: whoever sends a command comes with it, and no request can say to
// be of somebody else.
func TestCallerIsTold(t *testing.T) {
	path := filepath.Join(t.TempDir(), "c.sock")
	got := make(chan control.Caller, 1)
	s, err := control.Listen(t.Context(), path, func(_ context.Context, r control.Request) control.Reply {
		got <- r.Caller
		return control.Reply{Outcome: control.Done}
	})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = s.Close() }()
	if _, err := control.Call(t.Context(), path, control.Request{Command: control.Arm, Caller: control.Caller{User: "nobody"}}); err != nil {
		t.Fatal(err)
	}
	me, err := user.Current()
	if err != nil {
		t.Fatal(err)
	}
	c := <-got
	if c.User != me.Username || !c.Trusted || len(c.Groups) == 0 {
		t.Errorf("got %+v, want %s, trusted", c, me.Username)
	}
	if !c.In(c.Groups[0]) || c.In("") || (&control.Caller{Groups: []string{""}}).In("") {
		t.Error("the groups of the caller")
	}
}

// TestIdleClientsTakeNoPlace: more connections that say nothing than the daemon keeps,
// and a command beside each of the others that hangs: a line is stopped all the same.
func TestIdleClientsTakeNoPlace(t *testing.T) {
	path := filepath.Join(t.TempDir(), "c.sock")
	free := make(chan struct{})
	begun := make(chan struct{}, 100)
	s, err := control.Listen(t.Context(), path, func(_ context.Context, r control.Request) control.Reply {
		if r.Command == control.Arm || r.Off {
			begun <- struct{}{}
			<-free
		}
		return control.Reply{Outcome: control.Done}
	})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		close(free)
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	}()
	for i := range 8 {
		r := control.Request{Command: control.Arm}
		if i%2 == 0 {
			r = control.Request{Command: control.Hold, Off: true}
		}
		go func() { _, _ = control.Call(context.Background(), path, r) }()
		<-begun
	}
	for range 200 {
		c, err := net.Dial("unix", path)
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = c.Close() }()
	}
	for _, r := range []control.Request{{Command: control.Disarm}, {Command: control.Hold}} {
		reply, err := control.Call(t.Context(), path, r)
		if err != nil || reply.Outcome != control.Done {
			t.Errorf("%s: got %+v, %v", r.Command, reply, err)
		}
	}
}

// TestRequestBesideIdleClients: as many connections that say nothing follow on one that has
// spoken as the daemon keeps. What was said is read.
func TestRequestBesideIdleClients(t *testing.T) {
	path := filepath.Join(t.TempDir(), "c.sock")
	s, err := control.Listen(t.Context(), path, echo)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	}()
	for range 20 {
		c, err := net.Dial("unix", path)
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = c.Close() }()
		if _, err := c.Write([]byte(`{"command":"disarm","by":"kim"}` + "\n")); err != nil {
			t.Fatal(err)
		}
		for range 80 {
			idle, err := net.Dial("unix", path)
			if err != nil {
				t.Fatal(err)
			}
			defer func() { _ = idle.Close() }()
		}
		b := make([]byte, 1024)
		n, err := c.Read(b)
		if got := string(b[:n]); err != nil || !strings.Contains(got, "kim") {
			t.Fatalf("got %q, %v", got, err)
		}
	}
}
