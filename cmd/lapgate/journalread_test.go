package main

import (
	"os"
	"path/filepath"
	"testing"
)

// Each command that reads a journal says of one that is damaged, of a folder and of none
// what it is, and ends with the exit code that tells damage from what could not be read.
func TestJournalsThatCannotBeRead(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	garbled := filepath.Join(dir, "garbled.db")
	if err := os.WriteFile(garbled, []byte("this is no database"), 0o600); err != nil {
		t.Fatal(err)
	}
	demo := demoOnDisk(t)
	for _, c := range [][]string{
		{"why", "2"}, {"report"}, {"compare"}, {"calibrate", "--config", demo, "--by", "kim"},
		{"journal", "list"}, {"journal", "verify"}, {"journal", "show", "--roll", "2"}, {"journal", "export"},
		{"journal", "export", "--format", "csv"}, {"journal", "changes"},
	} {
		wants(t, called(t, exitDifferences, append(c, garbled)...), "is not a database")
		wants(t, called(t, exitFailed, append(c, dir)...), "is no file; name the file of one line")
		wants(t, called(t, exitFailed, append(c, filepath.Join(dir, "none.db"))...), "none.db: no such file")
	}
}
