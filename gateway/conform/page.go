package conform

import (
	"fmt"
	"time"

	"lapgate/gateway/report"
	"lapgate/recipe/caution"
)

// Page is the pass list as one HTML page to sign, in the time of a zone.
func (r *Report) Page(zone *time.Location) string {
	const layout = "2006-01-02 15:04:05 MST"
	s := report.Sheet{
		Title:   "Proof of the controller's program, line " + r.Line,
		Caution: caution.Proof.String(),
		Facts: [][2]string{
			{"line", r.Line}, {"controller", r.Address}, {"answered for by", r.By},
			{"began", r.Began.In(zone).Format(layout)}, {"ended", r.Ended.In(zone).Format(layout)},
			{"passed", fmt.Sprint(r.Passed)}, {"failed", fmt.Sprint(r.Failed)}, {"not run", fmt.Sprint(r.NotRun)},
		},
		Head:    []string{"case", "section", "what is proved", "outcome"},
		Notes:   r.Notes,
		Signers: []string{"programmed by", "proved by", "accepted by"},
	}
	for _, c := range r.Results {
		s.Rows = append(s.Rows, []string{c.Case, c.Rule, c.Title, string(c.Outcome)})
		if c.Why == "" {
			continue
		}
		d := report.Detail{Title: c.Case + ": " + string(c.Outcome), Text: c.Why}
		for _, f := range c.Frames {
			d.Lines = append(d.Lines, f.String())
		}
		s.Details = append(s.Details, d)
	}
	return s.Page()
}
