package main

import (
	"bufio"
	"context"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// simUntil starts a simulator, and reads what it prints up to a line that matches. rest
// gives what comes after it, once the process was told to end, or did with ctx.
func simUntil(ctx context.Context, t *testing.T, until string, args ...string) (match []string, rest func() (string, error)) {
	t.Helper()
	cmd := exec.CommandContext(ctx, binary(t), append([]string{"sim"}, args...)...)
	cmd.Env = cleanEnv()
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	out := bufio.NewReader(stdout)
	for re := regexp.MustCompile(until); match == nil; {
		line, err := out.ReadString('\n')
		if err != nil {
			t.Fatalf("no line matches %s", until)
		}
		match = re.FindStringSubmatch(line)
	}
	return match, func() (string, error) {
		_ = cmd.Process.Signal(os.Interrupt)
		text, _ := io.ReadAll(out) // until the process has ended
		return string(text), cmd.Wait()
	}
}

// A daemon in shadow beside a simulator whose operator wraps by hand: every roll is
// wrapped by recipes of the simulator's own, and compare tells how far they are from ours.
func TestSimInShadow(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	address, rest := simUntil(ctx, t, `^modbus-tcp (\S+)`, "--config", demoPath(t), "--shadow", "--speed", "1000", "--csv=false")
	dir := t.TempDir()
	file := demoFileOf(t, patientDemo(t), "mill.yaml", "address: 127.0.0.1:1502", "address: "+address[1], "directory: journal", "directory: "+filepath.Join(dir, "j"), "journal:\n", "status:\n  listen: 127.0.0.1:0\njournal:\n")
	d := startDaemon(ctx, t, file)
	for range 3 {
		d.await("roll " + d.await("roll ([0-9]+) would get")[1] + " left the station: wrapped by hand")
	}
	out, _ := rest() // it was told to end
	if n := strings.Count(out, "wrapped by hand"); n < 3 {
		t.Errorf("%d rolls were wrapped by hand:\n%s", n, out)
	}
	d.stop()
	compared := command(t, exitDifferences, "overlap", "compare", filepath.Join(dir, "j", "north.db"), "--tolerance", "header_dwell=1 ms")
	if !strings.Contains(compared, "header dwell") {
		t.Error(compared)
	}
}

// The certificate of the simulated OPC UA server is the same at each start, until
// somebody has it renewed.
func TestSimKeepsCertificate(t *testing.T) {
	t.Parallel()
	state := filepath.Join(t.TempDir(), "state")
	fingerprint := func(more ...string) string {
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		match, rest := simUntil(ctx, t, `^opcua certificate, SHA-256 fingerprint ([0-9a-f]{64})`, append([]string{"--opcua", "127.0.0.1:0", "--state", state}, more...)...)
		cancel()
		_, _ = rest() // it was killed
		return match[1]
	}
	first, again, renewed := fingerprint(), fingerprint(), fingerprint("--renew")
	if first != again || first == renewed || renewed != fingerprint() {
		t.Errorf("%s, then %s, renewed %s", first, again, renewed)
	}
}
