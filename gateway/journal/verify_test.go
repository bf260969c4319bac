package journal

import (
	"database/sql"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"lapgate/gateway/handshake"
	"lapgate/gateway/record"
)

// closedJournal writes records to a new journal and closes it.
func closedJournal(t testing.TB, records []record.Record) (path string, stored []record.Stored, head Head) {
	t.Helper()
	path = filepath.Join(t.TempDir(), "j.db")
	j, err := Open(t.Context(), path, WithClock(ticking()))
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
	db, err := sql.Open("sqlite", uri(path, "mode=rw"))
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
	var prev Hash
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
		h := hashOf(prev, uint64(r.seq), r.at, r.kind, []byte(r.body))
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
			h := hashOf(Hash(prev), 7, at, kind, body)
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
			if kept := verify(t, path, ExpectHead(head)); kept.OK() {
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
	r := verify(t, path, ExpectHead(head))
	if len(r.Problems) != 1 || r.Problems[0].Code != ProblemHead || !strings.Contains(r.Problems[0].Text, "ends at record 11") {
		t.Errorf("problems %v, want one of the head", r.Problems)
	}
	// Appending up to the same number again does not hide it.
	j := open(t, path)
	appendAll(t, j, []record.Record{record.Mode{}, record.Mode{}, record.Mode{}, record.Mode{}, record.Mode{}, record.Mode{}})
	r = verify(t, path, ExpectHead(head))
	if len(r.Problems) != 1 || r.Problems[0].Code != ProblemHead || r.Problems[0].Seq != head.Seq {
		t.Errorf("problems %v, want one of the head at %d", r.Problems, head.Seq)
	}
}

func TestNewerSchema(t *testing.T) {
	path, _, _ := closedJournal(t, shift(t, 1))
	tamper(t, path, func(db *sql.DB) { do(t, db, `INSERT INTO schema VALUES (?, 0)`, schemaVersion+1) })
	before := content(t, path)
	if _, err := Open(t.Context(), path); !errors.Is(err, ErrNewer) {
		t.Errorf("open: %v, want ErrNewer", err)
	}
	if _, err := Verify(t.Context(), path); !errors.Is(err, ErrNewer) {
		t.Errorf("verify: %v, want ErrNewer", err)
	}
	if content(t, path) != before {
		t.Error("the file was changed")
	}
}

func TestForeignDatabase(t *testing.T) {
	path := filepath.Join(t.TempDir(), "other.db")
	db, err := sql.Open("sqlite", uri(path, "mode=rwc"))
	if err != nil {
		t.Fatal(err)
	}
	do(t, db, `CREATE TABLE customers (name)`)
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	before := content(t, path)
	if _, err := Open(t.Context(), path); !errors.Is(err, ErrForeign) {
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
			db, err := sql.Open("sqlite", uri(path, "mode=rw"))
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
			j := open(t, path)
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

// A journal damaged anywhere is either reported or says what it always said.
func TestDamagedJournals(t *testing.T) {
	t.Parallel()
	path, stored, head := closedJournal(t, shift(t, 8))
	whole := []byte(content(t, path))
	dir := t.TempDir()
	rng := rand.New(rand.NewPCG(1, 2))
	reported, unchanged, journals := 0, 0, 500
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
		r, err := Verify(t.Context(), p, ExpectHead(head))
		switch {
		case err != nil || !r.OK():
			reported++
		default:
			unchanged++
			reader, err := OpenReader(t.Context(), p)
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
			j, err := Open(t.Context(), p)
			if err != nil {
				t.Logf("journal %d refused: %v", i, err)
				continue
			}
			if err := j.Close(); err != nil {
				t.Error(err)
			}
			if aside := j.Opened().SetAside; aside != "" && content(t, aside) != string(b) {
				t.Errorf("journal %d was changed before it was set aside", i)
			}
		}
		for _, s := range parts {
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
	for _, s := range parts[:2] {
		if err := os.WriteFile(crash+s, []byte(content(t, path+s)), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	wantClean(t, verify(t, crash, ExpectHead(head)))
	log := []byte(content(t, crash+"-wal"))
	log[len(log)*2/3] ^= 0x10
	if err := os.WriteFile(crash+"-wal", log, 0o600); err != nil {
		t.Fatal(err)
	}
	if r := verify(t, crash, ExpectHead(head)); r.OK() {
		t.Error("records are gone and nothing was reported")
	}
}

func TestVerifyProgress(t *testing.T) {
	path, _, head := closedJournal(t, shift(t, 110))
	var seen []uint64
	wantClean(t, verify(t, path, Progress(func(done, total uint64) {
		if total != head.Seq {
			t.Errorf("total %d, want %d", total, head.Seq)
		}
		seen = append(seen, done)
	})))
	if len(seen) < 2 || !slices.IsSorted(seen) || seen[len(seen)-1] != head.Seq {
		t.Errorf("progress %v, want it to rise to %d", seen, head.Seq)
	}
}

// Each contradiction of the handshake by itself, and what is none.
func TestOrder(t *testing.T) {
	name := func(n uint16) record.OfferName { return record.OfferName{Session: session, Offer: n} }
	next := handshake.Session{Epoch: 8, Nonce: 5}
	start := record.Session{Session: session, Boot: 41, Cause: "start"}
	one, two := rollRecords(t, 1), rollRecords(t, 2)
	request, intent, commit, verdict, outcome := one[0], one[1].(record.Intent), one[2], one[3].(record.Verdict), one[4].(record.Outcome)
	rejected := verdict
	rejected.Verdict = handshake.Rejected
	held := verdict
	held.Verdict = handshake.HeldVerdict
	otherRoll := verdict
	otherRoll.Roll = 9
	settled := verdict
	settled.Settled = true
	garbled := intent
	garbled.Payload = slices.Clone(intent.Payload)
	garbled.Payload[40] ^= 1
	mixed := intent
	mixed.Roll = 9
	changed := outcome
	changed.Outcome.Slot = 3
	third := rollRecords(t, 3)
	again := func(offer uint16) record.Intent {
		var p handshake.Payload
		if err := handshake.DecodePayload(intent.Payload, &p); err != nil {
			t.Fatal(err)
		}
		p.Offer = offer
		words := make([]uint16, handshake.PayloadWords)
		if err := p.Encode(words); err != nil {
			t.Fatal(err)
		}
		i := intent
		i.Offer.Offer, i.Payload = offer, words
		return i
	}
	void := record.Void{Roll: 1, Offer: name(1), Evidence: "the request changed"}
	closed := name(1)
	type list = []record.Record
	for _, c := range []struct {
		name    string
		records list
		want    []string // in the problems, in order
	}{
		{"all the way", slices.Concat(list{start}, one, two, third), nil},
		{"in flight", list{start, request, intent, commit}, nil},
		{"committed twice", list{start, request, intent, commit, commit, verdict}, nil},
		{"void before commit", list{start, request, intent, void}, nil},
		{"settled in a later session", list{start, request, intent, commit, record.Session{Session: next, Boot: 41}, settled, outcome}, nil},
		{"rejected, then another offer", list{start, request, intent, commit, rejected, again(2)}, nil},
		{"closed as unknown", list{start, request, intent, commit, record.Gap{Closed: &closed, Cause: "x"}, two[0], two[1]}, nil},
		{"gap in outcomes", list{start, request, intent, commit, verdict, outcome,
			record.Gap{FromIndex: 2, ToIndex: 2, FromRoll: 2, ToRoll: 2, Cause: "overwritten"}, third[4]}, nil},
		{"numbers begin again after a gap", list{start, two[4], record.Gap{Boot: 50, FromIndex: 3, Cause: "memory lost"}, outcome}, nil},
		{"joins late", list{start, third[4]}, nil},

		{"epoch stands still", list{start, start}, []string{"does not exceed epoch 7"}},
		{"session without nonce", list{record.Session{Session: handshake.Session{Epoch: 1}, Boot: 1}}, []string{"zero"}},
		{"intent before any session", list{request, intent}, []string{"not of the session in force"}},
		{"intent of an older session", list{start, request, record.Session{Session: next, Boot: 41}, intent}, []string{"not of the session in force"}},
		{"intent for another boot", list{record.Session{Session: session, Boot: 40}, request, intent}, []string{"its session for boot 40"}},
		{"intent without request", list{start, intent}, []string{"newest REQUEST"}},
		{"intent for an older request", list{start, request, two[0], intent}, []string{"newest REQUEST"}},
		{"offer number again", list{start, request, intent, void, intent}, []string{"does not exceed offer 1"}},
		{"second offer while one is open", list{start, request, intent, commit, two[0], two[1]}, []string{"has no end"}},
		{"payload damaged", list{start, request, garbled}, []string{"cannot be read"}},
		{"payload of another roll", list{start, request, mixed}, []string{"of another offer, request, roll or kind"}},
		{"commit without intent", list{start, request, commit}, []string{"commit of offer 1 of session 7/9E3779B9, which has no INTENT"}},
		{"commit after void", list{start, request, intent, void, commit}, []string{"which has ended as void"}},
		{"commit under a later session", list{start, request, intent, record.Session{Session: next, Boot: 41}, commit}, []string{"is committed under session 8"}},
		{"verdict without commit", list{start, request, intent, verdict}, []string{"has no COMMIT"}},
		{"verdict without intent", list{start, verdict}, []string{"has no INTENT"}},
		{"verdict twice", list{start, request, intent, commit, verdict, verdict}, []string{"which has ended"}},
		{"void after verdict", list{start, request, intent, commit, verdict, void}, []string{"void of offer 1"}},
		{"verdict on another roll", list{start, request, intent, commit, otherRoll}, []string{"this says roll 9"}},
		{"recipe held", list{start, request, intent, commit, held}, []string{"does not fit the kind"}},
		{"no verdict", list{start, request, intent, commit, record.Verdict{Roll: 1, Offer: name(1)}}, []string{"none of"}},
		{"accepted twice", list{start, request, intent, commit, verdict, again(2),
			record.Commit{Roll: 1, Offer: name(2)}, record.Verdict{Roll: 1, Offer: name(2), Verdict: handshake.Accepted}},
			[]string{"roll 1 of boot 41 is accepted twice"}},
		{"hole in outcomes", list{start, outcome, third[4]}, []string{"outcomes 2 to 2 are missing"}},
		{"hole before a gap", list{start, outcome, record.Gap{FromIndex: 5, ToIndex: 6}}, []string{"outcomes 2 to 4 are missing"}},
		{"gap closes what is not open", list{start, record.Gap{Closed: &closed}}, []string{"gap of offer 1"}},
		{"outcome twice", list{start, outcome, outcome}, []string{"outcome 1 comes after outcome 1", "roll 1 comes after"}},
		{"outcome of a void offer", list{start, request, intent, void, outcome}, []string{"was used, which ended as void"}},
		{"outcome of a rejected offer", list{start, request, intent, commit, rejected, outcome}, []string{"ended as rejected"}},
		{"registers say something else", list{start, changed}, []string{"say something else"}},
		{"outcome without registers", list{start, record.Outcome{Outcome: outcome.Outcome}}, []string{"cannot be read"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			var o order
			var got []string
			for _, r := range c.records {
				got = append(got, o.add(r)...)
			}
			for i, g := range got {
				if i >= len(c.want) || !strings.Contains(g, c.want[i]) {
					t.Errorf("problem %d: %q, want one with %q", i, g, c.want)
				}
			}
			if len(got) < len(c.want) {
				t.Errorf("got %q, want %q", got, c.want)
			}
		})
	}
}

func TestStillOpen(t *testing.T) {
	one := rollRecords(t, 1)
	path, _, _ := closedJournal(t, []record.Record{record.Session{Session: session, Boot: 41}, one[0], one[1], one[2]})
	r := verify(t, path)
	wantClean(t, r)
	if want := []record.OfferName{{Session: session, Offer: 1}}; !slices.Equal(r.Open, want) {
		t.Errorf("open offers %v, want %v", r.Open, want)
	}
}

func BenchmarkAppend(b *testing.B) {
	j, err := Open(b.Context(), filepath.Join(b.TempDir(), "j.db"))
	if err != nil {
		b.Fatal(err)
	}
	records := shift(b, 100)
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		if _, err := j.Append(b.Context(), records[i%len(records)]); err != nil {
			b.Fatal(err)
		}
		i++
	}
	b.StopTimer()
	if err := j.Close(); err != nil {
		b.Fatal(err)
	}
}

func BenchmarkReading(b *testing.B) {
	path, stored, _ := closedJournal(b, shift(b, 400))
	per := func(b *testing.B) {
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(len(stored)), "ns/record")
	}
	r, err := OpenReader(b.Context(), path)
	if err != nil {
		b.Fatal(err)
	}
	b.Run("Replay", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			if err := r.Replay(b.Context(), func(record.Stored) error { return nil }); err != nil {
				b.Fatal(err)
			}
		}
		per(b)
	})
	b.Run("Verify", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			if rep, err := Verify(b.Context(), path); err != nil || !rep.OK() {
				b.Fatal(rep, err)
			}
		}
		per(b)
	})
	b.Run("Export", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			if _, err := r.Export(b.Context(), Filter{}, io.Discard); err != nil {
				b.Fatal(err)
			}
		}
		per(b)
	})
	if err := r.Close(); err != nil {
		b.Fatal(err)
	}
}
