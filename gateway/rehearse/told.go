package rehearse

import (
	"fmt"
	"strings"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/present"
	"lapgate/gateway/process"
	"lapgate/recipe"
	"lapgate/sim"
)

// Row is what became of one roll on the simulated line.
type Row struct {
	Ordinal  int      `json:"ordinal" label:"no."`
	Roll     string   `json:"roll"`
	Diameter float64  `json:"diameter_m"`
	Width    float64  `json:"width_m"`
	Outcome  string   `json:"outcome"`
	Slot     *int     `json:"wrapper_slot" label:"slot"`
	Overhang *float64 `json:"overhang_m"`
	Feed     *float64 `json:"feed_length_m" label:"feed"`
	Dwell    *float64 `json:"header_dwell_s" label:"dwell"`
	Judged   string   `json:"judged"`
	Defects  []string `json:"defects" print:"below"`
}

// RowOf makes the row of a roll; its defects are told in the units of a line.
func RowOf(line *recipe.Line, r *sim.RollReport) Row {
	row := Row{Ordinal: r.Ordinal, Roll: r.Tag, Diameter: r.Diameter, Width: r.Width, Outcome: r.Outcome, Judged: "-"}
	if j := r.Judgement; j != nil {
		f := &j.Figures
		overhang := (f.OverhangPoor + f.OverhangRich) / 2
		row.Slot, row.Overhang, row.Feed, row.Dwell, row.Judged = &f.Slot, &overhang, &f.Paper, &f.Dwell, "good"
		if !j.Good {
			row.Judged = "BAD"
		}
		for i := range j.Defects {
			row.Defects = append(row.Defects, j.Defects[i].Say(textIn(line)))
		}
	}
	return row
}

// textIn writes values of named quantities in the units of a line.
func textIn(line *recipe.Line) func(name string, v float64) string {
	return func(name string, v float64) string { return present.Amount{Name: name, Value: v}.Text(line) }
}

// Rows are those of all rolls of a shift.
func Rows(line *recipe.Line, report *sim.Report) []Row {
	rows := []Row{}
	for i := range report.Rolls {
		rows = append(rows, RowOf(line, &report.Rolls[i]))
	}
	return rows
}

// Told is one line about a roll that left, in the units of a line.
func (w *Watch) Told(line *recipe.Line, r *sim.RollReport) string {
	row, in := RowOf(line, r), textIn(line)
	text := fmt.Sprintf("%3d  %-13s %8s × %-8s  %-15s", row.Ordinal, row.Roll, in("diameter_m", row.Diameter), in("width_m", row.Width), row.Outcome)
	offer, before := w.Offer(r.Tag)
	switch {
	case row.Slot != nil:
		text += fmt.Sprintf("  slot %d  overhang %s  feed %s  dwell %s", *row.Slot,
			in("overhang_m", *row.Overhang), in("feed_length_m", *row.Feed), in("header_dwell_s", *row.Dwell))
	case offer != nil && offer.Form == handshake.KindHold:
		code, why := HeldFor(offer)
		text += "  held, " + code
		if why != "" {
			text += ": " + why
		}
	}
	if len(before) > 0 {
		text += "  held before: " + strings.Join(before, ", ")
	}
	for _, reason := range r.Rejections {
		text += "  rejected: " + handshake.RejectReason(reason).String()
	}
	if row.Slot != nil {
		text += "  judged " + row.Judged
	}
	if len(row.Defects) > 0 {
		text += ": " + strings.Join(row.Defects, "; ")
	}
	return strings.TrimRight(text, " ")
}

// Summary is a shift in a few lines.
type Summary struct {
	Lines []string `json:"summary" label:""`
}

// SummaryOf tells of the simulator alone.
func SummaryOf(s *sim.Report) *Summary {
	good, judged := s.Good()
	lines := []string{fmt.Sprintf("%d rolls, %d wraps judged, %d good; %d sessions, %d accepted, %d held, %d rejected",
		len(s.Rolls), judged, good, s.Sessions, s.Accepted, s.Held, s.Rejected)}
	return &Summary{Lines: append(lines, processLines(s)...)}
}

// processLines tell of the faults of the process that there were.
func processLines(s *sim.Report) (lines []string) {
	for _, p := range s.Process {
		lines = append(lines, fmt.Sprintf("%s, strength %.2f: %s; from roll %d on, %d rolls, %d of their wraps bad", p.Fault, p.Strength, p.What, p.From, p.Rolls, p.Bad))
	}
	return lines
}

// noticedText is a fault that was noticed, in a line.
func noticedText(f *process.Found) string {
	text := string(f.Code)
	if f.Of != nil {
		text += " of " + *f.Of
	}
	text += fmt.Sprintf(", found at roll %d, rolls %d to %d", f.Found, f.First, f.Last)
	for _, t := range f.Text {
		text += "; " + t
	}
	return text
}

// Summary tells of the simulator, and of what the daemon left.
func (r *Result) Summary() *Summary {
	var out Summary
	add := func(format string, args ...any) { out.Lines = append(out.Lines, fmt.Sprintf(format, args...)) }
	s := r.Shift
	good, judged := s.Good()
	add("%d of %d rolls left the line in %s", len(s.Rolls), s.Planned, time.Duration(s.Took*float64(time.Second)).Round(100*time.Millisecond))
	add("offers: %d accepted, %d held, %d rejected, %d stale commits; %d sessions", s.Accepted, s.Held, s.Rejected, s.Stale, s.Sessions)
	add("wraps judged by the simulator: %d good of %d", good, judged)
	for _, f := range s.Faults {
		add("fault %s occurred %d times", f.Fault, f.Occurred)
	}
	out.Lines = append(out.Lines, processLines(s)...)
	for i := range r.Noticed {
		add("noticed: %s", noticedText(&r.Noticed[i]))
	}
	if len(r.Noticed) == 0 && len(s.Process) > 0 {
		add("noticed: nothing; %s", process.Untold)
	}
	add("journal: %d records, head %s", r.Verified.Records, r.Verified.Head)
	if len(r.Problems) == 0 {
		add("every roll is accounted for, no invariant was broken, the journal verifies")
	}
	return &out
}
