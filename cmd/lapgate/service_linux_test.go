package main

import (
	"bytes"
	"context"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"

	"lapgate/configs"
	"lapgate/gateway/status"
)

// TestServiceManagerIsTold plays the service manager of a real daemon: what is told at
// the start, by the watchdog, around a reload and at the end.
func TestServiceManagerIsTold(t *testing.T) {
	t.Parallel()
	exe, dir := binary(t), t.TempDir()
	file := filepath.Join(dir, "mill.yaml")
	if err := os.WriteFile(file, configs.Demo(), 0o600); err != nil {
		t.Fatal(err)
	}
	socket, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: filepath.Join(dir, "notify"), Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = socket.Close() })
	if err := socket.SetReadDeadline(time.Now().Add(10 * time.Minute)); err != nil {
		t.Fatal(err)
	}
	ctx := t.Context()
	// Nobody listens on port 1: a line without its controller beats all the same.
	cmd := exec.CommandContext(ctx, exe, "run", "--config", file, "--set", "status.listen=none", "--set", "lines.0.controller.address=127.0.0.1:1")
	cmd.Env = append(cleanEnv(), "NOTIFY_SOCKET="+socket.LocalAddr().String(), "WATCHDOG_USEC=1500000")
	var log bytes.Buffer
	cmd.Stderr = &log
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	// next is the next message besides those to the watchdog and for more time, unless it is
	// wanted.
	next := func(want string) string {
		t.Helper()
		message := make([]byte, 256)
		for {
			n, err := socket.Read(message)
			if err != nil {
				t.Fatalf("waiting for %s: %v\n%s", want, err, log.String())
			}
			switch got := string(message[:n]); {
			case got == want, got != "WATCHDOG=1" && !strings.HasPrefix(got, "EXTEND_TIMEOUT_USEC="): // of a start that takes long
				return got
			}
		}
	}
	await := func(want string) {
		t.Helper()
		if got := next(want); got != want {
			t.Fatalf("got %q, want %q\n%s", got, want, log.String())
		}
	}
	await("READY=1")
	await("WATCHDOG=1")
	before := monotonicMicroseconds()
	if err := cmd.Process.Signal(syscall.SIGHUP); err != nil {
		t.Fatal(err)
	}
	reloading, at, _ := strings.Cut(next("RELOADING"), "\nMONOTONIC_USEC=")
	if usec, err := strconv.ParseInt(at, 10, 64); reloading != "RELOADING=1" || err != nil || usec < before || usec > monotonicMicroseconds() {
		t.Errorf("told of the reload: %q at %q, %v; want between %d and now", reloading, at, err, before)
	}
	await("READY=1")
	if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	await("STOPPING=1")
	if err := cmd.Wait(); err != nil {
		t.Errorf("ended with %v\n%s", err, log.String())
	}
}

// A start that takes long asks the service manager for more time again and again, and READY
// comes after it. A daemon that is ended meanwhile was never ready.
func TestReadyAfterStart(t *testing.T) {
	path := filepath.Join(t.TempDir(), "notify")
	t.Setenv("NOTIFY_SOCKET", path)
	for _, comes := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			_ = os.Remove(path) // of the round before
			socket, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
			if err != nil {
				t.Fatal(err)
			}
			defer func() { _ = socket.Close() }()
			ctx, end := context.WithCancel(t.Context())
			started, attended := make(chan struct{}), make(chan struct{})
			go func() {
				defer close(attended)
				serviceManager{zap.NewNop()}.attend(ctx, started, func() []status.Line { return nil })
			}()
			<-time.After(25 * time.Second) // of virtual time
			want := []string{"EXTEND_TIMEOUT_USEC=60000000", "EXTEND_TIMEOUT_USEC=60000000"}
			if comes {
				close(started)
				synctest.Wait()
				want = append(want, "READY=1")
			}
			end()
			<-attended
			want = append(want, "STOPPING=1")
			var got []string
			for range want { // all were sent
				message := make([]byte, 256)
				n, err := socket.Read(message)
				if err != nil {
					t.Fatal(err)
				}
				got = append(got, string(message[:n]))
			}
			if !slices.Equal(got, want) {
				t.Errorf("told %q, want %q", got, want)
			}
		})
	}
}

// TestWatchdogWantsEveryLineThatRuns: one line that stands still is enough; one that has
// ended or has not begun is none.
func TestWatchdogWantsEveryLineThatRuns(t *testing.T) {
	t.Parallel()
	now := time.Now()
	const limit = time.Minute
	long := now.Add(-limit - 1)
	beats := status.Line{Name: "beats", Begun: true, At: now.Add(-limit)}
	for want, lines := range map[string][]status.Line{
		"":      {beats, {Name: "ended", Begun: true, Ended: true, At: long}, {Name: "comes back", Ended: true, Again: now, At: long}, {Name: "reads", At: long}},
		"still": {beats, {Name: "still", Begun: true, At: long}},
	} {
		if got := stillLine(lines, now, limit); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
		slices.Reverse(lines)
		if got := stillLine(lines, now, limit); got != want {
			t.Errorf("the other way round: got %q, want %q", got, want)
		}
	}
}
