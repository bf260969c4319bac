package journal_test

import (
	"fmt"
	"os"
	"strings"
	"syscall"
	"testing"

	"lapgate/gateway/journal"
)

// While a journal is open the process holds SQLite's lock on it, whoever in the process
// reads it too: without the lock another program takes the journal for closed, and removes
// the log beside it when it has read.
func TestReadingKeepsTheLock(t *testing.T) {
	m := newMill(t)
	j := m.open("north")
	defer func() { m.must(j.Close()) }()
	info, err := os.Stat(m.path("north"))
	m.must(err)
	inode := fmt.Sprintf(":%d ", info.Sys().(*syscall.Stat_t).Ino)
	held := func() (n int) {
		t.Helper()
		all, err := os.ReadFile("/proc/locks")
		m.must(err)
		for line := range strings.Lines(string(all)) {
			if strings.Contains(line, fmt.Sprintf(" %d ", os.Getpid())) && strings.Contains(line, inode) {
				n++
			}
		}
		return n
	}
	before := held()
	if before == 0 {
		t.Skip("/proc/locks does not tell of the lock here")
	}
	for range 2 {
		r, err := journal.OpenWhole(t.Context(), m.path("north"))
		m.must(err)
		if _, err := r.Head(t.Context()); err != nil {
			t.Error(err)
		}
		m.must(r.Close())
		if n := held(); n != before {
			t.Errorf("%d locks after somebody read, want %d", n, before)
		}
	}
}
