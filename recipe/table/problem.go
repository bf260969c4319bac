package table

import (
	"fmt"
	"strings"

	"lapgate/recipe/problem"
)

// maxProblems is how many problems are told one by one; the rest is counted.
const maxProblems = 50

// Problem is one thing that is wrong with a table.
type Problem struct {
	Line, Column int    // from 1; 0 for the table as a whole
	Field        string // name of the column, "header", or empty for the row as a whole
	Text         string // what is wrong
	Got, Want    string // empty where there is nothing to say
	Remedy       string

	quote string // of the line; empty where it is no text
	caret int    // how many characters of the quote stand before what is wrong
}

// point quotes the line about a problem, as much of it as fits a screen.
func (p *Problem) point(line string) {
	const most, before = 60, 24 // little of a file that was none of a table
	runes := []rune(line)
	for i, r := range runes {
		if r < ' ' { // a tab would move the caret
			runes[i] = ' '
		}
	}
	at := min(max(p.Column-1, 0), len(runes))
	from, head, tail := 0, "", ""
	if len(runes) > most {
		if from = min(max(at-before, 0), len(runes)-most); from > 0 {
			head = "…"
		}
		if from+most < len(runes) {
			tail = "…"
		}
	}
	p.quote = head + string(runes[from:min(from+most, len(runes))]) + tail
	p.caret = at - from + len([]rune(head))
}

func (p *Problem) format(name string) string {
	var b strings.Builder
	b.WriteString(name)
	if p.Line > 0 {
		fmt.Fprintf(&b, ":%d:%d", p.Line, p.Column)
	}
	b.WriteString(": ")
	if p.Field != "" {
		b.WriteString(p.Field + ": ")
	}
	b.WriteString(p.Text)
	switch {
	case p.Got != "" && p.Want != "":
		fmt.Fprintf(&b, " (got %s, want %s)", p.Got, p.Want)
	case p.Got != "":
		fmt.Fprintf(&b, " (got %s)", p.Got)
	case p.Want != "":
		fmt.Fprintf(&b, " (want %s)", p.Want)
	}
	if p.Remedy != "" {
		b.WriteString("; " + p.Remedy)
	}
	return problem.Pointed(b.String(), p.quote, p.caret)
}

// Problems are all that is wrong with one table, in the order of its lines.
type Problems struct {
	Name string // of the table
	List []Problem
	More int // how many were only counted
}

func (p *Problems) add(x Problem) {
	if len(p.List) == maxProblems {
		p.More++
		return
	}
	p.List = append(p.List, x)
}

// Len is how many problems there are.
func (p *Problems) Len() int { return len(p.List) + p.More }

// Error tells each problem as name:line:column: text with its line and a caret below
// it, in one line more how many were only counted, and at the end how many there are.
func (p *Problems) Error() string {
	var lines []string
	for i := range p.List {
		lines = append(lines, p.List[i].format(p.Name))
	}
	if p.More > 0 {
		lines = append(lines, fmt.Sprintf("%s: and %d more", p.Name, p.More))
	}
	return strings.Join(append(lines, problem.Count(p.Len())), "\n")
}
