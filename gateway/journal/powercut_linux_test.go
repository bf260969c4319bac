package journal_test

import (
	"flag"
	"fmt"
	"math/rand/v2"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"lapgate/gateway/journal"
	"lapgate/gateway/record"
)

var images = flag.Int("images", 60, "images of a power cut that are opened, after each kind of failed synchronisation together")

// After a synchronisation that failed the journal is opened again, goes on, and the
// power is cut. No record that was told of is lost. What reaches the disk is played
// after the system calls of the true program, with the fault injected into one.
func TestPowerCutAfterFailedSync(t *testing.T) {
	if testing.Short() {
		t.Skip("slow, and nothing is shared")
	}
	t.Parallel()
	if _, err := exec.LookPath("strace"); err != nil {
		t.Skip("needs strace: ", err)
	}
	const records = 290 // the log is carried over once
	faults := syncsToFail(t, traced(t, filepath.Join(t.TempDir(), "j.db"), records, ""))
	each := (*images + len(faults) - 1) / len(faults)
	bad, all := 0, 0
	for i, n := range faults {
		folder := t.TempDir()
		path := filepath.Join(folder, "j.db")
		first := traced(t, path, records, fmt.Sprintf("fsync,fdatasync:error=EIO:when=%d", n))
		if !said(first, "failed:") {
			t.Errorf("synchronisation %d failed, and nobody said so", n)
		}
		second := traced(t, path, told(first)+40, "")
		for k := range each {
			rng := rand.New(rand.NewPCG(uint64(i), uint64(k)))
			d := newDisk(rng.Uint64())
			for c := range first {
				d.do(&first[c], folder)
			}
			d.begin()
			for c := range rng.IntN(len(second) + 1) {
				d.do(&second[c], folder)
			}
			image := t.TempDir()
			d.cut(t, image, rng)
			all++
			if err := holds(t, filepath.Join(image, "j.db"), d.acked); err != nil {
				bad++
				t.Logf("synchronisation %d, image %d: %v", n, k, err)
			}
		}
	}
	t.Logf("%d of %d images bad, after %d failed synchronisations", bad, all, len(faults))
	if bad > 0 {
		t.Errorf("%d of %d images lost a record", bad, all)
	}
}

// syncsToFail chooses synchronisations by their number: of the log early and late, and
// each of a run that carries the log over into the database.
func syncsToFail(t *testing.T, calls []call) (out []int) {
	t.Helper()
	n, paths := 0, map[int]string{}
	for _, c := range calls {
		switch c.name {
		case "openat":
			paths[c.result] = c.path
		case "fsync", "fdatasync":
			n++
			carried := strings.HasSuffix(paths[c.fd], ".db") && told(calls) > 0
			if n == 25 || n == 60 || n == 61 || n == 200 {
				out = append(out, n)
			} else if carried && n > 200 {
				out = append(out, n-1, n) // the log first, then the database
			}
		}
	}
	if len(out) < 6 {
		t.Fatalf("only the synchronisations %v of %d are worth failing", out, n)
	}
	return out
}

// told is the newest record that was told of.
func told(calls []call) uint64 {
	d := newDisk(0)
	for i := range calls {
		d.do(&calls[i], "")
	}
	return d.acked
}

func said(calls []call, word string) bool {
	for _, c := range calls {
		if c.fd == 1 && strings.Contains(string(c.data), word) {
			return true
		}
	}
	return false
}

// holds opens what the cut left and returns what is wrong with it.
func holds(t *testing.T, path string, acked uint64) error {
	t.Helper()
	j, err := journal.Open(t.Context(), path)
	if err != nil {
		return err
	}
	defer func() {
		if err := j.Close(); err != nil {
			t.Error(err)
		}
	}()
	if _, problem := j.SetAside(); problem != "" {
		return fmt.Errorf("set aside: %s", problem)
	}
	if j.Head().Seq < acked {
		return fmt.Errorf("%d records were told of, %d are there", acked, j.Head().Seq)
	}
	return j.Replay(t.Context(), func(s record.Stored) error {
		if s.Record != numbered(s.Seq) {
			return fmt.Errorf("record %d says %+v", s.Seq, s.Record)
		}
		return nil
	})
}
