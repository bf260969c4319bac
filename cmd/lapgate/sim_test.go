package main

import (
	"bufio"
	"context"
	"errors"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"
)

// A simulator that is stopped before its shift is done says how far it came,
// and does not end as if all were well.
func TestSimStoppedEarlyFails(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, binary(t), "sim", "--rolls", "7")
	cmd.Env = cleanEnv()
	var said strings.Builder
	cmd.Stderr = &said
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	out := bufio.NewReader(stdout)
	if _, err := out.ReadString('\n'); err != nil { // its address: it runs
		t.Fatal(err)
	}
	if err := cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	rest, err := out.ReadString(0)
	var exit *exec.ExitError
	if ended := cmd.Wait(); !errors.As(ended, &exit) || exit.ExitCode() != exitFailed {
		t.Errorf("ended with %v, want exit code %d", ended, exitFailed)
	}
	if !strings.Contains(said.String(), "stopped after 0 of 7 rolls") || !strings.Contains(rest, "0 rolls,") {
		t.Errorf("says %q and %q, %v", said.String(), rest, err)
	}
}
