package process

import (
	"slices"
	"strings"

	"lapgate/gateway/present"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/notice"
)

// Untold is said where no fault was found: what no record can tell of.
const Untold = "a platen whose sensor reads high, air under a platen and damp board leave no trace in a record: look at the ends of the rolls"

// Report tells of the faults of the process that a journal shows.
type Report struct {
	Rolls    string         `json:"rolls_from"`
	Line     string         `json:"line"`
	Config   string         `json:"config"`
	Taken    int            `json:"rolls" label:"rolls taken"`
	Evidence *present.Table `json:"-" label:"-" print:"csv"`
	Findings []Found        `json:"findings"`
	None     string         `json:"-" label:""`

	watch Line
}

// Found is a fault with the rolls concerned, from where it began as far
// as the record can tell.
type Found struct {
	Code     notice.Code     `json:"code"`
	Of       *string         `json:"of,omitempty"`
	First    uint32          `json:"first_roll" label:"from roll"`
	Found    uint32          `json:"found_roll" label:"found at roll"`
	Last     uint32          `json:"last_roll" label:"to roll"`
	Stands   bool            `json:"stands"`
	Evidence present.Entries `json:"evidence"`
	Text     []string        `json:"-" label:"numbers" print:"below"`
	Meaning  string          `json:"meaning" print:"below"`
	Remedy   string          `json:"remedy" print:"below"`
}

// NewReport begins the report on a journal, by the configuration of a line.
func NewReport(path, config string, line *recipe.Line) *Report {
	return &Report{Rolls: path, Line: line.Name, Config: config, Findings: []Found{}, watch: Line{Recipe: line}}
}

// Take looks at the next roll of the journal.
func (out *Report) Take(r *record.Roll) error {
	out.Taken++
	for _, found := range out.watch.Roll(r) {
		out.take(&found)
	}
	for i := range out.Findings {
		if one := &out.Findings[i]; one.Stands {
			one.Last = r.Number
		}
	}
	return nil
}

// Finish ends the report after the last roll.
func (out *Report) Finish() {
	if len(out.Findings) == 0 {
		out.None = "no fault was found; " + Untold
	}
	out.Evidence = evidenceTable(out.Findings)
}

// take books the beginning or the end of a finding.
func (out *Report) take(f *notice.Finding) {
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
	one := Found{Code: f.Code, Of: of, First: f.First, Found: f.Last, Last: f.Last, Stands: true, Meaning: f.Code.Meaning().String(), Remedy: f.Code.Remedy().String()}
	var parts []string
	for _, n := range f.Evidence {
		c := present.Column{Name: n.Name}
		one.Evidence = append(one.Evidence, present.Entry{Column: c, Value: n.Value})
		parts = append(parts, c.Title()+" "+present.Amount{Name: n.Name, Value: n.Value}.Text(out.watch.Recipe))
	}
	one.Text = []string{strings.Join(parts, ", ")}
	out.Findings = append(out.Findings, one)
}

// evidenceTable has a row for each number of each finding.
func evidenceTable(found []Found) *present.Table {
	columns := []present.Column{
		{Name: "code"}, {Name: "of"}, {Name: "first_roll"}, {Name: "found_roll"}, {Name: "last_roll"}, {Name: "stands"},
		{Name: "evidence"}, {Name: "value"}, {Name: "remedy"},
	}
	return &present.Table{Columns: columns, Rows: func(yield func(present.Row, error) bool) {
		for i := range found {
			one := &found[i]
			for _, e := range one.Evidence {
				v, _ := e.Value.(float64)
				cells := []any{one.Code, one.Of, one.First, one.Found, one.Last, one.Stands, present.Quantity(e.Column), present.Amount{Name: e.Name, Value: v}, one.Remedy}
				if !yield(present.Row{Cells: cells}, nil) {
					return
				}
			}
		}
	}}
}
