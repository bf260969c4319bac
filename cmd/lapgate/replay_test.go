package main

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/csv"
	"encoding/json"
	"errors"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"lapgate/configs"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
	"lapgate/gateway/replay"
)

// ran is what one run of the program gave.
type ran struct {
	code        int
	out, errors string
}

func lapgate(args ...string) ran {
	var out, problems bytes.Buffer
	code := run(args, nil, strings.NewReader(""), &out, &problems)
	return ran{code, out.String(), problems.String()}
}

// demoFile writes the demonstration's configuration, with replacements of its
// text, each of which must be there.
func demoFile(tb testing.TB, name string, replace ...string) string {
	tb.Helper()
	return demoFileOf(tb, string(configs.Demo()), name, replace...)
}

// demoFileOf does so with another text of it.
func demoFileOf(tb testing.TB, text, name string, replace ...string) string {
	tb.Helper()
	for i := 0; i < len(replace); i += 2 {
		if !strings.Contains(text, replace[i]) {
			tb.Fatalf("the demonstration's configuration lacks %q", replace[i])
		}
		text = strings.ReplaceAll(text, replace[i], replace[i+1])
	}
	path := filepath.Join(tb.TempDir(), name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		tb.Fatal(err)
	}
	return path
}

func wantCode(tb testing.TB, r ran, code int) {
	tb.Helper()
	if r.code != code {
		tb.Fatalf("ended with %d, want %d\n%s%s", r.code, code, r.out, r.errors)
	}
}

// answered runs a command that must end with code, and reads the JSON it prints.
func answered[T any](tb testing.TB, code int, args []string) (out T) {
	tb.Helper()
	r := lapgate(args...)
	wantCode(tb, r, code)
	if err := json.Unmarshal([]byte(r.out), &out); err != nil {
		tb.Fatalf("%v in %s", err, r.out)
	}
	return out
}

// replayResult is the JSON of replay.
type replayResult struct {
	About   replayAboutRead      `json:"about"`
	Rolls   []replay.ChangedRoll `json:"rolls"`
	Summary replay.Summary       `json:"summary"`
}

type replayAboutRead struct {
	Line string `json:"line"`
	Hash string `json:"config_hash"`
}

func replayed(tb testing.TB, code int, args ...string) replayResult {
	tb.Helper()
	return answered[replayResult](tb, code, append([]string{"replay", "--json"}, args...))
}

func TestReplay(t *testing.T) {
	t.Parallel()
	path := shadowJournal(t, t.TempDir(), demoSnapshot(t), 300, sameAsOurs)
	t.Run("the same configuration", func(t *testing.T) { replaySame(t, path) })
	t.Run("other setpoints", func(t *testing.T) { replaySetpoints(t, path) })
	t.Run("other holds", func(t *testing.T) { replayHolds(t, path) })
}

// What the machine itself recorded is what replay computes again: nothing
// changes, over rolls with holds and with warnings.
func replaySame(t *testing.T, path string) {
	got := replayed(t, exitDone, path, "--config", demoFile(t, "same.yaml"))
	if n := got.Summary; n.Requests != 300 || n.Rolls != 300 || n.Compared != 300 || n.Changed != 0 || n.HoldsBefore == 0 || n.HoldsBefore != n.HoldsAfter {
		t.Errorf("summary %+v", n)
	}
	if len(got.Rolls) != 0 || got.About.Line != "north" {
		t.Errorf("%d rolls of line %q", len(got.Rolls), got.About.Line)
	}
	if len(got.Summary.RecordedUnder) != 1 || got.Summary.RecordedUnder[0].Count != 300 {
		t.Errorf("recorded under %+v", got.Summary.RecordedUnder)
	}
	computed := replayed(t, exitDone, path, "--config", demoFile(t, "same.yaml"), "--old", demoFile(t, "old.yaml"))
	if computed.Summary.Compared != 300 || computed.Summary.Changed != 0 {
		t.Errorf("summary %+v", computed.Summary)
	}
}

func replaySetpoints(t *testing.T, path string) {
	longer := demoFile(t, "longer.yaml", "overlap: 6 in", "overlap: 7 in", "reserve: 15 ft", "reserve: 20 ft")
	got := replayed(t, exitDifferences, path, "--config", longer)
	// The overlap is the least and grows where the layers would come short.
	n := got.Summary
	if n.NewHolds != 0 || n.Lifted != 0 || n.Changed != n.Setpoints || n.Changed != len(got.Rolls) || n.Changed == 0 {
		t.Fatalf("summary %+v with %d rolls", n, len(got.Rolls))
	}
	amounts := map[string][]float64{}
	for _, r := range got.Rolls {
		for _, v := range r.Setpoints {
			if v.Change == nil || math.Abs(*v.New-*v.Old-*v.Change) > 1e-6 {
				t.Fatalf("roll %d: %s %v → %v by %v", r.Number, v.Name, *v.Old, *v.New, v.Change)
			}
			amounts[v.Name] = append(amounts[v.Name], *v.Change)
		}
	}
	for _, f := range n.Fields {
		all := amounts[f.Name]
		if len(all) != f.Changed || f.Spread == nil {
			t.Fatalf("%s: %d changes listed, %d counted", f.Name, len(all), f.Changed)
		}
		below, above := 0, 0
		for _, a := range all {
			if a < f.Spread.Min || a > f.Spread.Max {
				t.Errorf("%s: %v is not within %+v", f.Name, a, *f.Spread)
			}
			if a < f.Spread.Median {
				below++
			}
			if a > f.Spread.Median {
				above++
			}
		}
		if 2*below > len(all) || 2*above > len(all) {
			t.Errorf("%s: median %v has %d below and %d above of %d", f.Name, f.Spread.Median, below, above, len(all))
		}
	}
	if len(amounts["overlap_m"]) == 0 || len(amounts["feed_length_m"]) < len(amounts["overlap_m"]) {
		t.Errorf("%d overlaps and %d feed lengths change", len(amounts["overlap_m"]), len(amounts["feed_length_m"]))
	}
	for _, a := range amounts["overlap_m"] {
		if math.Abs(a-0.0254) > 0.0001001 {
			t.Errorf("overlap changes by %v m, want 1 in", a)
		}
	}
}

func replayHolds(t *testing.T, path string) {
	narrow := []string{path, "--config", demoFile(t, "narrow.yaml", "width: 16 in..90 in", "width: 16 in..60 in", "{number: 4, width: 60 in", "{number: 4, width: 64 in")}
	got := replayed(t, exitDifferences, narrow...)
	n := got.Summary
	if n.NewHolds == 0 || n.Lifted == 0 || n.HoldsAfter-n.HoldsBefore != n.NewHolds-n.Lifted {
		t.Fatalf("summary %+v", n)
	}
	appeared := map[string]int{}
	newHolds, lifted := 0, 0
	for _, r := range got.Rolls {
		for _, f := range r.Appeared {
			appeared[string(f.Code)]++
		}
		switch {
		case r.Old.Verdict == "go" && r.New.Verdict == "hold":
			newHolds++
			if len(r.Setpoints) != 0 || r.New.Reason == 0 || len(r.Appeared) == 0 {
				t.Errorf("roll %d: %+v", r.Number, r)
			}
		case r.Old.Verdict == "hold" && r.New.Verdict == "go":
			lifted++
			if len(r.Gone) == 0 {
				t.Errorf("roll %d: %+v", r.Number, r)
			}
		}
	}
	if newHolds != n.NewHolds || lifted != n.Lifted {
		t.Errorf("%d new holds and %d lifted listed, %d and %d counted", newHolds, lifted, n.NewHolds, n.Lifted)
	}
	if appeared["width-range"] == 0 {
		t.Errorf("findings that appear: %v", appeared)
	}
	for _, c := range n.Appeared {
		if appeared[string(c.Code)] != c.Count {
			t.Errorf("%s appears at %d rolls, %d counted", c.Code, appeared[string(c.Code)], c.Count)
		}
	}

	// Both forms tell the same, and the same bytes each time.
	rows := lapgate(append([]string{"replay", "--csv"}, narrow...)...)
	wantCode(t, rows, exitDifferences)
	list, err := csv.NewReader(strings.NewReader(rows.out)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	want := 0
	for _, r := range got.Rolls {
		want += len(r.Setpoints) + len(r.Appeared) + len(r.Gone)
		if r.Old != r.New {
			want++
		}
	}
	if len(list)-1 != want {
		t.Errorf("CSV has %d changes, JSON %d", len(list)-1, want)
	}
	for range 3 {
		if again := lapgate(append([]string{"replay", "--csv"}, narrow...)...); again.out != rows.out {
			t.Fatal("a second run printed something else")
		}
	}
}

func TestReplayList(t *testing.T) {
	list := filepath.Join(t.TempDir(), "rolls.csv")
	text := "roll,diameter (in),width (in),grade,core\n"
	for i := range 40 {
		text += "L-" + strconv.Itoa(i) + "," + strconv.Itoa(30+i/2) + ",62,newsprint,three-inch\n"
	}
	if err := os.WriteFile(list, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	demo := demoFile(t, "demo.yaml")
	wantCode(t, lapgate("replay", list, "--config", demo), exitUsage)
	if same := replayed(t, exitDone, list, "--config", demo, "--old", demo); same.Summary.Requests != 40 || same.Summary.Rolls != 40 {
		t.Errorf("summary %+v", same.Summary)
	}
	got := replayed(t, exitDifferences, list, "--old", demo, "--config", demo, "--set", "specs.0.layers=4")
	if got.Summary.Setpoints != 40 {
		t.Errorf("summary %+v", got.Summary)
	}
	for _, r := range got.Rolls {
		for _, v := range r.Setpoints {
			if v.Name == "layers" && (*v.Old != 3 || *v.New != 4) {
				t.Errorf("roll %s: layers %v → %v", r.Tag, *v.Old, *v.New)
			}
		}
	}
}

// A record that was changed or taken out is told of, wherever it stands among
// the chunks.
func TestScanJournal(t *testing.T) {
	const size = 16
	whole := shadowJournal(t, t.TempDir(), demoSnapshot(t), 40, sameAsOurs)
	// The same shift at another time: each record is sound, its chain another.
	other := shadowJournal(t, t.TempDir(), demoSnapshot(t), 40, sameAsOurs)
	for _, c := range []struct {
		name, sql, want string
		calls           uint64
	}{
		{"whole", ``, "", 120},
		{"changed", `UPDATE records SET body = replace(body, 'S-', 'T-') WHERE seq = 50`, "record 50", 48},
		{"taken out", `DELETE FROM records WHERE seq = 55`, "55 to 55 are missing", 48},
		{"first of a chunk taken out", `DELETE FROM records WHERE seq = 65`, "65 to 65 are missing", 64},
		{"last of a chunk taken out", `DELETE FROM records WHERE seq = 64`, "64 to 64 are missing", 48},
		{"seam changed", `UPDATE records SET prev_hash = zeroblob(32) WHERE seq = 65`, "record 65", 64},
		{"another chain from a seam on", `ATTACH '` + other + `' AS other; DELETE FROM records WHERE seq >= 65;
			INSERT INTO records SELECT * FROM other.records WHERE seq >= 65`, "record 65: it is not linked", 64},
		{"all taken out", `DELETE FROM records WHERE seq > 16 AND seq < 120`, "17 to 32 are missing", 16},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "north.db")
			wantCode(t, lapgate("journal", "backup", whole, path), exitDone)
			db, err := sql.Open("sqlite", path)
			if err != nil {
				t.Fatal(err)
			}
			if _, err := db.Exec(`DROP TRIGGER records_never_change; DROP TRIGGER records_never_leave; ` + c.sql); err != nil {
				t.Fatal(err)
			}
			if err := db.Close(); err != nil {
				t.Fatal(err)
			}
			last := uint64(0)
			err = scanFile(t.Context(), path, size, func(s record.Stored) error {
				if s.Seq != last+1 {
					t.Fatalf("record %d follows record %d", s.Seq, last)
				}
				last = s.Seq
				return nil
			})
			if last != c.calls {
				t.Errorf("%d records were handed out, want %d", last, c.calls)
			}
			if c.want == "" {
				if err != nil {
					t.Error(err)
				}
				return
			}
			var damage *journal.DamageError
			if !errors.As(err, &damage) || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v, want damage with %q", err, c.want)
			}
		})
	}
	stop := errors.New("stop")
	if err := scanFile(t.Context(), whole, size, func(record.Stored) error { return stop }); !errors.Is(err, stop) {
		t.Errorf("got %v, want the error of the caller", err)
	}
	ended, cancel := context.WithCancel(t.Context())
	err := scanFile(ended, whole, size, func(record.Stored) error { cancel(); return nil })
	if !errors.Is(err, context.Canceled) {
		t.Errorf("got %v, want the end of the context", err)
	}
}

// BenchmarkReplay replays a journal of a month in shadow through another configuration. Its
// rate is that of the fastest run.
func BenchmarkReplay(b *testing.B) {
	const rolls = 10_000
	path := shadowJournal(b, b.TempDir(), demoSnapshot(b), rolls, sameAsOurs)
	other := demoFile(b, "other.yaml", "overlap: 6 in", "overlap: 7 in")
	least := time.Hour
	b.ReportAllocs()
	for b.Loop() {
		begun := time.Now()
		if r := lapgate("replay", path, "--config", other); r.code != exitDifferences {
			b.Fatal(r.errors)
		}
		least = min(least, time.Since(begun))
	}
	b.ReportMetric(rolls/least.Seconds(), "rolls/s")
}

// scanFile calls each with every record of a journal in a file, read in runs of size records.
func scanFile(ctx context.Context, path string, size uint64, each func(record.Stored) error) error {
	s := fileSource(path)
	return s.read(ctx, func(r *journal.Reader) error {
		return r.Scan(ctx, journal.Part{}, size, func(uint64, uint64) {}, each)
	})
}
