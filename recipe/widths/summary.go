package widths

import (
	"iter"
	"math"
	"slices"
	"strconv"

	"lapgate/recipe/quantity"
	"lapgate/recipe/wording"
)

// Summary is a solved plan as people and other programs get it, SI with the
// unit in each name.
type Summary struct {
	Line       string         `json:"line"`
	Rolls      int64          `json:"rolls"`
	Rows       int            `json:"rows"`
	Candidates wording.Phrase `json:"candidates" label:"wrappers to choose from"`
	Method     string         `json:"method" label:"-"`
	Exact      bool           `json:"exact" label:"-"`
	TieBroken  bool           `json:"tie_broken" label:"-"`
	Quantum    float64        `json:"cost_quantum" label:"-"`
	Bound      *float64       `json:"cost_bound,omitempty" label:"-"`
	AllServed  bool           `json:"all_served" label:"-"`
	Proof      wording.Phrase `json:"proof" label:""`

	Slots    []SlotSummary    `json:"slots" print:"csv"`
	Totals   []TotalsSummary  `json:"totals"`
	Saved    float64          `json:"trim_saved_m2" label:"-"`
	Notes    []wording.Phrase `json:"notes,omitempty" label:""`
	Unserved []UnservedRolls  `json:"unserved" label:"not served"`
	LineRule *LineRule        `json:"line_rule,omitempty" label:"where the line would choose otherwise"`
}

// SlotSummary is one slot: what hangs there now, and next.
type SlotSummary struct {
	Slot      int      `json:"slot"`
	Action    string   `json:"action" print:"words=plan.action"` // hang, change, keep, spare or leave empty
	NowWidth  *float64 `json:"now_width_m,omitempty" label:"now"`
	NowPaper  string   `json:"now_paper,omitempty" label:"paper"`
	NextWidth *float64 `json:"next_width_m,omitempty" label:"next"`
	NextPaper string   `json:"next_paper,omitempty" label:"paper"`
	Rolls     int64    `json:"rolls"`
	Length    float64  `json:"wrapper_m" label:"wrapper" print:"drop=2"`
	Area      float64  `json:"wrapper_m2" label:"area" print:"drop=1"`
	// Needs is how many wrapper rolls the schedule uses up, absent when their
	// length is not known; Short tells that the stock has fewer.
	Needs int  `json:"wrapper_rolls,omitempty" label:"needs rolls" print:"drop=3"`
	Short bool `json:"stock_short,omitempty" label:"short" print:"drop=4"`
}

// TotalsSummary is what a set does to the whole schedule.
type TotalsSummary struct {
	Set        string  `json:"set"` // best, or present: as it hangs
	Served     int64   `json:"rolls_served" label:"served"`
	Missed     int64   `json:"rolls_missed" label:"missed"`
	Unservable int64   `json:"rolls_unservable" label:"without any wrapper"`
	Changes    int     `json:"changes"`
	Cost       float64 `json:"cost"`
	Overhang   float64 `json:"overhang_cost" label:"of overhang" print:"drop=1"`
	Paper      float64 `json:"paper_cost" label:"of paper" print:"drop=1"`
	Changeover float64 `json:"changeover_cost" label:"of changes" print:"drop=1"`
	Area       float64 `json:"wrapper_m2" label:"wrapper used" print:"drop=2"`
	Deviation  float64 `json:"deviation_m" label:"-"`
}

// UnservedRolls are rolls that no wrapper of the set serves, for one reason.
type UnservedRolls struct {
	Width    float64        `json:"width_m"`
	Smallest float64        `json:"diameter_min_m" label:"smallest diameter" print:"drop=3"`
	Largest  float64        `json:"diameter_max_m" label:"largest diameter" print:"drop=3"`
	Spec     string         `json:"spec"`
	Rolls    int64          `json:"rolls"`
	Never    bool           `json:"unservable" label:"-"` // nothing to choose from serves them
	Reason   wording.Phrase `json:"reason" print:"below"`
	Rows     int            `json:"rows" print:"drop=2"`
	Names    []string       `json:"names" print:"drop=1"` // of the first rows; all are among Plan.Rows
}

// LineRule is where the line, which looks at the overhang alone, would choose
// another slot than the plan.
type LineRule struct {
	Rolls int64          `json:"rolls"`
	More  float64        `json:"wrapper_more_m2" label:"wrapper used more"`
	Cases []LineRuleCase `json:"cases"`
}

// LineRuleCase is one kind of roll for which the line would choose otherwise.
type LineRuleCase struct {
	Width        float64 `json:"width_m"`
	Spec         string  `json:"spec"`
	Rolls        int64   `json:"rolls"`
	PlanWidth    float64 `json:"plan_width_m" label:"plan"`
	PlanOverhang float64 `json:"plan_overhang_m" label:"overhang"`
	LineSlot     int     `json:"line_slot" label:"the line takes slot"`
	LineWidth    float64 `json:"line_width_m" label:"width there"`
	LineOverhang float64 `json:"line_overhang_m" label:"overhang there"`
	More         float64 `json:"wrapper_more_m2" label:"more wrapper" print:"drop=1"`
}

// RowChoice is the choice for one row of the schedule.
type RowChoice struct {
	Roll     string         `json:"roll"`
	Date     string         `json:"date,omitempty" print:"drop=1"`
	Width    float64        `json:"width_m"`
	Diameter float64        `json:"diameter_m" print:"drop=2"`
	Spec     string         `json:"spec"`
	Count    int            `json:"count"`
	Slot     int            `json:"slot,omitempty"` // absent when it is not served
	Wrapper  *float64       `json:"wrapper_width_m,omitempty" label:"wrapper"`
	Overhang *float64       `json:"overhang_m,omitempty"`
	LineSlot int            `json:"line_slot,omitempty" label:"the line takes"` // where it would choose another
	Reason   wording.Phrase `json:"reason,omitzero"`                            // why it is not served
}

// Summary sums a solved plan up.
func (p *Plan) Summary() *Summary {
	r := p.Result
	out := &Summary{
		Line: p.line.Name, Rolls: r.Best.Served + r.Best.Missed + r.Best.Unservable, Rows: len(p.rows), Candidates: wording.Phrase{Said: p.choice},
		Method: r.Method.String(), Exact: r.Exact, TieBroken: r.TieBroken, Quantum: r.Quantum, AllServed: p.AllServed(),
		Proof: wording.Phrase{Said: p.proof()}, Saved: r.Saved, Notes: p.notes(), Unserved: []UnservedRolls{},
		Totals: []TotalsSummary{totalsOf("best", &r.Best), totalsOf("present", &r.Present)},
	}
	if p.stays() {
		out.Candidates.Said = wording.Say("plan.choice.none")
	}
	if !math.IsNaN(r.Bound) {
		out.Bound = &r.Bound
	}
	for i := range r.Slots {
		out.Slots = append(out.Slots, p.slot(i))
	}
	for _, i := range p.order {
		u := &p.unserved[i]
		out.Unserved = append(out.Unserved, UnservedRolls{u.width, u.smallest, u.largest, p.spec(int(u.spec)), u.rolls, u.unservable, wording.Phrase{Said: u.why}, u.rows, u.names})
	}
	out.LineRule = p.lineRule()
	return out
}

// String names the method.
func (m Method) String() string {
	if m == Branch {
		return "branch and bound"
	}
	return "dynamic programming"
}

// stays reports whether no slot may be changed, so that there is nothing to choose.
func (p *Plan) stays() bool {
	return !slices.ContainsFunc(p.Problem.Stand, func(h Hung) bool { return !h.Fixed })
}

func (p *Plan) proof() wording.Said {
	r := p.Result
	bound := strconv.FormatFloat(r.Bound, 'f', 2, 64)
	switch {
	case p.stays():
		return wording.Say("plan.proof.stays")
	case r.Merged && r.Feasible:
		return wording.Say("plan.proof.merged", "length", p.length(0.1), "value", bound)
	case r.Exact:
		return wording.Say("plan.proof.exact", "how", r.Method)
	case math.IsNaN(r.Bound):
		return wording.Say("plan.proof.open")
	}
	return wording.Say("plan.proof.bound", "value", bound)
}

// notes are sentences about what the totals alone do not show.
func (p *Plan) notes() (out []wording.Phrase) {
	add := func(key string, pairs ...any) { out = append(out, wording.Phrase{Said: wording.Say(key, pairs...)}) }
	switch r := p.Result; {
	case r.Saved > 0:
		add("plan.saved", "got", p.area(r.Saved))
	case r.Saved < 0:
		add("plan.saved.more", "got", p.area(-r.Saved))
	}
	if n := p.Result.Present.Missed - p.Result.Best.Missed; n > 0 {
		add("plan.not-the-same", "count", n)
	}
	return out
}

// area writes an area as the people of the line read it.
func (p *Plan) area(v float64) string {
	return quantity.Round(v, quantity.Area, p.line.Unit(quantity.Area), 1)
}

func (p *Plan) slot(i int) SlotSummary {
	s := &p.Result.Slots[i]
	out := SlotSummary{Slot: p.numbers[i], Action: s.action(), Rolls: s.Rolls, Length: s.Feed, Area: s.Area, Needs: s.Needs, Short: s.Short}
	out.NowWidth, out.NowPaper = p.wrapper(s.Now.Wrapper)
	out.NextWidth, out.NextPaper = p.wrapper(s.Next)
	return out
}

func (p *Plan) wrapper(w Wrapper) (width *float64, paper string) {
	if w.Width == 0 {
		return nil, ""
	}
	if w.Paper >= 0 && w.Paper < len(p.line.Materials.Papers) {
		paper = p.line.Materials.Papers[w.Paper].Name
	}
	return &w.Width, paper
}

func (p *Plan) spec(i int) string { return p.line.Materials.Specs[i].Name }

// action is what becomes of a slot, in a word.
func (s *SlotPlan) action() string {
	switch {
	case s.Changed && s.Now.Empty:
		return "hang"
	case s.Changed:
		return "change"
	case s.Now.Empty:
		return "leave empty"
	case s.Used || s.Now.Fixed:
		return "keep"
	}
	return "spare"
}

func totalsOf(set string, t *Totals) TotalsSummary {
	return TotalsSummary{set, t.Served, t.Missed, t.Unservable, t.Changes, t.Cost, t.OverhangCost, t.PaperCost, t.ChangeCost, t.Area, t.Deviation}
}

// lineRule is nil when the line would choose as the plan does.
func (p *Plan) lineRule() *LineRule {
	if len(p.differs) == 0 {
		return nil
	}
	out := &LineRule{}
	for i := range p.differs {
		d := &p.differs[i]
		c := &p.Result.Classes[d.class]
		out.Rolls += c.Count
		out.More += d.more
		out.Cases = append(out.Cases, LineRuleCase{
			Width: c.Width, Spec: p.spec(c.Spec), Rolls: c.Count,
			PlanWidth: p.Result.Chosen[c.Chosen].Width, PlanOverhang: c.Overhang,
			LineSlot: p.numbers[d.slot], LineWidth: p.Result.Slots[d.slot].Next.Width, LineOverhang: d.overhang, More: d.more,
		})
	}
	return out
}

// slotOf is the index of the slot that serves a class, −1 when none does.
func (p *Plan) slotOf(c *Class) int {
	if c.Chosen < 0 {
		return -1
	}
	w := p.Result.Chosen[c.Chosen]
	return slices.IndexFunc(p.Result.Slots, func(s SlotPlan) bool { return s.Used && s.Next == w })
}

// Rows gives the choice for each row of the schedule, in its order. The error
// is always nil.
func (p *Plan) Rows() iter.Seq2[RowChoice, error] {
	other := map[int]int{} // class to the slot of the line
	for i := range p.differs {
		other[p.differs[i].class] = p.numbers[p.differs[i].slot]
	}
	slots := make([]int, len(p.Result.Classes))
	for i := range slots {
		slots[i] = p.slotOf(&p.Result.Classes[i])
	}
	return func(yield func(RowChoice, error) bool) {
		for i := range p.rows {
			r := &p.rows[i]
			l := &p.lots[r.lot]
			class := int(p.Result.ClassOf[r.lot])
			out := RowChoice{
				Roll: r.name(), Date: r.date, Width: l.width, Diameter: l.diameter, Spec: p.spec(int(l.spec)),
				Count: int(r.count), LineSlot: other[class],
			}
			if k := p.unservedOf[r.lot]; k >= 0 {
				out.Reason.Said = p.unserved[k].why
			}
			if k := slots[class]; k >= 0 {
				out.Slot, out.Wrapper, out.Overhang = p.numbers[k], &p.Result.Slots[k].Next.Width, &p.Result.Classes[class].Overhang
			}
			if !yield(out, nil) {
				return
			}
		}
	}
}
