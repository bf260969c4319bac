package main

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"lapgate/gateway/handshake"
	"lapgate/gateway/replay"
	"lapgate/gateway/report/reporttest"
)

// compareResult is the JSON of compare.
type compareResult struct {
	Coverage  replay.Coverage       `json:"coverage"`
	Compared  int                   `json:"compared"`
	Held      int                   `json:"wrapped_though_ours_holds"`
	Exceeding int                   `json:"exceeding"`
	Setpoints []compareUse          `json:"setpoints"`
	Rolls     []replay.ComparedRoll `json:"rolls"`
}

type compareUse struct {
	Name        string   `json:"setpoint"`
	Compared    int      `json:"compared"`
	NotReported int      `json:"not_reported"`
	Exceeding   int      `json:"exceeding"`
	Mean        *float64 `json:"mean"`
	SD          *float64 `json:"sd"`
	Worst       *float64 `json:"worst"`
}

func compared(tb testing.TB, code int, args ...string) compareResult {
	tb.Helper()
	return answered[compareResult](tb, code, append([]string{"compare", "--json"}, args...))
}

func TestCompare(t *testing.T) {
	// Every roll gets 10 mm less overlap, every other 20 ms more crimp time;
	// roll 30 gets another slot, roll 40 is removed, and roll 50 has no scale.
	const rolls = 60
	held, crimped := 0, 0
	path := shadowJournal(t, t.TempDir(), demoSnapshot(t), rolls, func(i int, p *handshake.Payload, o *handshake.Outcome) {
		if i == 40 {
			o.Outcome = handshake.Removed
			return
		}
		if p.Kind == handshake.KindHold {
			o.Outcome = handshake.Removed
			held++
			return
		}
		o.Overlap -= 100
		if i%2 == 0 {
			o.CrimpTime += 2
			crimped++
		}
		if i == 30 {
			o.Slot = p.Slot%6 + 1
		}
		if i == 50 {
			o.Scale = 0
		}
	})
	got := compared(t, exitDifferences, path)
	n := rolls - held - 1
	want := replay.Coverage{Outcomes: rolls, Wrapped: n, NotWrapped: rolls - n}
	if got.Coverage != want || got.Compared != n || got.Held != 0 || got.Exceeding != 1 || len(got.Rolls) != n || held == 0 {
		t.Fatalf("%d held; coverage %+v, %d compared, %d exceed", held, got.Coverage, got.Compared, got.Exceeding)
	}
	for _, f := range got.Setpoints {
		switch f.Name {
		case "overlap_m":
			if math.Abs(*f.Mean+0.01) > 1e-9 || math.Abs(*f.SD) > 1e-9 || math.Abs(*f.Worst+0.01) > 1e-9 || f.Compared != n {
				t.Errorf("overlap: mean %v, spread %v, worst %v of %d", *f.Mean, *f.SD, *f.Worst, f.Compared)
			}
		case "crimp_time_s":
			share := float64(crimped) / float64(n)
			sd := 0.02 * math.Sqrt(share*(1-share)*float64(n)/float64(n-1))
			if math.Abs(*f.Mean-0.02*share) > 1e-9 || math.Abs(*f.SD-sd) > 1e-9 {
				t.Errorf("crimp time: mean %v, want %v; spread %v, want %v", *f.Mean, 0.02*share, *f.SD, sd)
			}
		case "wrapper_slot":
			if f.Mean != nil || f.Exceeding != 1 || f.Compared != n {
				t.Errorf("slot: %+v", f)
			}
		case "gross_kg":
			if f.Compared != n-1 || f.NotReported != 1 || *f.Mean != 0 {
				t.Errorf("gross mass: %+v", f)
			}
		default:
			if f.Compared != n || *f.Mean != 0 || f.Exceeding != 0 {
				t.Errorf("%s: %+v", f.Name, f)
			}
		}
	}
	text := lapgate("compare", path, "--show", "1", "--config", demoFile(t, "demo.yaml"))
	wantCode(t, text, exitDifferences)
	if _, list, _ := strings.Cut(text.out, "rolls that differ most\n"); !strings.Contains(list, "\n30 S-000030  wrapped by hand  wrapper slot ") || strings.Count(list, "S-0") != 1 {
		t.Errorf("the worst roll is not told first:\n%s", text.out)
	}
	if !strings.Contains(text.out, "-0.394 in") {
		t.Errorf("the overlap is not told in inches:\n%s", text.out)
	}

	// Tolerances: none for the overlap makes every roll differ.
	tight := compared(t, exitDifferences, path, "--tolerance", "overlap=9.9 mm")
	if tight.Exceeding != n {
		t.Errorf("%d exceed, want %d", tight.Exceeding, n)
	}
	if wide := compared(t, exitDifferences, path, "--tolerance", "overlap=10 mm"); wide.Exceeding != 1 {
		t.Errorf("%d exceed, want 1", wide.Exceeding)
	}
	compared(t, exitDone, path, "--tolerance", "wrapper_slot=5")

	// Roll 31 is the first one from the moment on at which it came, and the first one that
	// is left out where that is the end.
	table, err := csv.NewReader(strings.NewReader(lapgate("journal", "export", path, "--format", "csv").out)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	came := table[31][slices.Index(table[0], "came at")]
	if since := compared(t, exitDone, path, "--since", came, "--tolerance", "wrapper_slot=5"); since.Coverage.Outcomes != rolls-30 {
		t.Errorf("%d since %s, want %d", since.Coverage.Outcomes, came, rolls-30)
	}
	if until := compared(t, exitDifferences, path, "--until", came); until.Coverage.Outcomes != 30 {
		t.Errorf("%d until %s, want 30", until.Coverage.Outcomes, came)
	}

	rows := lapgate("compare", "--csv", path)
	wantCode(t, rows, exitDifferences)
	list, err := csv.NewReader(strings.NewReader(rows.out)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	exceed := 0
	for _, r := range list[1:] {
		if r[11] == "yes" {
			exceed++
		}
		if r[6] == "overlap (mm)" && r[9] != "-10" {
			t.Errorf("roll %s: overlap differs by %s mm, want -10", r[0], r[9])
		}
	}
	if exceed != 1 {
		t.Errorf("CSV has %d that exceed, want 1", exceed)
	}

	drawing := filepath.Join(t.TempDir(), "north.svg")
	wantCode(t, lapgate("compare", path, "--svg", drawing), exitDifferences)
	svg, err := os.ReadFile(drawing)
	if err != nil {
		t.Fatal(err)
	}
	elements := reporttest.WellFormed(t, string(svg))
	if points := elements["circle"]; points != n*len(replay.Usages())-1 {
		t.Errorf("%d points, want one for each roll and setpoint but one: %d", points, n*len(replay.Usages())-1)
	}
	if strings.Count(string(svg), `class="o"`) != 1 {
		t.Error("not just the one roll out of tolerance is marked")
	}
	if !strings.Contains(string(svg), "overlap, used less ours (mm)") {
		t.Error("an axis lacks its name with the unit")
	}
}

// A roll that was wrapped though we would have held it is a difference.
func TestCompareHeldRolls(t *testing.T) {
	held := 0
	path := shadowJournal(t, t.TempDir(), demoSnapshot(t), 60, func(_ int, p *handshake.Payload, _ *handshake.Outcome) {
		if p.Kind == handshake.KindHold {
			held++
		}
	})
	got := compared(t, exitDifferences, path)
	if held == 0 || got.Held != held || got.Exceeding != 0 || got.Compared != 60-held {
		t.Errorf("%d held: %+v", held, got.Coverage)
	}
	text := lapgate("compare", path, "--show", "2")
	wantCode(t, text, exitDifferences)
	if _, list, _ := strings.Cut(text.out, "rolls wrapped though we would have held them\n"); strings.Count(list, "  no-slot\n") != 2 {
		t.Errorf("the first two rolls with their reason are not told:\n%s", text.out)
	}
}
