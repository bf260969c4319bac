// Package handbook makes what people read offline: the handbook, which is one page to
// print, and the manual pages of the commands. The text of the handbook is written by
// hand; whatever the house has a table of is put in from that table, so that no code,
// command or key stands in a second list.
package handbook

import (
	"bytes"
	_ "embed" // for the page and its style
	"fmt"
	"html/template"
	"io"
	"regexp"
	"strings"

	"github.com/yuin/goldmark"
	"github.com/yuin/goldmark/ast"
	"github.com/yuin/goldmark/parser"
	"github.com/yuin/goldmark/renderer/html"
	"github.com/yuin/goldmark/text"
)

// Facts are what the program knows of itself.
type Facts struct {
	Version  string
	Commands []Command // those of the program, in the order of its help
	Exits    []Exit
}

// Exit is one exit code.
type Exit struct {
	Code    int
	Meaning string
	Remedy  string
}

// Command is one command of the program.
type Command struct {
	Path     string // as it is called, "lapgate journal list"
	Use      string // the whole usage line
	Short    string
	Long     string
	Example  string // empty where there is none
	Group    string // of the commands of the program, by their job
	Flags    []Flag
	Commands []Command
}

// Flag is one flag of a command.
type Flag struct {
	Name, Letter string // Letter is empty where it has none
	Value        string // the kind of value; empty for a switch
	Usage        string
}

//go:embed page.html
var page string

//go:embed page.css
var style string

// heading is a line of the table of contents.
type heading struct {
	Level    int
	ID, Text string
}

// Page writes the handbook: the text, which is Markdown, with the parts that it asks
// for by a paragraph of their own, as [[findings]].
func Page(w io.Writer, chapters []byte, f *Facts) error {
	md := goldmark.New(
		goldmark.WithParserOptions(parser.WithAutoHeadingID()),
		goldmark.WithRendererOptions(html.WithXHTML()),
	)
	doc := md.Parser().Parse(text.NewReader(chapters))
	var body bytes.Buffer
	if err := md.Renderer().Render(&body, chapters, doc); err != nil {
		return fmt.Errorf("handbook: %w", err)
	}
	full, err := putIn(body.String(), f)
	if err != nil {
		return err
	}
	t, err := template.New("page").Parse(page)
	if err != nil {
		return fmt.Errorf("handbook: %w", err)
	}
	return t.Execute(w, map[string]any{
		"Version": f.Version, "Contents": headings(doc, chapters), "Style": template.CSS(style),
		"Body": template.HTML(full), //nolint:gosec // text of the house; raw HTML in it is left out
	})
}

// headings are the first two levels of headings.
func headings(doc ast.Node, source []byte) (out []heading) {
	for n := doc.FirstChild(); n != nil; n = n.NextSibling() {
		h, ok := n.(*ast.Heading)
		if !ok || h.Level > 2 {
			continue
		}
		id, _ := h.AttributeString("id")
		name, _ := id.([]byte)
		out = append(out, heading{h.Level, string(name), string(h.Lines().Value(source))})
	}
	return out
}

// asked is a paragraph that asks for a part.
var asked = regexp.MustCompile(`<p>\[\[([a-z -]+)\]\]</p>`)

var (
	commandText = regexp.MustCompile(`(?s)<pre><code[^>]*>.*?</code></pre>`)
	flagName    = regexp.MustCompile(`(\s)(--[a-z][a-z-]*)`)
)

// unbroken keeps the name of a flag on one line where a command is broken: whoever types
// it would take the end of a line for a space.
func unbroken(body string) string {
	return commandText.ReplaceAllStringFunc(body, func(c string) string {
		return flagName.ReplaceAllString(c, `$1<span class="flag">$2</span>`)
	})
}

// putIn puts the parts where the text asks for them.
func putIn(body string, f *Facts) (string, error) {
	var problems []string
	out := asked.ReplaceAllStringFunc(body, func(m string) string {
		name := asked.FindStringSubmatch(m)[1]
		part, err := partOf(name, f)
		if err != nil {
			problems = append(problems, err.Error())
		}
		return part
	})
	if strings.Contains(out, "[[") {
		problems = append(problems, "something that stands between [[ and ]] is no paragraph of its own")
	}
	if problems != nil {
		return "", fmt.Errorf("handbook: %s", strings.Join(problems, "; "))
	}
	return unbroken(out), nil
}
