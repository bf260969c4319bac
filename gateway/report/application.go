package report

import (
	"fmt"
	"html/template"
	"strconv"
	"strings"

	"lapgate/recipe"
	"lapgate/recipe/caution"
	"lapgate/recipe/quantity"
	"lapgate/recipe/rate"
	"lapgate/recipe/widths"
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
}

// Page is the sheet as one HTML page without scripts or outside references, which
// prints on A4 and Letter.
func (a *Application) Page() (string, error) {
	var b strings.Builder
	if err := applicationPage.Execute(&b, a.view()); err != nil {
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
		PerHour, Between           string
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
	r := a.Rate
	v := &applicationView{
		Title: "Application sheet: line " + a.Line.Name, Schedule: a.Schedule, Made: a.Made, Rolled: r.Wrapped > 0,
		PerHour: perHour(r.PerHour), Between: perHour(r.Slow) + " to " + perHour(r.Fast),
		// Our own drawings, which escape what they are given.
		Stations: template.HTML(RateView(r)), Ladder: template.HTML(LadderView(r)), Overhang: template.HTML(a.Overhang),
		Notes: r.Notes, WidthNotes: append([]string{a.Widths.Proof + "; wrappers to choose from: " + a.Widths.Candidates}, a.Widths.Notes...),
		Facts: []fact{
			{"Rolls of the schedule", strconv.FormatInt(r.Rolls, 10)}, {"of them wrapped", strconv.FormatInt(r.Wrapped, 10)},
			{"Cycle of a roll", fmt.Sprintf("%s s on average, %s s to %s s without changes of wrapper", short(r.Cycle, 1), short(r.Shortest, 1), short(r.Longest, 1))},
			{"Takes most of the cycle", r.Bottleneck}, {"Hours for the schedule", short(r.Hours, 1)},
		},
	}
	v.Modules = sheetOf{Head: []string{"station", "from", "to", "saves for each roll", "rolls an hour", "more than now"}}
	for i := range r.Modules {
		m := &r.Modules[i]
		v.Modules.Rows = append(v.Modules.Rows, []string{m.Station, m.From, m.To, short(m.Saves, 1) + " s", perHour(m.PerHour), short(m.Gain, 1) + " %"})
	}
	a.wrapperOf(v)
	v.Held = sheetOf{Head: []string{"rolls", "such as", "why"}}
	for i := range r.Held {
		h := &r.Held[i]
		v.Held.Rows = append(v.Held.Rows, []string{strconv.FormatInt(h.Rolls, 10), strings.Join(h.Names, ", "), h.Reason})
	}
	a.settingsOf(v)
	for _, c := range []caution.Caution{caution.Pace, caution.Limits, caution.NipPoints, caution.Press, caution.Overhead} {
		v.Cautions = append(v.Cautions, c.String())
	}
	return v
}

// wrapperOf fills in what hangs and what it is used for.
func (a *Application) wrapperOf(v *applicationView) {
	length := func(w *float64) string {
		if w == nil {
			return ""
		}
		return a.Line.Write(*w, quantity.Length)
	}
	v.Slots = sheetOf{Head: []string{"slot", "what to do", "hangs now", "hangs next", "rolls"}}
	for i := range a.Widths.Slots {
		s := &a.Widths.Slots[i]
		v.Slots.Rows = append(v.Slots.Rows, []string{
			strconv.Itoa(s.Slot), s.Action, strings.TrimSpace(length(s.NowWidth) + " " + s.NowPaper), strings.TrimSpace(length(s.NextWidth) + " " + s.NextPaper), strconv.FormatInt(s.Rolls, 10),
		})
	}
	v.Unserved = sheetOf{Head: []string{"width", "specification", "rolls", "why no wrapper serves them"}}
	for i := range a.Widths.Unserved {
		u := &a.Widths.Unserved[i]
		v.Unserved.Rows = append(v.Unserved.Rows, []string{a.Line.Write(u.Width, quantity.Length), u.Spec, strconv.FormatInt(u.Rolls, 10), u.Reason})
	}
	v.Wrapper = sheetOf{Head: []string{"wrapper", "rolls", "length", "area", "mass", "beyond the optimum", "left at the core", "rolls of it used up"}}
	priced := a.Rate.Whole.Cost != nil
	if priced {
		v.Wrapper.Head = append(v.Wrapper.Head, "cost", "of it beyond and left")
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
		row(fmt.Sprintf("slot %d, %s %s", s.Slot, a.Line.Write(s.Width, quantity.Length), s.Paper), s.Rolls, &s.WrapperTotal, short(s.Changes, 2))
	}
	row("all", a.Rate.Wrapped, &a.Rate.Whole, "")
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
	v.Settings = sheetOf{Head: []string{"setting", "value", "from", "what it is"}}
	for _, s := range a.Settings {
		v.Settings.Rows = append(v.Settings.Rows, []string{s.Key, s.Value, s.Where, s.Means})
	}
	l := a.Line
	more := func(key string, value float64, d quantity.Dimension, means string) {
		where := l.Origins.Of(key)
		if where == "" || where == "default" {
			where = "default"
		}
		v.Settings.Rows = append(v.Settings.Rows, []string{key, l.Write(value, d), where, means})
	}
	more("wrap.speed", l.Wrap.Speed, quantity.Speed, "surface speed while wrapping")
	more("wrap.acceleration", l.Wrap.Accel, quantity.Acceleration, "ramp of it, less where the roll would slip")
	more("crimp.speed", l.Crimp.Speed, quantity.Speed, "surface speed while crimping, less where specification or drives ask for it")
	more("crimp.acceleration", l.Crimp.Accel, quantity.Acceleration, "ramp of it, less where the roll would slip")
	more("cradle.friction", l.Cradle.Friction, quantity.None, "between roll and turning rolls")
	more("header.conductance", l.Header.Conductance, quantity.Conductance, "of the contact between platen and head, from which the dwell follows")
	v.Settings.Rows = append(v.Settings.Rows, []string{"--outer", l.Write(a.Outer, quantity.Length), "of the call", "outer diameter of a wrapper roll when it is hung"})
}

var applicationPage = template.Must(template.New("application").Parse(`<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8"/>
<title>{{.Title}}</title>
<style>
body{font:14px/1.4 sans-serif;margin:2em auto;max-width:62em;padding:0 1em;color:#222}
h1{font-size:1.6em;margin-bottom:.1em}h2{font-size:1.2em;border-bottom:1px solid #888;margin-top:1.6em}
table{border-collapse:collapse;margin:.5em 0 1em}td,th{padding:.2em .7em;border-bottom:1px solid #ddd;text-align:left;vertical-align:top}
th{border-bottom:1px solid #888}svg{max-width:100%;height:auto}
.big{font-size:2em;font-weight:bold;margin:.3em 0 0}.sub{color:#555;margin-top:0}
.caution{border:2px solid #222;padding:.3em 1em}.caution h2{margin-top:.3em;border:0}.caution p{margin:.4em 0}
.few td{white-space:nowrap}.few,.set{font-size:.9em}.few td,.few th{padding:.2em .45em}
.set td:first-child{font-family:monospace}
@page{margin:14mm}
@media print{body{font-size:9pt;line-height:1.25;margin:0;max-width:none;padding:0}h1,h2,.big{break-after:avoid}h2{margin-top:1em}
tr,svg,.caution,table:not(.set){break-inside:avoid}thead{display:table-header-group}td,th{padding:.1em .5em}.few td,.few th{padding:.1em .3em}svg{max-height:82mm}}
</style>
</head>
<body>
<h1>{{.Title}}</h1>
<p class="sub">Schedule {{.Schedule}}. {{.Made}}</p>
{{if .Rolled}}<p class="big">{{.PerHour}} rolls an hour</p>
<p class="sub">{{.Between}} with hands that take a fifth longer or less. An estimate, and no promise: see what it rests on, below.</p>{{end}}
<table>
{{range .Facts}}<tr><td>{{.Name}}</td><td>{{.Value}}</td></tr>
{{end}}</table>
<ul>
{{range .Notes}}<li>{{.}}</li>
{{end}}</ul>
<div class="caution"><h2>Cautions</h2>
{{range .Cautions}}<p>{{.}}</p>
{{end}}</div>
{{if .Rolled}}<h2>Time by station</h2>
{{.Stations}}
{{if .Modules.Rows}}<h2>What a step of automation more would bring</h2>
{{template "table" .Modules}}
{{.Ladder}}{{end}}{{end}}
<h2>Wrappers to hang</h2>
{{template "table" .Slots}}
<ul>
{{range .WidthNotes}}<li>{{.}}</li>
{{end}}</ul>
{{.Overhang}}
{{if .Unserved.Rows}}{{template "table" .Unserved}}{{end}}
{{if .Rolled}}<h2>Wrapper, for each roll</h2>
<div class="few">{{template "table" .Wrapper}}</div>{{end}}
{{if .Held.Rows}}<h2>Rolls without a recipe, not in the rate</h2>
{{template "table" .Held}}{{end}}
<h2>What it rests on</h2>
<div class="set">{{template "table" .Settings}}</div>
</body>
</html>
{{define "table"}}<table>
<thead><tr>{{range .Head}}<th>{{.}}</th>{{end}}</tr></thead>
<tbody>
{{range .Rows}}<tr>{{range .}}<td>{{.}}</td>{{end}}</tr>
{{end}}</tbody>
</table>{{end}}`))
