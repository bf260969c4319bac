package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// A signal that comes before main ends the process by itself, and that is harmless: until
// then no file is written or made and nothing is connected. A command that only prints
// shows it, for all that comes before main is the same in each.
func TestNothingIsOpenedBeforeMain(t *testing.T) {
	t.Parallel()
	if _, err := exec.LookPath("strace"); err != nil {
		t.Skip("needs strace: ", err)
	}
	text := callsOf(t, "version")
	for strings.Contains(text, "???(") { // a thread was let go in a call that is not told
		text = callsOf(t, "version")
	}
	reads := regexp.MustCompile(`^\d+ +(execve|access|arch_prctl|(new)?f?statx?(at)?(64)?|newfstatat|readlinkat|readlink|open(at)?\(.*O_RDONLY|faccessat2?|getcwd|write\(1,)`)
	opened := 0
	for _, call := range strings.Split(strings.TrimSpace(text), "\n") {
		if strings.Contains(call, "O_RDONLY") {
			opened++
		}
		if !reads.MatchString(call) && !strings.Contains(call, "resumed>") && !strings.Contains(call, "--- SIG") {
			t.Errorf("before main or to print its version, the program called %s", call)
		}
	}
	if opened == 0 {
		t.Errorf("the calls were not followed: %s", text)
	}
}

// callsOf is what the program asks of the system about files and networks, a call on each line.
func callsOf(t *testing.T, args ...string) string {
	t.Helper()
	trace := filepath.Join(t.TempDir(), "calls")
	cmd := exec.Command("strace", append([]string{"-f", "-qq", "-o", trace, "-e", "trace=%file,%network,write,pwrite64", binary(t)}, args...)...)
	cmd.Env = cleanEnv()
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	text, err := os.ReadFile(trace)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}
