package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// clockFile names the variable of the environment with the file of the one byte that says
// how many hours the clock of a process is ahead.
const clockFile = "PAIR_CLOCK"

// clockSource is added to the standard library's package time of the daemon whose clock is
// stepped: all that it does by the time of day is off, its timers run on. The time is asked
// for where nothing may be called, so that the file is read as memory.
const clockSource = `package time

import "syscall"

var steppedClock = func() []byte {
	path, ok := syscall.Getenv("` + clockFile + `")
	if !ok {
		return nil
	}
	file, err := syscall.Open(path, syscall.O_RDONLY, 0)
	if err != nil {
		panic(err)
	}
	hours, err := syscall.Mmap(file, 0, 1, syscall.PROT_READ, syscall.MAP_SHARED)
	if err != nil {
		panic(err)
	}
	return hours
}()

func ahead() (seconds int64) {
	if len(steppedClock) == 0 {
		return 0
	}
	return int64(int8(steppedClock[0])) * 3600
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

// step sets the clock of the machine ahead by whole hours, or back.
func (m *pairMachine) step(ahead time.Duration) {
	f, err := os.OpenFile(m.clock(), os.O_RDWR|os.O_CREATE, 0o600)
	if err == nil {
		_, err = f.WriteAt([]byte{byte(ahead / time.Hour)}, 0)
		err = errors.Join(err, f.Close())
	}
	if err != nil {
		m.p.t.Error(err)
	}
}
