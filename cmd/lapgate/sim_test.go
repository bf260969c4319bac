package main

import (
	"bufio"
	"errors"
	"io"
	"os"
	"os/exec"
	"strings"
	"testing"
)

// A simulator that is stopped before its shift is done says how far it came,
// and does not end as if all were well.
func TestSimStoppedEarlyFails(t *testing.T) {
	t.Parallel()
	for _, form := range []struct {
		flag string
		text string // on standard output
	}{{"--csv=false", "0 rolls, 0 wraps judged"}, {"--csv", "no.,roll,diameter (in),width (in),outcome,"}} {
		cmd := exec.CommandContext(t.Context(), binary(t), "sim", "--rolls", "7", form.flag)
		cmd.Env = cleanEnv()
		// Where its address is printed depends on the form; read both as one.
		all, write, err := os.Pipe()
		if err != nil {
			t.Fatal(err)
		}
		cmd.Stdout, cmd.Stderr = write, write
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		_ = write.Close() // the process has its own end
		out := bufio.NewReader(all)
		if _, err := out.ReadString('\n'); err != nil { // its address: it runs
			t.Fatal(err)
		}
		if err := cmd.Process.Signal(os.Interrupt); err != nil {
			t.Fatal(err)
		}
		rest, _ := io.ReadAll(out) // until the process has ended
		_ = all.Close()
		var exit *exec.ExitError
		if ended := cmd.Wait(); !errors.As(ended, &exit) || exit.ExitCode() != exitFailed {
			t.Errorf("%s: ended with %v, want exit code %d", form.flag, ended, exitFailed)
		}
		if !strings.Contains(string(rest), "stopped after 0 of 7 rolls") || !strings.Contains(string(rest), form.text) {
			t.Errorf("%s: says %q", form.flag, rest)
		}
	}
}
