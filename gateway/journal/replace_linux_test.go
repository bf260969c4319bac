package journal_test

import (
	"errors"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"lapgate/gateway/journal"
)

// A small file on a disk that is full stays as it was.
func TestReplace(t *testing.T) {
	path := filepath.Join(t.TempDir(), "note")
	if err := journal.Replace(path, []byte("first")); err != nil {
		t.Fatal(err)
	}
	if err := journal.Replace(path, []byte("second")); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink("/dev/full", path+".new"); err != nil {
		t.Fatal(err)
	}
	if err := journal.Replace(path, []byte("third")); !errors.Is(err, syscall.ENOSPC) {
		t.Errorf("on a full disk: %v", err)
	}
	if text, err := os.ReadFile(path); err != nil || string(text) != "second" {
		t.Errorf("left is %q, %v", text, err)
	}
}
