package report_test

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"testing"

	"lapgate/configs"
	"lapgate/gateway/config"
	"lapgate/gateway/report"
	"lapgate/gateway/report/reporttest"
	"lapgate/recipe/caution"
	"lapgate/recipe/rate"
	"lapgate/recipe/widths"
	"lapgate/recipe/wording/wordingtest"
)

// applicationOf is the sheet of a schedule on the line of the demonstration.
func applicationOf(t *testing.T, schedule string, set map[string]string, prices ...widths.PaperPrice) (*report.Application, string) {
	t.Helper()
	s, err := config.Load(config.Source{Path: "demo.yaml", Bytes: configs.Demo(), Set: set})
	if err != nil {
		t.Fatal(err)
	}
	line := s.Lines[0].Recipe
	plan, err := widths.NewPlan(line, widths.Options{KeepAll: true, OverhangCost: 1, Prices: prices})
	if err == nil {
		err = plan.ReadSchedule("week", strings.NewReader(schedule), nil)
	}
	if err != nil {
		t.Fatal(err)
	}
	plan.OfferGrid(0)
	if err := plan.Solve(); err != nil {
		t.Fatal(err)
	}
	r, err := rate.New(line, rate.Options{Work: s.Lines[0].Work, Outer: 1, Prices: plan.Problem.Prices})
	if err != nil {
		t.Fatal(err)
	}
	for o := range plan.Schedule() {
		r.Add(rate.Roll{Name: o.Name, Diameter: o.Diameter, Width: o.Width, Grade: o.Grade, Core: o.Core, Spec: o.Spec, Count: o.Count})
	}
	a := &report.Application{
		Line: line, Schedule: "<script>alert(1)</script>.csv", Made: "Made today.", Outer: 1, Rate: r.Summary(), Widths: plan.Summary(),
		Overhang: report.Widths(nil, &plan.Problem, plan.Result, plan.Numbers(), "in"), Settings: rate.Assumptions(line, &s.Lines[0].Work),
	}
	page, err := a.Page()
	if err != nil {
		t.Fatal(err)
	}
	return a, page
}

const week = "roll,width (in),diameter (in),grade,core,count\nA,24,40,1,1,8\nB<i>,62,50,2,1,4\nC,56,50,1,1,3\n"

// TestApplicationSheet: rate, drawings, wrappers, rolls that get nothing, settings and
// cautions stand on the sheet, and what others wrote is text.
func TestApplicationSheet(t *testing.T) {
	a, page := applicationOf(t, week, map[string]string{"lines.0.equipment.crimp": "manual", "lines.0.work.load": "44 s"}, widths.PaperPrice{Price: 1, ByMass: true})
	elements := reporttest.WellFormed(t, page)
	if elements["svg"] != 3 || elements["script"] != 0 || elements["i"] != 0 {
		t.Errorf("elements %v", elements)
	}
	wants := []string{
		fmt.Sprintf("%.1f rolls an hour", a.Rate.PerHour), "&lt;script&gt;alert(1)&lt;/script&gt;.csv", "◆ takes most", "crimp, manual",
		"crimp: manual to semi", "of it beyond and left", "no wrapper fits", "<td>3</td><td>C</td>", "work.crimp_manual", "work.load</td><td>44 s</td>",
		"flag --set", "default, judgement", "@page", "wrap.speed",
	}
	for _, c := range []caution.Caution{caution.Pace, caution.Limits, caution.NipPoints, caution.Press, caution.Overhead} {
		wants = append(wants, c.String())
	}
	for _, want := range wants {
		if !strings.Contains(page, want) {
			t.Errorf("%q does not stand on the sheet", want)
		}
	}
	if _, page := applicationOf(t, week, nil); strings.Contains(page, "of it beyond and left") || !strings.Contains(page, "give --paper-price") {
		t.Error("without a price the sheet has a cost, or does not say that it lacks")
	}
}

// TestApplicationSheetWithoutRate: where no roll gets a recipe there is no rate, and
// the sheet says why.
func TestApplicationSheetWithoutRate(t *testing.T) {
	a, page := applicationOf(t, "roll,width (in),diameter (in),spec\nC,56,50,domestic\n", nil)
	if elements := reporttest.WellFormed(t, page); elements["svg"] != 1 || a.Rate.PerHour != 0 || strings.Contains(page, "an hour</p>") || !strings.Contains(page, "no wrapper fits") {
		t.Errorf("elements %v, %v rolls an hour", elements, a.Rate.PerHour)
	}
}

// The sheet, its drawings and notes are German where the mill reads German.
func TestApplicationSheetInGerman(t *testing.T) {
	w := wordingtest.German(t)
	for name, c := range map[string]struct {
		schedule string
		set      map[string]string
		want     []string
	}{
		"a week": {week, map[string]string{"lines.0.equipment.crimp": "manual"}, []string{
			`<html lang="de">`, "Rollen je Stunde", "Falten, Hand", "◆ Engpass", "Falten: Hand → Halbautomatik", "Platz 5, 72 in kraft-poly", "die Rolle umreifen", "Voreinstellung, Ermessen", "--paper-price angeben",
		}},
		"no rate": {"roll,width (in),diameter (in),spec\nC,56,50,domestic\nD,500,50,domestic\n", nil, []string{"also gibt es keine Rate", "die Linie nimmt Breiten von"}},
	} {
		a, _ := applicationOf(t, c.schedule, c.set)
		a.Words, a.Overhang = w, "" // the drawing is made beside the sheet
		page, err := a.Page()
		if err != nil {
			t.Fatal(err)
		}
		text := plain(page)
		if keys := wordingtest.EnglishIn(w, text); len(keys) > 0 {
			t.Errorf("%s: the sheet has the English of %v", name, keys)
		}
		for _, want := range c.want {
			if !strings.Contains(page, want) {
				t.Errorf("%s: the sheet lacks %s:\n%s", name, want, text)
			}
		}
	}
}

// TestRateViews: a bar for each station and each step, of the right length.
func TestRateViews(t *testing.T) {
	a, page := applicationOf(t, week, map[string]string{"lines.0.equipment.wrap": "manual"})
	m := &a.Rate.Modules[0]
	if cells := fmt.Sprintf(`<td>%.1f s</td><td>%.1f</td><td>%.1f %%</td>`, m.Saves, m.PerHour, m.Gain); !strings.Contains(strings.NewReplacer(` class="n"`, "", "&#43;", "+").Replace(page), cells) {
		t.Errorf("the sheet has no row with %s", cells)
	}
	for name, c := range map[string]struct {
		drawing string
		rows    int
	}{"stations": {report.RateView(nil, a.Rate), 2*len(a.Rate.Stations) + 3}, "ladder": {report.LadderView(nil, a.Rate), len(a.Rate.Ladder) + 2}} {
		if elements := reporttest.WellFormed(t, c.drawing); elements["rect"] != c.rows {
			t.Errorf("%s: %v, want %d bars with their ground and legend", name, elements, c.rows)
		}
	}
	// The longest bar has the whole width, the others their share of it.
	longest := slices.MaxFunc(a.Rate.Stations, func(a, b rate.Station) int { return int(1e3 * (a.Seconds - b.Seconds)) })
	for _, s := range a.Rate.Stations {
		hands, machine := 470*s.Hands/longest.Seconds, 470*s.Machine/longest.Seconds
		want := fmt.Sprintf(`<rect class="h" x="250" y="\d+" width="%.1f" height="15"/><rect class="p" x="%.1f" y="\d+" width="%.1f"`, hands, 250+hands, machine)
		if !regexp.MustCompile(want).MatchString(report.RateView(nil, a.Rate)) {
			t.Errorf("%s: no bar with %s", s.Station, want)
		}
	}
}
