package handbook

import (
	"fmt"
	"slices"
	"strings"

	"lapgate/recipe/caution"
)

// ID is the anchor of the command in the page.
func (c *Command) ID() string { return "command-" + strings.ReplaceAll(c.Path, " ", "-") }

// Text is what the command does, in sentences.
func (c *Command) Text() string {
	if c.Long == "" {
		return c.Short + "."
	}
	return strings.TrimSpace(c.Long)
}

// manName is the file of the manual page of a command: lapgate-journal-list.1.
func (c *Command) manName() string { return strings.ReplaceAll(c.Path, " ", "-") + ".1" }

// program is the whole program as a command, for its own manual page.
func (f *Facts) program(short, long string) *Command {
	return &Command{Path: "lapgate", Use: "lapgate COMMAND [flags]", Short: short, Long: long, Commands: f.Commands}
}

// ManPage is one file of the manual.
type ManPage struct{ Name, Text string }

// ManPages are the manual pages, one for the program and one for each command. short
// and long tell what the program is.
func ManPages(f *Facts, short, long string) []ManPage {
	var out []ManPage
	var add func(c, above *Command)
	add = func(c, above *Command) {
		out = append(out, ManPage{c.manName(), manPage(c, above, f)})
		for i := range c.Commands {
			add(&c.Commands[i], c)
		}
	}
	add(f.program(short, long), nil)
	return out
}

// manPage writes one page in the macros of man(7).
func manPage(c, above *Command, f *Facts) string {
	var b strings.Builder
	title := strings.ToUpper(strings.TrimSuffix(c.manName(), ".1"))
	fmt.Fprintf(&b, ".TH \"%s\" 1 \"\" \"%s\" \"lapgate\"\n", title, roffWord("lapgate "+f.Version))
	fmt.Fprintf(&b, ".SH NAME\n%s \\- %s\n", roffWord(strings.TrimSuffix(c.manName(), ".1")), roffWord(c.Short))
	fmt.Fprintf(&b, ".SH SYNOPSIS\n.B %s\n", roffWord(c.Use))
	b.WriteString(".SH DESCRIPTION\n")
	roffText(&b, c.Text())
	if len(c.Flags) > 0 {
		b.WriteString(".SH OPTIONS\n")
		for _, fl := range c.Flags {
			roffFlag(&b, fl)
		}
	}
	if len(c.Commands) > 0 {
		roffCommands(&b, c)
	}
	if c.Example != "" {
		b.WriteString(".SH EXAMPLES\n.nf\n")
		for line := range strings.Lines(c.Example) {
			b.WriteString(roffLine(strings.TrimSpace(line)) + "\n")
		}
		b.WriteString(".fi\n")
	}
	b.WriteString(".SH EXIT STATUS\n")
	for _, e := range f.Exits {
		fmt.Fprintf(&b, ".TP\n.B %d\n%s\n", e.Code, roffLine(e.Meaning))
	}
	b.WriteString(".SH CAUTION\nlapgate is advisory and never a safety function.\n" + roffLine(fmt.Sprint(caution.ReachIn)) + "\n")
	roffSeeAlso(&b, c, above)
	return b.String()
}

func roffFlag(b *strings.Builder, f Flag) {
	name := "--" + f.Name
	if f.Letter != "" {
		name = "-" + f.Letter + ", " + name
	}
	fmt.Fprintf(b, ".TP\n.B %s", roffWord(name))
	if f.Value != "" {
		b.WriteString(" " + roffWord(f.Value))
	}
	b.WriteString("\n" + roffLine(f.Usage) + "\n")
}

// roffCommands lists what is below a command, by job where it has jobs.
func roffCommands(b *strings.Builder, c *Command) {
	b.WriteString(".SH COMMANDS\n")
	group := ""
	for i := range c.Commands {
		below := &c.Commands[i]
		if below.Group != group {
			group = below.Group
			fmt.Fprintf(b, ".SS \"%s\"\n", roffWord(group))
		}
		fmt.Fprintf(b, ".TP\n.B %s\n%s\n", roffWord(below.Path), roffLine(below.Short+"."))
	}
}

func roffSeeAlso(b *strings.Builder, c, above *Command) {
	var also []string
	if above != nil {
		also = append(also, strings.TrimSuffix(above.manName(), ".1"))
	}
	for i := range c.Commands {
		also = append(also, strings.TrimSuffix(c.Commands[i].manName(), ".1"))
	}
	slices.Sort(also)
	b.WriteString(".SH SEE ALSO\n")
	for i, name := range also {
		end := ","
		if i == len(also)-1 {
			end = "."
		}
		fmt.Fprintf(b, ".BR %s (1)%s\n", roffWord(name), end)
	}
	b.WriteString("The handbook has the codes with their remedies: lapgate handbook.\n")
}

// roffText writes paragraphs; lines that are indented stay as they are.
func roffText(b *strings.Builder, text string) {
	for i, para := range strings.Split(text, "\n\n") {
		if i > 0 {
			b.WriteString(".PP\n")
		}
		kept := strings.HasPrefix(para, "  ")
		if kept {
			b.WriteString(".nf\n")
		}
		for line := range strings.Lines(para) {
			if line = strings.TrimRight(line, "\n"); strings.TrimSpace(line) != "" {
				b.WriteString(roffLine(line) + "\n")
			}
		}
		if kept {
			b.WriteString(".fi\n")
		}
	}
}

var roffEscapes = strings.NewReplacer(`\`, `\e`, "-", `\-`)

// roffWord is text that stands behind a macro, where quotation marks count.
func roffWord(s string) string { return strings.ReplaceAll(roffEscapes.Replace(s), `"`, `\(dq`) }

// roffLine is a line of text: a dot or a stroke at its beginning is no macro.
func roffLine(s string) string {
	s = roffEscapes.Replace(s)
	if strings.HasPrefix(s, ".") || strings.HasPrefix(s, "'") {
		s = `\&` + s
	}
	return s
}
