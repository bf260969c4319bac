package widths_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"lapgate/recipe/widths"
)

// Of two wrappers as far from the optimum the line takes the wider one, while the plan takes
// what costs less: how much more paper that is stands in the summary, and in the row.
func TestLineTakesTheWiderOne(t *testing.T) {
	line := mill()
	line.Stand.Slots[0].Width, line.Stand.Slots[1].Width = 1.18, 1.22
	p, err := widths.NewPlan(line, widths.Options{KeepAll: true, OverhangCost: 1, Prices: []widths.PaperPrice{{Price: 1}}})
	if err == nil {
		err = p.ReadSchedule("s.csv", strings.NewReader("roll,width (m),diameter (m),count,spec\nA,1,1,3,domestic\n"), nil)
	}
	if err != nil {
		t.Fatal(err)
	}
	p.OfferGrid(0)
	if err := p.Solve(); err != nil {
		t.Fatal(err)
	}
	s := p.Summary()
	if s.LineRule == nil || s.LineRule.Rolls != 3 || len(s.LineRule.Cases) != 1 {
		t.Fatalf("the line would choose as the plan does: %+v", s.LineRule)
	}
	// Three layers of a roll of 1 m, three times, with no overlap, 40 mm wider.
	c, more := &s.LineRule.Cases[0], 3*0.04*3*math.Pi*(1+3*0.0003)
	if c.LineSlot != 4 || c.PlanWidth != 1.18 || c.LineWidth != 1.22 || math.Abs(c.More-more) > 1e-9 || math.Abs(c.LineOverhang-0.11) > 1e-12 {
		t.Errorf("got %+v, want slot 4 and %g m2 more", c, more)
	}
	if r := rows(p)[0]; r.Slot != 1 || r.LineSlot != 4 {
		t.Errorf("got %+v", r)
	}
	if got := s.Candidates.String(); !strings.Contains(s.Proof.String(), "stays") || got == "" || strings.Contains(got, "multiple") {
		t.Errorf("nothing may be changed, and it is told as %q, %q", got, s.Proof)
	}
	if s.Slots[0].Action != "keep" || s.Slots[1].Action != "keep" {
		t.Errorf("what has to stay is told as %q, %q", s.Slots[0].Action, s.Slots[1].Action)
	}
}

// Rolls that are not served for one reason are told of together, with the first of them.
func TestUnservedAreTold(t *testing.T) {
	var text strings.Builder
	text.WriteString("roll,width (m),diameter (m),count,spec\n")
	for i := range 12 {
		fmt.Fprintf(&text, "R-%d,0.5,%g,2,export\n", i, 0.9+0.01*float64((i*5)%12))
	}
	text.WriteString("X,1,1,1,domestic\n")
	p := plan(t, text.String(), widths.Options{KeepAll: true, OverhangCost: 1})
	p.OfferGrid(0)
	if err := p.Solve(); err != nil {
		t.Fatal(err)
	}
	s := p.Summary()
	if len(s.Unserved) != 1 {
		t.Fatalf("got %+v", s.Unserved)
	}
	u := &s.Unserved[0]
	if u.Rolls != 24 || u.Rows != 12 || len(u.Names) != 10 || u.Names[9] != "R-9" || math.Abs(u.Smallest-0.9) > 1e-12 || math.Abs(u.Largest-1.01) > 1e-12 {
		t.Errorf("got %+v, want 24 rolls of 12 rows from 0.9 m to 1.01 m, ten of them named", u)
	}
	if got := rows(p); got[0].Reason.IsZero() || !got[12].Reason.IsZero() {
		t.Errorf("got %+v", got)
	}
}

// Costs and areas are compared of what both sets serve: a set that serves one roll more, or
// takes more paper to come nearer to the optimum, says so.
func TestNotesOfASet(t *testing.T) {
	for _, c := range []struct {
		schedule, candidates string
		want                 []string
	}{
		{"A,1,1,5,domestic\nB,0.6,1,1,domestic\n", "0.8 m, 1.2 m, 2 m", []string{"the best set serves 1 more than what hangs"}},
		// 0.14 m too wide for the optimum in place of 0.1 m: 40 mm less of one roll's wrapper.
		{"A,0.92,1,1,domestic\n", "1.12 m", []string{"less wrapper than what hangs"}},
		{"A,1.06,1,1,domestic\n", "1.26 m", []string{"0.6 m2 more wrapper than what hangs"}},
		{"A,1,1,1,domestic\n", "1.2 m", nil},
	} {
		p := plan(t, "roll,width (m),diameter (m),count,spec\n"+c.schedule, widths.Options{OverhangCost: 1})
		if err := p.Offer(c.candidates); err != nil {
			t.Fatal(err)
		}
		if err := p.Solve(); err != nil {
			t.Fatal(err)
		}
		notes := p.Summary().Notes
		if len(notes) != len(c.want) {
			t.Errorf("%s with %s: told %v, want %v", c.schedule, c.candidates, notes, c.want)
			continue
		}
		for i, want := range c.want {
			if !strings.Contains(notes[i].String(), want) {
				t.Errorf("%s with %s: told %s, want %s", c.schedule, c.candidates, notes[i], want)
			}
		}
	}
}

// Of a wrapper of which the stock has no roll left none is hung.
func TestStockThatIsUsedUp(t *testing.T) {
	for rolls, want := range map[string]float64{"": 1.7, "0": 1.74, "1": 1.7} {
		p := plan(t, "roll,width (m),diameter (m),spec\nA,1.5,1,domestic\n", widths.Options{OverhangCost: 1})
		if err := p.ReadStock("stock.csv", strings.NewReader("width (m),rolls,length (m)\n1.7,"+rolls+",1000\n1.74,5,1000\n")); err != nil {
			t.Fatal(err)
		}
		if err := p.Solve(); err != nil {
			t.Fatal(err)
		}
		if r := rows(p)[0]; r.Wrapper == nil || *r.Wrapper != want {
			t.Errorf("%q rolls of 1.7 m: got %+v, want %g m", rolls, r, want)
		}
	}
}

// A step that gives too many widths is doubled until it does not.
func TestGridIsBounded(t *testing.T) {
	p := plan(t, "roll,width (m),diameter (m),spec\nA,1,1,domestic\nB,2,1,domestic\n", widths.Options{OverhangCost: 1})
	const step = 1e-6
	p.OfferGrid(step)
	c := p.Problem.Candidates
	if n := len(c); n > widths.MaxCandidates/2+1 || n < widths.MaxCandidates/4 {
		t.Errorf("%d widths to choose from", n)
	}
	doublings := math.Log2((c[1].Width - c[0].Width) / step)
	if math.Abs(doublings-math.Round(doublings)) > 1e-6 {
		t.Errorf("the step was not doubled: %g m", c[1].Width-c[0].Width)
	}
}
