package acceptance

import (
	_ "embed"
	"fmt"
	"html/template"
	"slices"
	"strings"
	"time"
)

//go:embed page.html
var pageText string

// signers are who signs a report.
func signers() []string {
	return []string{"planned by", "carried out by", "witnessed for the buyer by", "accepted by"}
}

// words are what a report says of itself, by its title: what it is of an acceptance
// test as IEC 62381 has it, and what it is not.
func (r *Report) words() []string {
	opinion := "The simulator judges each wrap by physics and code of its own, as a second opinion; what it does not simulate it cannot judge."
	if r.Seed == nil {
		opinion = "No wrap was made and nobody judged one; what became of each roll is what people told the controller."
	}
	return []string{
		"This report is a part of a factory acceptance test (FAT), where it is run before shipment, or of a site acceptance test (SAT), where it is run at the line, " +
			"in the words of IEC 62381. It covers the exchange of recipes and the decisions behind them, and takes the place of neither.",
		"Guards, emergency stops, over-temperature trips, hydraulic relief, wiring, drives, mechanics and the wrap of a real roll are not in it. " +
			"Local codes and licensed practice decide over them.",
		"Go and hold, codes and outcomes are read from the journal of the gateway. " + opinion,
		"A plan that was drafted from a configuration expects what the configuration says, be that right or wrong for the machine and the wrap that was bought. Read the plan before you sign.",
	}
}

// Page is the report as one HTML page that prints, without scripts or outside
// references, in the time of a zone.
func (r *Report) Page(zone *time.Location) (string, error) {
	t, err := template.New("page").Funcs(template.FuncMap{
		"at": func(t time.Time) string { return t.In(zone).Format("2006-01-02 15:04:05 MST") },
		"mark": func(o Outcome) string {
			return strings.ReplaceAll(string(o), " ", "-")
		},
		"missing": func(list []Covered) int {
			return len(slices.DeleteFunc(slices.Clone(list), func(c Covered) bool { return c.Steps > 0 || c.Lacks != "" }))
		},
		"exercised": func(list []Covered) int {
			return len(slices.DeleteFunc(slices.Clone(list), func(c Covered) bool { return c.Steps == 0 }))
		},
		"add": func(a, b int) int { return a + b },
		"cover": func(title string, list []Covered) any {
			return struct {
				Title string
				List  []Covered
			}{title, list}
		},
	}).Parse(pageText)
	if err != nil {
		return "", fmt.Errorf("page of the acceptance: %w", err)
	}
	var b strings.Builder
	err = t.Execute(&b, struct {
		*Report
		Words, Signers []string
		Outcome        Outcome
	}{r, r.words(), signers(), r.outcome()})
	return b.String(), err
}

// outcome is that of the whole report.
func (r *Report) outcome() Outcome {
	switch {
	case len(r.Failures()) > 0:
		return Failed
	case r.NotRun > 0:
		return NotRun
	}
	return Passed
}
