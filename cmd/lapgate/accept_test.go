package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"lapgate/gateway/acceptance"
	"lapgate/gateway/report/reporttest"
)

// drafted is a plan of the demonstration.
func drafted(t *testing.T) string {
	t.Helper()
	code, out, errs := call("accept", "--draft")
	if code != exitDone {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	return out
}

// only are the steps of a plan of these names.
func only(t *testing.T, plan string, names ...string) string {
	t.Helper()
	head, rest, _ := strings.Cut(plan, "\n")
	out := head + "\n"
	for line := range strings.Lines(rest) {
		if name, _, _ := strings.Cut(line, ","); slices.Contains(names, name) {
			out += line
		}
	}
	if got := strings.Count(out, "\n") - 1; got != len(names) {
		t.Fatalf("the draft has %d of the steps %v:\n%s", got, names, plan)
	}
	return out
}

// accepted runs a plan and returns its report.
func accepted(t *testing.T, plan string, args ...string) (code int, r *acceptance.Report, out, errs string) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "plan.csv")
	if err := os.WriteFile(path, []byte(plan), 0o600); err != nil {
		t.Fatal(err)
	}
	code, out, errs = call(append([]string{"accept", path, "--json", "--speed", "2000"}, args...)...)
	r, err := acceptance.ReadReport("report", strings.NewReader(out))
	if err != nil {
		t.Fatalf("exit code %d: %v: %s%s", code, err, out, errs)
	}
	return code, r, out, errs
}

// fewSteps are one of each kind, over which a defect is to be found.
func fewSteps() []string {
	return []string{"normal-1", "normal-2", "diameter-range-most-diameter-inside", "diameter-range-most-diameter-outside", "scan-age-outside", "operator-hold", "fault-link-cut-at-run"}
}

// A sound line passes, twice with the same report but for what tells of the run; and
// what differs from an earlier report is told.
func TestAcceptSoundLine(t *testing.T) {
	t.Parallel()
	all := drafted(t)
	plan, dir := only(t, all, fewSteps()...), t.TempDir()
	page, journal := filepath.Join(dir, "north.html"), filepath.Join(dir, "kept")
	code, r, out, errs := accepted(t, plan, "--html", page, "--journal", journal, "--by", "Kim Berg")
	if code != exitDone || r.Passed != len(fewSteps()) || r.Failed+r.NotRun > 0 || r.By != "Kim Berg" {
		t.Fatalf("exit code %d: %s%s", code, out, errs)
	}
	for _, c := range r.Checks {
		if c.Outcome != acceptance.Passed {
			t.Errorf("%s: %s %v", c.What, c.Outcome, c.Why)
		}
	}
	text, err := os.ReadFile(page)
	if err != nil {
		t.Fatal(err)
	}
	if elements := reporttest.WellFormed(t, string(text)); elements["tr"] < 60 {
		t.Errorf("the page has %v", elements)
	}
	wants(t, string(text), `Kim Berg`, `Acceptance of line north`, `IEC 62381`, `protect nobody`, `signature`, `fault-link-cut-at-run`, `scan-stale`, `operator-hold`, `slot 6 gave no wrapper`)

	code, again, second, errs := accepted(t, plan, "--by", "Kim Berg")
	if code != exitDone {
		t.Fatalf("exit code %d: %s", code, errs)
	}
	if a, b := withoutRun(t, out), withoutRun(t, second); !bytes.Equal(a, b) {
		t.Errorf("one plan gives two reports:\n%s\n%s", a, b)
	}
	if again.Run.Began.Equal(r.Run.Began) {
		t.Error("the second report does not tell of the second run")
	}

	old := filepath.Join(dir, "old.json")
	if err := os.WriteFile(old, []byte(out), 0o600); err != nil {
		t.Fatal(err)
	}
	fewer := only(t, all, "normal-1", "scan-age-outside")
	code, less, _, errs := accepted(t, fewer, "--by", "Kim Berg", "--against", old)
	if code != exitDone || less.Changes == nil {
		t.Fatalf("exit code %d, changes %v: %s", code, less.Changes, errs)
	}
	var told []string
	for _, c := range less.Changes.List {
		told = append(told, c.What+": "+c.Was+", "+c.Is)
	}
	wants(t, strings.Join(told, "\n"), `^step operator-hold: passed, -$`, `^finding operator-hold: exercised, not exercised$`, `^plan: `)
	if slices.ContainsFunc(told, func(s string) bool { return strings.HasPrefix(s, "step normal-1") || strings.HasPrefix(s, "version") }) {
		t.Errorf("told as changed: %v", told)
	}
}

// withoutRun is a report without what tells of the run alone.
func withoutRun(t *testing.T, out string) []byte {
	t.Helper()
	var all map[string]any
	if err := json.Unmarshal([]byte(out), &all); err != nil {
		t.Fatal(err)
	}
	delete(all, "run")
	text, err := json.MarshalIndent(all, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// A defect that was put there on purpose fails the steps that it concerns, by name, and
// no other.
func TestAcceptFindsDefects(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("several runs of what TestAcceptSoundLine runs once")
	}
	all := drafted(t)
	plan := only(t, all, fewSteps()...)
	for _, d := range []struct {
		name  string
		plan  string
		args  []string
		steps []string
		why   string
	}{
		{"a limit was narrowed after the plan was made", plan, []string{"--set", "lines.0.limits.diameter=16 in..60 in"},
			[]string{"diameter-range-most-diameter-inside"}, "hold diameter-range"},
		{"a limit was widened after the plan was made", plan, []string{"--set", "lines.0.limits.diameter=16 in..64 in"},
			[]string{"diameter-range-most-diameter-outside"}, "want hold diameter-range first"},
		{"the press ignores its setpoints", only(t, all, "normal-1", "normal-2", "scan-age-outside"), []string{"--quirk", "own-press"},
			[]string{"normal-1", "normal-2", "scan-age-outside"}, `the line did otherwise than told: header dwell (more|less)$`},
		{"the feed ignores its setpoints", only(t, all, "normal-1", "normal-2", "operator-hold"), []string{"--quirk", "own-feed"},
			[]string{"normal-1", "normal-2"}, `the line did otherwise than told: feed length more, layers more$`},
		{"another code is expected", strings.Replace(plan, "hold,scan-stale", "hold,scan-quality", 1), nil, []string{"scan-age-outside"}, "hold scan-stale.*want hold scan-quality first"},
		{"a hold is expected to go", strings.Replace(plan, "hold,operator-hold", "go,", 1), nil, []string{"operator-hold"}, "want a recipe"},
	} {
		t.Run(d.name, func(t *testing.T) {
			t.Parallel()
			code, r, _, errs := accepted(t, d.plan, d.args...)
			var failed, why []string
			for i := range r.Results {
				if s := &r.Results[i]; s.Outcome == acceptance.Failed {
					failed, why = append(failed, s.Step), append(why, s.Why...)
				}
			}
			if code != exitDifferences || !slices.Equal(failed, d.steps) {
				t.Errorf("exit code %d, failed %v, want 5 and %v: %v", code, failed, d.steps, why)
			}
			wants(t, strings.Join(why, "\n"), d.why)
			for _, step := range d.steps {
				wants(t, errs, `failed: .*`+step)
			}
		})
	}
}
