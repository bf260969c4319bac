package report

import (
	"bytes"
	"embed"
	"fmt"
	"html/template"
	"strings"
	"time"
	"unicode/utf8"

	"lapgate/gateway/handshake"
	"lapgate/gateway/present"
	"lapgate/recipe"
	"lapgate/recipe/caution"
	"lapgate/recipe/quantity"
)

//go:embed shift.html style.css shift.css
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

var shiftTemplates = template.Must(template.New("shift").Funcs(template.FuncMap{"clean": present.Clean, "upper": capital}).ParseFS(assets, "shift.html"))

// capital begins a text as a sentence.
func capital(text string) string {
	r, n := utf8.DecodeRuneInString(text)
	return strings.ToUpper(string(r)) + text[n:]
}

// drawn is a drawing of this package, which escapes what others wrote.
func drawn(svg string) template.HTML { return template.HTML(svg) } //nolint:gosec // see above

// shiftPage is one page of the reports of one shift, a section for each line.
type shiftPage struct {
	Title   string
	Style   template.CSS
	Caution string
	Units   string // what is said of the configuration, empty where it is known
	Lines   []*shiftLine
	clock
}

// clock writes times as people of the mill read them.
type clock struct {
	zone   *time.Location
	layout string
}

// clockOf writes the day where the reports span several, and the zone where its clock
// was changed within.
func clockOf(shifts []*Shift, zone *time.Location) clock {
	c := clock{zone, "15:04:05"}
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
	if first.Format(time.DateOnly) != last.Format(time.DateOnly) {
		c.layout = "2 Jan 15:04:05"
	}
	if _, a := first.Zone(); !first.IsZero() {
		if _, b := last.Zone(); a != b {
			c.layout += " MST"
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
		return t.In(c.zone).Format(c.layout)
	case *time.Time:
		return t.In(c.zone).Format(c.layout)
	}
	return ""
}

// Zone names the zone of the times.
func (p *shiftPage) Zone() string {
	var names []string
	for _, l := range p.Lines {
		from, to := l.span()
		for _, t := range []time.Time{from, to} {
			name := t.In(p.clock.zone).Format("MST (-07:00)")
			if !t.IsZero() && (names == nil || names[len(names)-1] != name) {
				names = append(names, name)
			}
		}
	}
	if names == nil {
		return p.clock.zone.String()
	}
	return strings.Join(names, " and ")
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
// in the time of a zone: each line with its drawings and tables, and a sheet of each
// roll that its link shows. It prints on A4 and on Letter.
func Page(shifts []*Shift, zone *time.Location) ([]byte, error) {
	p := &shiftPage{Style: template.CSS(Style() + asset("shift.css")), Caution: caution.Limits.String(), clock: clockOf(shifts, zone)} //nolint:gosec // both are embedded
	var names []string
	for i, s := range shifts {
		l := &shiftLine{Shift: s, clock: p.clock, units: s.fold.units}
		names = append(names, s.Line)
		stories, err := s.stories()
		if err != nil {
			return nil, err
		}
		for k, story := range stories {
			roll := s.fold.sheets[k]
			one := sheet{ID: sheetID(i, roll.OutcomeAt.Seq), Name: story.Tag, Line: s.Line, Story: story, Side: drawn(story.Drawing(nil, l.units)), units: l.units, clock: p.clock}
			if one.Name == "" {
				one.Name = fmt.Sprintf("number %d", story.Number)
			}
			l.Sheets = append(l.Sheets, one)
		}
		p.Lines = append(p.Lines, l)
		if s.fold.line == nil {
			p.Units = "no configuration was named, so that windows, papers and limits are not known"
		}
	}
	p.Title = "Shift report, " + strings.Join(names, ", ")
	var b bytes.Buffer
	err := shiftTemplates.ExecuteTemplate(&b, "report", p)
	return b.Bytes(), err
}

func sheetID(line int, seq uint64) string { return fmt.Sprintf("roll-%d-%d", line+1, seq) }

// Period says from when to when the report tells.
func (l *shiftLine) Period() string {
	const layout = "Mon 2 Jan 2006 15:04 MST"
	from, to := l.span()
	if from.IsZero() {
		return "The whole record."
	}
	text := "From " + from.In(l.clock.zone).Format(layout)
	if !to.IsZero() {
		text += " to " + to.In(l.clock.zone).Format(layout)
	}
	if l.Since != nil && l.Until != nil {
		text += ", " + hours(to.Sub(from))
	}
	return text
}

// hours is a length of time, as that of a day of 23 hours.
func hours(d time.Duration) string {
	if d%time.Hour == 0 {
		return fmt.Sprintf("%d h", d/time.Hour)
	}
	return fmt.Sprintf("%d h %d min", d/time.Hour, d%time.Hour/time.Minute)
}

// Sums are the figures of the head.
func (l *shiftLine) Sums() []struct {
	Name  string
	Value string
} {
	type sum = struct {
		Name  string
		Value string
	}
	out := []sum{{"rolls left", fmt.Sprint(len(l.Rolls))}}
	for _, c := range l.Outcomes {
		if c.Rolls > 0 {
			out = append(out, sum{c.Name, fmt.Sprint(c.Rolls)})
		}
	}
	held := 0
	for i := range l.Rolls {
		if len(l.Rolls[i].Holds) > 0 {
			held++
		}
	}
	out = append(out, sum{"met a hold", fmt.Sprint(held)})
	if w := l.Weighed; w != nil {
		out = append(out, sum{"mean scale deviation", Percent(w.Mean) + " %"})
	}
	return out
}

// Percent is a share as people read it, with its sign.
func Percent(v float64) string { return fmt.Sprintf("%+.2f", v) }

// Pareto draws the holds.
func (l *shiftLine) Pareto() template.HTML { return drawn(Pareto(l.Holds)) }

// Histogram draws the overhangs in their windows.
func (l *shiftLine) Histogram() template.HTML {
	unit := l.units.Unit(quantity.Length)
	in := func(v float64) float64 { return quantity.In(v, quantity.Length, unit) }
	g := bars{title: "Overhang each side", unit: unit}
	for i := range l.Rolls {
		if r := &l.Rolls[i]; r.Overhang != nil {
			g.values = append(g.values, barValue{in(*r.Overhang), r.outside()})
		}
	}
	if o := l.Overhangs; o.Judged > 0 {
		g.every, g.any = [2]float64{in(o.EveryMin), in(o.EveryMax)}, [2]float64{in(o.AnyMin), in(o.AnyMax)}
	}
	return drawn(g.drawing())
}

// OverhangWords are the figures below the histogram.
func (l *shiftLine) OverhangWords() string {
	o := l.Overhangs
	text := fmt.Sprintf("%d recipes: from %s to %s, mean %s", o.Rolls, l.Length(o.Least), l.Length(o.Greatest), l.Length(o.Mean))
	if o.Judged > 0 {
		text += fmt.Sprintf("; %d of %d outside of their window", o.Outside, o.Judged)
	}
	return text + "."
}

// WindowWords say what is shaded.
func (l *shiftLine) WindowWords() string {
	o := l.Overhangs
	switch {
	case o.Judged == 0:
		return "No window is shaded: name the configuration of the line with --config."
	case o.EveryMin < o.EveryMax:
		return fmt.Sprintf("Shaded: the window of every roll, %s to %s; paler: of some. By the configuration named. A triangle: outside of its own window.", l.Length(o.EveryMin), l.Length(o.EveryMax))
	}
	return "Shaded pale: the window of some rolls; they have none in common. By the configuration named. A triangle: outside of its own window."
}

// ScaleTrend draws the deviations of the scale.
func (l *shiftLine) ScaleTrend() template.HTML {
	g := Trend{Title: "Scale less predicted", Unit: "%"}
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
	return drawn(g.Drawing(nil, l.clock.zone))
}

// ScaleWords are the figures below that drawing.
func (l *shiftLine) ScaleWords() string {
	w := l.Weighed
	text := fmt.Sprintf("%d rolls weighed: mean %s %%", w.Rolls, Percent(w.Mean))
	if w.SD != nil {
		text += fmt.Sprintf(", spread %.2f %%", *w.SD)
	}
	for _, c := range w.Verdicts {
		text += fmt.Sprintf("; %d %s", c.Rolls, c.Name)
	}
	return text + "."
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
		return "No break is recorded."
	}
	return fmt.Sprintf("Breaks: %d, together %s to %s s.", len(l.Breaks), quantity.Round(least, quantity.None, "", 1), quantity.Round(most, quantity.None, "", 1))
}

// row is a roll in the table.
type row struct {
	*Roll
	Sheet            string // anchor of its sheet, empty for none
	Lost, Out, Heavy bool
}

// Rows are the rolls.
func (l *shiftLine) Rows() []row {
	sheets := map[uint64]string{}
	for k, roll := range l.fold.sheets {
		sheets[roll.OutcomeAt.Seq] = l.Sheets[k].ID
	}
	out := make([]row, len(l.Rolls))
	for i := range l.Rolls {
		r := &l.Rolls[i]
		out[i] = row{Roll: r, Sheet: sheets[r.seq], Lost: r.Outcome == handshake.Lost || r.Outcome == handshake.Aborted, Out: r.outside(), Heavy: r.Weighed == "wrong"}
	}
	return out
}

// Extra says of which rolls there is no sheet.
func (l *shiftLine) Extra() string {
	if l.fold.extra == 0 {
		return ""
	}
	return fmt.Sprintf("Of so many rolls only those have a sheet here that met a hold or need somebody; lapgate why tells of the other %d.", l.fold.extra)
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
