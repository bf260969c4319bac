//go:build unix

package plainfile_test

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"lapgate/gateway/plainfile"
)

// TestOpen: a file and a link to one are opened; what would wait or never end is refused
// at once.
func TestOpen(t *testing.T) {
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	if err := errors.Join(os.WriteFile(at("file"), []byte("roll\n"), 0o600), os.Symlink(at("file"), at("link")),
		os.Symlink("/dev/zero", at("endless")), syscall.Mkfifo(at("pipe"), 0o600)); err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]error{
		"file": nil, "link": nil, "endless": plainfile.ErrNotPlain, "pipe": plainfile.ErrNotPlain, ".": syscall.EISDIR, "none": fs.ErrNotExist,
	} {
		f, err := plainfile.Open(at(name))
		if !errors.Is(err, want) {
			t.Errorf("%s: got %v, want %v", name, err, want)
		}
		if err == nil {
			read(t, f)
		}
	}
	folder := plainfile.Folder(dir)
	for name, want := range map[string]error{
		"file": nil, "link": plainfile.ErrLink, "endless": plainfile.ErrLink, "pipe": plainfile.ErrNotPlain, "none": fs.ErrNotExist, "../x": fs.ErrInvalid,
	} {
		f, err := folder.Open(name)
		if !errors.Is(err, want) {
			t.Errorf("in the folder, %s: got %v, want %v", name, err, want)
		}
		if err == nil {
			read(t, f)
		}
	}
	if entries, err := fs.ReadDir(folder, "."); err != nil || len(entries) != 4 {
		t.Errorf("the folder has %d entries, %v", len(entries), err)
	}
}

func read(t *testing.T, f fs.File) {
	t.Helper()
	if text, err := io.ReadAll(f); err != nil || string(text) != "roll\n" {
		t.Errorf("read %q, %v", text, err)
	}
	if err := f.Close(); err != nil {
		t.Error(err)
	}
}
