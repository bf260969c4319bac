package report

import (
	"bytes"
	"embed"
	"fmt"
	"html/template"
	"strings"
	"time"

	"lapgate/gateway/handshake"
	"lapgate/gateway/present"
	"lapgate/gateway/record"
	"lapgate/recipe"
	"lapgate/recipe/caution"
	"lapgate/recipe/quantity"
	"lapgate/recipe/wording"
)

//go:embed shift.html application.html style.css shift.css
var assets embed.FS

// Style is the style of every drawing, with the colours that a page has: grey, and one
// for what needs somebody.
func Style() string { return asset("style.css") }

func asset(name string) string {
	text, err := assets.ReadFile(name)
	if err != nil {
		panic(err) // it is embedded
	}
	return string(text)
}

// drawn is a drawing of this package, which escapes what others wrote.
func drawn(svg string) template.HTML { return template.HTML(svg) } //nolint:gosec // see above

// shiftPage is one page of the reports of one shift, a section for each line.
type shiftPage struct {
	Title    string
	Style    template.CSS
	Caution  string
	Unknown  bool // a configuration that gives windows, papers and limits
	Language string
	Lines    []*shiftLine
	clock
}

// clock writes times as people of the mill read them.
type clock struct {
	zone  *time.Location
	words *wording.Words
	days  bool   // with the day
	time  string // layout of the time of day
}

// clockOf writes the day where the reports span several, and the zone where its clock
// was changed within.
func clockOf(shifts []*Shift, zone *time.Location, w *wording.Words) clock {
	c := clock{zone: zone, words: w, time: "15:04:05"}
	var first, last time.Time
	for _, s := range shifts {
		from, to := s.span()
		if first.IsZero() || !from.IsZero() && from.Before(first) {
			first = from
		}
		if to.After(last) {
			last = to
		}
	}
	first, last = first.In(zone), last.In(zone)
	c.days = first.Format(time.DateOnly) != last.Format(time.DateOnly)
	if _, a := first.Zone(); !first.IsZero() {
		if _, b := last.Zone(); a != b {
			c.time += " MST"
		}
	}
	return c
}

// span is from when to when a report tells: what was asked for, else what there is.
func (s *Shift) span() (from, to time.Time) {
	if n := len(s.Rolls); n > 0 {
		from, to = s.Rolls[0].LeftAt, s.Rolls[n-1].LeftAt
	}
	if s.Since != nil {
		from = *s.Since
	}
	if s.Until != nil {
		to = *s.Until
	}
	return from, to
}

// When is a moment.
func (c clock) When(at any) string {
	switch t := at.(type) {
	case time.Time:
		if t.IsZero() {
			return ""
		}
		return c.moment(t)
	case *time.Time:
		return c.moment(*t)
	}
	return ""
}

func (c clock) moment(t time.Time) string {
	t = t.In(c.zone)
	if !c.days {
		return t.Format(c.time)
	}
	return c.words.Of("report.moment", "day", t.Day(), "month", Month(t), "time", t.Format(c.time))
}

// Weekday is the day of the week, in three letters or so.
func Weekday(t time.Time) wording.Said {
	return wording.Say("weekday." + strings.ToLower(t.Weekday().String()))
}

// Month is the month, in three letters or so.
func Month(t time.Time) wording.Said {
	return wording.Say("month." + strings.ToLower(t.Month().String()))
}

// Zone names the zone of the times.
func (p *shiftPage) Zone() string {
	var names []wording.Said
	last := ""
	for _, l := range p.Lines {
		from, to := l.span()
		for _, t := range []time.Time{from, to} {
			name := t.In(p.clock.zone).Format("MST (-07:00)")
			if !t.IsZero() && last != name {
				names, last = append(names, wording.Plain(name)), name
			}
		}
	}
	if names == nil {
		return p.clock.zone.String()
	}
	return p.clock.words.Text(wording.Join("list.and", names))
}

// Seconds is a time that something took.
func (l *shiftLine) Seconds(v float64) string { return quantity.Round(v, quantity.None, "", 1) }

// Secs is Seconds of what may not be known.
func (l *shiftLine) Secs(v *float64) string { return l.Seconds(*v) }

// shiftLine is the section of one line.
type shiftLine struct {
	*Shift
	Sheets []sheet
	units  *recipe.Line
	clock
}

// sheet is the page of one roll, shown where somebody follows its link.
type sheet struct {
	ID, Name, Line string
	Story          *Story
	Side           template.HTML
	units          *recipe.Line
	clock
}

// Page is the reports of lines as one HTML file that loads nothing and runs no script,
// in the language of a translation, nil for English, and the time of a zone: each line with
// its drawings and tables, and a sheet of each roll that its link shows. It prints on A4
// and on Letter.
func Page(shifts []*Shift, zone *time.Location, w *wording.Words) ([]byte, error) {
	p := &shiftPage{Style: template.CSS(Style() + asset("shift.css")), Caution: w.Text(caution.Limits.Said()), Language: w.Language(), clock: clockOf(shifts, zone, w)} //nolint:gosec // both are embedded
	var names []string
	for i, s := range shifts {
		l, err := p.line(s, i)
		if err != nil {
			return nil, err
		}
		p.Lines, names = append(p.Lines, l), append(names, s.Line)
		p.Unknown = p.Unknown || s.fold.line == nil
	}
	p.Title = w.Of("report.title", "what", strings.Join(names, ", "))
	t, err := template.New("shift").Funcs(template.FuncMap{
		"clean": present.Clean, "upper": wording.Capital,
		"say": w.Of, "word": w.Word, "told": w.Text,
	}).ParseFS(assets, "shift.html")
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	err = t.ExecuteTemplate(&b, "report", p)
	return b.Bytes(), err
}

// line is the section of a line, the n-th, with the sheets of its rolls.
func (p *shiftPage) line(s *Shift, n int) (*shiftLine, error) {
	l := &shiftLine{Shift: s, clock: p.clock, units: s.fold.units}
	stories, err := s.stories(p.clock.words)
	if err != nil {
		return nil, err
	}
	for k, story := range stories {
		roll := s.fold.sheets[k]
		one := sheet{ID: sheetID(n, roll.OutcomeAt), Name: story.Tag, Line: s.Line, Story: story, Side: drawn(story.Drawing(p.clock.words, l.units)), units: l.units, clock: p.clock}
		if one.Name == "" {
			one.Name = p.clock.words.Of("report.sheet.number", "number", story.Number)
		}
		l.Sheets = append(l.Sheets, one)
	}
	return l, nil
}

func sheetID(line int, at record.Stamp) string {
	return fmt.Sprintf("roll-%d-%d-%d", line+1, at.Journal+1, at.Seq)
}

// Each is every journal of the report.
func (l *shiftLine) Each() []Journal {
	if l.Journals != nil {
		return l.Journals
	}
	return []Journal{{Name: l.Journal, Head: l.Head, Arrived: l.Arrived}}
}

// Period says from when to when the report tells.
func (l *shiftLine) Period() string {
	from, to := l.span()
	if from.IsZero() {
		return l.words.Of("report.period.whole")
	}
	day := func(t time.Time) wording.Said {
		t = t.In(l.clock.zone)
		return wording.Say("report.day", "weekday", Weekday(t), "day", t.Day(), "month", Month(t), "year", t.Year(), "time", t.Format("15:04 MST"))
	}
	switch {
	case to.IsZero():
		return l.words.Of("report.period.from", "from", day(from))
	case l.Since != nil && l.Until != nil:
		return l.words.Of("report.period.hours", "from", day(from), "to", day(to), "time", hours(to.Sub(from)))
	}
	return l.words.Of("report.period", "from", day(from), "to", day(to))
}

// hours is a length of time, as that of a day of 23 hours.
func hours(d time.Duration) string {
	if d%time.Hour == 0 {
		return fmt.Sprintf("%d h", d/time.Hour)
	}
	return fmt.Sprintf("%d h %d min", d/time.Hour, d%time.Hour/time.Minute)
}

// Sums are the figures of the head.
func (l *shiftLine) Sums() []fact {
	w := l.words
	out := []fact{{w.Of("report.sum.left"), fmt.Sprint(len(l.Rolls))}}
	for _, c := range l.Outcomes {
		if c.Rolls > 0 {
			out = append(out, fact{w.Word("outcome", c.Name), fmt.Sprint(c.Rolls)})
		}
	}
	held := 0
	for i := range l.Rolls {
		if len(l.Rolls[i].Holds) > 0 {
			held++
		}
	}
	out = append(out, fact{w.Of("report.sum.held"), fmt.Sprint(held)})
	if weighed := l.Weighed; weighed != nil {
		out = append(out, fact{w.Of("report.sum.scale"), Percent(weighed.Mean) + " %"})
	}
	return out
}

// Percent is a share as people read it, with its sign.
func Percent(v float64) string { return fmt.Sprintf("%+.2f", v) }

// Pareto draws the holds.
func (l *shiftLine) Pareto() template.HTML { return drawn(pareto(l.words, l.Holds)) }

// Histogram draws the overhangs in their windows.
func (l *shiftLine) Histogram() template.HTML {
	unit := l.units.Unit(quantity.Length)
	in := func(v float64) float64 { return quantity.In(v, quantity.Length, unit) }
	g := bars{title: l.words.Of("setpoint.overhang-m"), unit: unit}
	for i := range l.Rolls {
		if r := &l.Rolls[i]; r.Overhang != nil {
			g.values = append(g.values, barValue{in(*r.Overhang), r.outside()})
		}
	}
	if o := l.Overhangs; o.Judged > 0 {
		g.every, g.any = [2]float64{in(o.EveryMin), in(o.EveryMax)}, [2]float64{in(o.AnyMin), in(o.AnyMax)}
	}
	return drawn(g.drawing(l.words))
}

// OverhangWords are the figures below the histogram.
func (l *shiftLine) OverhangWords() string {
	o := l.Overhangs
	pairs := []any{"count", o.Rolls, "from", l.Length(o.Least), "to", l.Length(o.Greatest), "value", l.Length(o.Mean)}
	if o.Judged == 0 {
		return l.words.Of("report.overhang", pairs...)
	}
	return l.words.Of("report.overhang.judged", append(pairs, "outside", o.Outside, "number", o.Judged)...)
}

// WindowWords say what is shaded.
func (l *shiftLine) WindowWords() string {
	o := l.Overhangs
	switch {
	case o.Judged == 0:
		return l.words.Of("report.window.none")
	case o.EveryMin < o.EveryMax:
		return l.words.Of("report.window.every", "from", l.Length(o.EveryMin), "to", l.Length(o.EveryMax))
	}
	return l.words.Of("report.window.some")
}

// ScaleTrend draws the deviations of the scale.
func (l *shiftLine) ScaleTrend() template.HTML {
	g := Trend{Title: l.words.Of("draw.trend.scale"), Unit: "%"}
	for i := range l.Rolls {
		r := &l.Rolls[i]
		if r.Deviation == nil {
			continue
		}
		p := TrendPoint{At: r.LeftAt, Y: *r.Deviation}
		if t := 100 * l.units.Scale.Tolerance; t > 0 {
			p.Low, p.High, p.Band = -t, t, true
		}
		g.Points = append(g.Points, p)
	}
	return drawn(g.Drawing(l.words, l.clock.zone))
}

// ScaleWords are the figures below that drawing.
func (l *shiftLine) ScaleWords() string {
	w := l.Weighed
	said := wording.Say("report.weighed", "count", w.Rolls, "value", Percent(w.Mean))
	if w.SD != nil {
		said = wording.Say("report.weighed.spread", "count", w.Rolls, "value", Percent(w.Mean), "spread", fmt.Sprintf("%.2f", *w.SD))
	}
	for _, c := range w.Verdicts {
		said = wording.Say("report.weighed.verdict", "what", said, "count", c.Rolls, "verdict", wording.Word("weighed.verdict", c.Name))
	}
	return l.words.Of("report.sentence", "text", said)
}

// Unread reports whether rolls left without a reading of the encoder.
func (l *shiftLine) Unread() bool {
	for _, w := range l.Wrappers {
		if w.Unread > 0 {
			return true
		}
	}
	return false
}

// LinkWords sum up the breaks.
func (l *shiftLine) LinkWords() string {
	most, least := 0.0, 0.0
	for _, b := range l.Breaks {
		most += b.Most
		if b.Alarm != nil {
			least += *b.Alarm
		}
	}
	if len(l.Breaks) == 0 {
		return l.words.Of("report.link.none")
	}
	return l.words.Of("report.link.breaks", "count", len(l.Breaks), "from", l.Seconds(least), "to", l.Seconds(most))
}

// row is a roll in the table.
type row struct {
	*Roll
	Name             string
	Sheet            string // anchor of its sheet, empty for none
	Lost, Out, Heavy bool
}

// Rows are the rolls.
func (l *shiftLine) Rows() []row {
	sheets := map[record.Stamp]string{}
	for k, roll := range l.fold.sheets {
		sheets[roll.OutcomeAt] = l.Sheets[k].ID
	}
	out := make([]row, len(l.Rolls))
	for i := range l.Rolls {
		r := &l.Rolls[i]
		name := r.Tag
		if strings.TrimSpace(name) == "" {
			name = l.words.Of("now.roll.number", "number", r.Number)
		}
		out[i] = row{Roll: r, Name: name, Sheet: sheets[r.left], Lost: r.Outcome == handshake.Lost || r.Outcome == handshake.Aborted, Out: r.outside(), Heavy: r.Weighed == "wrong"}
	}
	return out
}

// Extra says of which rolls there is no sheet.
func (l *shiftLine) Extra() string {
	if l.fold.extra == 0 {
		return ""
	}
	return l.words.Of("report.left.extra", "count", l.fold.extra)
}

// Length is a length as the mill reads it.
func (l *shiftLine) Length(v float64) string { return Short(l.units, v, quantity.Length) }

// Reach is a length of paper, Far one that is known.
func (l *shiftLine) Reach(v float64) string { return Reach(l.units, v) }

// Far is a length of paper.
func (l *shiftLine) Far(v *float64) string { return Reach(l.units, *v) }

// LengthUnit is the unit of lengths in the heads of tables, MassUnit that of masses.
func (l *shiftLine) LengthUnit() string { return l.units.Unit(quantity.Length) }

// MassUnit is the unit of masses in the heads of tables.
func (l *shiftLine) MassUnit() string { return l.units.Unit(quantity.Mass) }
