//go:build linux || darwin || freebsd

package journal_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"lapgate/gateway/journal"
	"lapgate/gateway/record"
)

// A file that is taken away from under the journal is noticed before the next record.
func TestFilesUnderTheJournal(t *testing.T) {
	must := func(t *testing.T, err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	replace := func(t *testing.T, path string) {
		b, err := os.ReadFile(path)
		must(t, err)
		must(t, os.WriteFile(path+".new", b, 0o600))
		must(t, os.Rename(path+".new", path))
	}
	for _, part := range journal.Parts {
		for _, c := range []struct {
			name, want string
			do         func(t *testing.T, path string)
		}{
			{"deleted", "was deleted or renamed", func(t *testing.T, path string) { must(t, os.Remove(path)) }},
			{"renamed", "was deleted or renamed", func(t *testing.T, path string) { must(t, os.Rename(path, path+".old")) }},
			{"replaced by a copy", "another file stands in the place", replace},
			{"second name", "2 names", func(t *testing.T, path string) { must(t, os.Link(path, path+".link")) }},
			{"folder renamed", "was deleted or renamed", func(t *testing.T, path string) {
				must(t, os.Rename(filepath.Dir(path), filepath.Dir(path)+".old"))
			}},
		} {
			t.Run(c.name+part, func(t *testing.T) {
				path := filepath.Join(t.TempDir(), "journal", "j.db")
				must(t, os.Mkdir(filepath.Dir(path), 0o750))
				j := open(t, path)
				appendAll(t, j, shift(t, 1))
				c.do(t, path+part)
				_, err := j.Append(t.Context(), record.Mode{})
				if !errors.Is(err, journal.ErrMoved) || !strings.Contains(err.Error(), c.want) {
					t.Fatalf("appended with %v, want an ErrMoved that says %q", err, c.want)
				}
				if _, again := j.Append(t.Context(), record.Mode{}); !errors.Is(again, err) {
					t.Errorf("appended again with %v", again)
				}
			})
		}
	}
}

// Nobody but owner and group can read what the journal wrote.
func TestFilesArePrivate(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	if err := os.WriteFile(path, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(path, 0o644); err != nil { // whatever the mask is
		t.Fatal(err)
	}
	j := open(t, path)
	appendAll(t, j, shift(t, 1))
	left, err := filepath.Glob(path + "*")
	if err != nil || len(left) < 4 {
		t.Fatalf("found %v, %v", left, err)
	}
	for _, f := range left {
		info, err := os.Stat(f)
		if err != nil {
			t.Fatal(err)
		}
		if info.Mode().Perm()&0o137 != 0 {
			t.Errorf("%s has mode %v, want at most 0640", f, info.Mode())
		}
	}
}

// What a clean close leaves is one file, and the markers tell a close from a kill.
func TestMarkers(t *testing.T) {
	dir, state := t.TempDir(), t.TempDir()
	path := filepath.Join(dir, "j.db")
	reopen := func(again bool) *journal.Journal {
		t.Helper()
		j, err := journal.Open(t.Context(), path, journal.OwnedBy(journal.Owner{Line: "j", Folder: state}))
		if err != nil {
			t.Fatal(err)
		}
		if got := j.Opened().Again; got != again {
			t.Errorf("written again: %v, want %v", got, again)
		}
		return j
	}
	markers := []string{path + ".open", filepath.Join(state, "j.db.open")}
	for _, forgotten := range append(markers, "") {
		j := reopen(false)
		appendAll(t, j, []record.Record{record.Mode{}})
		for _, m := range markers {
			if _, err := os.Stat(m); err != nil {
				t.Error(err)
			}
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
		left, err := filepath.Glob(filepath.Join(dir, "*"))
		if err != nil || len(left) != 2 { // and the lock
			t.Errorf("left after a clean close: %v, %v", left, err)
		}
		if forgotten == "" {
			continue
		}
		// As after a kill of which one of the two disks knows nothing more.
		if err := os.WriteFile(forgotten, nil, 0o600); err != nil {
			t.Fatal(err)
		}
		if err := reopen(true).Close(); err != nil {
			t.Fatal(err)
		}
	}
}
