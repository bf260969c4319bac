package journal_test

import (
	"database/sql"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"lapgate/gateway/journal"
	"lapgate/gateway/record"
)

var damaged = flag.Int("damaged", 500, "journals that are damaged: bits flipped, pages lost, ends cut off")

// closedJournal writes records to a new journal and closes it.
func closedJournal(t testing.TB, records []record.Record) (path string, stored []record.Stored, head journal.Head) {
	t.Helper()
	path = filepath.Join(t.TempDir(), "j.db")
	j, err := journal.OpenBy(t.Context(), path, ticking())
	if err != nil {
		t.Fatal(err)
	}
	stored = appendAll(t, j, records)
	head = j.Head()
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	return path, stored, head
}

// copyOf copies a closed journal, which is faster than writing it again.
func copyOf(t testing.TB, path string) string {
	t.Helper()
	to := filepath.Join(t.TempDir(), "j.db")
	if err := os.WriteFile(to, []byte(content(t, path)), 0o600); err != nil {
		t.Fatal(err)
	}
	return to
}

// tamper works on a closed journal as somebody with a database tool would, who
// also puts the triggers back.
func tamper(t testing.TB, path string, work func(db *sql.DB)) {
	t.Helper()
	db, err := sql.Open("sqlite", journal.URI(path, "mode=rw"))
	if err != nil {
		t.Fatal(err)
	}
	db.SetMaxOpenConns(1)
	rows, err := db.Query(`SELECT name, sql FROM sqlite_master WHERE type = 'trigger' ORDER BY name`)
	if err != nil {
		t.Fatal(err)
	}
	var names, made []string
	for rows.Next() {
		var n, s string
		if err := rows.Scan(&n, &s); err != nil {
			t.Fatal(err)
		}
		names, made = append(names, n), append(made, s)
	}
	if err := rows.Err(); err != nil || len(names) != 2 {
		t.Fatalf("triggers %v, %v", names, err)
	}
	for _, n := range names {
		do(t, db, `DROP TRIGGER `+n)
	}
	work(db)
	for _, s := range made {
		do(t, db, s)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
}

func do(t testing.TB, db *sql.DB, stmt string, args ...any) {
	t.Helper()
	if _, err := db.Exec(stmt, args...); err != nil {
		t.Fatalf("%s: %v", stmt, err)
	}
}

// rehash makes the hashes hold again from a record on, as a forger would who
// knows the format.
func rehash(t testing.TB, db *sql.DB, from int64) {
	t.Helper()
	type rec struct {
		seq, at    int64
		kind, body string
	}
	var all []rec
	var prev journal.Hash
	if from > 1 {
		var b []byte
		if err := db.QueryRow(`SELECT hash FROM records WHERE seq = ?`, from-1).Scan(&b); err != nil {
			t.Fatal(err)
		}
		copy(prev[:], b)
	}
	rows, err := db.Query(`SELECT seq, at, kind, body FROM records WHERE seq >= ? ORDER BY seq`, from)
	if err != nil {
		t.Fatal(err)
	}
	for rows.Next() {
		var r rec
		if err := rows.Scan(&r.seq, &r.at, &r.kind, &r.body); err != nil {
			t.Fatal(err)
		}
		all = append(all, r)
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	for _, r := range all {
		h := journal.HashOf(prev, uint64(r.seq), r.at, r.kind, []byte(r.body))
		do(t, db, `UPDATE records SET prev_hash = ?, hash = ? WHERE seq = ?`, prev[:], h[:], r.seq)
		prev = h
	}
}

func TestVerifyFinds(t *testing.T) {
	whole, _, head := closedJournal(t, shift(t, 3))
	if head.Seq != 16 {
		t.Fatalf("head %v, want 16 records", head)
	}
	const update = `UPDATE records SET `
	for _, c := range []struct {
		name string
		work func(t *testing.T, db *sql.DB)
		want []string // "seq code", in order
	}{
		{"changed body", func(t *testing.T, db *sql.DB) {
			do(t, db, update+`body = replace(body, '12503', '12504') WHERE seq = 7`)
		}, []string{"7 record"}},
		{"changed date", func(t *testing.T, db *sql.DB) { do(t, db, update+`at = at + 1 WHERE seq = 7`) }, []string{"7 record"}},
		{"changed kind", func(t *testing.T, db *sql.DB) { do(t, db, update+`kind = 'VOID' WHERE seq = 7`) }, []string{"7 record"}},
		{"changed roll column", func(t *testing.T, db *sql.DB) { do(t, db, update+`roll_no = 9 WHERE seq = 7`) }, []string{"7 record"}},
		{"changed hash", func(t *testing.T, db *sql.DB) {
			do(t, db, update+`hash = zeroblob(32) WHERE seq = 7`)
		}, []string{"7 record", "8 chain"}},
		{"short hash", func(t *testing.T, db *sql.DB) {
			do(t, db, update+`hash = x'00' WHERE seq = 7`)
		}, []string{"7 record", "8 chain"}},
		{"changed, own hash made to hold", func(t *testing.T, db *sql.DB) {
			do(t, db, update+`at = at + 1 WHERE seq = 7`)
			var prev, body []byte
			var at int64
			var kind string
			if err := db.QueryRow(`SELECT prev_hash, at, kind, body FROM records WHERE seq = 7`).Scan(&prev, &at, &kind, &body); err != nil {
				t.Fatal(err)
			}
			h := journal.HashOf(journal.Hash(prev), 7, at, kind, body)
			do(t, db, update+`hash = ? WHERE seq = 7`, h[:])
		}, []string{"8 chain"}},
		{"missing", func(t *testing.T, db *sql.DB) {
			do(t, db, `DELETE FROM records WHERE seq IN (7, 8)`)
		}, []string{"9 missing"}},
		{"first missing", func(t *testing.T, db *sql.DB) { do(t, db, `DELETE FROM records WHERE seq = 1`) }, []string{"2 missing"}},
		{"missing and closed up", func(t *testing.T, db *sql.DB) {
			do(t, db, `DELETE FROM records WHERE seq = 7`)
			do(t, db, update+`seq = seq - 1 WHERE seq > 7`)
		}, []string{"7 record", "7 chain", "8 record", "9 record", "10 record", "11 record", "12 record", "13 record", "14 record", "15 record"}},
		{"reordered", func(t *testing.T, db *sql.DB) {
			do(t, db, update+`seq = 1000 WHERE seq = 7`)
			do(t, db, update+`seq = 7 WHERE seq = 8`)
			do(t, db, update+`seq = 8 WHERE seq = 1000`)
		}, []string{"7 record", "7 chain", "8 record", "8 chain", "9 chain"}},
		{"duplicated", func(t *testing.T, db *sql.DB) {
			do(t, db, `INSERT INTO records SELECT 17, at, kind, roll_no, body, prev_hash, hash FROM records WHERE seq = 16`)
		}, []string{"17 record", "17 chain"}},
		{"duplicated with hashes that hold", func(t *testing.T, db *sql.DB) {
			do(t, db, `INSERT INTO records SELECT 17, at, kind, roll_no, body, prev_hash, hash FROM records WHERE seq = 16`)
			rehash(t, db, 17)
		}, []string{"17 order", "17 order"}},
		{"forged in full", func(t *testing.T, db *sql.DB) {
			do(t, db, update+`body = replace(body, '"verdict":"accepted"', '"verdict":"rejected"') WHERE seq = 5`)
			rehash(t, db, 5)
		}, []string{"6 order"}},
		{"unknown field with hashes that hold", func(t *testing.T, db *sql.DB) {
			do(t, db, update+`body = replace(body, '{"roll_no":1,', '{"colour":1,"roll_no":1,') WHERE seq = 4`)
			rehash(t, db, 4)
		}, []string{"4 record"}},
		{"below the first", func(t *testing.T, db *sql.DB) {
			do(t, db, `INSERT INTO records SELECT -3, at, kind, roll_no, body, prev_hash, hash FROM records WHERE seq = 16`)
		}, []string{"0 record"}},
		{"another table", func(t *testing.T, db *sql.DB) { do(t, db, `CREATE TABLE t (x)`) }, []string{"0 schema"}},
		{"index gone", func(t *testing.T, db *sql.DB) { do(t, db, `DROP INDEX records_by_roll`) }, []string{"0 schema"}},
		{"mark of the file", func(t *testing.T, db *sql.DB) { do(t, db, `PRAGMA application_id = 5`) }, []string{"0 schema"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := copyOf(t, whole)
			tamper(t, path, func(db *sql.DB) { c.work(t, db) })
			r := verify(t, path)
			var got []string
			for _, p := range r.Problems {
				got = append(got, fmt.Sprintf("%d %s", p.Seq, p.Code))
			}
			if !slices.Equal(got, c.want) {
				t.Errorf("got %q, want %q", got, c.want)
				for _, p := range r.Problems {
					t.Log(p)
				}
			}
			if r.Records == head.Seq && r.Head == head {
				return // the end is as it was
			}
			if kept := verify(t, path, journal.ExpectHead(head)); kept.OK() {
				t.Error("the head that was kept found nothing")
			}
		})
	}
}

// Nothing inside a journal shows that its end was cut off; the head that was
// kept does.
func TestCutTail(t *testing.T) {
	path, _, head := closedJournal(t, shift(t, 3))
	tamper(t, path, func(db *sql.DB) { do(t, db, `DELETE FROM records WHERE seq > 11`) })
	wantClean(t, verify(t, path))
	r := verify(t, path, journal.ExpectHead(head))
	if len(r.Problems) != 1 || r.Problems[0].Code != journal.ProblemHead || !strings.Contains(r.Problems[0].Text, "ends at record 11") {
		t.Errorf("problems %v, want one of the head", r.Problems)
	}
	// Appending up to the same number again does not hide it.
	j := open(t, path)
	appendAll(t, j, []record.Record{record.Mode{}, record.Mode{}, record.Mode{}, record.Mode{}, record.Mode{}, record.Mode{}})
	r = verify(t, path, journal.ExpectHead(head))
	if len(r.Problems) != 1 || r.Problems[0].Code != journal.ProblemHead || r.Problems[0].Seq != head.Seq {
		t.Errorf("problems %v, want one of the head at %d", r.Problems, head.Seq)
	}
}

func TestNewerSchema(t *testing.T) {
	path, _, _ := closedJournal(t, shift(t, 1))
	tamper(t, path, func(db *sql.DB) { do(t, db, `INSERT INTO schema VALUES (?, 0)`, journal.SchemaVersion+1) })
	before := content(t, path)
	if _, err := journal.Open(t.Context(), path); !errors.Is(err, journal.ErrNewer) {
		t.Errorf("open: %v, want ErrNewer", err)
	}
	if _, err := journal.Verify(t.Context(), path); !errors.Is(err, journal.ErrNewer) {
		t.Errorf("verify: %v, want ErrNewer", err)
	}
	if content(t, path) != before {
		t.Error("the file was changed")
	}
}

func TestForeignDatabase(t *testing.T) {
	path := filepath.Join(t.TempDir(), "other.db")
	db, err := sql.Open("sqlite", journal.URI(path, "mode=rwc"))
	if err != nil {
		t.Fatal(err)
	}
	do(t, db, `CREATE TABLE customers (name)`)
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	before := content(t, path)
	if _, err := journal.Open(t.Context(), path); !errors.Is(err, journal.ErrForeign) {
		t.Errorf("open: %v, want ErrForeign", err)
	}
	if content(t, path) != before {
		t.Error("the file was changed")
	}
}

func content(t testing.TB, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// openAsDaemon opens a journal and reads it as a line of the daemon does.
func openAsDaemon(t *testing.T, path string) *journal.Journal {
	t.Helper()
	j, err := journal.Open(t.Context(), path, journal.ProvedByReplay())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = j.Close() }) // closed already, but for a failure
	var damage *journal.DamageError
	if err := j.Replay(t.Context(), func(record.Stored) error { return nil }); errors.As(err, &damage) {
		err = j.BeginAnew(t.Context(), damage.Error())
		if err != nil {
			t.Fatal(err)
		}
	} else if err != nil {
		t.Fatal(err)
	}
	return j
}

// Who replays a journal that was closed in good order reads it once: to open it reads no
// record. One that was not closed is read before it is opened for writing.
func TestProvedByReplay(t *testing.T) {
	whole, stored, _ := closedJournal(t, shift(t, 10))
	path := copyOf(t, whole)
	tamper(t, path, func(db *sql.DB) { do(t, db, `UPDATE records SET at = at + 1 WHERE seq = 7`) })
	before := content(t, path)
	read := func() error {
		j, err := journal.Open(t.Context(), path, journal.ProvedByReplay())
		if err != nil {
			t.Fatal(err)
		}
		defer func() {
			if err := j.Close(); err != nil {
				t.Error(err)
			}
		}()
		if aside, _ := j.SetAside(); aside != "" {
			return fmt.Errorf("set aside as %s", aside)
		}
		n := 0
		err = j.Replay(t.Context(), func(s record.Stored) error {
			if n++; !reflect.DeepEqual(s, stored[n-1]) {
				t.Errorf("record %d is %+v", n, s)
			}
			return nil
		})
		return err
	}
	if err := read(); !errors.As(err, new(*journal.DamageError)) || !strings.Contains(err.Error(), "record 7") {
		t.Errorf("the replay says %v, want damage at record 7", err)
	}
	if content(t, path) != before {
		t.Error("the damaged journal was changed")
	}
	if err := os.WriteFile(path+".open", nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := read(); err == nil || !strings.Contains(err.Error(), "set aside") {
		t.Errorf("left open, it is %v; want it set aside before anything is written", err)
	}
	path = copyOf(t, whole)
	if err := read(); err != nil {
		t.Error(err)
	}
	if content(t, path) != content(t, whole) {
		t.Error("to open, replay and close a journal changed it")
	}
}

// A journal that fails its check is kept as it is under another name, and the
// line goes on with a new one.
func TestSetAside(t *testing.T) {
	whole, _, _ := closedJournal(t, shift(t, 10))
	for _, c := range []struct {
		name   string
		damage func(t *testing.T, path string)
		want   string
	}{
		{"changed record", func(t *testing.T, path string) {
			tamper(t, path, func(db *sql.DB) { do(t, db, `UPDATE records SET at = at + 1 WHERE seq = 7`) })
		}, "record 7"},
		{"changed record under an older schema", func(t *testing.T, path string) {
			tamper(t, path, func(db *sql.DB) {
				do(t, db, `DROP INDEX records_by_time`)
				do(t, db, `DELETE FROM schema WHERE version = 2`)
				do(t, db, `UPDATE records SET at = at + 1 WHERE seq = 7`)
			})
		}, "record 7"},
		{"missing record", func(t *testing.T, path string) {
			tamper(t, path, func(db *sql.DB) { do(t, db, `DELETE FROM records WHERE seq = 7`) })
		}, "record 8"},
		{"no longer a database", func(t *testing.T, path string) {
			if err := os.WriteFile(path, []byte("not a database, but long enough to be looked at\n"), 0o600); err != nil {
				t.Fatal(err)
			}
		}, "not a database"},
		{"half of it", func(t *testing.T, path string) {
			if err := os.Truncate(path, int64(len(content(t, path))/2)); err != nil {
				t.Fatal(err)
			}
		}, "malformed"},
		{"no version", func(t *testing.T, path string) {
			tamper(t, path, func(db *sql.DB) { do(t, db, `DELETE FROM schema`) })
		}, "version"},
		{"no records", func(t *testing.T, path string) {
			db, err := sql.Open("sqlite", journal.URI(path, "mode=rw"))
			if err != nil {
				t.Fatal(err)
			}
			do(t, db, `DROP TABLE records`)
			if err := db.Close(); err != nil {
				t.Fatal(err)
			}
		}, "records"},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := copyOf(t, whole)
			c.damage(t, path)
			before := content(t, path)
			asDaemon := copyOf(t, path)
			j := openAsDaemon(t, asDaemon)
			if aside, problem := j.SetAside(); aside == "" || !strings.Contains(problem, c.want) || content(t, aside) != before || j.Head() != (journal.Head{}) {
				t.Errorf("opened as the daemon does, it is set aside as %q for %q, want it untouched for %q", aside, problem, c.want)
			}
			appendAll(t, j, []record.Record{record.Gap{FromRoll: 1}})
			if err := j.Close(); err != nil {
				t.Fatal(err)
			}
			wantClean(t, verify(t, asDaemon))
			j = open(t, path)
			o := j.Opened()
			if o.SetAside == "" || !o.Created || o.Records != 0 || !strings.Contains(o.Problem, c.want) {
				t.Fatalf("opened %+v, want it set aside for %q", o, c.want)
			}
			if content(t, o.SetAside) != before {
				t.Error("the damaged journal was changed")
			}
			appendAll(t, j, []record.Record{record.Gap{FromRoll: 1, Cause: o.Problem}})
			wantClean(t, verify(t, path))
			if err := j.Close(); err != nil {
				t.Fatal(err)
			}
			if again := open(t, path); again.Opened().SetAside != "" {
				t.Errorf("opened again: %+v", again.Opened())
			}
		})
	}
}

// A journal that contradicts itself is found by whoever reads it. It is set aside
// under the lock that is held, and a new one goes on in its place.
func TestBeginAnew(t *testing.T) {
	whole, _, _ := closedJournal(t, shift(t, 3))
	path := copyOf(t, whole)
	before := content(t, path)
	j := open(t, path)
	if err := j.BeginAnew(t.Context(), "record 7: epoch 2 was taken before"); err != nil {
		t.Fatal(err)
	}
	o := j.Opened()
	aside, problem := j.SetAside()
	if aside == "" || aside != o.SetAside || !o.Created || o.Records != 0 || problem != "record 7: epoch 2 was taken before" {
		t.Fatalf("begun anew %+v", o)
	}
	if content(t, aside) != before {
		t.Error("the journal that was set aside was changed")
	}
	if _, err := journal.Open(t.Context(), path); !errors.Is(err, journal.ErrInUse) {
		t.Errorf("opened a second time: %v, want ErrInUse", err)
	}
	appendAll(t, j, []record.Record{record.Gap{FromRoll: 1, Cause: problem}})
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	wantClean(t, verify(t, path))
	if again := open(t, path); again.Opened().Records != 1 {
		t.Errorf("opened again: %+v", again.Opened())
	}
}

// A journal damaged anywhere is either reported or says what it always said.
func TestDamagedJournals(t *testing.T) {
	t.Parallel()
	path, stored, head := closedJournal(t, shift(t, 8))
	whole := []byte(content(t, path))
	dir := t.TempDir()
	rng := rand.New(rand.NewPCG(1, 2))
	reported, unchanged, journals := 0, 0, *damaged
	if testing.Short() {
		journals = 60
	}
	for i := range journals {
		b := slices.Clone(whole)
		switch rng.IntN(8) {
		case 0:
			b = b[:rng.IntN(len(b))]
		case 1: // a page of zeros, as a lost write leaves it
			at := rng.IntN(len(b)/4096) * 4096
			clear(b[at : at+4096])
		default:
			for range 1 + rng.IntN(4) {
				b[rng.IntN(len(b))] ^= 1 << rng.IntN(8)
			}
		}
		p := filepath.Join(dir, fmt.Sprintf("%03d.db", i))
		if err := os.WriteFile(p, b, 0o600); err != nil {
			t.Fatal(err)
		}
		r, err := journal.Verify(t.Context(), p, journal.ExpectHead(head))
		switch {
		case err != nil || !r.OK():
			reported++
		default:
			unchanged++
			reader, err := journal.OpenReader(t.Context(), p)
			if err != nil {
				t.Fatal(err)
			}
			if got := replay(t, reader); !reflect.DeepEqual(got, stored) {
				t.Errorf("journal %d was damaged, verified clean and says something else", i)
			}
			if err := reader.Close(); err != nil {
				t.Fatal(err)
			}
		}
		if content(t, p) != string(b) {
			t.Errorf("journal %d was changed by verifying it", i)
		}
		if i%20 == 0 {
			j, err := journal.Open(t.Context(), p, []journal.Option{journal.ProvedByReplay()}[:i/20%2]...)
			if err != nil {
				t.Logf("journal %d refused: %v", i, err)
				continue
			}
			var damage *journal.DamageError
			if err := j.Replay(t.Context(), func(record.Stored) error { return nil }); errors.As(err, &damage) {
				err = j.BeginAnew(t.Context(), damage.Error())
				if err != nil {
					t.Error(err)
				}
			}
			if err := j.Close(); err != nil {
				t.Error(err)
			}
			if aside := j.Opened().SetAside; aside != "" && content(t, aside) != string(b) {
				t.Errorf("journal %d was changed before it was set aside", i)
			}
		}
		for _, s := range journal.Parts {
			if err := os.Remove(p + s); err != nil && !errors.Is(err, os.ErrNotExist) {
				t.Fatal(err)
			}
		}
	}
	t.Logf("%d reported, %d unchanged in content", reported, unchanged)
	if reported < journals/2 || unchanged == 0 {
		t.Errorf("%d reported and %d unchanged: the damage did not meet the records as it should", reported, unchanged)
	}
}

// After a crash the newest records stand in the write-ahead log alone, and
// SQLite drops what follows a damaged frame of it without a word. The head
// that was kept shows it.
func TestDamagedLog(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	j := open(t, path)
	appendAll(t, j, shift(t, 20))
	head := j.Head()
	crash := filepath.Join(t.TempDir(), "j.db")
	for _, s := range journal.Parts[:2] {
		if err := os.WriteFile(crash+s, []byte(content(t, path+s)), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	wantClean(t, verify(t, crash, journal.ExpectHead(head)))
	log := []byte(content(t, crash+"-wal"))
	log[len(log)*2/3] ^= 0x10
	if err := os.WriteFile(crash+"-wal", log, 0o600); err != nil {
		t.Fatal(err)
	}
	if r := verify(t, crash, journal.ExpectHead(head)); r.OK() {
		t.Error("records are gone and nothing was reported")
	}
}

func TestVerifyProgress(t *testing.T) {
	path, _, head := closedJournal(t, shift(t, 110))
	var seen []uint64
	wantClean(t, verify(t, path, journal.Progress(func(done, total uint64) {
		if total != head.Seq {
			t.Errorf("total %d, want %d", total, head.Seq)
		}
		seen = append(seen, done)
	})))
	if len(seen) < 2 || !slices.IsSorted(seen) || seen[len(seen)-1] != head.Seq {
		t.Errorf("progress %v, want it to rise to %d", seen, head.Seq)
	}
}
