package control_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"lapgate/gateway/control"
)

// TestNoDescriptorLeft: a daemon that has no file descriptor left cannot accept a connection.
// It does when it has one again.
func TestNoDescriptorLeft(t *testing.T) {
	path := filepath.Join(t.TempDir(), "c.sock")
	s, err := control.Listen(t.Context(), path, echo)
	if err != nil {
		t.Fatal(err)
	}
	fd, err := syscall.Socket(syscall.AF_UNIX, syscall.SOCK_STREAM|syscall.SOCK_CLOEXEC|syscall.SOCK_NONBLOCK, 0)
	if err != nil {
		t.Fatal(err)
	}
	c := os.NewFile(uintptr(fd), "client")
	defer func() { _ = c.Close() }()
	var before syscall.Rlimit
	if err := syscall.Getrlimit(syscall.RLIMIT_NOFILE, &before); err != nil {
		t.Fatal(err)
	}
	allow := func(n uint64) {
		if err := syscall.Setrlimit(syscall.RLIMIT_NOFILE, &syscall.Rlimit{Cur: n, Max: before.Max}); err != nil {
			t.Error(err)
		}
	}
	allow(3)
	err = syscall.Connect(fd, &syscall.SockaddrUnix{Name: path})
	_, sent := c.WriteString(`{"command":"disarm","by":"kim"}` + "\n")
	b := make([]byte, 1024)
	_ = c.SetReadDeadline(time.Now().Add(20 * time.Millisecond))
	_, got := c.Read(b)
	allow(before.Cur)
	if err != nil || sent != nil || !errors.Is(got, os.ErrDeadlineExceeded) {
		t.Fatalf("connect %v, write %v, read without a descriptor %v", err, sent, got)
	}
	_ = c.SetReadDeadline(time.Time{})
	if n, err := c.Read(b); err != nil || !strings.Contains(string(b[:n]), "kim") {
		t.Errorf("got %q, %v", b[:n], err)
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}
