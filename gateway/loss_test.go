package gateway_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway"
	"lapgate/gateway/cycle"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
)

// files are the files below a folder with their content.
type files map[string][]byte

func filesOf(t *testing.T, folder string) files {
	t.Helper()
	all := files{}
	err := filepath.WalkDir(folder, func(path string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		all[path], err = os.ReadFile(path)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// put makes the files of a folder that begin with a path what they were.
func (f files) put(t *testing.T, folder, begin string) {
	t.Helper()
	for path := range filesOf(t, folder) {
		if strings.HasPrefix(path, begin) {
			if err := os.Remove(path); err != nil {
				t.Fatal(err)
			}
		}
	}
	for path, content := range f {
		if strings.HasPrefix(path, begin) {
			if err := os.WriteFile(path, content, 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// loss is a line that nobody serves, whose journal is about to be lost.
type loss struct {
	*shop
	folder  string // of the journal
	path    string // of the journal
	state   string // folder of the state
	backup  files  // of before the last roll and the hold
	killed  files  // of the moment before the daemon ended
	options *gateway.Options
}

func (l *loss) do(err error) {
	l.t.Helper()
	if err != nil {
		l.t.Fatal(err)
	}
}

// remove removes the files whose names begin so.
func (l *loss) remove(begin string) { files{}.put(l.t, l.folder, begin) }

// ofSouth writes what the journal tells into one of another line.
func (l *loss) ofSouth() {
	r, err := journal.OpenReader(l.t.Context(), l.path)
	l.do(err)
	all, err := r.List(l.t.Context(), journal.Filter{})
	l.do(errors.Join(err, r.Close()))
	l.remove(l.path)
	j, err := journal.Open(l.t.Context(), l.path, journal.OwnedBy(journal.Owner{Line: "south", Folder: l.state}))
	l.do(err)
	for _, s := range all {
		if s.Record.Kind() != record.KindOrigin {
			_, err := j.Append(l.t.Context(), s.Record)
			l.do(err)
		}
	}
	l.do(j.Close())
}

// damage changes a letter of why the line was armed, in the record and wherever a page
// of the database still has it from before.
func (l *loss) damage() {
	content, err := os.ReadFile(l.path)
	l.do(err)
	damaged := bytes.ReplaceAll(content, []byte(`"go live"`), []byte(`"go love"`))
	if bytes.Equal(damaged, content) {
		l.t.Fatal("the journal does not tell why the line was armed")
	}
	l.do(os.WriteFile(l.path, damaged, 0o600))
}

// cannotOpen lets the journal not be opened, the first times.
func (l *loss) cannotOpen(times int, err error) {
	open := l.options.OpenJournal
	l.options.OpenJournal = func(ctx context.Context, line string) (gateway.Journal, error) {
		if times--; times >= 0 {
			return nil, fmt.Errorf("opening the journal: %w", err)
		}
		return open(ctx, line)
	}
}

// TestArmingAfterJournalLoss arms a line to last, holds it, ends the daemon, loses the
// journal in one of many ways, and starts again, twice. The line is armed again only where
// the journal is the one that it was armed under, and where a hold may be forgotten that
// is told.
func TestArmingAfterJournalLoss(t *testing.T) {
	lost := []string{"holds-unknown", "journal-doubtful"}
	lostAndArmed := append([]string{"shadow"}, lost...)
	kept := []string{"hold-all"}
	reopened := []string{"hold-all", "shadow"}
	for _, c := range []struct {
		name       string
		lose       func(*loss)
		armed      bool
		ended      bool
		conditions []string
	}{
		{"nothing", func(*loss) {}, true, false, kept},
		{"killed, marker of a failed synchronisation", func(l *loss) { l.killed.put(l.t, l.folder, l.folder) }, true, false, kept},
		{"marker on the disk of the state alone", func(l *loss) {
			l.do(os.WriteFile(filepath.Join(l.state, filepath.Base(l.path)+".open"), nil, 0o600))
		}, true, false, kept},
		{"deleted", func(l *loss) { l.do(os.Remove(l.path)) }, false, false, lost},
		{"deleted with the note of the service", func(l *loss) { l.remove(l.path) }, false, false, lost},
		{"deleted with the state", func(l *loss) { l.do(os.Remove(l.path)); l.do(os.RemoveAll(l.state)) }, false, false, lost},
		{"all deleted", func(l *loss) { l.remove(l.path); l.do(os.RemoveAll(l.state)) }, false, false, []string{"holds-unknown"}},
		{"another line's", (*loss).ofSouth, false, false, append(kept, lostAndArmed...)},
		{"another line's, state deleted", func(l *loss) { l.ofSouth(); l.do(os.RemoveAll(l.state)) }, false, false, append(kept, lostAndArmed...)},
		{"older backup", func(l *loss) { l.backup.put(l.t, l.folder, l.path) }, false, false, lostAndArmed},
		{"older backup with its state", func(l *loss) { l.backup.put(l.t, l.folder, l.folder) }, false, false, lostAndArmed},
		{"killed, end missing", func(l *loss) {
			l.killed.put(l.t, l.folder, l.folder)
			l.remove(l.path + "-")
		}, false, false, lost},
		{"damaged", (*loss).damage, false, false, append([]string{"journal-set-aside"}, lost...)},
		{"new beside one set aside", func(l *loss) { l.do(os.Rename(l.path, l.path+".damaged-20260101T000000Z")) }, false, false, lost},
		{"new beside one set aside, state deleted", func(l *loss) {
			l.do(os.Rename(l.path, l.path+".damaged-20260101T000000Z"))
			l.remove(l.path + ".served")
			l.do(os.RemoveAll(l.state))
		}, false, false, lost},
		{"read-only", func(l *loss) { l.cannotOpen(9, syscall.EROFS) }, false, true, nil},
		{"disk full", func(l *loss) { l.cannotOpen(2, journal.ErrFull) }, false, false, reopened},
		{"disk fails", func(l *loss) { l.cannotOpen(2, journal.ErrDisk) }, false, false, reopened},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBench(fitting(1), fitting(2))
				b.wrap = 20 * time.Second
				s := newShadow(t, b, nil)
				ctx, cancel := context.WithCancel(context.Background())
				defer cancel()
				go b.run(ctx)
				l := &loss{shop: s, folder: s.snapshot.Journal.Directory, path: s.snapshot.Journal.Path("north"), state: s.snapshot.Journal.StateFolder()}
				o := s.options()
				o.OpenJournal = gateway.OpenJournals(s.snapshot)
				l.options = &o
				g, stop := s.start(o)
				<-time.After(2 * time.Second) // of virtual time
				if _, err := g.Arm(t.Context(), "north", gateway.Person{By: "kim"}, "go live", &record.Lasting{}); err != nil {
					t.Fatal(err)
				}
				until(t, time.Minute, "a recipe", func() bool { return s.count(record.KindVerdict) == 1 })
				<-time.After(time.Second) // of virtual time, in which nothing is written
				l.backup = filesOf(t, l.folder)
				until(t, time.Minute, "an outcome", func() bool { return s.count(record.KindOutcome) == 1 })
				if err := g.Hold(t.Context(), "north", cycle.HoldAll{On: true, By: "kim", Reason: "the cutter is dull"}); err != nil {
					t.Fatal(err)
				}
				<-time.After(time.Second) // of virtual time
				l.killed = filesOf(t, l.folder)
				l.do(stop())
				c.lose(l)
				s.records = nil
				for start := range 2 {
					g, stop = s.start(o)
					<-time.After(40 * time.Second) // of virtual time
					st := g.Lines()[0]
					conditions := slices.Clone(st.Machine.Conditions)
					slices.Sort(conditions)
					conditions = slices.Compact(conditions)
					want := slices.Sorted(slices.Values(c.conditions))
					if st.Armed != c.armed || st.Ended != c.ended || !slices.Equal(conditions, want) {
						t.Errorf("start %d: armed is %t, ended %t (%s), conditions %v; want %t, %t, %v",
							start, st.Armed, st.Ended, st.Error, conditions, c.armed, c.ended, want)
					}
					if err := stop(); err != nil && !c.ended {
						t.Error(err)
					}
				}
				cancel()
			})
		})
	}
}
