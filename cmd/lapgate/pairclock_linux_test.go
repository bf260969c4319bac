package main

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

// clockFile names the variable of the environment with the file of how many seconds the
// clock of a process is ahead.
const clockFile = "PAIR_CLOCK"

// clockSource is added to the standard library's package time of the daemon whose clock is
// stepped: all that it does by the time of day is off, its timers run on.
const clockSource = `package time

import "syscall"

var aheadFile, _ = syscall.Getenv("` + clockFile + `")

func ahead() (seconds int64) {
	if aheadFile == "" {
		return 0
	}
	f, err := open(aheadFile)
	if err != nil {
		return 0
	}
	defer closefd(f)
	var text [20]byte
	n, err := read(f, text[:])
	if err != nil || n < 2 {
		return 0
	}
	for _, digit := range text[1:n] {
		seconds = 10*seconds + int64(digit-'0')
	}
	if text[0] == '-' {
		return -seconds
	}
	return seconds
}
`

// steppedBinary builds the daemon with a clock that a file sets ahead or back.
func steppedBinary(t *testing.T) string {
	t.Helper()
	root, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		t.Fatal(err)
	}
	dir, library := t.TempDir(), filepath.Join(strings.TrimSpace(string(root)), "src", "time")
	now, err := os.ReadFile(filepath.Join(library, "time.go"))
	if err != nil {
		t.Fatal(err)
	}
	const reads = "\tsec, nsec, mono := runtimeNow()\n"
	before, after, ok := bytes.Cut(now, []byte("func Now() Time {\n"+reads))
	if !ok {
		t.Fatal("time.Now of this version of Go is written in another way")
	}
	now = bytes.Join([][]byte{before, []byte("func Now() Time {\n" + reads + "\tsec += ahead()\n"), after}, nil)
	write := func(name string, text []byte) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, text, 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	overlay, err := json.Marshal(map[string]map[string]string{"Replace": {
		filepath.Join(library, "time.go"):  write("time.go", now),
		filepath.Join(library, "ahead.go"): write("ahead.go", []byte(clockSource)),
	}})
	if err != nil {
		t.Fatal(err)
	}
	exe := filepath.Join(dir, "lapgate")
	if out, err := exec.Command("go", "build", "-overlay", write("overlay.json", overlay), "-o", exe, ".").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	return exe
}

// clock is the file that sets the clock of the machine.
func (m *pairMachine) clock() string { return filepath.Join(m.dir, "clock") }

// step sets the clock of the machine ahead by whole seconds, or back.
func (m *pairMachine) step(ahead time.Duration) {
	text := strconv.FormatInt(int64(ahead/time.Second), 10)
	if ahead >= 0 {
		text = "+" + text
	}
	next := m.clock() + ".next"
	if err := os.WriteFile(next, []byte(text), 0o600); err != nil {
		m.p.t.Error(err)
	}
	if err := os.Rename(next, m.clock()); err != nil {
		m.p.t.Error(err)
	}
}
