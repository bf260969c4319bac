package main

import (
	"bytes"
	"net"
	"os"
	"strings"
	"syscall"
	"testing"
)

// A signal that came before a command began ends a daemon in good order, before it
// serves anything, and any other command with an error.
func TestEarlySignal(t *testing.T) {
	for _, c := range []struct {
		args []string
		code int
		text string
	}{
		{[]string{"run", "--config", demoPath(t), "--set", "journal.directory=" + t.TempDir(), "--set", "status.listen=127.0.0.1:0"}, exitDone, ""},
		{[]string{"recipe", "--diameter", "50in", "--width", "62in"}, exitFailed, "interrupted"},
	} {
		var stdout, stderr bytes.Buffer
		p := &program{stdout: &stdout, stderr: &stderr, signals: make(chan os.Signal, 1)}
		p.signals <- syscall.SIGTERM
		if code := p.run(c.args); code != c.code || !strings.Contains(stderr.String(), c.text) {
			t.Errorf("%v ended with %d, want %d: %s", c.args, code, c.code, stderr.String())
		}
		if strings.Contains(stderr.String(), "commands are taken") {
			t.Errorf("%v opened a socket all the same: %s", c.args, stderr.String())
		}
	}
}

// Check refuses the address of a status page that run refuses, and warns of a port that
// something listens on.
func TestCheckOfTheStatusAddress(t *testing.T) {
	t.Parallel()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = l.Close() }()
	for _, c := range []struct {
		address string
		code    int
		text    string
	}{
		{"0.0.0.0:8480", exitConfig, "open to the network without login"},
		{l.Addr().String(), exitDone, "status.listen: the status page cannot listen there now"},
	} {
		var stdout, stderr bytes.Buffer
		code := run([]string{"check", demoPath(t), "--set", "status.listen=" + c.address}, nil, nil, &stdout, &stderr)
		if code != c.code || !strings.Contains(stderr.String(), c.text) {
			t.Errorf("%s: ended with %d, want %d: %s", c.address, code, c.code, stderr.String())
		}
	}
}
