package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"lapgate/gateway/engine/enginetest"
	"lapgate/gateway/handshake"
	"lapgate/gateway/journal"
	"lapgate/gateway/record"
)

// turned are the journals of two machines, a and b, that served a shift by turns: it is
// taken over at the request of a roll, which both have, and later given back. That of
// before is an outcome which the one left open and the other has.
type turned struct {
	t     *testing.T
	paths [2]string
	open  [2]*journal.Journal
	past  [2]record.Past
	acts  int
	epoch uint32
	boot  uint32
	acked uint32 // index of the newest outcome, which is the number of its roll
	first uint64 // records of a before b took over
	seq   [2]uint64
}

func (w *turned) add(r record.Record) {
	w.t.Helper()
	if err := w.past[w.acts].Add(r); err != nil {
		w.t.Fatal(err)
	}
	stored, err := w.open[w.acts].Append(w.t.Context(), r)
	if err != nil {
		w.t.Fatal(err)
	}
	w.seq[w.acts] = stored[0].Seq
}

func (w *turned) takeOver() {
	w.t.Helper()
	w.acts = 1 - w.acts
	w.epoch++
	w.add(record.Session{Session: handshake.Session{Epoch: w.epoch, Nonce: 9}, Boot: w.boot, Cause: "start"})
	past := &w.past[w.acts]
	if w.acked <= past.Outcomes {
		w.t.Fatal("the other acknowledged nothing")
	}
	w.add(record.Gap{FromIndex: past.Outcomes + 1, ToIndex: w.acked, FromRoll: past.Covered + 1, ToRoll: w.acked, Cause: record.HeldByOther})
}

// turnsOf writes a shift as if two machines had served it.
func turnsOf(t *testing.T, path string) *turned {
	t.Helper()
	w := &turned{t: t, past: [2]record.Past{record.NewPast(), record.NewPast()}, epoch: 1000}
	for i := range w.open {
		w.paths[i] = filepath.Join(t.TempDir(), "north.db")
		j, err := journal.Open(t.Context(), w.paths[i])
		if err != nil {
			t.Fatal(err)
		}
		w.open[i], w.acts = j, i
		w.add(record.Origin{Line: "north", Installation: fmt.Sprint(i)})
		w.add(record.Mode{Armed: true, By: "kim", Reason: "both"})
	}
	w.acts = 0
	next := uint32(5)
	err := scanFile(t.Context(), path, journal.ScanChunk, func(s record.Stored) error {
		switch r := s.Record.(type) {
		case record.Origin, record.Mode:
			return nil
		case record.Request:
			w.boot = r.Token.Boot
			if r.Roll >= next && w.past[w.acts].Open == nil && w.acked+1 < r.Roll+5 && w.acked > w.past[1-w.acts].Outcomes {
				w.add(r) // it asked both
				if w.first == 0 {
					w.first = w.seq[0]
				}
				w.takeOver()
				next = r.Roll + 4
			}
		case record.Outcome:
			if r.Outcome.Index != r.Outcome.RollNo {
				t.Fatal("outcomes are not numbered as rolls are")
			}
			w.acked = r.Outcome.Index
		}
		w.add(s.Record)
		return nil
	})
	for _, j := range w.open {
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if err != nil || w.epoch < 1002 {
		t.Fatalf("%d takeovers, %v", w.epoch-1000, err)
	}
	return w
}

// reportOf is a report, less the times.
func reportOf(t *testing.T, args ...string) (rolls []map[string]any, all map[string]any) {
	t.Helper()
	code, out, problems := call(append([]string{"report", "--json"}, args...)...)
	if code != exitDone {
		t.Fatal(problems)
	}
	if err := json.Unmarshal([]byte(out), &all); err != nil {
		t.Fatalf("it is not one report: %v", err)
	}
	list, _ := all["rolls"].([]any)
	for _, r := range list {
		roll, _ := r.(map[string]any)
		for _, key := range []string{"came_at", "left_at", "station_s"} {
			delete(roll, key)
		}
		rolls = append(rolls, roll)
	}
	return rolls, all
}

// A shift that two machines served by turns is one report of all its rolls, the one that
// would be if one had served it; what one holds alone is awaited until it arrives.
func TestEngineMakesOneReportOfAPair(t *testing.T) {
	d := enginetest.New(t)
	path := demoJournal(t, "6")
	w := turnsOf(t, path)
	mill := engineMill(t, d, enginetest.Reader)
	shipped(t, d, "b", w.paths[1], 0)
	shipped(t, d, "a", w.paths[0], w.first-12)

	want, _ := reportOf(t, path, "--config", mill)
	if len(want) < 10 {
		t.Fatalf("%d rolls", len(want))
	}
	early, _ := reportOf(t, "--engine", "--config", mill)
	if len(early) == 0 || len(early) >= len(want) {
		t.Errorf("%d rolls of %d before all arrived", len(early), len(want))
	}
	page := filepath.Join(t.TempDir(), "both.html")
	wants(t, called(t, exitDone, "report", "--engine", "--config", mill, "--html", page),
		"machine b: gap: outcomes 1 to \\d+, rolls 1 to \\d+:\\s+held\\s+by\\s+the\\s+other\\s+machine;\\s+not\\s+yet\\s+arrived\\s+of\\s+it:\\s+outcome")
	text, err := os.ReadFile(page)
	if err != nil {
		t.Fatal(err)
	}
	wants(t, string(text), "Rolls stand in the journal of the other machine alone", "machine a: armed", "machine b: armed")

	shipped(t, d, "a", w.paths[0], 0)
	got, all := reportOf(t, "--engine", "--config", mill)
	if len(got) != len(want) {
		t.Errorf("%d rolls, want %d", len(got), len(want))
	}
	for i := range min(len(got), len(want)) {
		if a, b := fmt.Sprint(got[i]), fmt.Sprint(want[i]); a != b {
			t.Errorf("roll %d:\n%s\nby one machine:\n%s", i+1, a, b)
		}
	}
	if list, _ := all["journals"].([]any); len(list) != 2 || all["head"] != nil {
		t.Errorf("journals %v, head %v", list, all["head"])
	}
	done := fmt.Sprint(all["gaps"])
	wants(t, done, "machine b: gap: .* it has arrived, in the journal of machine a", "machine a: gap: .* it has arrived, in the journal of machine b")
	if strings.Contains(done, "not yet arrived") {
		t.Errorf("gaps %s", done)
	}
	called(t, exitDone, "report", "--engine", "--config", mill, "--html", page)
	if text, err = os.ReadFile(page); err != nil || strings.Contains(string(text), "find out at the line") || strings.Contains(string(text), "Rolls stand in the journal") {
		t.Errorf("%v: gaps that are filled need nobody", err)
	}
	for _, format := range []string{"csv", "json"} {
		count := func(args ...string) int {
			code, out, problems := call(append([]string{"journal", "export", "--format", format}, args...)...)
			if code != exitDone {
				t.Fatal(problems)
			}
			return strings.Count(out, "\n")
		}
		both, a, b := count("--engine", "--config", mill), count(w.paths[0]), count(w.paths[1])
		if format == "csv" && both != count(path) || format == "json" && both != a+b {
			t.Errorf("%s: %d rows of both, %d of a, %d of b", format, both, a, b)
		}
	}
	wants(t, called(t, exitFailed, "journal", "show", "999999", "--engine", "--config", mill), "machine b, .*; engine: .*holds no such record")
	// One machine alone has its own rolls, and asks the other for what its gaps leave out.
	alone, one := reportOf(t, "--engine", "--config", mill, "--machine", "b")
	if len(alone) == 0 || len(alone) >= len(want) || one["journals"] != nil {
		t.Errorf("%d rolls of machine b alone", len(alone))
	}
	wants(t, fmt.Sprint(one["gaps"]), "it has arrived, in the journal of machine a")
}

// A roll that two machines served is told by both: the request of the one, the outcome of
// the other.
func TestEngineTellsARollOfBoth(t *testing.T) {
	d := enginetest.New(t)
	path := demoJournal(t, "6")
	w := turnsOf(t, path)
	mill := engineMill(t, d, enginetest.Reader)
	shipped(t, d, "a", w.paths[0], 0)
	shipped(t, d, "b", w.paths[1], 0)
	tags := map[string][]bool{} // of rolls that both asked about, by machine: has the outcome
	for i, p := range w.paths {
		err := journal.ScanRolls(t.Context(), p, time.Time{}, func(uint64, uint64) {}, func(r *record.Roll) error {
			if r.Tag != "" {
				tags[r.Tag] = append(tags[r.Tag], make([]bool, i+1-len(tags[r.Tag]))...)
				tags[r.Tag][i] = r.Outcome != nil
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	told := 0
	for tag, has := range tags {
		out := called(t, exitDone, "why", tag, "--engine", "--config", mill)
		if strings.Contains(out, "at the station") || !strings.Contains(out, "the roll left") {
			t.Errorf("%s %v:\n%s", tag, has, out)
		}
		if len(has) == 2 && slices.Contains(has, true) && slices.Contains(has, false) && strings.Contains(out, "machine a: ") && strings.Contains(out, "machine b: ") {
			told++
		}
	}
	if told < 2 {
		t.Errorf("%d rolls are told by both machines, of %v", told, tags)
	}
}
