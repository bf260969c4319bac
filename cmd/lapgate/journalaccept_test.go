package main

import (
	"os"
	"path/filepath"
	"testing"

	"lapgate/gateway/journal"
)

// TestOnlineDoubtsJournal: check --online tells that the journal is another one, and
// writes nothing about it.
func TestOnlineDoubtsJournal(t *testing.T) {
	t.Parallel()
	addr, dir := liveLine(t), t.TempDir()
	begin := func(line string) string {
		t.Helper()
		path := filepath.Join(dir, line+".db")
		j, err := journal.Open(t.Context(), path, journal.OwnedBy(journal.Owner{Line: line, Folder: filepath.Join(dir, "state")}))
		if err != nil {
			t.Fatal(err)
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
		return path
	}
	args := []string{"check", "--online", "--config", demoPath(t), "--set", "lines.0.controller.address=" + addr, "--set", "journal.directory=" + dir}
	north := begin("north")
	command(t, exitDone, "", args...)
	if err := os.Rename(begin("south"), north); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		command(t, exitDifferences, "the journal of the line had", args...)
	}
}
