package control_test

import (
	"context"
	"errors"
	"net"
	"os"
	"path/filepath"
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
	if got := info.Mode().Perm(); got != 0o600 {
		t.Errorf("the socket has permissions %o, want 600", got)
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
