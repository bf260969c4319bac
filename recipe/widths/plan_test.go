package widths_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"lapgate/recipe"
	"lapgate/recipe/widths"
)

// mill is a line of a made-up mill: two slots, two papers, one specification
// for each paper.
func mill() *recipe.Line {
	l := &recipe.Line{Name: "north"}
	l.Limits.Width = recipe.Range{Min: 0.4, Max: 2.4}
	l.Limits.Diameter = recipe.Range{Min: 0.4, Max: 1.6}
	m := &l.Materials
	m.Papers = []recipe.Paper{{Name: "kraft", Caliper: 0.0003}, {Name: "poly", Caliper: 0.0003, BasisWeight: 0.1}}
	overhang := recipe.Overhang{Optimum: 0.1, Min: 0.05, Max: 0.15}
	m.Specs = []recipe.Spec{
		{Name: "domestic", Papers: []string{"kraft"}, Layers: 3, Overhang: overhang},
		{Name: "export", Papers: []string{"poly"}, Layers: 4, Overhang: overhang},
	}
	m.Grades = []recipe.Grade{{Name: "newsprint", Code: 1, Spec: "domestic"}, {Name: "liner", Code: 7, Spec: "export"}}
	m.Cores = []recipe.Core{{Name: "three-inch", Code: 3, Diameter: 0.09}}
	l.Stand.Slots = []recipe.SlotSpec{{Number: 1, Width: 1.2, Paper: "kraft"}, {Number: 4, Width: 2, Paper: "kraft"}}
	return l
}

func plan(t *testing.T, schedule string, o widths.Options) *widths.Plan {
	t.Helper()
	p, err := widths.NewPlan(mill(), o)
	if err == nil {
		err = p.ReadSchedule("s.csv", strings.NewReader(schedule), nil)
	}
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func rows(p *widths.Plan) (out []widths.RowChoice) {
	for r := range p.Rows() {
		out = append(out, r)
	}
	return out
}

// Grades and cores are given by name or by code, and a row's own specification
// goes before that of its grade.
func TestSchedule(t *testing.T) {
	p := plan(t, "# a week\nroll;date;width (m);diameter (m);count;spec;grade;core\n"+
		"#1;monday;1;1;4;;newsprint;three-inch\n2;monday;1;1;;;1;3\n3;tuesday;1;1;;export;newsprint;\n;;1.8;1;2;;;\n",
		widths.Options{Spec: "domestic", OverhangCost: 1})
	p.OfferGrid(0)
	if err := p.Solve(); err != nil {
		t.Fatal(err)
	}
	got := rows(p)
	if len(got) != 4 || got[0].Roll != "#1" || got[0].Count != 4 || got[1].Spec != "domestic" || got[2].Spec != "export" || got[3].Roll != "line 6" || got[3].Count != 2 {
		t.Fatalf("got %+v", got)
	}
	if got[0].Slot != 1 || *got[0].Wrapper != 1.2 || math.Abs(*got[0].Overhang-0.1) > 1e-12 || got[0].Date != "monday" {
		t.Errorf("first row: %+v", got[0])
	}
	s := p.Summary()
	if s.Rolls != 8 || s.Rows != 4 || !s.Exact || s.AllServed || len(s.Slots) != 2 || s.Totals[0].Served != 7 || s.Totals[1].Set != "present" {
		t.Errorf("got %+v", s)
	}
	if len(s.Unserved) != 1 || !slices.Equal(s.Unserved[0].Names, []string{"3"}) || !strings.Contains(s.Unserved[0].Reason.String(), "the slots do not suffice") {
		t.Errorf("not served: %+v", s.Unserved)
	}
}

func TestScheduleProblems(t *testing.T) {
	p, err := widths.NewPlan(mill(), widths.Options{})
	if err != nil {
		t.Fatal(err)
	}
	err = p.ReadSchedule("s.csv", strings.NewReader("width (m),diameter (m),spec,grade,core\n"+
		"0,1,domestic,,\n1,1,domstic,,\n1,1,,T00004,\n1,1,,9,\n1,1,,,\n1,1,export,1,99\n"), nil)
	want := []string{
		`s.csv:2:1: width: it is not above zero (got "0")`,
		`s.csv:3:5: spec: it is not known (got "domstic", want one of domestic, export); did you mean domestic?`,
		`s.csv:4:6: grade: "T00004" is not known; a code or a name is wanted: 1 (newsprint), 7 (liner)`,
		`s.csv:5:6: grade: code 9 is not in the configuration`,
		`s.csv:6:5: spec: neither specification nor grade`,
		`s.csv:7:14: core: code 99 is not in the configuration`,
	}
	if err == nil {
		t.Fatal("no error")
	}
	got := slices.DeleteFunc(strings.Split(err.Error(), "\n"), func(line string) bool { return !strings.HasPrefix(line, "s.csv") })
	if len(got) != len(want) {
		t.Errorf("%d problems, want %d:\n%v", len(got), len(want), err)
	}
	for i := range min(len(got), len(want)) {
		if !strings.HasPrefix(got[i], want[i]) {
			t.Errorf("got  %s\nwant %s", got[i], want[i])
		}
	}
}

func TestStock(t *testing.T) {
	p := plan(t, "width (m),diameter (m),spec\n1,1,domestic\n1,1,export\n", widths.Options{})
	if err := p.ReadStock("stock.csv", strings.NewReader("width (in),paper,rolls,length (ft)\n47,kraft,2,7000\n48,,,\n")); err != nil {
		t.Fatal(err)
	}
	got := p.Problem.Candidates
	if len(got) != 3 || got[0].Stock != 2 || math.Abs(got[0].Length-2133.6) > 1e-9 || got[1].Stock != widths.Unlimited || got[2].Paper != 1 || got[2].Width != 1.2192 {
		t.Errorf("got %+v", got)
	}
	err := p.ReadStock("stock.csv", strings.NewReader("width (in),paper,rolls\n47,krft,-2\n"))
	if err == nil || !strings.Contains(err.Error(), `stock.csv:2:4: paper: it is not known (got "krft", want one of kraft, poly); did you mean kraft?`) || !strings.Contains(err.Error(), "stock.csv:2:9: rolls") {
		t.Errorf("got %v", err)
	}
	if err := p.Offer("47 in, 48 in poly"); err != nil || len(p.Problem.Candidates) != 3 {
		t.Errorf("%d candidates with %v, want 47 in of both papers and 48 in of one", len(p.Problem.Candidates), err)
	}
	if err := p.Offer("47, -1 m"); err == nil || strings.Count(err.Error(), "\n") != 1 {
		t.Errorf("got %v, want two problems", err)
	}
}

func TestOptions(t *testing.T) {
	_, err := widths.NewPlan(mill(), widths.Options{Spec: "posh", Keep: []int{1, 3}, Prices: []widths.PaperPrice{{Paper: "silk", Price: 1}}})
	for _, want := range []string{"spec: \"posh\" is not known", "keep-slots: nothing hangs in slot 3", "paper-price: \"silk\" is not known"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %s", err, want)
		}
	}
	if _, err := widths.NewPlan(mill(), widths.Options{Slots: 3, Keep: []int{3}}); err == nil || !strings.Contains(err.Error(), "keep-slots: nothing hangs in slot 3") {
		t.Errorf("a slot that is empty stays as it hangs: %v", err)
	}
	p := plan(t, "width (m),diameter (m),spec\n1,1,domestic\n", widths.Options{Slots: 3, Keep: []int{4}, Prices: []widths.PaperPrice{{Price: 2}, {Paper: "poly", Price: 30, ByMass: true}}})
	q := &p.Problem
	if len(q.Stand) != 3 || q.Stand[0].Fixed || !q.Stand[1].Fixed || !q.Stand[2].Empty || !slices.Equal(q.Prices, []float64{2, 3}) {
		t.Errorf("got %+v", q)
	}
}

// TestScheduleAndHung: the rows come as they were read, with the codes of their
// materials, and the slots as the best set leaves them.
func TestScheduleAndHung(t *testing.T) {
	p := plan(t, "roll,width (m),diameter (m),count,spec,grade,core\nA,1,1.1,4,,newsprint,three-inch\n,1.8,1,,export,,\n", widths.Options{OverhangCost: 1})
	if err := p.Offer("1.2 m kraft,2 m poly"); err != nil {
		t.Fatal(err)
	}
	if err := p.Solve(); err != nil {
		t.Fatal(err)
	}
	want := []widths.Ordered{
		{Name: "A", Diameter: 1.1, Width: 1, Spec: "domestic", Grade: 1, Core: 3, Count: 4},
		{Name: "line 3", Diameter: 1, Width: 1.8, Spec: "export", Count: 1},
	}
	if got := slices.Collect(p.Schedule()); !slices.Equal(got, want) {
		t.Errorf("got %+v, want %+v", got, want)
	}
	hung := p.Hung()
	if len(hung) != 2 || hung[0].Number != 1 || hung[0].Width != 1.2 || hung[0].Paper != "kraft" || hung[1].Number != 4 || hung[1].Width != 2 || hung[1].Paper != "poly" {
		t.Errorf("got %+v", hung)
	}
}
