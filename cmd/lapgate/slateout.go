package main

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"

	"lapgate/recipe/quantity"
	"lapgate/recipe/widths"
)

// slateReport is what `slate --json` prints.
type slateReport struct {
	Line       string        `json:"line"`
	Exact      bool          `json:"exact"`
	TieBroken  bool          `json:"tie_broken"`
	Method     string        `json:"method"`
	Candidates string        `json:"candidates"`
	AllServed  bool          `json:"all_served"`
	Quantum    float64       `json:"cost_quantum"`
	Bound      *float64      `json:"cost_bound,omitempty"`
	Rows       int           `json:"rows"`
	Slots      []slotReport  `json:"slots"`
	Slate      totalsReport  `json:"slate"`
	Present    totalsReport  `json:"present"`
	Saved      float64       `json:"trim_saved_m2"`
	Unserved   []lotReport   `json:"unserved"`
	LineRule   ruleReport    `json:"line_rule"`
	Rolls      []*rollReport `json:"rolls,omitempty"`
}

type wrapperReport struct {
	Width float64 `json:"width_m"`
	Paper string  `json:"paper"`
}

type slotReport struct {
	Slot     int            `json:"slot"`
	Action   string         `json:"action"`
	Now      *wrapperReport `json:"now"`
	Next     *wrapperReport `json:"next"`
	Rolls    int64          `json:"rolls"`
	Length   float64        `json:"wrapper_m"`
	Area     float64        `json:"wrapper_m2"`
	NeedsNew int            `json:"wrapper_rolls,omitempty"`
	Short    bool           `json:"stock_short,omitempty"`
}

type totalsReport struct {
	Cost       float64 `json:"cost"`
	Overhang   float64 `json:"overhang_cost"`
	Paper      float64 `json:"paper_cost"`
	Changeover float64 `json:"changeover_cost"`
	Changes    int     `json:"changes"`
	Served     int64   `json:"rolls_served"`
	Missed     int64   `json:"rolls_missed"`
	Unservable int64   `json:"rolls_unservable"`
	Area       float64 `json:"wrapper_m2"`
	Deviation  float64 `json:"deviation_m"`
}

type lotReport struct {
	Width    float64  `json:"width_m"`
	Smallest float64  `json:"diameter_min_m"`
	Largest  float64  `json:"diameter_max_m"`
	Spec     string   `json:"spec"`
	Rolls    int64    `json:"rolls"`
	Never    bool     `json:"unservable"`
	Reason   string   `json:"reason"`
	Names    []string `json:"names"`
}

type ruleReport struct {
	Rolls int64        `json:"rolls"`
	More  float64      `json:"wrapper_more_m2"`
	Cases []caseReport `json:"cases"`
}

type caseReport struct {
	Width        float64 `json:"width_m"`
	Spec         string  `json:"spec"`
	Rolls        int64   `json:"rolls"`
	SlateWidth   float64 `json:"slate_width_m"`
	SlateOver    float64 `json:"slate_overhang_m"`
	LineSlot     int     `json:"line_slot"`
	LineWidth    float64 `json:"line_width_m"`
	LineOverhang float64 `json:"line_overhang_m"`
	More         float64 `json:"wrapper_more_m2"`
}

// rollReport is the choice for one row of the schedule.
type rollReport struct {
	Roll     string   `json:"roll"`
	Date     string   `json:"date,omitempty"`
	Width    float64  `json:"width_m"`
	Diameter float64  `json:"diameter_m"`
	Spec     string   `json:"spec"`
	Count    int      `json:"count"`
	Slot     int      `json:"slot,omitempty"`
	Wrapper  float64  `json:"wrapper_width_m,omitempty"`
	Overhang *float64 `json:"overhang_m,omitempty"`
	LineSlot int      `json:"line_slot,omitempty"` // where the line would choose another
	Reason   string   `json:"reason,omitempty"`    // why it is not served
}

func (s *slatePlan) method() string {
	if s.result.Method == widths.Branch {
		return "branch and bound"
	}
	return "dynamic programming"
}

func (s *slatePlan) wrapper(w widths.Wrapper) *wrapperReport {
	if w.Width == 0 {
		return nil
	}
	return &wrapperReport{w.Width, s.paper(w)}
}

func (s *slatePlan) paper(w widths.Wrapper) string {
	if w.Paper < 0 || w.Paper >= len(s.line.Materials.Papers) {
		return ""
	}
	return s.line.Materials.Papers[w.Paper].Name
}

func (s *slatePlan) spec(i int) string { return s.line.Materials.Specs[i].Name }

// action is what becomes of a slot, in a word.
func action(p *widths.SlotPlan) string {
	switch {
	case p.Changed && p.Now.Empty:
		return "hang"
	case p.Changed:
		return "change"
	case p.Now.Empty:
		return "leave empty"
	case p.Used || p.Now.Fixed:
		return "keep"
	}
	return "spare"
}

func totalsOf(t *widths.Totals) totalsReport {
	return totalsReport{t.Cost, t.OverhangCost, t.PaperCost, t.ChangeCost, t.Changes, t.Served, t.Missed, t.Unservable, t.Area, t.Deviation}
}

// slotOf is the index of the slot that serves a class, −1 when none does.
func (s *slatePlan) slotOf(c *widths.Class) int {
	if c.Chosen < 0 {
		return -1
	}
	w := s.result.Chosen[c.Chosen]
	return slices.IndexFunc(s.result.Slots, func(p widths.SlotPlan) bool { return p.Used && p.Next == w })
}

func (s *slatePlan) report(rolls bool) *slateReport {
	r := s.result
	out := &slateReport{
		Line: s.line.Name, Exact: r.Exact, TieBroken: r.TieBroken, Method: s.method(), Candidates: s.choice,
		AllServed: len(s.unserved) == 0, Quantum: r.Quantum, Rows: len(s.rows), Saved: r.Saved,
		Slate: totalsOf(&r.Best), Present: totalsOf(&r.Present), Slots: []slotReport{}, Unserved: []lotReport{},
	}
	if !math.IsNaN(r.Bound) {
		out.Bound = &r.Bound
	}
	for i := range r.Slots {
		p := &r.Slots[i]
		out.Slots = append(out.Slots, slotReport{
			Slot: s.numbers[i], Action: action(p), Now: s.wrapper(p.Now.Wrapper), Next: s.wrapper(p.Next),
			Rolls: p.Rolls, Length: p.Feed, Area: p.Area, NeedsNew: p.Needs, Short: p.Short,
		})
	}
	for _, i := range s.order {
		u := &s.unserved[i]
		x := lotReport{u.width, u.smallest, u.largest, s.spec(int(u.spec)), u.rolls, u.unservable, u.why, make([]string, len(u.rows))}
		for k, row := range u.rows {
			x.Names[k] = s.rows[row].name()
		}
		out.Unserved = append(out.Unserved, x)
	}
	out.LineRule = s.ruleReport()
	if rolls {
		_ = s.eachRoll(func(x *rollReport) error { // never fails
			copied := *x
			out.Rolls = append(out.Rolls, &copied)
			return nil
		})
	}
	return out
}

func (s *slatePlan) ruleReport() ruleReport {
	out := ruleReport{Cases: []caseReport{}}
	for i := range s.differs {
		d := &s.differs[i]
		c := &s.result.Classes[d.class]
		out.Rolls += c.Count
		out.More += d.more
		out.Cases = append(out.Cases, caseReport{
			Width: c.Width, Spec: s.spec(c.Spec), Rolls: c.Count,
			SlateWidth: s.result.Chosen[c.Chosen].Width, SlateOver: c.Overhang,
			LineSlot: s.numbers[d.slot], LineWidth: s.result.Slots[d.slot].Next.Width, LineOverhang: d.overhang, More: d.more,
		})
	}
	return out
}

// eachRoll gives the choice for each row in order. What it points at is valid
// until f returns.
func (s *slatePlan) eachRoll(f func(*rollReport) error) error {
	other := map[int]int{} // class to the slot of the line
	for i := range s.differs {
		other[s.differs[i].class] = s.numbers[s.differs[i].slot]
	}
	slots := make([]int, len(s.result.Classes))
	for i := range slots {
		slots[i] = s.slotOf(&s.result.Classes[i])
	}
	var out rollReport
	for i := range s.rows {
		row := &s.rows[i]
		l := &s.lots[row.lot]
		class := int(s.result.ClassOf[row.lot])
		c := &s.result.Classes[class]
		out = rollReport{
			Roll: row.name(), Date: row.date, Width: l.width, Diameter: l.diameter, Spec: s.spec(int(l.spec)),
			Count: int(row.count), LineSlot: other[class],
		}
		if k := s.unservedOf[row.lot]; k >= 0 {
			out.Reason = s.unserved[k].why
		}
		if k := slots[class]; k >= 0 {
			out.Slot, out.Wrapper, out.Overhang = s.numbers[k], s.result.Slots[k].Next.Width, &c.Overhang
		}
		if err := f(&out); err != nil {
			return err
		}
	}
	return nil
}

// si writes a number for other programs.
func si(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }

func (s *slatePlan) writeSlotsCSV(w io.Writer) error {
	c := csv.NewWriter(w)
	rows := [][]string{{"slot", "action", "now_width_m", "now_paper", "next_width_m", "next_paper", "rolls", "wrapper_m", "wrapper_m2"}}
	for i := range s.result.Slots {
		p := &s.result.Slots[i]
		cells := func(x widths.Wrapper) []string {
			if x.Width == 0 {
				return []string{"", ""}
			}
			return []string{si(x.Width), s.paper(x)}
		}
		row := append([]string{strconv.Itoa(s.numbers[i]), action(p)}, cells(p.Now.Wrapper)...)
		row = append(row, cells(p.Next)...)
		rows = append(rows, append(row, strconv.FormatInt(p.Rolls, 10), si(p.Feed), si(p.Area)))
	}
	return c.WriteAll(rows)
}

func (s *slatePlan) writeRollsCSV(w io.Writer) error {
	c := csv.NewWriter(w)
	if err := c.Write([]string{"roll", "date", "width_m", "diameter_m", "spec", "count", "slot", "wrapper_width_m", "overhang_m", "line_slot", "reason"}); err != nil {
		return err
	}
	err := s.eachRoll(func(r *rollReport) error {
		row := []string{r.Roll, r.Date, si(r.Width), si(r.Diameter), r.Spec, strconv.Itoa(r.Count), "", "", "", "", r.Reason}
		if r.Overhang != nil {
			row[6], row[7], row[8] = strconv.Itoa(r.Slot), si(r.Wrapper), si(*r.Overhang)
		}
		if r.LineSlot != 0 {
			row[9] = strconv.Itoa(r.LineSlot)
		}
		return c.Write(row)
	})
	if err != nil {
		return err
	}
	c.Flush()
	return c.Error()
}

// What a text shows of a long list.
const (
	shownLots  = 20
	shownNames = 10
	shownCases = 10
)

func (s *slatePlan) area(v float64) string {
	if imperial(s.line.Unit(quantity.Length)) {
		return strconv.FormatFloat(v/(0.3048*0.3048), 'f', 0, 64) + " ft²"
	}
	return strconv.FormatFloat(v, 'f', 1, 64) + " m²"
}

func (s *slatePlan) long(v float64) string {
	if imperial(s.line.Unit(quantity.Length)) {
		return quantity.Round(v, quantity.Length, "ft", 0)
	}
	return quantity.Round(v, quantity.Length, "m", 1)
}

func (s *slatePlan) writeText(w io.Writer, rolls bool) error {
	var b bytes.Buffer
	r := s.result
	total := r.Best.Served + r.Best.Missed + r.Best.Unservable
	fmt.Fprintf(&b, "line %s: %d rolls in %d rows; wrappers to choose from: %s\n", s.line.Name, total, len(s.rows), s.choice)
	switch {
	case r.Exact:
		fmt.Fprintf(&b, "exact: no set does better (%s)\n", s.method())
	case math.IsNaN(r.Bound):
		fmt.Fprintf(&b, "not exact: the search ended at its limit; a set that misses fewer rolls is possible, raise --effort\n")
	default:
		fmt.Fprintf(&b, "not exact: the search ended at its limit; no set costs less than %s, raise --effort\n", money(r.Bound))
	}
	s.writeSlots(&b)
	s.writeTotals(&b)
	s.writeUnserved(&b)
	s.writeRule(&b)
	if _, err := w.Write(b.Bytes()); err != nil || !rolls {
		return err
	}
	t := tabwriter.NewWriter(w, 0, 8, 2, ' ', 0)
	fmt.Fprint(t, "\nroll\tdate\twidth\tdiameter\tspec\tcount\tslot\twrapper\toverhang\tnote\n")
	err := s.eachRoll(func(x *rollReport) error {
		slot, wrapper, overhang, note := "-", "-", "-", x.Reason
		if x.Overhang != nil {
			slot, wrapper, overhang = strconv.Itoa(x.Slot), s.length(x.Wrapper), s.length(*x.Overhang)
		}
		if x.LineSlot != 0 {
			note = "the line takes slot " + strconv.Itoa(x.LineSlot)
		}
		_, err := fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%d\t%s\t%s\t%s\t%s\n", x.Roll, x.Date, s.length(x.Width), s.length(x.Diameter), x.Spec, x.Count, slot, wrapper, overhang, note)
		return err
	})
	if err != nil {
		return err
	}
	return t.Flush()
}

func (s *slatePlan) writeSlots(b *bytes.Buffer) {
	t := tabwriter.NewWriter(b, 0, 8, 2, ' ', 0)
	fmt.Fprint(t, "\nslot\tnow\tnext\taction\trolls\tlength\tarea\n")
	text := func(w widths.Wrapper) string {
		if w.Width == 0 {
			return "-"
		}
		return s.length(w.Width) + " " + s.paper(w)
	}
	for i := range s.result.Slots {
		p := &s.result.Slots[i]
		fmt.Fprintf(t, "%d\t%s\t%s\t%s\t%d\t%s\t%s", s.numbers[i], text(p.Now.Wrapper), text(p.Next), action(p), p.Rolls, s.long(p.Feed), s.area(p.Area))
		if p.Needs > 0 {
			fmt.Fprintf(t, "\tneeds %d wrapper roll(s)", p.Needs)
			if p.Short {
				fmt.Fprint(t, ", more than in stock")
			}
		}
		fmt.Fprintln(t)
	}
	_ = t.Flush() // into memory
}

func (s *slatePlan) writeTotals(b *bytes.Buffer) {
	t := tabwriter.NewWriter(b, 0, 8, 2, ' ', tabwriter.AlignRight)
	r := s.result
	row := func(name string, of func(*widths.Totals) string) {
		fmt.Fprintf(t, "%s\t%s\t%s\t\n", name, of(&r.Best), of(&r.Present))
	}
	fmt.Fprint(t, "\n\tthis set\tas it hangs\t\n")
	row("rolls served", func(x *widths.Totals) string { return strconv.FormatInt(x.Served, 10) })
	row("missed", func(x *widths.Totals) string { return strconv.FormatInt(x.Missed, 10) })
	row("without any wrapper", func(x *widths.Totals) string { return strconv.FormatInt(x.Unservable, 10) })
	row("slots changed", func(x *widths.Totals) string { return strconv.Itoa(x.Changes) })
	row("cost", func(x *widths.Totals) string { return money(x.Cost) })
	row("of overhang", func(x *widths.Totals) string { return money(x.OverhangCost) })
	row("of paper", func(x *widths.Totals) string { return money(x.PaperCost) })
	row("of changes", func(x *widths.Totals) string { return money(x.ChangeCost) })
	row("wrapper used", func(x *widths.Totals) string { return s.area(x.Area) })
	_ = t.Flush() // into memory
	saved, word := r.Saved, "less"
	if saved < 0 {
		saved, word = -saved, "more"
	}
	fmt.Fprintf(b, "on the rolls that both serve it uses %s %s wrapper\n", s.area(saved), word)
	if r.Present.Missed > r.Best.Missed {
		fmt.Fprintf(b, "the costs are not of the same rolls: it serves %d more than what hangs\n", r.Present.Missed-r.Best.Missed)
	}
}

func rollsText(n int64) string {
	if n == 1 {
		return "1 roll"
	}
	return strconv.FormatInt(n, 10) + " rolls"
}

func money(v float64) string { return strconv.FormatFloat(v, 'f', 2, 64) }

func (s *slatePlan) writeUnserved(b *bytes.Buffer) {
	if len(s.unserved) == 0 {
		return
	}
	fmt.Fprintf(b, "\nnot served: %s\n", rollsText(s.result.Best.Missed+s.result.Best.Unservable))
	for n, i := range s.order {
		if n == shownLots {
			fmt.Fprintf(b, "  and %d more sizes; --rolls --csv lists all\n", len(s.order)-n)
			break
		}
		u := &s.unserved[i]
		var names []string
		for _, row := range u.rows[:min(len(u.rows), shownNames)] {
			names = append(names, s.rows[row].name())
		}
		if more := len(u.rows) - len(names); more > 0 {
			names = append(names, fmt.Sprintf("and %d rows more", more))
		}
		across := s.length(u.smallest)
		if u.largest > u.smallest {
			across += " to " + s.length(u.largest)
		}
		fmt.Fprintf(b, "  %s wide, %s across, %s: %s (%s): %s\n", s.length(u.width), across, s.spec(int(u.spec)), rollsText(u.rolls), strings.Join(names, ", "), u.why)
	}
}

func (s *slatePlan) writeRule(b *bytes.Buffer) {
	rule := s.ruleReport()
	if rule.Rolls == 0 {
		return
	}
	word, more := "more", rule.More
	if more < 0 {
		word, more = "less", -more
	}
	fmt.Fprintf(b, "\nnote: for %s the line chooses another slot, for it looks at the overhang alone; it then uses %s %s wrapper\n", rollsText(rule.Rolls), s.area(more), word)
	for i, c := range rule.Cases {
		if i == shownCases {
			fmt.Fprintf(b, "  and %d cases more; --json lists all\n", len(rule.Cases)-i)
			break
		}
		fmt.Fprintf(b, "  %s wide, %s: %s on %s (overhang %s); the line takes slot %d, %s (overhang %s)\n",
			s.length(c.Width), c.Spec, rollsText(c.Rolls), s.length(c.SlateWidth), s.length(c.SlateOver), c.LineSlot, s.length(c.LineWidth), s.length(c.LineOverhang))
	}
}
