package main

import (
	"context"
	"slices"
	"strings"

	"lapgate/gateway/process"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/notice"
)

// noticeReport is what replay prints of faults of the process.
type noticeReport struct {
	Rolls    string        `json:"rolls_from"`
	Line     string        `json:"line"`
	Config   string        `json:"config"`
	Taken    int           `json:"rolls" label:"rolls taken"`
	Evidence *outputTable  `json:"-" label:"-" print:"csv"`
	Findings []noticeFound `json:"findings"`
	None     string        `json:"-" label:""`
}

// noticeFound is a fault with the rolls concerned, from where it began as far
// as the record can tell.
type noticeFound struct {
	Code     notice.Code `json:"code"`
	Of       *string     `json:"of,omitempty"`
	First    uint32      `json:"first_roll" label:"from roll"`
	Found    uint32      `json:"found_roll" label:"found at roll"`
	Last     uint32      `json:"last_roll" label:"to roll"`
	Stands   bool        `json:"stands"`
	Evidence entries     `json:"evidence"`
	Text     []string    `json:"-" label:"numbers" print:"below"`
	Meaning  string      `json:"meaning" print:"below"`
	Remedy   string      `json:"remedy" print:"below"`
}

// noticeFlags refuses what has no meaning beside --notice.
func (f *replayFlags) noticeOnly(changed func(string) bool) error {
	for _, name := range []string{"old", "outer", "show"} {
		if changed(name) {
			return usageError("--notice looks for faults of the process and compares no recipes: leave --%s out", name)
		}
	}
	return nil
}

// replayNotice looks for faults of the process in a journal.
func (p *program) replayNotice(ctx context.Context, path string, f *replayFlags) error {
	about, line, _, err := p.replayLines(path, f)
	if err != nil {
		return err
	}
	out := &noticeReport{Rolls: path, Line: about.Line, Config: about.Config, Findings: []noticeFound{}}
	watch := process.Line{Recipe: line}
	err = p.scanRolls(ctx, path, func(r *record.Roll) error {
		out.Taken++
		for _, found := range watch.Roll(r) {
			out.take(&found, line)
		}
		for i := range out.Findings {
			if one := &out.Findings[i]; one.Stands {
				one.Last = r.Number
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	if len(out.Findings) == 0 {
		out.None = "no fault was found; see the manual for those that no record can tell of"
	}
	out.Evidence = evidenceTable(out.Findings)
	if err := p.printer(f.out, line).print(out); err != nil {
		return err
	}
	if len(out.Findings) > 0 {
		return &exitError{code: exitDifferences}
	}
	return nil
}

// take books the beginning or the end of a finding.
func (out *noticeReport) take(f *notice.Finding, line *recipe.Line) {
	var of *string
	if f.Of != "" {
		of = &f.Of
	}
	if f.Ended {
		for i := range slices.Backward(out.Findings) {
			if one := &out.Findings[i]; one.Stands && one.Code == f.Code && (one.Of == nil || f.Of == *one.Of) {
				one.Stands, one.Last = false, f.Last
				return
			}
		}
		return
	}
	info := f.Code.Info()
	one := noticeFound{Code: f.Code, Of: of, First: f.First, Found: f.Last, Last: f.Last, Stands: true, Meaning: info.Meaning, Remedy: info.Remedy}
	text := printer{line: line}
	var parts []string
	for _, n := range f.Evidence {
		c := outputColumn{name: n.Name}
		one.Evidence = append(one.Evidence, entry{c, n.Value})
		parts = append(parts, c.labelOrName()+" "+text.measure(amount{name: n.Name, value: n.Value}))
	}
	one.Text = []string{strings.Join(parts, ", ")}
	out.Findings = append(out.Findings, one)
}

// evidenceTable has a row for each number of each finding.
func evidenceTable(found []noticeFound) *outputTable {
	columns := []outputColumn{
		{name: "code"}, {name: "of"}, {name: "first_roll"}, {name: "found_roll"}, {name: "last_roll"}, {name: "stands"},
		{name: "evidence"}, {name: "value"}, {name: "remedy"},
	}
	return &outputTable{columns: columns, rows: func(yield func(outputRow, error) bool) {
		for i := range found {
			one := &found[i]
			for _, e := range one.Evidence {
				v, _ := e.value.(float64)
				cells := []any{one.Code, one.Of, one.First, one.Found, one.Last, one.Stands, quantityName(e.outputColumn), amount{name: e.name, value: v}, one.Remedy}
				if !yield(outputRow{cells: cells}, nil) {
					return
				}
			}
		}
	}}
}
