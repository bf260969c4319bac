package journal_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"testing"

	"lapgate/gateway/journal"
	"lapgate/gateway/record"
)

// asAnother runs f as a user who owns nothing here and is in no group, where this one
// may do everything. The thread is thrown away after it.
func asAnother(t *testing.T, f func() error) error {
	t.Helper()
	if os.Getuid() != 0 {
		return f()
	}
	const nobody = 65534
	done := make(chan error)
	go func() {
		runtime.LockOSThread()
		for _, call := range []uintptr{syscall.SYS_SETFSGID, syscall.SYS_SETFSUID} {
			if _, _, e := syscall.RawSyscall(call, nobody, 0, 0); e != 0 {
				done <- e
				return
			}
		}
		done <- f()
	}()
	return <-done
}

// readAll reads a journal in all the ways that a reader has.
func readAll(ctx context.Context, path string) (seqs []uint64, err error) {
	r, err := journal.OpenReader(ctx, path)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, r.Close()) }()
	if err := r.Replay(ctx, func(s record.Stored) error { seqs = append(seqs, s.Seq); return nil }); err != nil {
		return seqs, err
	}
	if _, err := r.List(ctx, journal.Filter{Newest: true, Limit: 2}); err != nil {
		return seqs, err
	}
	report, err := journal.Verify(ctx, path)
	if err == nil && !report.OK() {
		err = errors.New(report.Problems[0].String())
	}
	return seqs, err
}

// A journal is read by whoever may read its files, in a folder in which nothing can be
// made, with and without a daemon, and nothing is left behind.
func TestReadWithoutWriting(t *testing.T) {
	const rolls = 3
	want := uint64(len(shift(t, rolls)))
	for _, c := range []struct {
		name  string
		keep  []string // parts that come along; nil for the place of the living journal
		close bool
	}{
		{"closed", []string{""}, true},
		{"killed", []string{"", "-wal", "-shm"}, false},
		{"killed, index lost", []string{"", "-wal"}, false},
		{"alive", nil, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "j.db")
			j := open(t, path)
			appendAll(t, j, shift(t, rolls))
			if c.close {
				if err := j.Close(); err != nil {
					t.Fatal(err)
				}
			}
			if c.keep != nil {
				path = copied(t, path, c.keep)
			}
			before := closed(t, path, 0o444)
			err := asAnother(t, func() error {
				seqs, err := readAll(context.Background(), path)
				if err == nil && (uint64(len(seqs)) != want || seqs[len(seqs)-1] != want) {
					t.Errorf("read the records %v, want %d", seqs, want)
				}
				if f, e := os.Create(filepath.Join(filepath.Dir(path), "x")); e == nil {
					_ = f.Close()
					t.Error("the folder can be written: the test shows nothing")
				}
				return err
			})
			if err != nil {
				t.Error(err)
			}
			if after := inFolder(t, path); !slices.Equal(before, after) {
				t.Errorf("left %v, found %v", after, before)
			}
		})
	}
}

// Also where something could be made nothing is.
func TestReadLeavesNothing(t *testing.T) {
	for _, keep := range [][]string{{""}, {"", "-wal"}, {"", "-wal", "-shm"}} {
		path := filepath.Join(t.TempDir(), "j.db")
		j := open(t, path)
		appendAll(t, j, shift(t, 1))
		path = copied(t, path, keep)
		before := inFolder(t, path)
		if _, err := readAll(t.Context(), path); err != nil && len(keep) > 1 {
			t.Error(err)
		}
		if after := inFolder(t, path); !slices.Equal(before, after) {
			t.Errorf("left %v, found %v", after, before)
		}
	}
}

// Records in a log that cannot be read are not passed over in silence.
func TestLogThatCannotBeRead(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	j := open(t, path)
	appendAll(t, j, shift(t, 1))
	path = copied(t, path, []string{"", "-wal"})
	closed(t, path, 0o444)
	if err := os.Chmod(path+"-wal", 0); err != nil {
		t.Fatal(err)
	}
	err := asAnother(t, func() error {
		_, err := readAll(context.Background(), path)
		return err
	})
	if !errors.Is(err, journal.ErrLog) || !strings.Contains(err.Error(), path+"-wal") {
		t.Errorf("read with %v, want ErrLog that names the log", err)
	}
}

// A journal that is changed while it is read without a lock is not called damaged.
func TestChangedWhileRead(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	j := open(t, path)
	appendAll(t, j, shift(t, 200))
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	r, err := journal.OpenReader(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := r.Close(); err != nil {
			t.Error(err)
		}
	}()
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	clear(whole[len(whole)/2:])
	if err := os.WriteFile(path, whole, 0o600); err != nil {
		t.Fatal(err)
	}
	err = r.Replay(t.Context(), func(record.Stored) error { return nil })
	if !errors.Is(err, journal.ErrChanged) {
		t.Errorf("read with %v, want ErrChanged", err)
	}
	var damage *journal.DamageError
	if _, err := readAll(t.Context(), path); !errors.As(err, &damage) {
		t.Errorf("read anew with %v, want a damage", err)
	}
}

// copied copies parts of a journal into a folder of their own.
func copied(t *testing.T, path string, keep []string) string {
	t.Helper()
	to := filepath.Join(t.TempDir(), "j.db")
	for _, p := range keep {
		b, err := os.ReadFile(path + p)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(to+p, b, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return to
}

// closed takes away the right to write from a folder and from what is in it, and tells
// what that is.
func closed(t *testing.T, path string, mode os.FileMode) []string {
	t.Helper()
	found := inFolder(t, path)
	for _, f := range found {
		if err := os.Chmod(f, mode); err != nil {
			t.Fatal(err)
		}
	}
	dir := filepath.Dir(path)
	if err := errors.Join(os.Chmod(dir, 0o555), os.Chmod(filepath.Dir(dir), 0o755)); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := os.Chmod(dir, 0o755); err != nil {
			t.Error(err)
		}
	})
	return found
}

func inFolder(t *testing.T, path string) []string {
	t.Helper()
	found, err := filepath.Glob(filepath.Join(filepath.Dir(path), "*"))
	if err != nil {
		t.Fatal(err)
	}
	return found
}
