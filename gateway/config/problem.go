package config

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"lapgate/recipe/problem"
	"lapgate/recipe/quantity"
)

// Problem is one thing that is wrong, or in a warning looks wrong, with a
// configuration.
type Problem struct {
	File string `json:"file"`
	Line int    `json:"line,omitempty"` // from 1; 0 where the problem has no place in the file
	Col  int    `json:"column,omitempty"`
	// Source is where an override came from: "environment LAPGATE_LOG_LEVEL"
	// or "flag --set". Empty for the file.
	Source string `json:"source,omitempty"`
	Key    string `json:"key,omitempty"`
	Text   string `json:"text"`
	Got    string `json:"got"`
	Want   string `json:"want"`
	Remedy string `json:"remedy"`
	// Quote is the line of the file up to what was got, without the space before
	// its key, and Caret how many characters of it stand before that. The quote is
	// empty where what was got does not stand in the file, or may be a secret.
	Quote string `json:"-" label:"-"`
	Caret int    `json:"-" label:"-"`
}

// Place is where the problem stands: file:line:col, or the override.
func (p Problem) Place() string {
	switch {
	case p.Source != "":
		return p.Source
	case p.Line == 0:
		return p.File
	}
	return fmt.Sprintf("%s:%d:%d", p.File, p.Line, p.Col)
}

// String is the whole problem in one line.
func (p Problem) String() string {
	var b strings.Builder
	b.WriteString(p.Place())
	if p.Key != "" {
		b.WriteString(": " + p.Key)
	}
	fmt.Fprintf(&b, ": %s (got %s, want %s); %s", p.Text, p.Got, p.Want, p.Remedy)
	return b.String()
}

// pointed is the problem in its line, with the line of the file below it.
func (p Problem) pointed() string {
	return problem.Pointed(p.String(), p.Quote, p.Caret)
}

// quote gives each problem the text that it is about. Nothing else of the line
// is shown, for a secret may stand beside it.
func quote(ps []Problem, data []byte) {
	lines := strings.Split(string(data), "\n")
	for i := range ps {
		p := &ps[i]
		got, err := strconv.Unquote(p.Got)
		if err != nil || got == "" || p.Source != "" || p.Line == 0 || p.Line > len(lines) {
			continue
		}
		runes := []rune(lines[p.Line-1])
		if p.Col < 1 || p.Col > len(runes) {
			continue
		}
		before, at := string(runes[:p.Col-1]), string(runes[p.Col-1:])
		mark := ""
		if !strings.HasPrefix(at, got) && (at[0] == '"' || at[0] == '\'') {
			mark = at[:1]
		}
		if !strings.HasPrefix(at, mark+got) {
			continue
		}
		before = strings.TrimLeft(before[strings.LastIndexAny(before, ",{[")+1:], " ")
		p.Quote, p.Caret = before+mark+got+mark, utf8.RuneCountInString(before+mark)
	}
}

// Error is a refused configuration with every problem, sorted by position, and
// the warnings found on the way.
type Error struct {
	Problems []Problem
	Warnings []Problem
}

// Error gives each problem with the text that it is about, and how many there
// are.
func (e *Error) Error() string {
	lines := make([]string, len(e.Problems), len(e.Problems)+1)
	for i, p := range e.Problems {
		lines[i] = p.pointed()
	}
	return strings.Join(append(lines, problem.Count(len(lines))), "\n")
}

// sortProblems orders by position; overrides come after the file.
func sortProblems(ps []Problem) {
	slices.SortStableFunc(ps, func(a, b Problem) int {
		return cmp.Or(
			cmp.Compare(a.Source, b.Source),
			cmp.Compare(a.Line, b.Line),
			cmp.Compare(a.Col, b.Col),
			cmp.Compare(a.Key, b.Key),
			cmp.Compare(a.Text, b.Text),
		)
	})
}

// position is where a node stands. A zero position is that of a default.
type position struct {
	line, col int
	source    string
}

func (d *decoder) origin(p position) string {
	switch {
	case p.source != "":
		return p.source
	case p.line == 0:
		return "default"
	}
	return fmt.Sprintf("%s:%d", d.file, p.line)
}

// quoted shows a text of the configuration, cut where it is long.
func quoted(s string) string {
	const most = 60
	if utf8.RuneCountInString(s) > most {
		s = string([]rune(s)[:most]) + "…"
	}
	return strconv.Quote(s)
}

// list joins words for a sentence.
func list(words []string) string {
	if n := len(words); n > 1 {
		return strings.Join(words[:n-1], ", ") + " or " + words[n-1]
	}
	return strings.Join(words, "")
}

// meant is a remedy that names the closest of the words, or lists them.
func meant(word string, words []string) string {
	if near := quantity.Nearest(word, words); near != "" {
		return "did you mean " + near + "?"
	}
	if len(words) == 0 {
		return "there are none to choose from; add one"
	}
	return "use " + list(words)
}
