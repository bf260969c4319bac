package main

import (
	"bufio"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"

	"lapgate/configs"
)

// built is the real binary, built once for all tests that need a process.
var built = struct {
	sync.Once
	dir string
	err error
	out []byte
}{}

func binary(t *testing.T) string {
	t.Helper()
	if testing.Short() {
		t.Skip("a process of its own, into which the race detector does not see")
	}
	built.Do(func() {
		if built.dir, built.err = os.MkdirTemp("", "lapgate-test-"); built.err == nil {
			built.out, built.err = exec.Command("go", "build", "-o", filepath.Join(built.dir, "lapgate"), ".").CombinedOutput()
		}
	})
	if built.err != nil {
		t.Fatalf("%v\n%s", built.err, built.out)
	}
	return filepath.Join(built.dir, "lapgate")
}

// TestRunWithoutController starts the daemon with the controller off: it says
// so once, shows it, keeps trying, refuses a bad reload and stops cleanly.
func TestRunWithoutController(t *testing.T) {
	t.Parallel()
	exe := binary(t)
	dir := t.TempDir()
	file := filepath.Join(dir, "demo.yaml")
	if err := os.WriteFile(file, configs.Demo(), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), exe, "run", "--config", file, "--set", "lines.0.controller.address="+deadAddress(),
		"--set", "journal.directory="+filepath.Join(dir, "new", "journal"), "--set", "status.listen=127.0.0.1:0", "--set", "log.format=json")
	cmd.Env = cleanEnv()
	stderr, err := cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(stderr)
	var log strings.Builder
	await := func(pattern string) []string {
		t.Helper()
		re := regexp.MustCompile(pattern)
		for lines.Scan() {
			log.WriteString(lines.Text() + "\n")
			if m := re.FindStringSubmatch(lines.Text()); m != nil {
				return m
			}
		}
		t.Fatalf("no line matches %s in\n%s", pattern, log.String())
		return nil
	}
	page := await(`"address":"(http://127\.0\.0\.1:[0-9]+/)"`)[1]
	await(`controller not reachable; trying again until it is`)

	get := func(path string) (int, string) {
		t.Helper()
		resp, err := http.Get(page + path)
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		if err := resp.Body.Close(); err != nil {
			t.Fatal(err)
		}
		return resp.StatusCode, string(body)
	}
	if code, body := get("health"); code != http.StatusServiceUnavailable || body != "north: no connection\n" {
		t.Errorf("health: %d %q", code, body)
	}
	if code, body := get("status.json"); code != http.StatusOK || !strings.Contains(body, `"connected": false`) {
		t.Errorf("status.json: %d %s", code, body)
	}
	if code, body := get("metrics"); code != http.StatusOK || !strings.Contains(body, `lapgate_dial_failures_total{line="north"}`) {
		t.Errorf("metrics: %d %s", code, body)
	}
	if err := os.WriteFile(file, []byte("lines: nonsense\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := cmd.Process.Signal(syscall.SIGHUP); err != nil {
		t.Fatal(err)
	}
	await(`configuration refused, the one in force stays`)
	if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	for lines.Scan() {
		log.WriteString(lines.Text() + "\n")
	}
	if err := cmd.Wait(); err != nil {
		t.Errorf("ended with %v", err)
	}
	if n := strings.Count(log.String(), "controller not reachable"); n != 1 {
		t.Errorf("said %d times that the controller is not reachable:\n%s", n, log.String())
	}
}
