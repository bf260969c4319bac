package journal_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
	"lapgate/recipe"
)

var begun = time.Date(2026, 3, 14, 6, 0, 0, 123456000, time.UTC)

// ticking is a clock that goes on by a second with each reading.
func ticking() func() time.Time {
	var mu sync.Mutex
	now := begun
	return func() time.Time {
		mu.Lock()
		defer mu.Unlock()
		now = now.Add(time.Second)
		return now
	}
}

func open(t testing.TB, path string) *journal.Journal {
	t.Helper()
	j, err := journal.OpenBy(t.Context(), path, ticking())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := j.Close(); err != nil {
			t.Error(err)
		}
	})
	return j
}

func appendAll(t testing.TB, j *journal.Journal, records []record.Record) []record.Stored {
	t.Helper()
	var out []record.Stored
	for _, r := range records {
		stored, err := j.Append(t.Context(), r)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, stored...)
	}
	return out
}

var session = handshake.Session{Epoch: 7, Nonce: 0x9E3779B9}

// rollRecords are the records of one roll that goes all the way.
func rollRecords(t testing.TB, n uint32) []record.Record {
	t.Helper()
	token := handshake.Token{Boot: 41, Req: 1000 + n}
	name := record.OfferName{Session: session, Offer: uint16(n)}
	tag := fmt.Sprintf("R2026-%06d", n)
	p := handshake.Payload{Session: session, Boot: token.Boot, Req: token.Req, RollNo: n, Offer: name.Offer,
		Kind: handshake.KindRecipe, Origin: handshake.Computed, Tag: handshake.Tag(tag), Diameter: 12504, Width: 16020}
	payload := make([]uint16, handshake.PayloadWords)
	if err := p.Encode(payload); err != nil {
		t.Fatal(err)
	}
	o := handshake.Outcome{Index: n, RollNo: n, Boot: token.Boot, Req: token.Req, Session: session, Offer: name.Offer,
		Outcome: handshake.Wrapped, PayloadCRC: handshake.PayloadCRC(payload)}
	words := make([]uint16, handshake.OutWords)
	if err := o.Encode(words); err != nil {
		t.Fatal(err)
	}
	return []record.Record{
		record.Request{Token: token, Roll: n, Measured: recipe.Roll{Number: n, Tag: tag, Diameter: 1.2504, Width: 1.602, Quality: 0.96},
			Diameters: []uint16{12503, 12505}, Widths: []uint16{16020}, Permissives: 0x3F},
		record.Intent{Token: token, Roll: n, Tag: tag, Offer: name, Form: handshake.KindRecipe, Origin: handshake.Computed,
			ConfigHash: 0x1F2E3D4C, Payload: payload},
		record.Commit{Roll: n, Offer: name},
		record.Verdict{Roll: n, Offer: name, Verdict: handshake.Accepted},
		record.Outcome{Outcome: o, Words: words},
	}
}

// shift is a session and n rolls.
func shift(t testing.TB, n int) []record.Record {
	t.Helper()
	records := []record.Record{record.Session{Session: session, Boot: 41, Cause: "start"}}
	for i := range n {
		records = append(records, rollRecords(t, uint32(i+1))...)
	}
	return records
}

func verify(t testing.TB, path string, opts ...journal.VerifyOption) *journal.Report {
	t.Helper()
	r, err := journal.Verify(t.Context(), path, opts...)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func wantClean(t testing.TB, r *journal.Report) {
	t.Helper()
	for _, p := range r.Problems {
		t.Errorf("unexpected: %s", p)
	}
}

func replay(t testing.TB, r *journal.Reader) []record.Stored {
	t.Helper()
	var out []record.Stored
	if err := r.Replay(t.Context(), func(s record.Stored) error { out = append(out, s); return nil }); err != nil {
		t.Fatal(err)
	}
	return out
}

func TestAppendReplay(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a line's journal?.db")
	j := open(t, path)
	if o := j.Opened(); !o.Created || o.Records != 0 || o.Head != (journal.Head{}) || o.Migrated != journal.SchemaVersion || o.SetAside != "" {
		t.Errorf("opened: %+v", o)
	}
	records := shift(t, 105) // more than one batch
	stored := appendAll(t, j, records)
	for i, s := range stored {
		want := record.Stored{Seq: uint64(i + 1), At: begun.Add(time.Duration(i+2) * time.Second), Record: records[i]}
		if i == 0 {
			want.At = s.At // Open read the clock before
		}
		if s.Seq != want.Seq || !reflect.DeepEqual(s.Record, want.Record) || s.At.Location() != time.UTC {
			t.Fatalf("stored %+v, want %+v", s, want)
		}
		if i > 0 && s.At.Sub(stored[i-1].At) != time.Second {
			t.Fatalf("record %d at %v, the one before at %v", s.Seq, s.At, stored[i-1].At)
		}
	}
	if got := replay(t, j.Reader); !reflect.DeepEqual(got, stored) {
		t.Error("replayed otherwise than appended")
	}
	head := j.Head()
	wantClean(t, verify(t, path, journal.ExpectHead(head))) // while it is open for writing
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := j.Append(t.Context(), records[0]); !errors.Is(err, os.ErrClosed) {
		t.Errorf("append after close: %v", err)
	}
	again := open(t, path)
	if o := again.Opened(); o.Created || o.Records != uint64(len(records)) || o.Head != head || o.Migrated != 0 {
		t.Errorf("opened again: %+v, want head %v", o, head)
	}
	if got := replay(t, again.Reader); !reflect.DeepEqual(got, stored) {
		t.Error("replayed otherwise after opening again")
	}
	s := appendAll(t, again, []record.Record{record.Hold{On: true, By: "m", Reason: "r"}})
	if s[0].Seq != head.Seq+1 {
		t.Errorf("went on with record %d, want %d", s[0].Seq, head.Seq+1)
	}
	r := verify(t, path, journal.ExpectHead(head))
	wantClean(t, r)
	if r.Records != head.Seq+1 || r.Head != again.Head() || r.Schema != journal.SchemaVersion || len(r.Open) != 0 {
		t.Errorf("report %+v", r)
	}
}

// Every kind of record comes back as it went in.
func TestEveryKind(t *testing.T) {
	j := open(t, filepath.Join(t.TempDir(), "j.db"))
	name := record.OfferName{Session: session, Offer: 1}
	finding := recipe.Finding{Code: "x", Severity: recipe.Hold, Field: "f", Got: "1 <in>", Limit: "2", Text: "é"}
	records := append(rollRecords(t, 1),
		record.Session{Session: session, Boot: 41, Cause: "link"},
		record.Void{Roll: 1, Offer: name, Evidence: "never committed"},
		record.Gap{FromIndex: 1, ToIndex: 3, FromRoll: 4, ToRoll: 6, Closed: &name, Cause: "overwritten"},
		record.Hold{On: true, By: "a", Reason: "b"},
		record.Override{Roll: 1, By: "a", Reason: 3, Text: "t", Old: map[string]float64{"b": 1, "a": 0.1}, New: map[string]float64{}, Refused: []recipe.Finding{finding}},
		record.Mode{Armed: true, By: "a"},
		record.Config{Hash: 3, Changes: []record.ConfigChange{{Key: "k", Old: "1", New: "2"}}},
		record.Shadow{Roll: 1, Tag: "t", Verdict: "hold", Payload: []uint16{1}, Findings: []recipe.Finding{finding}},
	)
	appendAll(t, j, records)
	got := replay(t, j.Reader)
	for i, r := range records {
		if !reflect.DeepEqual(got[i].Record, r) {
			t.Errorf("%s came back as %+v, want %+v", r.Kind(), got[i].Record, r)
		}
	}
}

// Records that are appended together are those that one after the other would have been, and
// there is none of them where one cannot be stored.
func TestAppendTogether(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	j := open(t, path)
	records := shift(t, 6)
	var stored []record.Stored
	for from, n := 0, 1; from < len(records); n = n%5 + 1 {
		to := min(from+n, len(records))
		some, err := j.Append(t.Context(), records[from:to]...)
		if err != nil {
			t.Fatal(err)
		}
		stored, from = append(stored, some...), to
	}
	if none, err := j.Append(t.Context()); none != nil || err != nil {
		t.Errorf("no records appended: got %v, %v", none, err)
	}
	bad := record.Override{New: map[string]float64{"x": math.NaN()}}
	if _, err := j.Append(t.Context(), record.Mode{}, bad, record.Mode{}); err == nil || !strings.Contains(err.Error(), "OVERRIDE") {
		t.Errorf("error %v, want one that names OVERRIDE", err)
	}
	got := replay(t, j.Reader)
	if !reflect.DeepEqual(got, stored) || len(got) != len(records) {
		t.Errorf("read %d records, want the %d as they were returned", len(got), len(stored))
	}
	for i := range got {
		if got[i].Seq != uint64(i+1) || !reflect.DeepEqual(got[i].Record, records[i]) {
			t.Errorf("record %d came back as %+v, want %+v", got[i].Seq, got[i].Record, records[i])
		}
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	wantClean(t, verify(t, path))
}

func TestUnstorableRecord(t *testing.T) {
	j := open(t, filepath.Join(t.TempDir(), "j.db"))
	bad := record.Override{New: map[string]float64{"x": math.NaN()}}
	if _, err := j.Append(t.Context(), bad); err == nil || !strings.Contains(err.Error(), "OVERRIDE") {
		t.Errorf("error %v, want one that names OVERRIDE", err)
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := j.Append(ended, record.Mode{}); !errors.Is(err, context.Canceled) {
		t.Errorf("error %v, want context.Canceled", err)
	}
	// Neither touched the file, so the journal lives on.
	if s := appendAll(t, j, []record.Record{record.Mode{Armed: true}}); s[0].Seq != 1 {
		t.Errorf("record %d, want 1", s[0].Seq)
	}
}

func TestList(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	j := open(t, path)
	stored := appendAll(t, j, shift(t, 105))
	r, err := journal.OpenReader(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := r.Close(); err != nil {
			t.Error(err)
		}
	}()
	for _, c := range []struct {
		name   string
		filter journal.Filter
		keep   func(record.Stored) bool
		first  int // at most; negative: the last ones
	}{
		{"all", journal.Filter{}, func(record.Stored) bool { return true }, 0},
		{"roll", journal.Filter{Roll: 77}, func(s record.Stored) bool { return s.Record.RollNo() == 77 }, 0},
		{"kind", journal.Filter{Kind: record.KindVerdict}, func(s record.Stored) bool { return s.Record.Kind() == record.KindVerdict }, 0},
		{"seq", journal.Filter{FromSeq: 10, ToSeq: 12}, func(s record.Stored) bool { return s.Seq >= 10 && s.Seq <= 12 }, 0},
		{"time", journal.Filter{From: stored[5].At, To: stored[9].At}, func(s record.Stored) bool { return s.Seq >= 6 && s.Seq <= 9 }, 0},
		{"first", journal.Filter{Limit: 7}, func(record.Stored) bool { return true }, 7},
		{"first across batches", journal.Filter{Limit: journal.Batch + 5}, func(record.Stored) bool { return true }, journal.Batch + 5},
		{"newest", journal.Filter{Limit: 7, Newest: true}, func(record.Stored) bool { return true }, -7},
		{"newest of a kind", journal.Filter{Kind: record.KindOutcome, Limit: 2, Newest: true},
			func(s record.Stored) bool { return s.Record.Kind() == record.KindOutcome }, -2},
		{"roll and kind", journal.Filter{Roll: 3, Kind: record.KindIntent},
			func(s record.Stored) bool { return s.Record.RollNo() == 3 && s.Record.Kind() == record.KindIntent }, 0},
		{"none", journal.Filter{Roll: 9999}, func(record.Stored) bool { return false }, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			var want []record.Stored
			for _, s := range stored {
				if c.keep(s) {
					want = append(want, s)
				}
			}
			if c.first > 0 {
				want = want[:c.first]
			} else if c.first < 0 {
				want = want[len(want)+c.first:]
			}
			got, err := r.List(t.Context(), c.filter)
			if err != nil {
				t.Fatal(err)
			}
			if !reflect.DeepEqual(got, want) {
				t.Errorf("got %d records, want %d", len(got), len(want))
			}
		})
	}
}

func TestReplayStops(t *testing.T) {
	j := open(t, filepath.Join(t.TempDir(), "j.db"))
	appendAll(t, j, shift(t, 3))
	stop := errors.New("enough")
	n := 0
	err := j.Replay(t.Context(), func(record.Stored) error {
		if n++; n == 4 {
			return stop
		}
		return nil
	})
	if !errors.Is(err, stop) || n != 4 {
		t.Errorf("stopped after %d with %v, want 4 with %v", n, err, stop)
	}
}

func TestTwoOpeners(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	j := open(t, path)
	_, err := journal.Open(t.Context(), path)
	if !errors.Is(err, journal.ErrInUse) || !strings.Contains(err.Error(), fmt.Sprintf("process %d", os.Getpid())) {
		t.Fatalf("error %v, want ErrInUse that names this process", err)
	}
	appendAll(t, j, shift(t, 1)) // the first is none the worse
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	wantClean(t, verify(t, path))
	open(t, path)
}

func TestOpenErrors(t *testing.T) {
	dir := t.TempDir()
	if _, err := journal.Open(t.Context(), filepath.Join(dir, "no", "j.db")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("no directory: %v", err)
	}
	if _, err := journal.Open(t.Context(), dir); err == nil || !strings.Contains(err.Error(), "directory") {
		t.Errorf("a directory: %v", err)
	}
	if _, err := journal.Verify(t.Context(), filepath.Join(dir, "none.db")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("verify of none: %v", err)
	}
	if _, err := os.Stat(filepath.Join(dir, "none.db")); !errors.Is(err, os.ErrNotExist) {
		t.Error("reading made a file")
	}
}

// An empty file, as a first start that was cut short leaves it, is a new journal.
func TestEmptyFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	j := open(t, path)
	if !j.Opened().Created {
		t.Errorf("opened: %+v", j.Opened())
	}
	appendAll(t, j, shift(t, 1))
	wantClean(t, verify(t, path))
}

func TestExport(t *testing.T) {
	j := open(t, filepath.Join(t.TempDir(), "j.db"))
	stored := appendAll(t, j, shift(t, 2))
	var a, b bytes.Buffer
	for _, w := range []*bytes.Buffer{&a, &b} {
		if n, err := j.Export(t.Context(), journal.Filter{}, w); err != nil || n != uint64(len(stored)) {
			t.Fatalf("exported %d with %v, want %d", n, err, len(stored))
		}
	}
	if !bytes.Equal(a.Bytes(), b.Bytes()) {
		t.Error("two exports differ")
	}
	// The export proves itself: the chain can be computed from its lines.
	var last journal.Hash
	d := json.NewDecoder(&a)
	for i := range stored {
		var e struct {
			Seq  uint64          `json:"seq"`
			At   time.Time       `json:"at"`
			Kind record.Kind     `json:"kind"`
			Roll uint32          `json:"roll_no"`
			Body json.RawMessage `json:"body"`
			Prev journal.Hash    `json:"prev_hash"`
			Hash journal.Hash    `json:"hash"`
		}
		if err := d.Decode(&e); err != nil {
			t.Fatal(err)
		}
		if e.Prev != last || journal.HashOf(e.Prev, e.Seq, e.At.UnixMicro(), string(e.Kind), e.Body) != e.Hash {
			t.Fatalf("line %d does not prove itself", i+1)
		}
		if e.Seq != stored[i].Seq || e.Roll != stored[i].Record.RollNo() {
			t.Fatalf("line %d is of record %d, roll %d", i+1, e.Seq, e.Roll)
		}
		last = e.Hash
	}
	if last != j.Head().Hash {
		t.Error("the export does not end at the head")
	}
}

func TestBackup(t *testing.T) {
	dir := t.TempDir()
	j := open(t, filepath.Join(dir, "j.db"))
	stored := appendAll(t, j, shift(t, 20))
	dst := filepath.Join(dir, "backup.db")
	head, err := j.Backup(t.Context(), dst)
	if err != nil {
		t.Fatal(err)
	}
	if head != j.Head() {
		t.Errorf("head of the copy is %v, want %v", head, j.Head())
	}
	if _, err := j.Backup(t.Context(), dst); !errors.Is(err, os.ErrExist) {
		t.Errorf("second backup to the same name: %v", err)
	}
	appendAll(t, j, []record.Record{record.Mode{}}) // the original goes on
	wantClean(t, verify(t, dst, journal.ExpectHead(head)))
	copied := open(t, dst)
	if got := replay(t, copied.Reader); !reflect.DeepEqual(got, stored) {
		t.Error("the copy holds other records")
	}
	left, err := filepath.Glob(dst + ".part*")
	if err != nil || len(left) > 0 {
		t.Errorf("left behind: %v %v", left, err)
	}
}

// Readers and the writer do not wait for each other, and a reader that acts on
// what it reads may append.
func TestReadWhileAppending(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	j := open(t, path)
	appendAll(t, j, shift(t, 5))
	n := 0
	err := j.Replay(t.Context(), func(record.Stored) error {
		if n++; n <= 3 {
			_, err := j.Append(t.Context(), record.Mode{})
			return err
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	var wg sync.WaitGroup
	for range 4 {
		wg.Go(func() {
			for range 20 {
				if _, err := j.Append(t.Context(), record.Mode{}); err != nil {
					t.Error(err)
				}
			}
		})
	}
	for range 2 {
		wg.Go(func() {
			for range 3 {
				if r, err := journal.Verify(t.Context(), path); err != nil || !r.OK() {
					t.Errorf("verify beside a writer: %+v %v", r, err)
				}
			}
		})
	}
	wg.Wait()
	r := verify(t, path, journal.ExpectHead(j.Head()))
	wantClean(t, r)
	if want := uint64(26 + 3 + 80); r.Records != want {
		t.Errorf("%d records, want %d", r.Records, want)
	}
}

func TestInBubble(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	synctest.Test(t, func(t *testing.T) {
		j, err := journal.Open(t.Context(), path)
		if err != nil {
			t.Fatal(err)
		}
		<-time.After(90 * 24 * time.Hour) // of the clock of the bubble
		s := appendAll(t, j, shift(t, 1))
		if got := s[0].At; !got.Equal(time.Now()) {
			t.Errorf("dated %v, want %v", got, time.Now())
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
	})
	wantClean(t, verify(t, path))
}

func TestHead(t *testing.T) {
	j := open(t, filepath.Join(t.TempDir(), "j.db"))
	appendAll(t, j, shift(t, 1))
	h := j.Head()
	if back, err := journal.ParseHead(" " + h.String() + "\n"); err != nil || back != h {
		t.Errorf("%v came back as %v, %v", h, back, err)
	}
	for _, s := range []string{"", "6", "6:", "x:" + h.Hash.String(), "-1:" + h.Hash.String(), "6:" + h.Hash.String()[1:], "6:zz" + h.Hash.String()[2:]} {
		if _, err := journal.ParseHead(s); err == nil {
			t.Errorf("%q was read as a head", s)
		}
	}
	var e struct{ H journal.Head }
	b, err := json.Marshal(struct{ H journal.Head }{h})
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, &e); err != nil || e.H != h {
		t.Errorf("JSON: %v %v", e.H, err)
	}
}

func TestSetAsideNeverOverwrites(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	var names []string
	for i := range 3 {
		if err := os.WriteFile(path, []byte{byte(i)}, 0o600); err != nil {
			t.Fatal(err)
		}
		to, err := journal.SetAside(path, begun)
		if err != nil {
			t.Fatal(err)
		}
		if b, err := os.ReadFile(to); err != nil || !bytes.Equal(b, []byte{byte(i)}) {
			t.Errorf("%s holds %v, %v", to, b, err)
		}
		names = append(names, strings.TrimPrefix(to, path))
	}
	if want := []string{".damaged-20260314T060000Z", ".damaged-20260314T060000Z.2", ".damaged-20260314T060000Z.3"}; !slices.Equal(names, want) {
		t.Errorf("names %v, want %v", names, want)
	}
}
