package config

import (
	"slices"
	"strings"
)

// lineTexts is what the file says, cut so that each line's part can be told alone.
type lineTexts struct {
	before, after string   // of the file, which all lines share
	own           []string // by line; nil where the lines are not in lines of text of their own
}

// Text is what the file says, with stars in place of what tells of a secret.
func (s *Snapshot) Text() string {
	return s.text.before + strings.Join(s.text.own, "") + s.text.after
}

// TextFor is what the file says of a line: what all lines share and its own part. The
// parts of other lines are left out, and a comment says so.
func (s *Snapshot) TextFor(line int) string {
	t := &s.text
	if len(t.own) < 2 {
		return s.Text()
	}
	return t.before + "  # other lines are left out here\n" + t.own[line] + t.after
}

// textsOf cuts a text where the elements of the list of lines begin, and where the next
// section does.
func textsOf(text string, root *node) lineTexts {
	rows := strings.SplitAfter(text, "\n")
	lines := root.child("lines")
	if lines == nil || len(lines.items) == 0 {
		return lineTexts{before: text}
	}
	end := len(rows)
	for _, e := range root.keys {
		if e.pos.line > lines.items[0].dash {
			end = min(end, e.pos.line-1)
		}
	}
	cuts := make([]int, 0, len(lines.items)+1)
	for _, item := range lines.items {
		cuts = append(cuts, item.dash-1)
	}
	cuts = append(cuts, end)
	if cuts[0] < 0 || !slices.IsSorted(cuts) {
		return lineTexts{before: text}
	}
	part := func(from, to int) string { return strings.Join(rows[from:to], "") }
	out := lineTexts{before: part(0, cuts[0]), after: part(end, len(rows))}
	for i := range lines.items {
		out.own = append(out.own, part(cuts[i], cuts[i+1]))
	}
	return out
}
