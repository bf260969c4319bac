package main

import (
	"database/sql"
	"os"
	"path/filepath"
	"strings"
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
		wants(t, called(t, exitFailed, append(c, filepath.Join(dir, "none.db"))...), "none.db: no such file or directory; name the file of one line, as journal/north.db")
	}
}

// A journal is read by the line of the configuration that it is of, whatever its file is
// called.
func TestJournalIsReadByItsLine(t *testing.T) {
	t.Parallel()
	journal := demoJournal(t, "6")
	copied := filepath.Join(t.TempDir(), "copied.db")
	called(t, exitDone, "journal", "backup", journal, copied)
	demo, err := os.ReadFile(demoOnDisk(t))
	if err != nil {
		t.Fatal(err)
	}
	// A line before it, of other limits.
	head, lines, found := strings.Cut(string(demo), "\nlines:\n")
	if !found {
		t.Fatal("the demo has no lines")
	}
	other := strings.NewReplacer("name: north", "name: south", "width: 34 in", "width: 33 in", "tolerance: 6 mm", "tolerance: 9 mm", "127.0.0.1:1502", "127.0.0.1:1503").Replace(lines)
	two := filepath.Join(t.TempDir(), "two.yaml")
	if err := os.WriteFile(two, []byte(head+"\nlines:\n"+other+lines), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{journal, copied} {
		for _, c := range [][]string{{"why", "2", path}, {"report", path, "--html", filepath.Join(t.TempDir(), "x.html")}} {
			own := called(t, exitDone, append(c, "--config", two)...)
			named := called(t, exitDone, append(c, "--config", two, "--line", "north")...)
			if other := called(t, exitDone, append(c, "--config", two, "--line", "south")...); own != named || own == other {
				t.Errorf("%v told by another line than its own:\n%s", c, own)
			}
		}
		wants(t, called(t, exitDone, "replay", path, "--config", two), "line +north", "changed +0")
	}
}

func TestNewestCounts(t *testing.T) {
	t.Parallel()
	for _, n := range []string{"0", "-3"} {
		wants(t, called(t, exitUsage, "journal", "list", "any.db", "-n", n), "--newest: got "+n+", want 1 or more")
	}
}

// An export that fails on the way leaves no file that looks whole, and so stands in the way
// of the next one.
func TestExportIsWholeOrNotAtAll(t *testing.T) {
	t.Parallel()
	journal := demoJournal(t, "8")
	db, err := sql.Open("sqlite", journal)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := db.Exec(`DROP TRIGGER records_never_change; UPDATE records SET body = replace(body, ':', ': ') WHERE seq = (SELECT max(seq) FROM records)`); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	for _, format := range exportFormats {
		to := filepath.Join(t.TempDir(), "rolls")
		wants(t, called(t, exitDifferences, "journal", "export", journal, "--format", format, "--output", to), "is damaged at record")
		if _, err := os.Stat(to); !os.IsNotExist(err) {
			t.Errorf("%s: there is a file: %v", format, err)
		}
	}
}

// What is named and cannot be read, or is there already, is told with what is wanted.
func TestFilesThatAreNot(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	for _, c := range [][]string{{"widths"}, {"recipe"}, {"words"}, {"tags", "import"}, {"calibrate", "--config", demoOnDisk(t), "--by", "kim", "--bond"}} {
		wants(t, called(t, exitFailed, append(c, filepath.Join(dir, "none.csv"))...), "none.csv: no such file or directory; name a file that can be read")
		wants(t, called(t, exitFailed, append(c, dir)...), dir+": is a directory; name a file that can be read")
	}
	there := demoOnDisk(t)
	for _, c := range [][]string{{"handbook", "--output", there}, {"init", there}} {
		wants(t, called(t, exitFailed, c...), there+" is there already and stays as it is; name a file that is not there yet")
	}
}
