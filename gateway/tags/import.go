package tags

import (
	"errors"
	"fmt"
	"strings"
)

// Imported is a table of tags as a section of a configuration, and how it
// differs from the tags that a line has now.
type Imported struct {
	Line        string      `json:"line"`
	Config      string      `json:"config"`
	Count       int         `json:"tags"`
	Differences []Different `json:"differences" print:"csv"`
	Left        []string    `json:"to_do"`   // what the whole still lacks
	Section     string      `json:"section"` // of a configuration
}

// Different is a tag that would change.
type Different struct {
	Field string `json:"field"`
	Old   string `json:"configured,omitempty"`
	New   string `json:"table,omitempty"`

	text string
}

// Import checks the rows of a table as the tags of a line, whose mapping now may
// be nil. What is wrong with a row is an error; what the whole still lacks is
// left to do in the configuration.
func Import(name string, rows []Row, now *Mapping, over Transport) (*Imported, error) {
	var next Mapping
	var before []Tag
	if now != nil {
		next.Order, next.TextOrder, next.Waived = now.Order, now.TextOrder, now.Waived
		before = now.Tags
	}
	for i := range rows {
		next.Tags = append(next.Tags, rows[i].Tag)
	}
	out := &Imported{Count: len(rows), Section: Fragment(rows), Differences: []Different{}, Left: []string{}}
	var bad []error
	for _, p := range next.Check(over) {
		text := fmt.Sprintf("%s: %s (got %s, want %s); %s", p.Key, p.Text, p.Got, p.Want, p.Remedy)
		if p.Index < 0 {
			out.Left = append(out.Left, text)
			continue
		}
		bad = append(bad, fmt.Errorf("%s:%d:1: %s: %s", name, rows[p.Index].Line, rows[p.Index].Field, text))
	}
	for _, d := range Differences(before, next.Tags) {
		one := Different{Field: d.Field, text: d.String()}
		if d.Old != nil {
			one.Old = d.Old.words()
		}
		if d.New != nil {
			one.New = d.New.words()
		}
		out.Differences = append(out.Differences, one)
	}
	return out, errors.Join(bad...)
}

// Text is the section, with the differences as comments below it.
func (m *Imported) Text() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n# %d tags; %d differ from line %s of %s\n", m.Section, m.Count, len(m.Differences), m.Line, m.Config)
	for i := range m.Differences {
		b.WriteString("# " + m.Differences[i].text + "\n")
	}
	return b.String()
}
