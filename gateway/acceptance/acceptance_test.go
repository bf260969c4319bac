package acceptance_test

import (
	"slices"
	"strings"
	"testing"

	"lapgate/configs"
	"lapgate/gateway/acceptance"
	"lapgate/gateway/config"
	"lapgate/recipe"
)

func demoLine(t *testing.T, set map[string]string) *recipe.Line {
	t.Helper()
	s, err := config.Load(config.Source{Path: "demo.yaml", Bytes: configs.Demo(), Set: set})
	if err != nil {
		t.Fatal(err)
	}
	return s.Lines[0].Recipe
}

// named is the step of a name.
func named(t *testing.T, steps []acceptance.Step, name string) *acceptance.Step {
	t.Helper()
	i := slices.IndexFunc(steps, func(s acceptance.Step) bool { return s.Name == name })
	if i < 0 {
		t.Fatalf("no step %s", name)
	}
	return &steps[i]
}

// The steps of a draft lie on both sides of the limit that the configuration has, which
// is reckoned here from the configuration by hand.
func TestDraftStandsAtTheLimits(t *testing.T) {
	if testing.Short() {
		t.Skip("slow, and nothing is shared")
	}
	const inch = 0.0254
	for _, most := range []float64{62, 56} {
		line := demoLine(t, map[string]string{"lines.0.limits.diameter": "16 in.." + map[float64]string{62: "62 in", 56: "56 in"}[most]})
		steps := acceptance.Draft(line, nil, nil)
		inside, outside := named(t, steps, "diameter-range-most-diameter-inside"), named(t, steps, "diameter-range-most-diameter-outside")
		if in, out := most*inch-inside.Roll.Diameter, outside.Roll.Diameter-most*inch; in < 0.003 || in > 0.008 || out < 0.003 || out > 0.008 {
			t.Errorf("limit %g in: %.1f mm inside, %.1f mm outside", most, 1000*in, 1000*out)
		}
		if !slices.Equal(outside.Expected.Codes, []string{"diameter-range"}) || inside.Expected.Verdict != acceptance.Go {
			t.Errorf("expected %v, %v", inside.Expected, outside.Expected)
		}
		// A sheet of 34 in over a roll: overhang 7 in at most, less centring and guard.
		narrow, held := named(t, steps, "no-slot-least-width-slot-1-inside"), named(t, steps, "no-slot-least-width-slot-1-outside")
		if edge := (34 - 2*7) * inch; narrow.Roll.Width < edge || narrow.Roll.Width > edge+0.03 || held.Roll.Width >= narrow.Roll.Width {
			t.Errorf("slot 1 takes rolls of %.4f m, and not of %.4f m; the window alone ends at %.4f m", narrow.Roll.Width, held.Roll.Width, edge)
		}
	}
}

// Each slot, grade and core has a normal roll, and each permissive that is required a
// step of its own.
func TestDraftIsComplete(t *testing.T) {
	if testing.Short() {
		t.Skip("slow, and nothing is shared")
	}
	line := demoLine(t, nil)
	steps := acceptance.Draft(line, []acceptance.Roll{{Tag: "B-1", Diameter: 1.2, Width: 1.6, Grade: 1, Core: 1, Count: 1}}, nil)
	grades, cores, off := map[int]bool{}, map[int]bool{}, 0
	for _, s := range steps {
		if strings.HasPrefix(s.Name, "normal-") {
			grades[s.Roll.Grade], cores[s.Roll.Core] = true, true
		}
		if s.Roll.Permissive > 0 {
			off++
		}
	}
	if len(grades) != len(line.Materials.Grades) || len(cores) != len(line.Materials.Cores) || off != 6 {
		t.Errorf("%d grades, %d cores, %d permissives", len(grades), len(cores), off)
	}
	if s := named(t, steps, "list-B-1"); s.Roll.Tag != "B-1" || s.Expected.Verdict != acceptance.Go {
		t.Errorf("%+v", s)
	}
	narrow := demoLine(t, map[string]string{"lines.0.limits.permissives": "0x3"})
	off = 0
	for _, s := range acceptance.Draft(narrow, nil, nil) {
		if s.Roll.Permissive > 0 {
			off++
		}
	}
	if off != 2 {
		t.Errorf("%d steps of permissives on a line that requires two", off)
	}
}

// What was observed is held against what is expected.
func TestJudge(t *testing.T) {
	answers := func(a ...acceptance.Answer) []acceptance.Answer { return a }
	goes, stale := acceptance.Answer{Verdict: acceptance.Go}, acceptance.Answer{Verdict: acceptance.Hold, Code: "scan-stale"}
	wire := acceptance.FaultName{Name: "link-cut", Point: "run"}
	for _, c := range []struct {
		name    string
		step    acceptance.Step
		seen    acceptance.Seen
		noticed []string
		differs string // empty where it passes
	}{
		{"go", acceptance.Step{Expected: acceptance.Expected{Verdict: acceptance.Go}}, acceptance.Seen{Answers: answers(goes), Outcome: "wrapped", Judged: acceptance.Good}, nil, ""},
		{"go after a hold", acceptance.Step{Expected: acceptance.Expected{Verdict: acceptance.Go}}, acceptance.Seen{Answers: answers(stale, goes), Outcome: "wrapped"}, nil, "want a recipe at once"},
		{"go after a hold, with a fault", acceptance.Step{Fault: wire, Expected: acceptance.Expected{Verdict: acceptance.Go}}, acceptance.Seen{Answers: answers(stale, goes), Outcome: "wrapped"}, nil, ""},
		{"a fault that did not occur", acceptance.Step{Fault: wire, Expected: acceptance.Expected{Verdict: acceptance.Go}}, acceptance.Seen{Answers: answers(goes), Outcome: "wrapped", Missed: true}, nil, "link-cut@run did not occur"},
		{"no offer", acceptance.Step{Expected: acceptance.Expected{Verdict: acceptance.Go}}, acceptance.Seen{Outcome: "wrapped by hand"}, nil, "want a recipe that is accepted"},
		{"aborted", acceptance.Step{Expected: acceptance.Expected{Verdict: acceptance.Go}}, acceptance.Seen{Answers: answers(goes), Outcome: "aborted"}, nil, "outcome aborted, want wrapped"},
		{"used otherwise", acceptance.Step{Expected: acceptance.Expected{Verdict: acceptance.Go}}, acceptance.Seen{Answers: answers(goes), Outcome: "wrapped", Otherwise: []string{"layers"}}, nil, "otherwise than told: layers"},
		{"bad wrap", acceptance.Step{Expected: acceptance.Expected{Verdict: acceptance.Go}}, acceptance.Seen{Answers: answers(goes), Outcome: "wrapped", Judged: acceptance.Bad, Defects: []string{"lap"}}, nil, "judges the wrap bad: lap"},
		{"bad wrap that is wanted", acceptance.Step{Expected: acceptance.Expected{Verdict: acceptance.Go, Judged: acceptance.Bad}}, acceptance.Seen{Answers: answers(goes), Outcome: "wrapped", Judged: acceptance.Bad}, nil, ""},
		{"good wrap where a bad one is wanted", acceptance.Step{Expected: acceptance.Expected{Verdict: acceptance.Go, Judged: acceptance.Bad}}, acceptance.Seen{Answers: answers(goes), Outcome: "wrapped", Judged: acceptance.Good}, nil, "judges no wrap bad"},
		{"hold", acceptance.Step{Expected: acceptance.Expected{Verdict: acceptance.Hold, Codes: []string{"scan-stale"}}}, acceptance.Seen{Answers: answers(stale, goes), Outcome: "wrapped"}, nil, ""},
		{"hold of another code", acceptance.Step{Expected: acceptance.Expected{Verdict: acceptance.Hold, Codes: []string{"no-slot"}}}, acceptance.Seen{Answers: answers(stale)}, nil, "want hold no-slot first"},
		{"hold too late", acceptance.Step{Expected: acceptance.Expected{Verdict: acceptance.Hold, Codes: []string{"scan-stale"}}}, acceptance.Seen{Answers: answers(goes, stale)}, nil, "want hold scan-stale first"},
		{"none", acceptance.Step{Expected: acceptance.Expected{Verdict: acceptance.None, Outcome: "removed"}}, acceptance.Seen{Outcome: "removed"}, nil, ""},
		{"none that went", acceptance.Step{Expected: acceptance.Expected{Verdict: acceptance.None}}, acceptance.Seen{Answers: answers(goes)}, nil, "want no recipe"},
		{"either", acceptance.Step{Expected: acceptance.Expected{Verdict: acceptance.Either}}, acceptance.Seen{Answers: answers(goes), Outcome: "wrapped", Judged: acceptance.Bad}, nil, "judges the wrap bad"},
		{"either, and by hand in the end", acceptance.Step{Expected: acceptance.Expected{Verdict: acceptance.Either}}, acceptance.Seen{Answers: answers(goes), Outcome: "wrapped by hand", Judged: acceptance.Bad}, nil, ""},
		{"noticed", acceptance.Step{Expected: acceptance.Expected{Verdict: acceptance.Noticed, Codes: []string{"feed-counts", "caliper-off"}}}, acceptance.Seen{Answers: answers(goes), Otherwise: []string{"overlap"}}, []string{"caliper-off"}, ""},
		{"not noticed", acceptance.Step{Expected: acceptance.Expected{Verdict: acceptance.Noticed, Codes: []string{"feed-counts"}}}, acceptance.Seen{Answers: answers(goes)}, []string{"scale-off"}, "noticed: scale-off; want one of feed-counts"},
	} {
		differs := strings.Join(c.step.Judge([]acceptance.Seen{c.seen}, c.noticed), "; ")
		if (differs == "") != (c.differs == "") || !strings.Contains(differs, c.differs) {
			t.Errorf("%s: %q, want %q", c.name, differs, c.differs)
		}
	}
}

// A step that nobody ran is an open point and never passes.
func TestNotRunIsAnOpenPoint(t *testing.T) {
	line := demoLine(t, nil)
	steps := []acceptance.Step{{Name: "one", Expected: acceptance.Expected{Verdict: acceptance.Go}}}
	r := acceptance.NewReport(line, steps, []acceptance.Observation{{Why: "the run ended early"}}, []acceptance.Check{acceptance.NewCheck("the journal verifies", []string{"record 4: changed"})}, []string{"slip never measured"})
	if r.NotRun != 1 || r.Passed+r.Failed != 0 || !slices.Equal(r.Failures(), []string{"the journal verifies"}) {
		t.Errorf("%+v", r)
	}
	open := strings.Join(r.Open, "\n")
	for _, want := range []string{"step one not run: the run ended early", "record 4: changed", "slip never measured", "slot 3 gave no wrapper"} {
		if !strings.Contains(open, want) {
			t.Errorf("no open point %q in %s", want, open)
		}
	}
}

func TestReadNamesEveryProblem(t *testing.T) {
	line := demoLine(t, nil)
	faults := []acceptance.Fault{{Name: "link-cut", Points: []string{"run"}}, {Name: "damp", Process: true}}
	const head = "step,act,roll,rolls,diameter (mm),width (mm),grade,fault,verdict,code,outcome\n"
	steps, err := acceptance.Read("plan.csv", strings.NewReader(head+
		"a,,A-1,,1000,1500,newsprint,link-cut@run,go,,wrapped\nb,hold,A-2,3,1000,1500,1,damp=0.5,noticed,feed-counts caliper-off,\n"), &line.Materials, faults)
	if err != nil || len(steps) != 2 || steps[0].Fault.String() != "link-cut@run" || steps[1].Fault.Strength != 0.5 || !slices.Equal(steps[1].Tags(), []string{"A-2-01", "A-2-02", "A-2-03"}) {
		t.Fatalf("%v: %+v", err, steps)
	}
	_, err = acceptance.Read("plan.csv", strings.NewReader(head+
		"a,hold,A-1,,1000,1500,1,,go,,\n"+
		"b,,A-234567890123456,,1000,1500,1,,go,no-slot,\n"+
		"c,,A-2,100,1000,1500,1,damp,hold,,vanished\n"+
		"d,,A-2,,1000,1500,1,link-cut@request,maybe,,\n"+
		"e,,A-3,,1000,1500,1,link-cut=0.5,hold,caliper-off,\n"), &line.Materials, faults)
	if err == nil {
		t.Fatal("it is read")
	}
	for _, want := range []string{
		"plan.csv:2:3: act: the first step cannot be a hold", "plan.csv:3:", "it is no tag of a roll", "only a hold and what is noticed have a code",
		"100", "a fault of the process wants its strength", "the code is missing", `"vanished"`, "it stands on line 4 too", "the fault cannot occur there", `"maybe"`,
		"only a fault of the process has a strength", `no such code of verdict hold (got "caliper-off")`,
	} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("nothing of %q in:\n%v", want, err)
		}
	}
}

// What the controller did of its own is told as a change, for it may be why a step failed.
func TestSinceTellsOfQuirks(t *testing.T) {
	before := &acceptance.Report{Line: "north", Quirks: []string{"own-press", "late-phase"}}
	got := (&acceptance.Report{Line: "north"}).Since(before).List
	if want := []acceptance.Change{{What: "quirks of the controller", Was: "own-press, late-phase", Is: "-"}}; !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
	if got := before.Since(before).List; len(got) != 0 {
		t.Errorf("nothing changed, and it tells %v", got)
	}
}
