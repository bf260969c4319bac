package journal_test

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"lapgate/gateway/journal"
	"lapgate/gateway/record"
)

// closedOff is a journal of a line with three files, and all that was appended.
func closedOff(t *testing.T, m *mill) (all []record.Stored) {
	t.Helper()
	j := m.open("north")
	records := shift(t, 30)
	past := record.NewPast()
	take := func(s []record.Stored) {
		for _, s := range s {
			if err := past.Add(s.Record); err != nil {
				t.Fatal(err)
			}
		}
		all = append(all, s...)
	}
	begun := 0
	for i, end := range []int{51, 101, 151} { // ten rolls each
		take(appendAll(t, j, records[begun:end]))
		begun = end
		if i == 2 {
			break
		}
		a, err := j.CloseOff(t.Context(), record.Carry{Past: past.Carried(), Mode: &record.Mode{By: "kim"}})
		if err != nil {
			t.Fatal(err)
		}
		if left := beside(t, a.Path); len(left) != 1 {
			t.Errorf("beside the archive lies %v", left)
		}
	}
	m.must(j.Close())
	return all
}

func beside(t *testing.T, path string) []string {
	t.Helper()
	found, err := filepath.Glob(path + "*")
	if err != nil {
		t.Fatal(err)
	}
	return found
}

// A journal that was closed off twice is one chain: everything is found through the
// live file, and each file reads alone.
func TestCloseOff(t *testing.T) {
	m := newMill(t)
	all := closedOff(t, m)
	r := verify(t, m.path("north"))
	wantClean(t, r)
	if len(r.Archives) != 2 || r.Records != uint64(len(all))+5 || r.First != 0 {
		t.Fatalf("report %+v", r)
	}
	whole, err := journal.OpenWhole(t.Context(), m.path("north"))
	m.must(err)
	defer func() { m.must(whole.Close()) }()
	var seen []record.Stored
	m.must(whole.Replay(t.Context(), func(s record.Stored) error {
		switch s.Record.(type) {
		case record.Origin, record.Carry:
		default:
			seen = append(seen, s)
		}
		return nil
	}))
	if !reflect.DeepEqual(seen, all) {
		t.Error("the chain holds other records than were appended")
	}
	for _, f := range []journal.Filter{
		{Roll: 3}, {Roll: 12}, {Kind: record.KindOutcome, Limit: 12}, {Limit: 70, Newest: true}, {FromSeq: 50, ToSeq: 60},
		{From: all[40].At, To: all[120].At}, {From: all[140].At}, {To: all[3].At}, {From: all[150].At.Add(time.Hour)},
	} {
		got, err := whole.List(t.Context(), f)
		m.must(err)
		got = slices.DeleteFunc(got, func(s record.Stored) bool {
			return s.Record.Kind() == record.KindOrigin || s.Record.Kind() == record.KindCarry
		})
		want := slices.DeleteFunc(slices.Clone(all), func(s record.Stored) bool {
			return f.Roll != 0 && s.Record.RollNo() != f.Roll || f.Kind != "" && s.Record.Kind() != f.Kind || s.Seq < f.FromSeq || f.ToSeq != 0 && s.Seq > f.ToSeq ||
				!f.From.IsZero() && s.At.Before(f.From) || !f.To.IsZero() && !s.At.Before(f.To)
		})
		if f.Limit > 0 && f.Newest {
			n := len(got)
			want = want[len(want)-n:]
		} else if f.Limit > 0 {
			want = want[:f.Limit]
		}
		if len(got) == 0 && len(want) == 0 {
			continue
		}
		if !reflect.DeepEqual(got, want) {
			t.Errorf("%+v: got %d records, want %d", f, len(got), len(want))
		}
	}
	archives, err := journal.Archives(m.path("north"))
	m.must(err)
	for _, a := range archives {
		r := verify(t, a.Path)
		wantClean(t, r)
		// The head that an archive ends with is in the chain, as long as the archive is.
		wantClean(t, verify(t, m.path("north"), journal.ExpectHead(r.Head)))
		forged := r.Head
		forged.Hash[0]++
		if r := verify(t, m.path("north"), journal.ExpectHead(forged)); r.OK() {
			t.Error("a head that never was is found in the chain")
		}
	}
	// The daemon goes on from the live file alone.
	j := m.open("north")
	past := record.NewPast()
	m.must(j.Replay(t.Context(), func(s record.Stored) error { return past.Add(s.Record) }))
	m.must(j.Close())
	if past.Outcomes != 30 || j.Doubts() != nil {
		t.Errorf("the live file tells of %d outcomes, want 30; doubts %v", past.Outcomes, j.Doubts())
	}
}

// What is done to archives is found.
func TestArchivesVerified(t *testing.T) {
	for _, c := range []struct {
		name, want string
		do         func(m *mill, a []journal.Archive)
	}{
		{"the middle one deleted", "is not there", func(m *mill, a []journal.Archive) { m.must(os.Remove(a[1].Path)) }},
		{"the middle one replaced", "it names", func(m *mill, a []journal.Archive) {
			other := newMill(m.t)
			closedOff(m.t, other)
			b, err := journal.Archives(other.path("north"))
			m.must(err)
			m.must(os.Remove(a[1].Path))
			m.copy(b[1].Path, a[1].Path)
		}},
		{"cut", "", func(m *mill, a []journal.Archive) {
			m.must(os.Chmod(a[0].Path, 0o600))
			m.must(os.Truncate(a[0].Path, 8192))
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := newMill(t)
			closedOff(t, m)
			archives, err := journal.Archives(m.path("north"))
			m.must(err)
			c.do(m, archives)
			r, err := journal.Verify(t.Context(), m.path("north"))
			if err != nil {
				var damage *journal.DamageError
				if c.want != "" || !errors.As(err, &damage) {
					t.Fatal(err)
				}
				return
			}
			if r.OK() || !strings.Contains(r.Problems[0].String(), c.want) {
				t.Errorf("problems %v, want one that says %q", r.Problems, c.want)
			}
		})
	}
}

// The oldest archives may go by rule, and what is left is sound; not one with outcomes
// that are not acknowledged.
func TestRetention(t *testing.T) {
	m := newMill(t)
	closedOff(t, m)
	tend := func(rule journal.Rule, acked uint32) journal.Tended {
		t.Helper()
		j := m.open("north")
		done, err := j.Tend(t.Context(), rule, acked, func() (record.Carry, bool) { t.Error("closed off"); return record.Carry{}, false })
		m.must(err)
		m.must(j.Close())
		return done
	}
	if done := tend(journal.Rule{Keep: time.Hour}, 30); done.Removed != nil {
		t.Errorf("removed before its time: %v", done.Removed)
	}
	if done := tend(journal.Rule{}, 30); done.Removed != nil {
		t.Errorf("removed without a rule: %v", done.Removed)
	}
	if done := tend(journal.Rule{Keep: time.Nanosecond}, 9); done.Removed != nil {
		t.Errorf("removed with outcomes that are not acknowledged: %v", done.Removed)
	}
	if done := tend(journal.Rule{Keep: time.Nanosecond}, 10); len(done.Removed) != 1 {
		t.Errorf("removed %v, want the oldest", done.Removed)
	}
	r := verify(t, m.path("north"))
	wantClean(t, r)
	if r.First == 0 || len(r.Archives) != 1 {
		t.Errorf("report %+v", r)
	}
	if r := verify(t, m.path("north"), journal.ExpectHead(journal.Head{Seq: 3})); r.OK() || !strings.Contains(r.Problems[0].Text, "an archive that is not there") {
		t.Errorf("a head of an archive that is gone: %v", r.Problems)
	}
	if done := tend(journal.Rule{Keep: time.Nanosecond}, 30); len(done.Removed) != 1 {
		t.Errorf("removed %v, want the other", done.Removed)
	}
	wantClean(t, verify(t, m.path("north")))
	if d := m.serve("north", 1); d != nil {
		t.Errorf("doubts %v", d)
	}
}

// What an engine keeps too stays here until it has been there for a month, and begins
// anew where the engine forgot it.
func TestShippedStays(t *testing.T) {
	m := newMill(t)
	closedOff(t, m)
	archives, err := journal.Archives(m.path("north"))
	m.must(err)
	now := time.Now()
	tend := func(after time.Duration, shipped uint64) (removed int) {
		t.Helper()
		now = now.Add(after)
		j, err := journal.OpenBy(t.Context(), m.path("north"), func() time.Time { return now })
		m.must(err)
		done, err := j.Tend(t.Context(), journal.Rule{Keep: time.Hour, Shipped: &shipped}, 30, func() (record.Carry, bool) { return record.Carry{}, false })
		m.must(err)
		m.must(j.Close())
		return len(done.Removed)
	}
	const day = 24 * time.Hour
	for _, c := range []struct {
		name    string
		after   time.Duration
		shipped uint64
		want    int
	}{
		{"not shipped", 400 * day, 0, 0},
		{"all but one record", day, archives[0].Last - 1, 0},
		{"shipped", day, archives[0].Last, 0},
		{"for less than a month", 29 * day, archives[1].Last, 0},
		{"forgotten", day, 0, 0},
		{"shipped again", day, archives[1].Last, 0},
		{"and again for less than a month", 29 * day, archives[1].Last, 0},
		{"for a month, and the other forgotten", day, archives[1].Last - 1, 1},
		{"the other again", day, archives[1].Last, 0},
		{"for a month", 30 * day, archives[1].Last, 1},
	} {
		if got := tend(c.after, c.shipped); got != c.want {
			t.Errorf("%s: %d archives removed, want %d", c.name, got, c.want)
		}
	}
	if left := beside(t, archives[0].Path); left != nil {
		t.Errorf("left %v", left)
	}
	wantClean(t, verify(t, m.path("north")))
}

// The name of a journal is the hash of its first record, also where the archive that had
// it is gone.
func TestName(t *testing.T) {
	m := newMill(t)
	closedOff(t, m)
	name := func() (journal.Hash, journal.Head) {
		t.Helper()
		r, err := journal.OpenWhole(t.Context(), m.path("north"))
		m.must(err)
		defer func() { m.must(r.Close()) }()
		n, before, err := r.Name(t.Context())
		m.must(err)
		return n, before
	}
	archives, err := journal.Archives(m.path("north"))
	m.must(err)
	var first journal.Hash
	r, err := journal.OpenReader(t.Context(), archives[0].Path)
	m.must(err)
	m.must(r.Walk(t.Context(), journal.Filter{Limit: 1}, func(e journal.Entry) error { first = e.Hash; return nil }))
	head, err := r.Head(t.Context())
	m.must(err)
	m.must(r.Close())
	if n, before := name(); n != first || before != (journal.Head{}) {
		t.Errorf("named %s after %s, want %s", n, before, first)
	}
	m.must(os.Remove(archives[0].Path))
	if n, before := name(); n != first || before != head {
		t.Errorf("without its first archive named %s after %s, want %s after %s", n, before, first, head)
	}
}

// A journal is closed off when it is large or old enough, and the machine lets go.
func TestTend(t *testing.T) {
	m := newMill(t)
	j := m.open("north")
	defer func() { m.must(j.Close()) }()
	appendAll(t, j, shift(t, 2))
	for _, c := range []struct {
		name string
		rule journal.Rule
		let  bool
		want bool
	}{
		{"small and young", journal.Rule{Size: 1 << 30, Age: time.Hour}, true, false},
		{"no rule", journal.Rule{}, true, false},
		{"an offer is open", journal.Rule{Size: 1}, false, false},
		{"large", journal.Rule{Size: 1}, true, true},
		{"old", journal.Rule{Age: time.Nanosecond}, true, true},
	} {
		done, err := j.Tend(t.Context(), c.rule, 0, func() (record.Carry, bool) { return record.Carry{Past: (&record.Past{}).Carried()}, c.let })
		if err != nil || (done.Closed != "") != c.want {
			t.Errorf("%s: %+v, %v", c.name, done, err)
		}
	}
	appendAll(t, j, []record.Record{record.Mode{}})
	wantClean(t, verify(t, m.path("north")))
}

// Somebody who reads has the journal closed off later, and nothing is lost of it.
func TestCloseOffWhileRead(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	j := open(t, path)
	appendAll(t, j, shift(t, 2))
	r, err := journal.OpenReader(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	carry := record.Carry{Past: (&record.Past{}).Carried()}
	if _, err := j.CloseOff(t.Context(), carry); !errors.Is(err, journal.ErrBeingRead) {
		t.Errorf("closed off with %v, want ErrBeingRead", err)
	}
	appendAll(t, j, []record.Record{record.Mode{}})
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := j.CloseOff(t.Context(), carry); err != nil {
		t.Error(err)
	}
	appendAll(t, j, []record.Record{record.Mode{}})
	wantClean(t, verify(t, path))
}

// A fault while the files are exchanged leaves the journal in its place.
func TestExchangeFails(t *testing.T) {
	for _, c := range []struct {
		name string
		do   func(m *mill, archive string)
	}{
		{"the next file is gone", func(*mill, string) {}},
		{"the archive has no folder", func(m *mill, _ string) { m.must(os.WriteFile(m.path("north")+".next", []byte("next"), 0o600)) }},
		{"the archive is there", func(m *mill, archive string) {
			m.must(os.WriteFile(m.path("north")+".next", []byte("next"), 0o600))
			m.must(os.WriteFile(archive, []byte("older"), 0o600))
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := newMill(t)
			m.serve("north", 3)
			archive := m.path("archive")
			if strings.Contains(c.name, "folder") {
				archive = filepath.Join(m.dir, "none", "archive.db")
			}
			c.do(m, archive)
			before, err := os.ReadFile(m.path("north"))
			m.must(err)
			if err := journal.Exchange(m.path("north"), archive); err == nil {
				t.Error("exchanged")
			}
			after, err := os.ReadFile(m.path("north"))
			m.must(err)
			if !bytes.Equal(before, after) {
				t.Error("another file stands in the place of the journal")
			}
		})
	}
}

// The files are exchanged in steps, and after each of them the next opening goes on.
func TestCloseOffCutShort(t *testing.T) {
	for _, renamed := range []bool{false, true} {
		m := newMill(t)
		all := closedOff(t, m)
		path := m.path("north")
		archives, err := journal.Archives(path)
		m.must(err)
		last := archives[len(archives)-1].Path
		if renamed { // the archive has its name, the next file has not
			m.must(os.Rename(path, path+".next"))
		} else { // the next file is made, nothing else
			m.copy(path, path+".next")
			m.must(os.Rename(last, last+".x"))
			m.must(os.Chmod(last+".x", 0o600))
			m.must(os.Rename(last+".x", path))
		}
		j, err := journal.Open(context.Background(), path)
		m.must(err)
		if o := j.Opened(); o.Created || o.SetAside != "" {
			t.Errorf("opened %+v", o)
		}
		want := all[len(all)-1].Seq
		if !renamed {
			want = archives[len(archives)-1].Last
		}
		if j.Head().Seq != want {
			t.Errorf("goes on from %d, want %d", j.Head().Seq, want)
		}
		m.must(j.Close())
		wantClean(t, verify(t, path))
		if left := beside(t, path+".next"); left != nil {
			t.Errorf("left %v", left)
		}
	}
}

// What was read of the file stays in memory only until the journal is looked after.
func TestTendGivesPagesBack(t *testing.T) {
	j := open(t, filepath.Join(t.TempDir(), "j.db"))
	appendAll(t, j, shift(t, 20))
	replay(t, j.Reader)
	read, err := j.CachedBytes(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := j.Tend(t.Context(), journal.Rule{}, 0, nil); err != nil {
		t.Fatal(err)
	}
	left, err := j.CachedBytes(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	const page = 4096
	if read < 4*page || left > read-3*page {
		t.Errorf("%d bytes are kept after it was read, %d after it was looked after", read, left)
	}
	appendAll(t, j, []record.Record{record.Gap{FromRoll: 1}})
}
