package status

import (
	"bytes"
	"embed"
	"fmt"
	"html/template"
	"strings"
	"sync"
	"time"

	"lapgate/gateway/present"
	"lapgate/gateway/record"
	"lapgate/gateway/report"
	"lapgate/recipe"
	"lapgate/recipe/quantity"
	"lapgate/recipe/wording"
)

//go:embed page.html roll.html page.css page.js
var assets embed.FS

// templates are read when the first page is asked for: most processes serve none.
var templates = sync.OnceValue(func() *template.Template {
	return template.Must(template.New("status").Funcs(template.FuncMap{
		"clean": present.Clean, "upper": wording.Capital, "prose": prose,
		// What says sentences of the table is put in for each language, by render.
		"say": wording.Say, "where": where, "word": (*wording.Words)(nil).Word, "told": (*wording.Words)(nil).Text,
	}).ParseFS(assets, "*.html"))
})

// shift is how far back the trends go.
const shift = 8 * time.Hour

// livePage is the page of all lines.
type livePage struct {
	Title, Version string
	Config         *configView
	Lines          []livePanels
	Main           template.HTML // the panels, drawn already
	Language       string
	zone           *time.Location
	words          *wording.Words
}

// render draws the page, and its panels alone.
func (p *livePage) render() (whole, panels []byte, err error) {
	if panels, err = render(p.words, "main", p); err != nil {
		return nil, nil, err
	}
	p.Main = template.HTML(panels) //nolint:gosec // a template made it
	whole, err = render(p.words, "page", p)
	return whole, panels, err
}

// When is a moment with its day.
func (p *livePage) When(t time.Time) string { return when(t, p.zone) }

func when(t time.Time, zone *time.Location) string {
	if t.IsZero() {
		return ""
	}
	return t.In(zone).Format("2006-01-02 15:04:05")
}

// livePanels is one line as the page shows it.
type livePanels struct {
	LineView
	Side, StandDrawing template.HTML
	Trends             []liveTrend
	words              *wording.Words
	zone               *time.Location
	seenAt             time.Time
}

type liveTrend struct {
	Title, Unit string
	Drawing     template.HTML
}

// drawn is a drawing of package report, which escapes what others wrote.
func drawn(svg string) template.HTML { return template.HTML(svg) } //nolint:gosec // see above

// page makes what the live page shows of all lines.
func (s Source) livePage() *livePage {
	lines := s.Lines()
	out := &livePage{Title: "lapgate", Version: s.Version, Config: s.configuration(), Language: s.words().Language(), zone: s.zone(), words: s.words()}
	var needs []string
	for i := range lines {
		l, n := &lines[i], s.newest(lines[i].Name)
		p := livePanels{LineView: s.viewOf(l, n), words: s.words(), zone: s.zone(), seenAt: l.seenAt()}
		if p.Now.Need {
			needs = append(needs, "▲ "+l.Name)
		}
		p.draw(l, n)
		out.Lines = append(out.Lines, p)
	}
	if needs != nil {
		out.Title = strings.Join(needs, " ") + " · lapgate"
	}
	return out
}

func (p *livePanels) draw(l *Line, n *record.Newest) {
	line := l.Machine.Line
	if line == nil {
		return
	}
	if r := p.Roll; r != nil {
		v := report.SideView{Width: r.Width, Diameter: r.Diameter, Wrapper: r.Wrapper, Overhang: r.Overhang, Window: r.Window, Paper: r.Paper, Slot: r.Slot}
		p.Side = drawn(v.Drawing(p.words, line))
	}
	p.StandDrawing = drawn(report.StandView(p.words, line, p.Stand))
	for _, t := range report.TrendsOf(p.words, line, n.Rolls, l.At.Add(-shift)) {
		p.Trends = append(p.Trends, liveTrend{t.Title, t.Unit, drawn(t.Drawing(p.words, p.zone))})
	}
}

// ArmingWords says whether the line writes, and by whom.
func (p *livePanels) ArmingWords() string { return p.LineView.ArmingWords(p.words, p.zone) }

// EngineWords says how far the journal has arrived in the engine.
func (p *livePanels) EngineWords() string { return p.LineView.EngineWords(p.words, p.zone) }

// OnwardWords says how far the records are sent onward.
func (p *livePanels) OnwardWords() string { return p.LineView.OnwardWords(p.words) }

// PairWords says what the line is on this machine of two.
func (p *livePanels) PairWords() string { return p.LineView.PairWords(p.words, p.zone) }

// LinkWords says how the controller is seen.
func (p *livePanels) LinkWords() string { return p.LineView.LinkWords(p.words) }

// Since is the time of what is shown, where that is not now.
func (p *livePanels) Since() string {
	if !p.Stale || p.seenAt.IsZero() {
		return ""
	}
	return clock(p.seenAt, p.At, p.zone)
}

// prose is a sentence in which no word with a hyphen is broken, such as the tag of a
// roll, no flag of a command stands without its value, and no number without its unit.
func prose(text string) template.HTML {
	const longest = 16 // a longer one would make the page scroll sideways
	words := strings.Split(present.Clean(text), " ")
	var out []string
	for i := 0; i < len(words); i++ {
		w := words[i]
		if i+1 < len(words) && (strings.HasPrefix(w, "--") || isQuantity(w, words[i+1])) && len(w)+len(words[i+1]) < longest {
			i++
			w += " " + words[i]
		}
		escaped := template.HTMLEscapeString(w)
		if strings.ContainsAny(w, "- ") && len(w) <= longest {
			escaped = `<span class="nb">` + escaped + `</span>`
		}
		out = append(out, escaped)
	}
	return template.HTML(strings.Join(out, " ")) //nolint:gosec // each word is escaped
}

// isQuantity tells a number with its unit, whatever stands behind it.
func isQuantity(number, unit string) bool {
	_, _, ok := quantity.Held(1, strings.TrimRight(unit, ".,;:)"))
	return ok && strings.Trim(number, "(+-.0123456789") == "" && strings.ContainsAny(number, "0123456789")
}

// where says where a limit stands.
func where(w *wording.Words, origin string) string {
	if origin == "default" {
		return w.Of("page.where-default")
	}
	return w.Of("page.where", "origin", present.Clean(origin))
}

// Aged is the class of panels that show what was, and not what is.
func (p *livePanels) Aged() string {
	if p.Stale {
		return " aged"
	}
	return ""
}

// Clock is the local time of the view, with its zone.
func (p *livePanels) Clock() string {
	t := p.At.In(p.zone)
	return p.words.Of("page.clock", "weekday", report.Weekday(t), "day", t.Day(), "month", report.Month(t), "time", t.Format("15:04:05 MST"))
}

// Hour is a moment of the day of the view, or of some day before.
func (p *livePanels) Hour(t time.Time) string {
	t = t.In(p.zone)
	if t.Format(time.DateOnly) == p.At.In(p.zone).Format(time.DateOnly) {
		return t.Format("15:04")
	}
	return day(p.words, t, p.At)
}

// Then are the steps by hand after the one of the sentence.
func (p *livePanels) Then() []string { return p.Now.Steps[min(1, len(p.Now.Steps)):] }

// RollTitle names the roll that the drawing shows.
func (p *livePanels) RollTitle() string {
	switch {
	case p.Roll == nil:
		return p.words.Of("page.roll")
	case !p.Stale && p.Request != nil && p.Request.Roll == p.Roll.Number && p.Request.Phase != "empty":
		return p.words.Of("page.roll.station", "roll", present.Clean(tagged(p.words, p.Roll.Tag, p.Roll.Number)))
	}
	return p.words.Of("page.roll.newest", "roll", present.Clean(tagged(p.words, p.Roll.Tag, p.Roll.Number)))
}

// Name is the tag of a roll, or its number.
func (p *livePanels) Name(tag string, number uint32) string {
	return tagged(p.words, tag, number)
}

// LengthUnit is the unit of lengths in the heads of tables.
func (p *livePanels) LengthUnit() string { return p.Writing().Unit(quantity.Length) }

// MassUnit is that of masses.
func (p *livePanels) MassUnit() string { return p.Writing().Unit(quantity.Mass) }

// Number is a quantity without its unit, empty for none.
func (p *livePanels) Number(v *float64, dimension string) string {
	if v == nil {
		return ""
	}
	d := quantity.Dimension(dimension)
	return strings.TrimSuffix(report.Column(p.Writing(), *v, d), " "+p.Writing().Unit(d))
}

// rollPage is the page of one roll.
type rollPage struct {
	Title, Line string
	Story       *report.Story
	Side        template.HTML
	AtStation   bool // the roll has not left
	Language    string
	words       *wording.Words
	line        *recipe.Line
	zone        *time.Location
}

// fact is one row of the scan.
type fact struct{ Name, Text string }

// storyPage tells a roll of a line, nil where it is not kept.
func (s Source) storyPage(name string, number uint32) (*rollPage, error) {
	lines := s.Lines()
	for i := range lines {
		l := &lines[i]
		if l.Name != name {
			continue
		}
		n := s.newest(name)
		roll := n.Find(number)
		if roll == nil {
			return nil, nil
		}
		story, err := report.StoryOf(report.Told{Roll: roll, Newest: n, Line: l.Machine.Line, Hash: l.Machine.Config, Words: s.words()})
		if err != nil {
			return nil, err
		}
		p := &rollPage{Title: tagged(s.words(), story.Tag, story.Number), Language: s.words().Language(), words: s.words(), Line: name, Story: story, AtStation: roll.Outcome == nil, line: l.Machine.Line, zone: s.zone()}
		if p.line == nil {
			p.line = &recipe.Line{}
		}
		p.Side = drawn(story.Drawing(p.words, p.line))
		return p, nil
	}
	return nil, nil
}

// Moment is one with its day and zone, which holds for all of the page.
func (p *rollPage) Moment(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.In(p.zone).Format("2006-01-02 15:04:05 MST")
}

// When is a moment with its day, Hour one without.
func (p *rollPage) When(t time.Time) string { return when(t, p.zone) }

// Hour is a moment without its day.
func (p *rollPage) Hour(t time.Time) string { return t.In(p.zone).Format("15:04:05.0") }

// Length is a length as the mill reads it.
func (p *rollPage) Length(v float64) string { return report.Short(p.line, v, quantity.Length) }

// Reach is a length of paper on a wrapper roll.
func (p *rollPage) Reach(v *float64) string { return report.Reach(p.line, *v) }

// Mass is a mass as the mill reads it.
func (p *rollPage) Mass(v float64) string { return report.Short(p.line, v, quantity.Mass) }

// Chance is a chance as people read it.
func (p *rollPage) Chance(v float64) string { return report.Chance(p.words, v) }

// Scan is what was measured, row by row.
func (p *rollPage) Scan() []fact {
	c := p.Story.Scan
	if c == nil {
		return nil
	}
	plusMinus := func(v, u float64) string {
		return p.line.Write(v, quantity.Length) + " ± " + p.line.Write(u, quantity.Length)
	}
	out := []fact{
		{"scan.diameter", plusMinus(c.Diameter, c.DiameterU)}, {"scan.width", plusMinus(c.Width, c.WidthU)},
		{"scan.ovality", fmt.Sprintf("%.2g %%", 100*c.Ovality)}, {"scan.taper", p.line.Write(c.Taper, quantity.Length)},
		{"scan.spread", p.line.Write(c.Spread, quantity.Length)}, {"scan.quality-age", fmt.Sprintf("%.2f, %.1f s", c.Quality, c.Age)},
		{"scan.grade-core", c.Grade + ", " + c.Core}, {"scan.spec", c.Spec}, {"scan.from", c.From},
	}
	if c.Platen > 0 {
		out = append(out, fact{"scan.platens", p.words.Of("span", "from", p.line.Write(c.Platen, quantity.Temperature), "to", p.line.Write(c.PlatenHot, quantity.Temperature))})
	}
	for i := range out {
		out[i].Name = p.words.Of(out[i].Name)
	}
	return out
}

// render executes a template in a language; an error is one of the program.
func render(w *wording.Words, name string, data any) ([]byte, error) {
	t, err := templates().Clone()
	if err != nil {
		return nil, err
	}
	t.Funcs(template.FuncMap{
		"say":   w.Of,
		"where": func(origin string) string { return where(w, origin) },
		"word":  w.Word,
		"told":  w.Text,
	})
	var b bytes.Buffer
	err = t.ExecuteTemplate(&b, name, data)
	return b.Bytes(), err
}
