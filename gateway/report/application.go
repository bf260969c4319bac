package report

import (
	"cmp"
	"fmt"
	"html/template"
	"strconv"
	"strings"

	"lapgate/recipe"
	"lapgate/recipe/caution"
	"lapgate/recipe/quantity"
	"lapgate/recipe/rate"
	"lapgate/recipe/widths"
	"lapgate/recipe/wording"
)

// Application is the sheet for the talk about an application: what a line does for an
// order mix, with which wrappers, and what that rests on.
type Application struct {
	Line     *recipe.Line
	Schedule string // its name
	Made     string // when, and by which version
	Outer    float64
	Rate     *rate.Summary
	Widths   *widths.Summary
	Overhang string // drawing of Widths
	Settings []rate.Assumption
	Words    *wording.Words // nil for English
}

// Page is the sheet as one HTML page without scripts or outside references, which
// prints on A4 and Letter.
func (a *Application) Page() (string, error) {
	var b strings.Builder
	page, err := template.New("application").Funcs(template.FuncMap{"say": a.Words.Of}).ParseFS(assets, "application.html")
	if err == nil {
		err = page.ExecuteTemplate(&b, "application", a.view())
	}
	if err != nil {
		return "", fmt.Errorf("report: application sheet: %w", err)
	}
	return b.String(), nil
}

// Text of tables on the page.
type (
	fact    struct{ Name, Value string }
	sheetOf struct {
		Head []string
		Rows [][]string
	}
	applicationView struct {
		Title, Schedule, Made      string
		PerHour, Slow, Fast        string
		Language                   string
		Rolled                     bool
		Facts                      []fact
		Stations, Ladder, Overhang template.HTML
		Notes, WidthNotes          []string
		Modules, Slots, Wrapper    sheetOf
		Held, Unserved, Settings   sheetOf
		Cautions                   []string
	}
)

func (a *Application) view() *applicationView {
	r, w := a.Rate, a.Words
	v := &applicationView{
		Title: w.Of("sheet.title", "line", a.Line.Name), Schedule: a.Schedule, Made: a.Made, Rolled: r.Wrapped > 0, Language: w.Language(),
		PerHour: perHour(r.PerHour), Slow: perHour(r.Slow), Fast: perHour(r.Fast),
		// Our own drawings, which escape what they are given.
		Stations: template.HTML(RateView(w, r)), Ladder: template.HTML(LadderView(w, r)), Overhang: template.HTML(a.Overhang),
		Notes: a.texts(r.Notes), WidthNotes: append([]string{w.Of("sheet.choice", "what", a.Widths.Proof.Said, "choices", a.Widths.Candidates.Said)}, a.texts(a.Widths.Notes)...),
		Facts: []fact{
			{w.Of("sheet.rolls"), strconv.FormatInt(r.Rolls, 10)}, {w.Of("sheet.wrapped"), strconv.FormatInt(r.Wrapped, 10)},
			{w.Of("sheet.cycle"), w.Of("sheet.cycle.is", "value", short(r.Cycle, 1), "from", short(r.Shortest, 1), "to", short(r.Longest, 1))},
			{w.Of("sheet.most"), w.Word("rate.station", r.Bottleneck)}, {w.Of("sheet.hours"), short(r.Hours, 1)},
		},
	}
	v.Modules = a.table("sheet.column.station", "sheet.column.from", "sheet.column.to", "sheet.column.saves", "sheet.column.per-hour", "sheet.column.more")
	for i := range r.Modules {
		m := &r.Modules[i]
		v.Modules.Rows = append(v.Modules.Rows, []string{
			w.Word("rate.station", m.Station), w.Word("equipment", m.From), w.Word("equipment", m.To), short(m.Saves, 1) + " s", perHour(m.PerHour), short(m.Gain, 1) + " %",
		})
	}
	a.wrapperOf(v)
	v.Held = a.table("sheet.column.rolls", "sheet.column.such-as", "sheet.column.why")
	for i := range r.Held {
		h := &r.Held[i]
		v.Held.Rows = append(v.Held.Rows, []string{strconv.FormatInt(h.Rolls, 10), strings.Join(h.Names, ", "), w.Text(h.Reason.Said)})
	}
	a.settingsOf(v)
	for _, c := range []caution.Caution{caution.Pace, caution.Limits, caution.NipPoints, caution.Press, caution.Overhead} {
		v.Cautions = append(v.Cautions, w.Text(c.Said()))
	}
	return v
}

// table begins a table, its heads by their keys.
func (a *Application) table(keys ...string) (t sheetOf) {
	for _, key := range keys {
		t.Head = append(t.Head, a.Words.Of(key))
	}
	return t
}

// texts are phrases in the language of the sheet.
func (a *Application) texts(list []wording.Phrase) (out []string) {
	for _, p := range list {
		out = append(out, a.Words.Text(p.Said))
	}
	return out
}

// wrapperOf fills in what hangs and what it is used for.
func (a *Application) wrapperOf(v *applicationView) {
	length := func(w *float64) string {
		if w == nil {
			return ""
		}
		return a.Line.Write(*w, quantity.Length)
	}
	v.Slots = a.table("sheet.column.slot", "sheet.column.action", "sheet.column.now", "sheet.column.next", "sheet.column.rolls")
	for i := range a.Widths.Slots {
		s := &a.Widths.Slots[i]
		v.Slots.Rows = append(v.Slots.Rows, []string{
			strconv.Itoa(s.Slot), a.Words.Word("plan.action", s.Action), strings.TrimSpace(length(s.NowWidth) + " " + s.NowPaper), strings.TrimSpace(length(s.NextWidth) + " " + s.NextPaper), strconv.FormatInt(s.Rolls, 10),
		})
	}
	v.Unserved = a.table("sheet.column.width", "sheet.column.spec", "sheet.column.rolls", "sheet.column.unserved")
	for i := range a.Widths.Unserved {
		u := &a.Widths.Unserved[i]
		v.Unserved.Rows = append(v.Unserved.Rows, []string{a.Line.Write(u.Width, quantity.Length), u.Spec, strconv.FormatInt(u.Rolls, 10), a.Words.Text(u.Reason.Said)})
	}
	v.Wrapper = a.table("sheet.column.wrapper", "sheet.column.rolls", "sheet.column.length", "sheet.column.area", "sheet.column.mass",
		"sheet.column.beyond", "sheet.column.ends", "sheet.column.used-up")
	priced := a.Rate.Whole.Cost != nil
	if priced {
		v.Wrapper.Head = append(v.Wrapper.Head, a.table("sheet.column.cost", "sheet.column.wasted").Head...)
	}
	row := func(name string, rolls int64, w *rate.WrapperTotal, used string) {
		cells := []string{
			name, strconv.FormatInt(rolls, 10), quantity.Round(w.Length, quantity.Length, reachUnit(a.Line), 1), a.area(w.Area),
			quantity.Round(w.Mass, quantity.Mass, a.Line.Unit(quantity.Mass), 1),
			a.area(w.Trim), a.area(w.Ends), used,
		}
		if priced {
			cells = append(cells, money(w.Cost), money(w.TrimCost))
		}
		v.Wrapper.Rows = append(v.Wrapper.Rows, cells)
	}
	for i := range a.Rate.Wrapper {
		s := &a.Rate.Wrapper[i]
		row(a.Words.Of("sheet.slot", "slot", s.Slot, "width", a.Line.Write(s.Width, quantity.Length), "paper", s.Paper), s.Rolls, &s.WrapperTotal, short(s.Changes, 2))
	}
	row(a.Words.Of("sheet.all"), a.Rate.Wrapped, &a.Rate.Whole, "")
}

func money(v *float64) string {
	if v == nil {
		return ""
	}
	return strconv.FormatFloat(*v, 'f', 2, 64)
}

// area writes an area in the units of the line.
func (a *Application) area(v float64) string {
	unit := a.Line.Unit(quantity.Area)
	return quantity.Round(v, quantity.Area, unit, decimalsOf(v, quantity.Area, unit))
}

// settingsOf fills in what the rate rests on: the work of people, and what the motion
// and the dwell follow from.
func (a *Application) settingsOf(v *applicationView) {
	v.Settings = a.table("sheet.column.setting", "sheet.column.value", "sheet.column.origin", "sheet.column.means")
	for _, s := range a.Settings {
		v.Settings.Rows = append(v.Settings.Rows, []string{s.Key, s.Value, a.where(s.Where), a.Words.Text(s.Means.Said)})
	}
	l := a.Line
	more := func(setting string, value float64, d quantity.Dimension, means string) {
		v.Settings.Rows = append(v.Settings.Rows, []string{setting, l.Write(value, d), a.where(cmp.Or(l.Origins.Of(setting), rate.Default)), a.Words.Of(means)})
	}
	more("wrap.speed", l.Wrap.Speed, quantity.Speed, "sheet.wrap-speed")
	more("wrap.acceleration", l.Wrap.Accel, quantity.Acceleration, "sheet.ramp")
	more("crimp.speed", l.Crimp.Speed, quantity.Speed, "sheet.crimp-speed")
	more("crimp.acceleration", l.Crimp.Accel, quantity.Acceleration, "sheet.ramp")
	more("cradle.friction", l.Cradle.Friction, quantity.None, "sheet.friction")
	more("header.conductance", l.Header.Conductance, quantity.Conductance, "sheet.conductance")
	v.Settings.Rows = append(v.Settings.Rows, []string{"--outer", l.Write(a.Outer, quantity.Length), a.Words.Of("sheet.of-the-call"), a.Words.Of("sheet.outer")})
}

// where says where a setting stands.
func (a *Application) where(origin string) string {
	switch origin {
	case rate.Default:
		return a.Words.Of("sheet.default")
	case rate.Judged:
		return a.Words.Of("sheet.default.judgement")
	}
	return origin
}
