package virtual

import (
	"context"
	"flag"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"lapgate/configs"
	"lapgate/gateway/config"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
	"lapgate/gateway/replay"
	"lapgate/gateway/stationtest"
)

const month = 30 * 24 * time.Hour

var (
	virtualTime  = flag.Duration("virtual", 48*time.Hour, "virtual time of TestVirtualTime; with -short it is nine hours")
	virtualSeed  = flag.Uint64("virtual-seed", 1, "first seed of TestVirtualTime")
	virtualTries = flag.Int("virtual-tries", 60, "runs to cut the plan of a seed that failed down with")
	virtualTrace = flag.String("virtual-trace", "", "run the plan in this file and nothing else")
)

// perSeed is how long one seed runs: short enough that a restart, which reads the
// whole journal, stays cheap.
const perSeed = month / 80

// result is what a run came to.
type result struct {
	virtual  time.Duration
	counts   map[string]int
	history  stationtest.Report
	records  int
	rounds   int // decided again
	restarts int
}

func snapshotAt(dir string) (*config.Snapshot, error) {
	return config.Load(config.Source{Path: "demo.yaml", Bytes: configs.Demo(), Set: map[string]string{
		"journal.directory": dir,
	}})
}

// live runs a plan in a bubble, and proves what is left of it.
func live(t *testing.T, p *plan, sabotage record.Kind) (r result, err error) {
	t.Helper()
	dir, err := os.MkdirTemp(t.TempDir(), "run")
	if err != nil {
		return r, err
	}
	snapshot, err := snapshotAt(dir)
	if err != nil {
		return r, err
	}
	line := snapshot.Lines[0].Recipe
	path := snapshot.Journal.Path(line.Name)
	var w *world
	synctest.Test(t, func(*testing.T) {
		w = newWorld(p, snapshot, path)
		w.drop = sabotage
		err = w.run()
	})
	if err != nil {
		return r, err
	}
	r = result{virtual: w.elapsed, counts: w.counts, records: w.records, restarts: w.restarts}
	w.history.Rest = true
	if r.history, err = w.history.Check(); err != nil {
		return r, err
	}
	report, err := journal.Verify(context.Background(), path)
	if err != nil {
		return r, err
	}
	for _, problem := range slices.Concat(report.Problems, report.Contradictions) {
		return r, fmt.Errorf("journal: %s", problem)
	}
	if int(report.Records) != w.records {
		return r, fmt.Errorf("the journal has %d records, %d were appended", report.Records, w.records)
	}
	r.rounds, err = again(path, snapshot)
	return r, err
}

// again decides every round of a journal again, and fails on the first difference.
func again(path string, s *config.Snapshot) (rounds int, err error) {
	ctx := context.Background()
	reader, err := journal.OpenReader(ctx, path)
	if err != nil {
		return 0, err
	}
	defer func() { _ = reader.Close() }() // it only reads
	run := replay.NewRun(s.Lines[0].Recipe, nil, func(d *replay.Difference) error {
		return fmt.Errorf("replay: roll %d, %s: decided again it is another", d.Case.Number, d.Case.Tag)
	})
	var history record.History
	take := func(rolls []*record.Roll) error {
		for _, roll := range rolls {
			if err := run.Roll(roll); err != nil {
				return err
			}
		}
		return nil
	}
	err = reader.Replay(ctx, func(s record.Stored) error {
		rolls, err := history.Add(s)
		if err != nil {
			return err
		}
		return take(rolls)
	})
	if err != nil {
		return 0, err
	}
	if err := take(history.Rest()); err != nil {
		return 0, err
	}
	summary, err := run.End()
	return summary.Compared, err
}

// TestVirtualTime runs two days of line time, or as many as a flag says, in seeds of
// nine hours.
func TestVirtualTime(t *testing.T) {
	// Each poll leaves a little garbage, and a month has 26 million of them.
	defer debug.SetGCPercent(debug.SetGCPercent(800))
	if *virtualTrace != "" {
		runTrace(t, *virtualTrace)
		return
	}
	length := *virtualTime
	if testing.Short() {
		length = perSeed
	}
	began := time.Now()
	total := runSeeds(t, int((length+perSeed-1)/perSeed))
	if t.Failed() {
		return
	}
	total.log(t, time.Since(began))
	total.judge(t, length)
}

// runTrace runs the plan in a file.
func runTrace(t *testing.T, path string) {
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	p, err := parseTrace(text)
	if err != nil {
		t.Fatal(err)
	}
	r, err := live(t, p, "")
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%s of virtual time, %v", r.virtual, r.counts)
}

// runSeeds runs so many seeds side by side, and sums up what came of them.
func runSeeds(t *testing.T, seeds int) *result {
	var mu sync.Mutex
	total := &result{counts: map[string]int{}}
	t.Run("seeds", func(t *testing.T) {
		for i := range seeds {
			p := draw(*virtualSeed+uint64(i), perSeed)
			t.Run(fmt.Sprint(p.Seed), func(t *testing.T) {
				t.Parallel()
				r, err := live(t, p, "")
				if err != nil {
					t.Error(explain(t, p, err, "", *virtualTries))
					return
				}
				mu.Lock()
				defer mu.Unlock()
				total.add(&r)
			})
		}
	})
	return total
}

func (r *result) add(o *result) {
	r.virtual += o.virtual
	r.records += o.records
	r.rounds += o.rounds
	r.restarts += o.restarts
	r.history.Add(o.history)
	for k, n := range o.counts {
		r.counts[k] += n
	}
}

func (r *result) log(t *testing.T, took time.Duration) {
	t.Logf("%.1f days of virtual time in %.0f s: %d rolls, %d restarts of the daemon, %d records, %d rounds decided again, %+v",
		r.virtual.Hours()/24, took.Seconds(), r.counts["station/left"], r.restarts, r.records, r.rounds, r.history)
	for _, k := range slices.Sorted(maps.Keys(r.counts)) {
		t.Logf("%-28s %d", k, r.counts[k])
	}
}

// judge holds that the run carried enough: one that carried nothing proves nothing.
func (r *result) judge(t *testing.T, length time.Duration) {
	atLeast := func(what string, got, inAMonth int) {
		if want := int(float64(inAMonth) * float64(length) / float64(month)); got < want {
			t.Errorf("%s: %d, want at least %d", what, got, want)
		}
	}
	if r.virtual < length {
		t.Errorf("%s of virtual time, want %s", r.virtual, length)
	}
	atLeast("rolls", r.counts["station/left"], 20_000)
	atLeast("restarts of the daemon", r.restarts, 500)
	atLeast("accepted", r.counts["verdict/accepted"], 10_000)
	atLeast("held", r.counts["verdict/held"], 200)
	atLeast("rejected", r.counts["verdict/rejected"], 10)
	atLeast("rounds decided again", r.rounds, 20_000)
	for name := range disturbances {
		if length >= 48*time.Hour && r.counts[name] == 0 {
			t.Errorf("%s never happened", name)
		}
		atLeast(name, r.counts[name], 10)
	}
	if n := r.history.Overtaken; n > 0 {
		t.Errorf("%d gaps were written over rolls whose outcome came afterwards", n)
	}
}

// explain shrinks the plan of a run that failed and writes it down.
func explain(t *testing.T, p *plan, failed error, sabotage record.Kind, tries int) string {
	t.Helper()
	t.Logf("seed %d: %v", p.Seed, failed)
	kind := kindOf(failed)
	short := shrink(p, tries, func(q *plan) bool {
		_, err := live(t, q, sabotage)
		return err != nil && kindOf(err) == kind
	})
	text, err := short.trace()
	if err != nil {
		return err.Error()
	}
	path := filepath.Join(t.ArtifactDir(), fmt.Sprintf("seed-%d.trace", p.Seed))
	if err := os.WriteFile(path, text, 0o600); err != nil {
		return err.Error()
	}
	return fmt.Sprintf("%v\nthe plan was cut down from %d to %d steps; run it again with -virtual-trace %s\n%s", failed, len(p.Steps), len(short.Steps), path, text)
}

// kindOf tells failures apart by what cannot be, not by where it was.
func kindOf(err error) string {
	text := err.Error()
	if _, what, ok := strings.Cut(text, "cannot come ["); ok {
		what, _, _ = strings.Cut(what, ",")
		return what
	}
	what, _, _ := strings.Cut(text, ":")
	return what
}
