//go:build linux || darwin || freebsd

package journal_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"lapgate/gateway/journal"
	"lapgate/gateway/record"
)

// A disk that is full is played by a limit on the pages of the database.
func TestPoisoned(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	j := open(t, path)
	stored := appendAll(t, j, shift(t, 2))
	limit := func(pages int) {
		if err := j.LimitPages(t.Context(), pages); err != nil {
			t.Fatal(err)
		}
	}
	limit(1)
	big := record.Hold{Reason: strings.Repeat("x", 100_000)}
	_, first := j.Append(t.Context(), record.Mode{}, big)
	if !errors.Is(first, journal.ErrFull) || !strings.Contains(first.Error(), "the disk is full; make room on it") || strings.Contains(first.Error(), "database or disk is full") {
		t.Fatalf("error %v, want one of a full disk in plain words", first)
	}
	limit(1 << 30) // there is room again, but the file is not trusted any more
	_, second := j.Append(t.Context(), record.Mode{})
	if !errors.Is(second, first) {
		t.Errorf("second error %v, want the first again", second)
	}
	if got := replay(t, j.Reader); len(got) != len(stored) {
		t.Errorf("%d records, want %d", len(got), len(stored))
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	again := open(t, path)
	if s := appendAll(t, again, []record.Record{record.Mode{}}); s[0].Seq != uint64(len(stored)+1) {
		t.Errorf("went on with record %d, want %d", s[0].Seq, len(stored)+1)
	}
	wantClean(t, verify(t, path))
}

const (
	childPath  = "JOURNAL_TEST_CHILD_PATH"
	childLimit = "JOURNAL_TEST_CHILD_LIMIT"
	childStop  = "JOURNAL_TEST_CHILD_STOP" // ends after so many records as if it were killed
)

// TestChild is the other process of the tests below: it appends and says so,
// one number a line, until it is killed or fails.
func TestChild(t *testing.T) {
	path := os.Getenv(childPath)
	if path == "" {
		t.Skip("runs as a process of other tests")
	}
	runtime.LockOSThread() // a fault is injected into a system call by its number in its thread
	j, err := journal.Open(context.Background(), path)
	if err != nil {
		fmt.Println("open:", err)
		os.Exit(1)
	}
	if aside, problem := j.SetAside(); aside != "" {
		fmt.Println("set aside:", problem)
		os.Exit(1)
	}
	stop, _ := strconv.ParseUint(os.Getenv(childStop), 10, 64) // without one it never stops
	if s := os.Getenv(childLimit); s != "" {
		n, err := strconv.ParseUint(s, 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		signal.Ignore(syscall.SIGXFSZ)
		if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &syscall.Rlimit{Cur: n, Max: n}); err != nil {
			t.Fatal(err)
		}
	}
	for n := j.Head().Seq + 1; ; n++ {
		stored, err := j.Append(context.Background(), numbered(n))
		if err != nil {
			_, again := j.Append(context.Background(), numbered(n))
			fmt.Println("failed:", err, "| again the same:", errors.Is(again, err))
			os.Exit(1)
		}
		fmt.Println(stored[0].Seq)
		if stored[0].Seq == stop {
			os.Exit(0)
		}
	}
}

// numbered is a record whose content follows from its number.
func numbered(n uint64) record.Record {
	return record.Hold{On: true, By: "tester", Reason: fmt.Sprintf("record %d %s", n, strings.Repeat("z", int(n*37%900)))}
}

// runChild runs the child until it has told of stopAfter records and kills it,
// or until it ends by itself with stopAfter 0. It returns the last record told
// of, and the last line that was none.
func runChild(t *testing.T, path, limit string, stopAfter int) (acked uint64, message string) {
	t.Helper()
	cmd := exec.Command(os.Args[0], "-test.run=^TestChild$")
	cmd.Env = append(os.Environ(), childPath+"="+path, childLimit+"="+limit)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	n := 0
	for lines := bufio.NewScanner(out); lines.Scan(); {
		seq, err := strconv.ParseUint(lines.Text(), 10, 64)
		if err != nil {
			message = lines.Text()
			continue
		}
		acked = seq
		if n++; n == stopAfter {
			if err := cmd.Process.Kill(); err != nil {
				t.Fatal(err)
			}
		}
	}
	err = cmd.Wait()
	var exit *exec.ExitError
	if !errors.As(err, &exit) {
		t.Fatalf("the child ended with %v", err)
	}
	return acked, message
}

func wantNumbered(t *testing.T, path string, acked uint64) {
	t.Helper()
	r := verify(t, path)
	wantClean(t, r)
	if r.Records < acked {
		t.Fatalf("%d records, but %d were told of", r.Records, acked)
	}
	reader, err := journal.OpenReader(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range replay(t, reader) {
		if s.Record != numbered(s.Seq) {
			t.Fatalf("record %d says %+v", s.Seq, s.Record)
		}
	}
	if err := reader.Close(); err != nil {
		t.Fatal(err)
	}
}

// What was told of is there after kill -9, however often.
func TestKill(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "j.db")
	rng := rand.New(rand.NewPCG(3, 4))
	kills := 20
	if testing.Short() {
		kills = 5
	}
	var last uint64
	for range kills {
		acked, message := runChild(t, path, "", 1+rng.IntN(60))
		if message != "" {
			t.Fatalf("the child says %q", message)
		}
		if acked <= last {
			t.Fatalf("record %d told of after %d", acked, last)
		}
		last = acked
		wantNumbered(t, path, acked)
	}
	j := open(t, path)
	if o := j.Opened(); o.SetAside != "" || o.Records < last {
		t.Errorf("opened %+v, want at least %d records", o, last)
	}
}

// A file that must not grow any more gives a true error of the operating
// system in the middle of a write.
func TestFileLimit(t *testing.T) {
	for _, limit := range []string{"60000", "131072", "200001"} {
		t.Run(limit, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "j.db")
			acked, message := runChild(t, path, limit, 0)
			if acked == 0 || !strings.HasPrefix(message, "failed:") || !strings.HasSuffix(message, "again the same: true") {
				t.Fatalf("after %d records the child says %q", acked, message)
			}
			wantNumbered(t, path, acked)
			j := open(t, path)
			if o := j.Opened(); o.SetAside != "" || o.Records < acked {
				t.Fatalf("opened %+v, want at least %d records", o, acked)
			}
			n := j.Head().Seq
			appendAll(t, j, []record.Record{numbered(n + 1)})
			wantNumbered(t, path, n+1)
		})
	}
}
