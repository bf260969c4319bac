package engine_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"lapgate/gateway/engine"
	"lapgate/gateway/engine/enginetest"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
)

// linked is a record with its links, reckoned as the package comment of gateway/journal
// has it and not by its code.
func linked(t testing.TB, before journal.Head, at time.Time, r record.Record) journal.Entry {
	t.Helper()
	body, err := record.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	b.Write(before.Hash[:])
	for _, part := range []any{before.Seq + 1, uint64(at.UnixMicro()), uint32(len(r.Kind())), []byte(r.Kind()), uint32(len(body)), body} {
		if err := binary.Write(&b, binary.BigEndian, part); err != nil {
			t.Fatal(err)
		}
	}
	return journal.Entry{
		Stored: record.Stored{Seq: before.Seq + 1, At: time.UnixMicro(at.UnixMicro()).UTC(), Record: r},
		Body:   json.RawMessage(body), Prev: before.Hash, Hash: sha256.Sum256(b.Bytes()),
	}
}

// forged is a chain of holds whose times are given.
func forged(t testing.TB, from journal.Head, reason string, times ...time.Time) (out []journal.Entry) {
	t.Helper()
	for i, at := range times {
		out = append(out, linked(t, from, at, record.Hold{On: i%2 == 0, By: "kim", Reason: fmt.Sprintf("%s %d", reason, i)}))
		from = headOf(out[len(out)-1])
	}
	return out
}

func times(from time.Time, n int, step time.Duration) (out []time.Time) {
	for i := range n {
		out = append(out, from.Add(time.Duration(i)*step))
	}
	return out
}

// registered is a journal that nothing was appended to.
func registered(t testing.TB, c *engine.Conn, genesis journal.Hash) {
	t.Helper()
	if _, err := c.Register(t.Context(), engine.Journal{Genesis: genesis, Line: "north"}); err != nil {
		t.Fatal(err)
	}
}

func TestAppendRefuses(t *testing.T) {
	d := enginetest.New(t)
	c := d.Connect(t, enginetest.Machine)
	now := time.Now()
	all := forged(t, journal.Head{}, "a", times(now, 20, time.Second)...)
	genesis := all[0].Hash
	registered(t, c, genesis)
	if _, err := c.Append(t.Context(), genesis, all[:10]); err != nil {
		t.Fatal(err)
	}
	other := forged(t, journal.Head{}, "b", times(now, 20, time.Second)...)
	forkAt := func(n int) []journal.Entry {
		return append(all[:n:n], forged(t, headOf(all[n-1]), "fork", times(now, 20-n, time.Second)...)...)
	}
	changed := func(change func(*journal.Entry)) []journal.Entry {
		e := append([]journal.Entry(nil), all[10:15]...)
		change(&e[2])
		return e
	}
	for name, c2 := range map[string]struct {
		records []journal.Entry
		want    error
	}{
		"a hole of one":                 {all[11:12], engine.ErrHole},
		"a hole of many":                {all[15:], engine.ErrHole},
		"another chain from its start":  {other, engine.ErrFork},
		"another chain behind the head": {other[10:], engine.ErrFork},
		"a fork before the head":        {forkAt(5), engine.ErrFork},
		"a fork before the head, alone": {forkAt(5)[6:9], engine.ErrFork},
		"a fork at the head":            {forkAt(9), engine.ErrFork},
		"the body changed":              {changed(func(e *journal.Entry) { e.Body = json.RawMessage(strings.Replace(string(e.Body), "kim", "lee", 1)) }), engine.ErrHash},
		"the time changed":              {changed(func(e *journal.Entry) { e.At = e.At.Add(time.Microsecond) }), engine.ErrHash},
		"the hash changed":              {changed(func(e *journal.Entry) { e.Hash[3] ^= 1 }), engine.ErrHash},
		"two exchanged":                 {[]journal.Entry{all[10], all[12], all[11]}, engine.ErrHash},
		"one taken out":                 {[]journal.Entry{all[10], all[12], all[13]}, engine.ErrHash},
	} {
		if _, err := c.Append(t.Context(), genesis, c2.records); !errors.Is(err, c2.want) {
			t.Errorf("%s: %v, want %v", name, err, c2.want)
		}
	}
	if _, err := c.Append(t.Context(), other[0].Hash, other); !errors.Is(err, engine.ErrUnknownJournal) {
		t.Errorf("a journal that is not registered: %v", err)
	}
	if _, err := c.Register(t.Context(), engine.Journal{Genesis: genesis, Line: "south"}); !errors.Is(err, engine.ErrTaken) {
		t.Errorf("the same journal for another line: %v", err)
	}
	// Nothing of all that was kept, and the chain goes on.
	if head, err := c.Append(t.Context(), genesis, all[8:]); err != nil || head != headOf(all[19]) {
		t.Errorf("after it: %v, %v, want %v", head, err, headOf(all[19]))
	}
	sound(t, d, genesis, 20)
}

// sound wants a journal to be proved by the database itself.
func sound(t *testing.T, d *enginetest.Database, genesis journal.Hash, records int) {
	t.Helper()
	got := d.SQL(t, `SELECT records, bad_seq, problem FROM lapgate.verify('\x`+genesis.String()+`')`)
	if want := fmt.Sprintf("%d||", records); got != want {
		t.Errorf("verified there: %s, want %s", got, want)
	}
}

// The database itself finds what somebody with all rights changed.
func TestVerifyThereFindsChanges(t *testing.T) {
	d := enginetest.New(t)
	c := d.Connect(t, enginetest.Machine)
	all := forged(t, journal.Head{}, "a", times(time.Now(), 30, time.Second)...)
	genesis := all[0].Hash
	registered(t, c, genesis)
	if _, err := c.Append(t.Context(), genesis, all); err != nil {
		t.Fatal(err)
	}
	for change, want := range map[string]string{
		`UPDATE lapgate.records SET body = replace(body, 'kim', 'lee') WHERE seq = 7`:            "7",
		`UPDATE lapgate.records SET at = at + interval '1 microsecond' WHERE seq = 8`:            "8",
		`UPDATE lapgate.records SET kind = 'HOLDS' WHERE seq = 9`:                                "9",
		`DELETE FROM lapgate.records WHERE seq = 10`:                                             "11",
		`DELETE FROM lapgate.records WHERE seq = 30`:                                             "30",
		`DELETE FROM lapgate.records WHERE seq = 1`:                                              "2",
		`UPDATE lapgate.journals SET hash = sha256('x')`:                                         "30",
		`UPDATE lapgate.records SET seq = CASE seq WHEN 4 THEN 5 ELSE 4 END WHERE seq IN (4, 5)`: "4",
	} {
		got := d.SQL(t, `BEGIN; `+change+`; SELECT bad_seq FROM lapgate.verify('\x`+genesis.String()+`'); ROLLBACK`)
		if got != want {
			t.Errorf("%s: found at %q, want %s", change, got, want)
		}
	}
	sound(t, d, genesis, 30)
}

func TestTimesComeBack(t *testing.T) {
	d := enginetest.New(t)
	c := d.Connect(t, enginetest.Machine)
	var at []time.Time
	for _, s := range []string{"1969-12-31T23:59:59.999999Z", "1970-01-01T00:00:00.000001Z", "2026-03-29T01:30:00.123457Z", "2025-01-01T00:00:00Z", "2300-07-01T12:00:00.000003Z", "2026-11-26T08:00:00.999999Z"} {
		x, err := time.Parse(time.RFC3339Nano, s)
		if err != nil {
			t.Fatal(err)
		}
		at = append(at, x)
	}
	all := forged(t, journal.Head{}, "clock", at...)
	registered(t, c, all[0].Hash)
	if _, err := c.Append(t.Context(), all[0].Hash, all); err != nil {
		t.Fatal(err)
	}
	got, err := c.Records(t.Context(), all[0].Hash, 0, 100)
	if err != nil || len(got) != len(at) {
		t.Fatalf("%d records, %v, want %d", len(got), err, len(at))
	}
	for i := range got {
		if !got[i].At.Equal(at[i]) {
			t.Errorf("time %s came back as %s", at[i], got[i].At)
		}
	}
	sound(t, d, all[0].Hash, len(at))
	// A month is a stretch of the chain, whatever the clock says.
	if out := d.SQL(t, `SELECT bool_and(month >= last) FROM (SELECT month, lag(month) OVER (ORDER BY seq) AS last FROM lapgate.records) x`); out != "t" {
		t.Error("a later record is in an earlier month")
	}
}

var chaos = flag.Int("chaos", 1000, "records that are appended while backends are killed and answers are lost")

// Backends are killed before and while they work, and answers are lost: each record is
// there once, and the head alone told what to send.
func TestChaos(t *testing.T) {
	d := enginetest.New(t)
	proxy := d.Server.Proxy(t)
	settings := d.Settings(enginetest.Machine)
	settings.Address = proxy.Folder()
	e := engine.New(settings)
	all := forged(t, journal.Head{}, "a", times(time.Now(), *chaos, time.Second)...)
	genesis := all[0].Hash
	killer := plain(t, d, enginetest.Superuser)
	kill := func() {
		if _, err := killer.Exec(t.Context(), `SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = current_database() AND usename = 'mill_machine'`); err != nil {
			t.Error(err)
		}
	}
	random := rand.New(rand.NewPCG(1, 2))
	counts := map[string]int{}
	head := journal.Head{}
	for head.Seq < uint64(len(all)) {
		c, err := e.Connect(t.Context())
		if err != nil {
			counts["not connected"]++
			proxy.LoseAnswers(0)
			continue
		}
		if head, err = c.Register(t.Context(), engine.Journal{Genesis: genesis, Line: "north"}); err != nil {
			t.Fatal(err)
		}
		for head.Seq < uint64(len(all)) {
			from := head.Seq - min(head.Seq, uint64(random.IntN(3)))
			to := min(uint64(len(all)), head.Seq+1+uint64(random.IntN(max(20, *chaos/500))))
			killed := make(chan struct{})
			switch random.IntN(6) {
			case 0:
				proxy.LoseAnswers(1)
				close(killed)
			case 1:
				kill()
				close(killed)
			case 2:
				go func() { kill(); close(killed) }()
			default:
				close(killed)
			}
			was := head
			head, err = c.Append(t.Context(), genesis, all[from:to])
			<-killed
			if err != nil {
				counts["no answer"]++
				head = was
				break
			}
		}
		c.Close()
		c2, err := engine.New(d.Settings(enginetest.Machine)).Connect(t.Context())
		if err != nil {
			continue // it was killed too
		}
		if there, err := c2.Register(t.Context(), engine.Journal{Genesis: genesis, Line: "north"}); err == nil && there.Seq > head.Seq {
			counts["taken without an answer"]++
		}
		c2.Close()
	}
	sound(t, d, genesis, len(all))
	if out := d.SQL(t, `SELECT count(*), count(DISTINCT seq), max(seq) FROM lapgate.records`); out != fmt.Sprintf("%[1]d|%[1]d|%[1]d", len(all)) {
		t.Errorf("records, different ones and the last: %s, want %d", out, len(all))
	}
	if counts["no answer"] < 10 || counts["taken without an answer"] < 3 {
		t.Errorf("too calm to show anything: %v", counts)
	}
	t.Logf("%d records: %v", len(all), counts)
}
