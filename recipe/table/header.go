package table

import (
	"slices"
	"strings"

	"lapgate/recipe/quantity"
)

// separator is what stands between the cells below a header: the first of
// these that the header holds outside of quotes.
func separator(header string) byte {
	found := byte(',')
	quoted := false
	for i := range len(header) {
		switch c := header[i]; {
		case c == '"':
			quoted = !quoted
		case quoted:
		case c == '\t':
			return c
		case c == ';':
			found = c
		}
	}
	return found
}

// header takes the line of the header.
func (t *Reader) header() {
	t.comma = separator(t.text)
	cells, wrong := split(t.text, t.comma, nil)
	if wrong != nil {
		wrong.Line, t.over = t.line, true
		t.add(*wrong)
		return
	}
	t.width = len(cells)
	for i := range cells {
		t.column(i, &cells[i])
	}
	for i := range t.fields {
		if f := &t.fields[i]; f.Required && f.at < 0 {
			t.add(Problem{Line: t.line, Column: 1, Field: "header", Text: "column " + f.Name + " is missing", Remedy: "add it"})
		}
	}
	// Rows below a header that is not understood would only give more errors
	// of the same kind.
	t.over = t.problems.Len() > 0
}

// column takes one cell of the header.
func (t *Reader) column(at int, c *cell) {
	fail := func(p Problem) {
		p.Line, p.Column, p.Field = t.line, column1(t.text, c.at), "header"
		t.add(p)
	}
	title, unit := splitTitle(c.text)
	i := slices.IndexFunc(t.fields, func(f field) bool { return f.Name == title })
	if i < 0 {
		fail(Problem{Text: "the column is not known", Got: quote(c.text), Want: "any of " + t.names(), Remedy: t.meant(c.text)})
		return
	}
	f := &t.fields[i]
	if f.at >= 0 {
		fail(Problem{Text: "column " + title + " stands twice", Remedy: "leave one of them out"})
		return
	}
	f.at, f.unit = at, unit
	if unit == "" {
		return
	}
	if f.Dimension == quantity.None {
		fail(Problem{Text: "column " + title + " has no unit", Got: quote(unit), Remedy: "leave the unit out"})
	} else if _, err := quantity.Parse("1 "+unit, f.Dimension); err != nil {
		p := f.wrongQuantity(unit, err)
		fail(Problem{Text: "column " + title + ": " + p.Text, Got: quote(unit), Want: "a unit of " + string(f.Dimension), Remedy: p.Remedy})
	}
}

// splitTitle takes "Roll diameter (mm)" apart: roll_diameter and mm.
func splitTitle(text string) (title, unit string) {
	if rest, ok := strings.CutSuffix(text, ")"); ok {
		if open := strings.LastIndexByte(rest, '('); open >= 0 {
			// Units such as W/(m·K) have brackets of their own.
			if first := strings.IndexByte(rest, '('); first < open {
				open = first
			}
			text, unit = rest[:open], strings.TrimSpace(rest[open+1:])
		}
	}
	return plain(text), unit
}

// plain is the name of a column as it is compared.
func plain(text string) string {
	return strings.NewReplacer(" ", "_", "-", "_").Replace(strings.ToLower(strings.TrimSpace(text)))
}

// meant says what an unknown column was probably meant to be.
func (t *Reader) meant(text string) string {
	names := make([]string, len(t.fields))
	for i := range t.fields {
		names[i] = t.fields[i].Name
	}
	name, unit := text, ""
	if open := strings.IndexByte(text, '['); open >= 0 && strings.HasSuffix(text, "]") {
		name, unit = text[:open], text[open+1:len(text)-1]
	} else if i := strings.LastIndexAny(text, "_ "); i >= 0 {
		name, unit = text[:i], text[i+1:]
	}
	if i := slices.Index(names, plain(name)); i >= 0 && t.fields[i].Dimension != quantity.None {
		if _, err := quantity.Parse("1 "+unit, t.fields[i].Dimension); err == nil {
			return "write " + quote(names[i]+" ("+strings.TrimSpace(unit)+")")
		}
	}
	title, _ := splitTitle(text)
	if near := quantity.Nearest(title, names); near != "" {
		return "did you mean " + near + "?"
	}
	return "leave it out"
}
