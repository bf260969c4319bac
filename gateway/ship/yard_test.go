package ship_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/gateway/cycle"
	"lapgate/gateway/handshake"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
	"lapgate/gateway/ship"
	"lapgate/gateway/ship/shiptest"
)

// yard is a machine with journals, and the engine that they go to.
type yard struct {
	t      *testing.T
	dir    string
	engine *shiptest.Engine
	lines  []string
	open   map[string]*journal.Journal
	rolls  map[string]uint32
	past   map[string]*record.Past

	connect func(context.Context) (ship.Conn, error) // to another engine than the one in memory
	wait    time.Duration                            // after a failure
	shared  map[string]*journal.Shared

	shipper  *ship.Shipper
	over     chan struct{} // closed when it has ended
	mu       sync.Mutex
	stored   map[string]cycle.Stored
	failures []error
}

func newYard(t *testing.T, lines ...string) *yard { return newYardIn(t, "", lines...) }

// newYardIn is one whose journals stand in a folder; empty for one of the test.
func newYardIn(t *testing.T, folder string, lines ...string) *yard {
	dir := t.TempDir()
	if folder != "" {
		var err error
		if dir, err = os.MkdirTemp(folder, "yard"); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = os.RemoveAll(dir) })
	}
	y := &yard{t: t, dir: dir, wait: time.Second, engine: &shiptest.Engine{}, lines: lines, open: map[string]*journal.Journal{}, rolls: map[string]uint32{}, past: map[string]*record.Past{}, shared: map[string]*journal.Shared{}, stored: map[string]cycle.Stored{}}
	for _, l := range lines {
		y.begin(l)
	}
	return y
}

func (y *yard) must(err error) {
	y.t.Helper()
	if err != nil {
		y.t.Fatal(err)
	}
}

func (y *yard) path(line string) string { return filepath.Join(y.dir, line+".db") }

func (y *yard) begin(line string) {
	y.t.Helper()
	j, err := journal.Open(y.t.Context(), y.path(line), journal.OwnedBy(journal.Owner{Line: line, Folder: filepath.Join(y.dir, "state")}))
	y.must(err)
	past := record.NewPast()
	y.must(j.Replay(y.t.Context(), func(s record.Stored) error { return past.Add(s.Record) }))
	y.open[line], y.past[line], y.rolls[line] = j, &past, past.Outcomes
	if y.shared[line] == nil {
		y.shared[line] = journal.NewShared(y.path(line))
	}
}

// append makes records durable.
func (y *yard) append(line string, records ...record.Record) {
	y.t.Helper()
	for _, r := range records {
		stored, err := y.open[line].Append(y.t.Context(), r)
		y.must(err)
		y.must(y.past[line].Add(r))
		if y.shipper != nil {
			y.shipper.Recorded(line, stored[0])
		}
	}
}

// roll wraps one roll: a few records, the last of them its outcome.
func (y *yard) roll(line string) {
	y.t.Helper()
	y.rolls[line]++
	n := y.rolls[line]
	token := handshake.Token{Boot: 41, Req: n}
	tag := fmt.Sprintf("R-%04d\x00%c", n, 'a'+n%26)
	request := record.Request{Token: token, Roll: n}
	request.Measured.Tag = tag
	y.append(line, request, record.Shadow{Token: token, Roll: n, Tag: tag, Verdict: "go"},
		record.Outcome{Outcome: handshake.Outcome{Index: n, RollNo: n, Boot: 41, Outcome: handshake.Wrapped}})
}

// closeOff makes an archive of what stands there.
func (y *yard) closeOff(line string) {
	y.t.Helper()
	for {
		_, err := y.open[line].CloseOff(y.t.Context(), record.Carry{Past: y.past[line].Carried()})
		if err == nil {
			return
		}
		if !strings.Contains(err.Error(), "being read") {
			y.t.Fatal(err)
		}
		<-time.After(time.Millisecond)
	}
}

// start begins to ship, and returns what ends that.
func (y *yard) start(ctx context.Context) (stop func()) {
	ctx, cancel := context.WithCancel(ctx)
	connect := y.connect
	if connect == nil {
		connect = y.engine.Connect("a")
	}
	set := ship.Settings{Machine: "a", Connect: connect,
		Failed: func(failure error) time.Duration {
			y.mu.Lock()
			defer y.mu.Unlock()
			y.failures = append(y.failures, failure)
			return y.wait
		},
		Changed: func(string, ship.State) {},
		Stored: func(line string, s cycle.Stored) {
			y.mu.Lock()
			defer y.mu.Unlock()
			y.stored[line] = s
		},
	}
	for _, l := range y.lines {
		set.Lines = append(set.Lines, ship.Line{Name: l, Journal: y.shared[l]})
	}
	y.shipper = ship.New(set)
	shipper, over := y.shipper, make(chan struct{})
	y.over = over
	go func() {
		defer close(over)
		shipper.Run(ctx)
	}()
	return func() {
		cancel()
		<-over
		y.shipper = nil
	}
}

// finish lets the shipper end by itself.
func (y *yard) finish() {
	y.shipper.Finish()
	<-y.over
	y.shipper = nil
}

func (y *yard) storedOf(line string) cycle.Stored {
	y.mu.Lock()
	defer y.mu.Unlock()
	return y.stored[line]
}

// until waits, in virtual time, for something to become true.
func (y *yard) until(what string, ok func() bool) {
	y.t.Helper()
	for range 6000 {
		if ok() {
			return
		}
		<-time.After(100 * time.Millisecond)
	}
	for _, l := range y.lines {
		y.t.Logf("%s: %+v", l, y.shipper.State(l))
	}
	y.t.Fatal("never: " + what)
}

// arrived tells whether all of a journal has arrived.
func (y *yard) arrived(line string) func() bool {
	return func() bool {
		s := y.shipper.State(line)
		return s.Known && s.Backlog == 0 && s.Record == y.open[line].Head().Seq
	}
}

// calls are how often the engine in memory was asked.
func (y *yard) calls() (n struct{ appends, connects int }) {
	y.engine.Do(func() { n.appends, n.connects = y.engine.Appends, y.engine.Connects })
	return n
}

// same fails unless the newest chain of a line there is the journal here from a record
// on, record by record.
func (y *yard) same(line string, from uint64) {
	y.t.Helper()
	chains := y.engine.Of(line, "a")
	if len(chains) == 0 {
		y.t.Fatalf("%s: no journal there", line)
	}
	there := chains[len(chains)-1].Records
	r, err := journal.OpenWhole(y.t.Context(), y.path(line))
	y.must(err)
	n := 0
	y.must(r.Walk(y.t.Context(), journal.Filter{FromSeq: from}, func(e journal.Entry) error {
		if n >= len(there) || there[n].Seq != e.Seq || there[n].Hash != e.Hash || string(there[n].Body) != string(e.Body) || !there[n].At.Equal(e.At) {
			y.t.Fatalf("%s: record %d is not there as it is here", line, e.Seq)
		}
		n++
		return nil
	}))
	y.must(r.Close())
	if n != len(there) || n == 0 {
		y.t.Fatalf("%s: %d records there, %d here", line, len(there), n)
	}
}

// ofAnother has north's journal shipped, and then the engine take it for another's, by a change
// to what it knows of it. It returns why the shipper has stopped for it.
func (y *yard) ofAnother(ctx context.Context, change func(*shiptest.Chain)) (s *ship.Stop, stop func()) {
	y.t.Helper()
	stop = y.start(ctx)
	y.roll("north")
	y.until("all is there", y.arrived("north"))
	stop()
	change(y.engine.Journals[0])
	stop = y.start(ctx)
	y.until("it is stopped", func() bool { return y.shipper.State("north").Stopped != nil })
	return y.shipper.State("north").Stopped, stop
}

func inBubble(t *testing.T, lines []string, f func(ctx context.Context, y *yard)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		y := newYard(t, lines...)
		defer func() {
			for _, l := range y.lines {
				if j := y.open[l]; j != nil {
					_ = j.Close()
				}
			}
		}()
		f(t.Context(), y)
	})
}
