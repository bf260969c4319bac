package ship_test

import (
	"context"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway/engine"
	"lapgate/gateway/engine/enginetest"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
	"lapgate/gateway/ship"
)

var (
	shippedRecords = flag.Int("records", 3000, "records that are shipped to PostgreSQL under faults")
	shippedFolder  = flag.String("folder", "", "where their journals stand; empty for a folder of the test")
	faultPause     = flag.Duration("fault-pause", 35*time.Millisecond, "mean time between faults of PostgreSQL")
	backlogLines   = flag.Int("backlog-lines", 5, "lines of which an hour waits for PostgreSQL")
)

// settings are those of the machine at a database, through a proxy where there is one.
func settings(d *enginetest.Database, p *enginetest.Proxy) engine.Settings {
	s := d.Settings(enginetest.Machine)
	s.Timeout = 5 * time.Second
	if p != nil {
		s.Address = p.Folder()
	}
	return s
}

// to has a yard ship to PostgreSQL.
func (y *yard) to(s engine.Settings) {
	e := engine.New(s)
	y.connect = func(ctx context.Context) (ship.Conn, error) {
		c, err := e.Connect(ctx)
		if err != nil {
			return nil, err
		}
		return c, nil
	}
	y.wait = 20 * time.Millisecond
}

// proved fails unless the newest journal of a line there is the one here behind a record,
// text by text, and is proved by the database itself.
func (y *yard) proved(d *enginetest.Database, line string, behind uint64) {
	y.t.Helper()
	c := d.Connect(y.t, enginetest.Machine)
	all, err := c.Journals(y.t.Context(), line)
	y.must(err)
	there := all[len(all)-1]
	if there.Kept.Seq < behind {
		y.t.Errorf("%s: kept behind record %d, want %d", line, there.Kept.Seq, behind)
	}
	r, err := journal.OpenWhole(y.t.Context(), y.path(line))
	y.must(err)
	defer func() { y.must(r.Close()) }()
	const page = 5000
	for after := there.Kept.Seq; ; {
		got, err := c.Records(y.t.Context(), there.Genesis, after, page)
		y.must(err)
		if len(got) == 0 {
			if head := y.open[line].Head(); after != head.Seq {
				y.t.Errorf("%s: records up to %d there, up to %d here", line, after, head.Seq)
			}
			break
		}
		n := 0
		y.must(r.Walk(y.t.Context(), journal.Filter{FromSeq: after + 1, Limit: len(got)}, func(e journal.Entry) error {
			if g := got[n]; g.Seq != e.Seq || g.Hash != e.Hash || string(g.Body) != string(e.Body) || !g.At.Equal(e.At) {
				y.t.Fatalf("%s: record %d is not there as it is here, or stands twice", line, e.Seq)
			}
			n++
			return nil
		}))
		after = got[n-1].Seq
	}
	want := fmt.Sprintf("%d||", there.Head.Seq-there.Kept.Seq)
	if got := d.SQL(y.t, `SELECT records, bad_seq, problem FROM lapgate.verify('\x`+there.Genesis.String()+`')`); got != want {
		y.t.Errorf("%s: proved there as %s, want %s", line, got, want)
	}
}

// soon waits for something to become true, in real time.
func (y *yard) soon(what string, ok func() bool) {
	y.t.Helper()
	for end := time.Now().Add(10 * time.Minute); time.Now().Before(end); <-time.After(10 * time.Millisecond) {
		if ok() {
			return
		}
	}
	y.t.Fatalf("never: %s; %+v", what, y.shipper.State(y.lines[0]))
}

// trouble makes a fault at a server until it is told to stop, and returns how many of each
// it made.
func trouble(t *testing.T, d *enginetest.Database, p *enginetest.Proxy, stop <-chan struct{}) map[string]int {
	t.Helper()
	counts := map[string]int{}
	draw := rand.New(rand.NewPCG(17, 4))
	for i := 0; ; i++ {
		select {
		case <-stop:
			p.Mute(false)
			p.LoseAnswers(0)
			return counts
		// They come less and less often, or nothing would ever arrive on a slow machine.
		case <-time.After(time.Duration((0.15 + 1.7*draw.Float64()) * (1 + float64(i)/50) * float64(*faultPause))):
		}
		what := []string{"killed", "killed", "lost", "lost", "lost", "cut"}[draw.IntN(6)]
		if i%60 == 20 {
			what = "restarted"
		}
		counts[what]++
		switch what {
		case "killed":
			d.SQL(t, `SELECT count(pg_terminate_backend(pid)) FROM pg_stat_activity WHERE usename = '`+enginetest.Machine+`'`)
		case "lost":
			p.LoseAnswers(1)
		case "cut":
			p.Cut()
			p.Mend()
		case "restarted":
			if err := d.Server.Restart(); err != nil {
				t.Error(err)
				return counts
			}
		}
	}
}

// TestFaultsOfPostgreSQL: under killed backends, lost answers, cut connections and restarts of
// the server each record arrives once, as it is here.
func TestFaultsOfPostgreSQL(t *testing.T) {
	server := enginetest.Own(t)
	d := server.Database(t)
	p := server.Proxy(t)
	y := newYardIn(t, *shippedFolder, "north", "south")
	y.to(settings(d, p))
	for i := range *shippedRecords / 3 { // a roll has three
		line := y.lines[i%2]
		if y.roll(line); i == *shippedRecords/9 {
			y.closeOff(line)
		}
	}
	stop, troubled := make(chan struct{}), make(chan map[string]int)
	go func() { troubled <- trouble(t, d, p, stop) }()
	begun := time.Now()
	end := y.start(t.Context())
	waits := func() bool {
		s := y.shipper.State("south")
		return !s.Known || s.Backlog > uint64(*shippedRecords/20)
	}
	for i := 0; y.failedTimes() < 40 || waits(); i++ { // the line is at work meanwhile
		y.roll(y.lines[i%2])
		<-time.After(10 * time.Millisecond)
	}
	close(stop)
	counts := <-troubled
	y.roll("north")
	y.roll("south")
	y.soon("all is there", func() bool { return y.arrived("north")() && y.arrived("south")() })
	took := time.Since(begun)
	end()
	n := uint64(0)
	for _, l := range y.lines {
		y.proved(d, l, 0)
		n += y.open[l].Head().Seq
	}
	size := d.SQL(t, `SELECT sum(pg_total_relation_size(relid)) FROM pg_partition_tree('lapgate.records')`)
	t.Logf("%d records in %s under %v, after which %d connections were made anew; %s bytes there", n, took.Round(time.Millisecond), counts, y.failedTimes(), size)
	if counts["killed"] < 5 || counts["lost"] < 5 || counts["restarted"] == 0 || y.failedTimes() < 10 {
		t.Errorf("%v, %d: the test shows nothing", counts, y.failedTimes())
	}
}

func (y *yard) failedTimes() int {
	y.mu.Lock()
	defer y.mu.Unlock()
	return len(y.failures)
}

// TestForkOfPostgreSQL: a journal that was put back is refused by the database, and goes on
// under another name from where both part.
func TestForkOfPostgreSQL(t *testing.T) {
	d := enginetest.New(t)
	y := newYardIn(t, "", "north", "south")
	y.to(settings(d, nil))
	for range 20 {
		y.roll("north")
	}
	r, err := journal.OpenReader(t.Context(), y.path("north"))
	y.must(err)
	backup, err := r.Backup(t.Context(), filepath.Join(y.dir, "backup"))
	y.must(err)
	y.must(r.Close())
	for range 300 {
		y.roll("north")
	}
	stop := y.start(t.Context())
	y.soon("all is there", y.arrived("north"))
	stop()
	y.must(y.open["north"].Close())
	y.must(os.Rename(filepath.Join(y.dir, "backup"), y.path("north")))
	y.begin("north")
	for range 100 {
		y.append("north", record.Mode{By: "kim"})
	}
	stop = y.start(t.Context())
	y.roll("south")
	y.soon("it is stopped, and the other is there", func() bool { return y.shipper.State("north").Stopped != nil && y.arrived("south")() })
	s := y.shipper.State("north").Stopped
	if s.After != backup.Seq {
		t.Errorf("both have record %d, want %d", s.After, backup.Seq)
	}
	y.append("north", record.Register{Journal: s.Journal.String(), After: s.After, By: "kim", Reason: "put back"})
	y.soon("it goes on", y.arrived("north"))
	stop()
	y.proved(d, "north", backup.Seq)
	y.proved(d, "south", 0)
	all, err := d.Connect(t, enginetest.Machine).Journals(t.Context(), "north")
	y.must(err)
	if len(all) != 2 || all[0].Genesis != s.Journal || all[0].Head.Seq <= backup.Seq {
		t.Errorf("%d journals there", len(all))
	}
}

// TestMonthRemovedInPostgreSQL: records of a month that was removed meanwhile still arrive,
// and so does all behind them.
func TestMonthRemovedInPostgreSQL(t *testing.T) {
	d := enginetest.New(t)
	y := newYardIn(t, "")
	y.lines = []string{"north"}
	y.to(settings(d, nil))
	synctest.Test(t, func(inner *testing.T) { // where it is the year 2000
		y.t = inner
		y.begin("north")
		for range 50 {
			y.roll("north")
		}
		y.must(y.open["north"].Close())
	})
	y.t = t
	y.begin("north")
	d.SQL(t, `SELECT lapgate.make_month('2000-01-01')`)
	half := y.open["north"].Head().Seq / 2
	c := d.Connect(t, enginetest.Machine)
	var entries []journal.Entry
	r, err := journal.OpenReader(t.Context(), y.path("north"))
	y.must(err)
	y.must(r.Walk(t.Context(), journal.Filter{ToSeq: half}, func(e journal.Entry) error { entries = append(entries, e); return nil }))
	y.must(r.Close())
	_, err = c.Register(t.Context(), engine.Journal{Genesis: entries[0].Hash, Line: "north"})
	y.must(err)
	_, err = c.Append(t.Context(), entries[0].Hash, entries)
	y.must(err)
	d.SQL(t, `SELECT lapgate.drop_month('2000-01-01')`)
	defer y.start(t.Context())()
	y.soon("all is there", y.arrived("north"))
	y.roll("north")
	y.soon("all is there", y.arrived("north"))
	y.proved(d, "north", half)
	if got := strings.TrimSpace(d.SQL(t, `SELECT count(*) FROM lapgate.records WHERE at < '2001-01-01'`)); got == "0" {
		t.Error("no record of the year 2000 is there: the test shows nothing")
	}
}

// TestBacklogDrainsIntoPostgreSQL: what an hour of lines left waiting is there within
// seconds of the server being back.
func TestBacklogDrainsIntoPostgreSQL(t *testing.T) {
	d := enginetest.New(t)
	var lines []string
	for i := range *backlogLines {
		lines = append(lines, fmt.Sprintf("line-%02d", i))
	}
	y := newYardIn(t, "", lines...)
	y.to(settings(d, nil))
	const rolls = 60
	for range rolls {
		for _, l := range lines {
			y.roll(l)
		}
	}
	begun := time.Now()
	defer y.start(t.Context())()
	records := uint64(0)
	for _, l := range lines {
		y.soon("all is there", y.arrived(l))
		records += y.open[l].Head().Seq
	}
	took := time.Since(begun)
	t.Logf("%d records of %d lines drained in %s, %.0f a second", records, len(lines), took.Round(time.Millisecond), float64(records)/took.Seconds())
	for _, l := range lines[:min(3, len(lines))] {
		y.proved(d, l, 0)
	}
}
