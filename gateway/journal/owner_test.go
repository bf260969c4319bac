package journal_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"lapgate/gateway/journal"
	"lapgate/gateway/record"
)

// mill is a folder of journals and the state of the installation outside of it.
type mill struct {
	t          *testing.T
	dir, state string
}

func newMill(t *testing.T) *mill { return &mill{t, t.TempDir(), t.TempDir()} }

func (m *mill) path(line string) string { return filepath.Join(m.dir, line+".db") }

func (m *mill) open(line string) *journal.Journal {
	m.t.Helper()
	j, err := journal.Open(m.t.Context(), m.path(line), journal.OwnedBy(journal.Owner{Line: line, Folder: m.state}))
	if err != nil {
		m.t.Fatal(err)
	}
	return j
}

// serve opens the journal of a line, lets a few records be made, and closes it. It
// returns what was doubted.
func (m *mill) serve(line string, records int) []string {
	m.t.Helper()
	j := m.open(line)
	doubts := j.Doubts()
	for range records {
		appendAll(m.t, j, []record.Record{record.Mode{}})
	}
	if err := j.Close(); err != nil {
		m.t.Fatal(err)
	}
	return doubts
}

func (m *mill) must(err error) {
	m.t.Helper()
	if err != nil {
		m.t.Fatal(err)
	}
}

func (m *mill) copy(from, to string) {
	m.t.Helper()
	b, err := os.ReadFile(from)
	m.must(err)
	m.must(os.WriteFile(to, b, 0o600))
}

// Each way to end up with another journal than the one that the line last wrote is
// told, and told again until it is accepted.
func TestDoubts(t *testing.T) {
	for _, c := range []struct {
		name string
		do   func(m *mill)
		want []string // each in one of the doubts; none for no doubt
	}{
		{"left alone", func(*mill) {}, nil},
		{"state lags, as after a kill", func(m *mill) {
			m.copy(filepath.Join(m.state, "north.json"), m.path("kept"))
			m.serve("north", 5)
			m.copy(m.path("kept"), filepath.Join(m.state, "north.json"))
		}, nil},
		{"deleted", func(m *mill) { m.must(os.Remove(m.path("north"))) }, []string{"had 11 records", "it has 0"}},
		{"restored from a backup", func(m *mill) {
			m.copy(m.path("north"), m.path("backup"))
			m.serve("north", 5)
			m.copy(m.path("backup"), m.path("north"))
		}, []string{"had 16 records", "it has 11"}},
		{"written anew since a backup", func(m *mill) {
			m.copy(m.path("north"), m.path("backup"))
			m.serve("north", 1)
			m.copy(filepath.Join(m.state, "north.json"), m.path("kept"))
			m.copy(m.path("backup"), m.path("north"))
			m.serve("north", 5)
			m.copy(m.path("kept"), filepath.Join(m.state, "north.json"))
		}, []string{"had 12 records"}},
		{"that of another line", func(m *mill) {
			m.serve("south", 20)
			m.copy(m.path("south"), m.path("north"))
		}, []string{"had 11 records", "it is the journal of line south"}},
		{"that of another installation, on a line that never ran", func(m *mill) {
			m.must(os.Remove(filepath.Join(m.state, "north.json")))
			other := newMill(m.t)
			other.serve("north", 3)
			m.copy(other.path("north"), m.path("north"))
		}, []string{"it is of installation"}},
		{"begun anew beside one set aside", func(m *mill) {
			m.must(os.WriteFile(m.path("north"), []byte("no database, and longer than a header of one has to be to be read as one"), 0o600))
		}, []string{"had 11 records", "set aside"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := newMill(t)
			if d := m.serve("north", 10); d != nil {
				t.Fatalf("the first start doubts %v", d)
			}
			c.do(m)
			for start := range 2 { // nobody accepts, and no record tells of it
				got := m.serve("north", 0)
				if (len(c.want) == 0) != (len(got) == 0) {
					t.Fatalf("start %d: doubts %q, want %q", start, got, c.want)
				}
				for _, w := range c.want {
					if start == 0 && !strings.Contains(strings.Join(got, "\n"), w) {
						t.Errorf("doubts %q, want %q among them", got, w)
					}
				}
			}
			j := m.open("north")
			appendAll(t, j, []record.Record{record.Doubt{Doubts: j.Doubts()}, record.Accept{By: "kim", Reason: "looked at"}})
			m.must(j.Close())
			if got := m.serve("north", 0); got != nil {
				t.Errorf("after it was accepted doubts %q", got)
			}
		})
	}
}

// A journal of a version that knew no origin is gone on with, and doubted when it is
// exchanged.
func TestJournalWithoutOrigin(t *testing.T) {
	m := newMill(t)
	j := open(t, m.path("north"))
	appendAll(t, j, shift(t, 2))
	m.must(j.Close())
	if d := m.serve("north", 1); d != nil {
		t.Errorf("doubts %q", d)
	}
	m.must(os.Remove(m.path("north")))
	if d := m.serve("north", 1); d == nil {
		t.Error("no doubt of a journal that is gone")
	}
}

// A new journal names line and installation in its first record, and all lines of an
// installation name the same.
func TestOrigin(t *testing.T) {
	m := newMill(t)
	var first []record.Origin
	for _, line := range []string{"north", "south"} {
		m.serve(line, 2)
		r, err := journal.OpenReader(t.Context(), m.path(line))
		m.must(err)
		records, err := r.List(t.Context(), journal.Filter{ToSeq: 1})
		m.must(err)
		m.must(r.Close())
		o, ok := records[0].Record.(record.Origin)
		if !ok || o.Line != line || len(o.Installation) != 32 {
			t.Errorf("record 1 is %+v", records[0])
		}
		first = append(first, o)
	}
	if first[0].Installation != first[1].Installation {
		t.Errorf("two lines name installations %v", first)
	}
	m.must(os.WriteFile(filepath.Join(m.state, "installation"), []byte("?\n"), 0o600))
	_, err := journal.Open(t.Context(), m.path("north"), journal.OwnedBy(journal.Owner{Line: "north", Folder: m.state}))
	if err == nil || !strings.Contains(err.Error(), "32 hexadecimal digits") {
		t.Errorf("a spoilt installation: %v", err)
	}
}
