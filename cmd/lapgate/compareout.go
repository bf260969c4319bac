package main

import (
	"bufio"
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/replay"
	"lapgate/recipe"
)

// writeText prints the counts, the setpoints and the worst rolls.
func (c *comparing) writeText(w io.Writer, worst int) error {
	b := bufio.NewWriter(w)
	k := &c.coverage
	held, exceeding := c.counts()
	fmt.Fprintf(b, "%s: %d outcomes, %d rolls wrapped, %d not\n", c.path, k.Outcomes, k.Wrapped, k.NotWrapped)
	fmt.Fprintf(b, "%d compared, %d wrapped though we would have held them, %d without a recipe of ours\n", len(c.wraps)-held, held, k.NoRecipe)
	fmt.Fprintf(b, "%d recipes without an outcome\n", k.NoOutcome)
	fmt.Fprintf(b, "%d of the rolls compared differ by more than a tolerance\n\n", exceeding)
	t := tabwriter.NewWriter(b, 0, 8, 2, ' ', 0)
	fmt.Fprintln(t, "used less ours\trolls\tmean\tspread\tworst\tof roll\ttolerance\texceeding\tnot reported")
	for _, f := range c.fields() {
		text := func(v *float64) string {
			if v == nil {
				return "-"
			}
			return wireChange(*v, f.Unit, c.line)
		}
		roll := f.WorstRoll
		if roll == "" {
			roll = "-"
		}
		fmt.Fprintf(t, "%s\t%d\t%s\t%s\t%s\t%s\t%s\t%d\t%d\n", f.Label, f.Compared,
			text(f.Mean), strings.TrimPrefix(text(f.SD), "+"), text(f.Worst), roll, f.Tolerance, f.Exceeding, f.NotReported)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	for _, list := range []struct {
		title string
		wraps []*replay.Wrap
	}{{"rolls that differ most", c.worst(worst)}, {"rolls wrapped though we would have held them", c.held(worst)}} {
		if len(list.wraps) > 0 {
			fmt.Fprintf(b, "\n%s\n", list.title)
		}
		for _, r := range list.wraps {
			fmt.Fprintf(b, "  %s (%s): %s\n", wrapName(r), r.Outcome, c.describe(r))
		}
	}
	return b.Flush()
}

// describe tells what differs at a roll.
func (c *comparing) describe(w *replay.Wrap) string {
	if w.Held {
		var codes []string
		for _, f := range w.Findings {
			if f.Severity == recipe.Hold {
				codes = append(codes, string(f.Code))
			}
		}
		return strings.Join(codes, ", ")
	}
	var parts []string
	for i := range w.Readings {
		r, f := &w.Readings[i], &c.usages[i].Field
		if r.Times() == 0 {
			continue
		}
		text := fmt.Sprintf("%s %s, used %s", f.Label, f.Write(c.line, r.Ours), f.Write(c.line, r.Used))
		if r.Exceeds() {
			text += " (exceeds)"
		}
		parts = append(parts, text)
	}
	return strings.Join(parts, "; ")
}

// counts returns the rolls that we would have held, and those compared that
// differ by more than a tolerance.
func (c *comparing) counts() (held, exceeding int) {
	for i := range c.wraps {
		switch w := &c.wraps[i]; {
		case w.Held:
			held++
		case w.Exceeds():
			exceeding++
		}
	}
	return held, exceeding
}

func (c *comparing) writeCSV(w io.Writer) error {
	out := csv.NewWriter(w)
	// An error stays in the writer until its end.
	_ = out.Write([]string{"roll_no", "roll", "at", "outcome", "mode", "ours", "setpoint", "unit", "recipe", "used", "difference", "tolerance", "exceeds"})
	for i := range c.wraps {
		k := &c.wraps[i]
		head := []string{strconv.FormatUint(uint64(k.Roll), 10), k.Tag, k.At.Format(time.RFC3339), handshake.Spelled(k.Outcome.String()), modeOf(k)}
		line := func(rest ...string) { _ = out.Write(append(head[:len(head):len(head)], rest...)) }
		if k.Held {
			line("hold", "", "", "", "", "", "", "yes")
		}
		for j := range k.Readings {
			r, f := &k.Readings[j], &c.usages[j].Field
			switch {
			case r.Compared:
				line("recipe", f.Name, f.Unit, csvNumber(r.Ours), csvNumber(r.Used), roundedNumber(r.Difference()), roundedNumber(r.Allowed), yesNo(r.Exceeds()))
			case r.Ours != 0:
				line("recipe", f.Name, f.Unit, csvNumber(r.Ours), "", "", "", "")
			case r.Reported:
				line("recipe", f.Name, f.Unit, "", csvNumber(r.Used), "", "", "")
			}
		}
	}
	out.Flush()
	return out.Error()
}

func modeOf(w *replay.Wrap) string {
	if w.Shadow {
		return "shadow"
	}
	return "offered"
}

func yesNo(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

// roundedNumber drops what is only the binary form of decimal numbers.
func roundedNumber(v float64) string { return csvNumber(math.Round(v*1e6) / 1e6) }

// compareResult is what compare prints as JSON.
type compareResult struct {
	Journal   string          `json:"journal"`
	Coverage  replay.Coverage `json:"coverage"`
	Compared  int             `json:"compared"`
	Held      int             `json:"wrapped_though_ours_holds"`
	Exceeding int             `json:"exceeding"`
	Setpoints []fieldUse      `json:"setpoints"`
	Rolls     []compareRoll   `json:"rolls"`
}

type compareRoll struct {
	Number   uint32                `json:"roll_no"`
	Tag      string                `json:"roll"`
	At       time.Time             `json:"at"`
	Outcome  handshake.OutcomeKind `json:"outcome"`
	Word     string                `json:"outcome_text"`
	Mode     string                `json:"mode"`
	Verdict  string                `json:"verdict"` // ours
	Exceeds  bool                  `json:"exceeds"`
	Readings []compareReading      `json:"setpoints"`
}

type compareReading struct {
	Name       string   `json:"setpoint"`
	Unit       string   `json:"unit,omitempty"`
	Ours       *float64 `json:"recipe"` // null when not in force
	Used       *float64 `json:"used"`   // null when not reported
	Difference *float64 `json:"difference,omitempty"`
	Tolerance  *float64 `json:"tolerance,omitempty"`
	Exceeds    bool     `json:"exceeds,omitempty"`
}

func (c *comparing) result() *compareResult {
	held, exceeding := c.counts()
	out := &compareResult{
		Journal: c.path, Coverage: c.coverage, Compared: len(c.wraps) - held, Held: held, Exceeding: exceeding,
		Setpoints: c.fields(), Rolls: make([]compareRoll, 0, len(c.wraps)),
	}
	present := func(v float64, is bool) *float64 {
		if !is {
			return nil
		}
		return &v
	}
	for i := range c.wraps {
		w := &c.wraps[i]
		r := compareRoll{
			Number: w.Roll, Tag: w.Tag, At: w.At, Outcome: w.Outcome, Word: handshake.Spelled(w.Outcome.String()),
			Mode: modeOf(w), Verdict: "go", Exceeds: w.Exceeds(), Readings: []compareReading{},
		}
		if w.Held {
			r.Verdict = "hold"
		}
		for j := range w.Readings {
			v, f := &w.Readings[j], &c.usages[j].Field
			r.Readings = append(r.Readings, compareReading{
				Name: f.Name, Unit: f.Unit, Ours: present(v.Ours, v.Ours != 0), Used: present(v.Used, v.Reported),
				Difference: present(math.Round(v.Difference()*1e6)/1e6, v.Compared), Tolerance: present(v.Allowed, v.Compared), Exceeds: v.Exceeds(),
			})
		}
		out.Rolls = append(out.Rolls, r)
	}
	return out
}

// drawing is an SVG with a panel for each setpoint: used less ours by roll, in
// the order of the journal.
func (c *comparing) drawing() string {
	var panels []panel
	for i := range c.usages {
		u := &c.usages[i]
		_, unit := inUnit(0, u.Field.Unit, c.line)
		g := panel{title: u.Field.Label + ", used less ours", unit: unit, across: "roll, in the order of the journal"}
		for k := range c.wraps {
			w := &c.wraps[k]
			if w.Held || !w.Readings[i].Compared {
				continue
			}
			r := &w.Readings[i]
			y, _ := inUnit(r.Difference(), u.Field.Unit, c.line)
			most, _ := inUnit(r.Allowed, u.Field.Unit, c.line)
			g.points = append(g.points, point{x: float64(k + 1), y: y, band: most, out: r.Exceeds()})
		}
		if len(g.points) > 0 {
			panels = append(panels, g)
		}
	}
	return drawPanels("What the controller used, less our recipe: "+c.path, panels)
}
