package ship_test

import (
	"context"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sync/atomic"
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
	y.provedThere(d, there)
}

// provedThere fails unless the database itself proves a journal.
func (y *yard) provedThere(d *enginetest.Database, there engine.Journal) {
	y.t.Helper()
	want := fmt.Sprintf("%d||", there.Head.Seq-there.Kept.Seq)
	if got := d.SQL(y.t, `SELECT records, bad_seq, problem FROM lapgate.verify('\x`+there.Genesis.String()+`')`); got != want {
		y.t.Errorf("%s: proved there as %s, want %s", there.Line, got, want)
	}
}

// soon waits for something to become true, in real time, as long as the tests may take.
func (y *yard) soon(what string, ok func() bool) {
	y.t.Helper()
	const toTell = 20 * time.Second
	end, limited := y.t.Deadline()
	for ; !limited || time.Until(end) > toTell; <-time.After(10 * time.Millisecond) {
		if ok() {
			return
		}
	}
	y.t.Fatalf("never: %s; %+v", what, y.shipper.State(y.lines[0]))
}

// trouble makes faults at a server until it is told to stop.
type trouble struct {
	t      *testing.T
	d      *enginetest.Database
	p      *enginetest.Proxy
	asks   chan func() // what else is done, between two of them
	stop   chan struct{}
	ended  chan struct{}
	counts map[string]int // by kind
	made   atomic.Int32   // faults
}

func makeTrouble(t *testing.T, d *enginetest.Database, p *enginetest.Proxy) *trouble {
	x := &trouble{t: t, d: d, p: p, asks: make(chan func()), stop: make(chan struct{}), ended: make(chan struct{}), counts: map[string]int{}}
	go x.run()
	return x
}

// do has something done while nothing else goes wrong.
func (x *trouble) do(what string, f func()) {
	done := make(chan struct{})
	x.asks <- func() {
		defer close(done)
		f()
		if what != "" {
			x.counts[what]++
		}
	}
	<-done
}

// end stops it, and all is well then.
func (x *trouble) end() {
	close(x.stop)
	<-x.ended
	x.p.LoseAnswers(0)
}

func (x *trouble) run() {
	defer close(x.ended)
	wait, draw := rand.New(rand.NewPCG(17, 4)), rand.New(rand.NewPCG(17, 5))
	for i := 0; ; i++ {
		// They come less and less often, or nothing would ever arrive on a slow machine.
		next := time.After(time.Duration((0.15 + 1.7*wait.Float64()) * (1 + float64(i)/50) * float64(*faultPause)))
		for waits := true; waits; {
			select {
			case <-x.stop:
				return
			case f := <-x.asks:
				f()
			case <-next:
				waits = false
			}
		}
		what := []string{"killed", "killed", "lost", "lost", "lost", "cut"}[draw.IntN(6)]
		if i%60 == 20 {
			what = "restarted"
		}
		x.counts[what]++
		x.made.Add(1)
		switch what {
		case "killed":
			x.d.SQL(x.t, `SELECT count(pg_terminate_backend(pid)) FROM pg_stat_activity WHERE usename = '`+enginetest.Machine+`'`)
		case "lost":
			x.p.LoseAnswers(1)
		case "cut":
			x.p.Cut()
			x.p.Mend()
		case "restarted":
			if err := x.d.Server.Restart(); err != nil {
				x.t.Error(err)
				return
			}
		}
	}
}

// TestFaultsOfPostgreSQL: under killed backends, lost answers, cut connections, restarts of a
// server that forgets what came last, a month that is removed and a journal that is put back
// from a backup, each record arrives once, as it is here. The tags of all have a character
// that no text of the database holds.
func TestFaultsOfPostgreSQL(t *testing.T) {
	server := enginetest.Own(t)
	d := server.Database(t)
	p := server.Proxy(t)
	y := newYardIn(t, *shippedFolder)
	y.lines = []string{"north", "south"}
	y.to(settings(d, p))
	rolls := *shippedRecords / 6 // of each line; a roll has three records
	y.rollsOf2000("south", rolls/4)
	begun := time.Now()
	backup := y.fill(rolls)
	t.Logf("the journals were made in %s", time.Since(begun).Round(time.Millisecond))
	half := uint64(rolls / 4 * 3 / 2)
	d.SQL(t, `SELECT lapgate.make_month('2000-01-01')`)
	y.handOn(d, "south", half)
	// The server forgets what was committed just before it is restarted; this it keeps.
	d.SQL(t, `SET synchronous_commit = on; SELECT lapgate.drop_month('2000-01-01')`)

	x := makeTrouble(t, d, p)
	begun = time.Now()
	stop := y.start(t.Context())
	past := func(line string, record uint64) func() bool {
		return func() bool { return y.shipper.State(line).Record > record }
	}
	for there := uint64(0); there <= backup.Seq; { // and is not forgotten
		y.soon("more is there than in the backup", past("north", backup.Seq+10))
		stop()
		x.do("", func() { there = headOf(t, d, "north") })
		stop = y.start(t.Context())
	}
	stop()
	y.putBack("north")
	stop = y.start(t.Context())
	y.soon("it is stopped", func() bool { return y.shipper.State("north").Stopped != nil })
	x.do("fork", func() {})
	fork := *y.shipper.State("north").Stopped
	if fork.After != backup.Seq {
		t.Errorf("both have record %d, want %d", fork.After, backup.Seq)
	}
	y.append("north", record.Register{Journal: fork.Journal.String(), After: fork.After, By: "kim", Reason: "put back"})
	waits := func() bool {
		s := y.shipper.State("south")
		return !s.Known || s.Backlog > uint64(*shippedRecords/20)
	}
	for i := 0; x.made.Load() < 40 || y.failedTimes() < 40 || waits(); i++ { // the line is at work meanwhile
		y.roll(y.lines[i%2])
		<-time.After(10 * time.Millisecond)
	}
	x.end()
	y.soon("all is there", func() bool { return y.arrived("north")() && y.arrived("south")() })
	took := time.Since(begun)
	stop()

	y.proved(d, "north", backup.Seq)
	y.proved(d, "south", half)
	all, err := d.Connect(t, enginetest.Machine).Journals(t.Context(), "north")
	y.must(err)
	if len(all) != 2 || all[0].Head.Seq <= backup.Seq || all[0].Genesis != fork.Journal {
		t.Fatalf("journals %+v", all)
	}
	y.provedThere(d, all[0])
	n := all[0].Head.Seq + y.open["north"].Head().Seq - backup.Seq + y.open["south"].Head().Seq
	size := d.SQL(t, `SELECT sum(pg_total_relation_size(relid)) FROM pg_partition_tree('lapgate.records')`)
	t.Logf("%d records in %s, %.0f a second, under %v, after which %d connections were made anew; %s bytes there", n, took.Round(time.Millisecond), float64(n)/took.Seconds(), x.counts, y.failedTimes(), size)
	if got := d.SQL(t, `SELECT count(*) FROM lapgate.records WHERE at < '2001-01-01'`); got == "0" {
		t.Error("no record of the month that was removed came after that: the test shows nothing")
	}
	if c := x.counts; c["killed"] < 5 || c["lost"] < 5 || c["cut"] == 0 || c["restarted"] == 0 || y.failedTimes() < 10 {
		t.Errorf("%v, %d: the test shows nothing", c, y.failedTimes())
	}
}

// handOn hands the records of a line on up to one, as an earlier start of the shipper did.
func (y *yard) handOn(d *enginetest.Database, line string, upTo uint64) {
	y.t.Helper()
	c := d.Connect(y.t, enginetest.Machine)
	r, err := journal.OpenWhole(y.t.Context(), y.path(line))
	y.must(err)
	var name journal.Hash
	var batch []journal.Entry
	const most = 1000
	y.must(r.Walk(y.t.Context(), journal.Filter{ToSeq: upTo}, func(e journal.Entry) (err error) {
		if e.Seq == 1 {
			name = e.Hash
			_, err = c.Register(y.t.Context(), engine.Journal{Genesis: name, Line: line})
		}
		if batch = append(batch, e); err == nil && (len(batch) == most || e.Seq == upTo) {
			_, err = c.Append(y.t.Context(), name, batch)
			batch = nil
		}
		return err
	}))
	y.must(r.Close())
}

// headOf is the newest record of a line's only journal that a server has and does not forget.
func headOf(t *testing.T, d *enginetest.Database, line string) (seq uint64) {
	text := d.SQL(t, `CHECKPOINT; SELECT j.seq FROM lapgate.journals j JOIN lapgate.lines l USING (line) WHERE l.name = '`+line+`'`)
	if _, err := fmt.Sscan(text, &seq); err != nil {
		t.Fatal(err)
	}
	return seq
}

// rollsOf2000 begins the journal of a line with rolls of the year 2000, which it is in a bubble.
func (y *yard) rollsOf2000(line string, rolls int) {
	t := y.t
	synctest.Test(t, func(inner *testing.T) {
		y.t = inner
		y.begin(line)
		for range rolls {
			y.roll(line)
		}
		y.must(y.open[line].Close())
	})
	y.t = t
}

// fill has north and south wrap rolls, up to a number, of which the first half of north's is
// kept in a backup, and south's are in an archive in part.
func (y *yard) fill(rolls int) (backup journal.Head) {
	y.begin("north")
	y.begin("south")
	for range rolls / 2 {
		y.roll("north")
	}
	r, err := journal.OpenReader(y.t.Context(), y.path("north"))
	y.must(err)
	backup, err = r.Backup(y.t.Context(), filepath.Join(y.dir, "backup"))
	y.must(err)
	y.must(r.Close())
	for range rolls - rolls/2 {
		y.roll("north")
	}
	for y.rolls["south"] < uint32(rolls) {
		if y.roll("south"); y.rolls["south"] == uint32(rolls/2) {
			y.closeOff("south")
		}
	}
	return backup
}

// putBack puts a journal back from the backup, and has it go on otherwise, as far as it was.
func (y *yard) putBack(line string) {
	y.t.Helper()
	was := y.open[line].Head().Seq
	y.must(y.open[line].Close())
	y.must(os.Rename(filepath.Join(y.dir, "backup"), y.path(line)))
	y.begin(line)
	y.append(line, record.Mode{By: "kim"})
	for y.open[line].Head().Seq < was {
		y.roll(line)
	}
}

func (y *yard) failedTimes() int {
	y.mu.Lock()
	defer y.mu.Unlock()
	return len(y.failures)
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
