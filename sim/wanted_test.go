package sim

import (
	"slices"
	"strings"
	"testing"

	"lapgate/sim/controller"
)

// A fault that is wanted at a roll occurs with that roll and no other, and one of the
// process stands for its rolls alone.
func TestFaultsAtTheirRolls(t *testing.T) {
	cfg := DefaultConfig()
	cfg.Rolls = demoShift(5)[:6]
	cfg.Faults.At = []FaultAt{{Fault: aborted, Roll: 2}, {Fault: manualMode, Roll: 4, Point: "request"}}
	cfg.Process.Faults = []WantedFault{{Name: "damp", Strength: 1, From: 3, To: 4}, {Name: "damp", Strength: 0.5, From: 6, To: 6}}
	at := map[string][]int{}
	cfg.OnFault = func(f PlannedFault) { at[f.Fault] = append(at[f.Fault], f.Roll) }
	report, _ := shift(t, cfg)
	if !slices.Equal(at[aborted], []int{2}) || !slices.Equal(at[manualMode], []int{4}) {
		t.Errorf("faults occurred at %v", at)
	}
	var damp []int
	for i := range report.Rolls {
		r := &report.Rolls[i]
		if slices.Contains(r.Process, "damp") {
			damp = append(damp, r.Ordinal)
		}
		if (r.OutcomeNumber == controller.Aborted) != (r.Ordinal == 2) || (r.OutcomeNumber == controller.ByHand) != (r.Ordinal == 4) {
			t.Errorf("roll %d left as %s", r.Ordinal, r.Outcome)
		}
	}
	if !slices.Equal(damp, []int{3, 4, 6}) {
		t.Errorf("the rolls %v are damp", damp)
	}
}

// A line that ignores a group of setpoints works by its habit, and says so in what it
// used.
func TestIgnoredGroup(t *testing.T) {
	for _, q := range []struct {
		name string
		used func(*station) float64
		told float64
	}{
		{"own-press", func(s *station) float64 { return s.job.dwell }, 4.2},
		{"own-feed", func(s *station) float64 { return s.job.layers }, 5},
	} {
		for _, ignores := range []bool{false, true} {
			cfg := DefaultConfig()
			if ignores {
				if err := cfg.SetQuirks(q.name); err != nil {
					t.Fatal(err)
				}
			}
			r := fair()
			r.Dwell, r.Layers = 4.2, 5
			s := newStation(&cfg)
			s.arrive(1, &Roll{Tag: "A", Diameter: 1, Width: 1.2, Grade: 1, Core: 1})
			if !s.begin(r) {
				t.Fatal("the roll cannot be wrapped")
			}
			if got := q.used(s); (got == q.told) == ignores {
				t.Errorf("%s %t: used %g, told %g", q.name, ignores, got, q.told)
			}
		}
	}
}

func TestWantedFaultsAreChecked(t *testing.T) {
	cfg := DefaultConfig()
	cfg.Rolls = demoShift(5)[:3]
	cfg.Faults.At = []FaultAt{{Fault: "gremlins", Roll: 1}, {Fault: aborted, Roll: 4}, {Fault: aborted, Roll: 1, Point: "measure"}}
	cfg.Process.Faults = []WantedFault{{Name: "damp", From: 3, To: 2}}
	err := cfg.Validate()
	for _, want := range []string{`no fault is named "gremlins"`, "wanted at roll 4, and there are 3", `cannot occur at point "measure"`, "from roll 3 to roll 2"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v says nothing of %s", err, want)
		}
	}
}

// A roll that is wrapped by hand at a press that never gets hot enough to close is craned
// out, and the shift goes on.
func TestColdPressByHandEnds(t *testing.T) {
	cfg := DefaultConfig()
	cfg.Rolls = demoShift(5)[:8]
	cfg.Habit.Temperature = 190 // more than the platens reach
	cfg.Process.Faults = []WantedFault{{Name: "cold-platen", Strength: 0.3, From: 1}}
	cfg.Faults.At = []FaultAt{{Fault: manualMode, Roll: 4}, {Fault: manualMode, Roll: 7}}
	report, _ := shift(t, cfg)
	if len(report.Rolls) != len(cfg.Rolls) || report.Count(controller.Removed) == 0 {
		t.Errorf("%d of %d rolls left, %d of them craned out", len(report.Rolls), len(cfg.Rolls), report.Count(controller.Removed))
	}
}
