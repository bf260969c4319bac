package handbook_test

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"

	"lapgate/gateway/handbook"
	"lapgate/gateway/report/reporttest"
)

// facts are those of a made-up program.
func facts() *handbook.Facts {
	return &handbook.Facts{
		Version: "1.0 <test>",
		Commands: []handbook.Command{{
			Path: "lapgate show", Use: "lapgate show [flags]", Short: "Show it", Long: "Show shows.\n\n'quoted\n.dotted \\ end\n\n  kept  as it is",
			Example: "lapgate show --all", Group: "Some",
			Flags:    []handbook.Flag{{Name: "all", Letter: "a", Usage: "all of it"}, {Name: "in", Value: "string", Usage: "in \"quotes\""}},
			Commands: []handbook.Command{{Path: "lapgate show one", Use: "lapgate show one", Short: "Show one"}},
		}},
		Exits: []handbook.Exit{{Code: 0, Meaning: "done", Remedy: "Nothing."}},
	}
}

func page(t *testing.T, text string) (string, error) {
	t.Helper()
	var b bytes.Buffer
	err := handbook.Page(&b, []byte(text), facts())
	return b.String(), err
}

// Every part that a text may ask for comes out well formed, loads nothing, and each
// heading is reached from the contents.
func TestParts(t *testing.T) {
	text := "# One & all\n\n## Two\n\n"
	for _, part := range []string{
		"caution overhead", "index", "findings", "conditions", "notices", "refusals", "panel hold", "panel reject", "panel phase", "panel lamp", "panel closing",
		"exits", "commands", "configuration", "guarantees", "line",
	} {
		text += "[[" + part + "]]\n\n"
	}
	out, err := page(t, text+"```sh\nlapgate show # <b>\n```\n")
	if err != nil {
		t.Fatal(err)
	}
	elements := reporttest.WellFormed(t, out)
	if elements["table"] < 12 || elements["link"] > 0 || elements["img"] > 0 {
		t.Errorf("elements %v", elements)
	}
	for _, want := range []string{
		`<a href="#one--all">One &amp; all</a>`, `<h1 id="one--all">`, "1.0 &lt;test&gt;", `id="finding-no-slot"`, `id="notice-link-down"`, `id="notice-link-up"`, `id="panel-hold-7"`,
		`lapgate show <span class="flag">--all</span>`, `id="panel-reject-34"`, `id="command-lapgate-show-one"`, "lines.N.wrap.speed", "lapgate show # &lt;b&gt;", "<strong>needed</strong>",
	} {
		if !strings.Contains(out, want) {
			t.Errorf("the page has no %s", want)
		}
	}
	ids := map[string]bool{}
	for _, m := range regexp.MustCompile(` id="([^"]*)"`).FindAllStringSubmatch(out, -1) {
		if ids[m[1]] {
			t.Errorf("two places are named %s", m[1])
		}
		ids[m[1]] = true
	}
	for _, m := range regexp.MustCompile(` href="#([^"]*)"`).FindAllStringSubmatch(out, -1) {
		if !ids[m[1]] {
			t.Errorf("a link goes to %s, which is not there", m[1])
		}
	}
	if strings.Contains(out, "[[") {
		t.Error("a part was not put in")
	}
	_, list, _ := strings.Cut(out, `<p class="index">`)
	list, _, _ = strings.Cut(list, "</p>")
	shown := map[string]bool{}
	for _, m := range regexp.MustCompile(`>([^<]+)</a>`).FindAllStringSubmatch(list, -1) {
		if shown[m[1]] {
			t.Errorf("nobody can tell one %s of the index from the other", m[1])
		}
		shown[m[1]] = true
	}
	if !shown["feed-counts (hold)"] || !shown["feed-counts (condition)"] || len(shown) < 150 {
		t.Errorf("%d codes in the index: %s", len(shown), list)
	}
	if regexp.MustCompile(`<td>[^<]+<br />\s*<strong>Caution`).MatchString(out) || !strings.Contains(out, "<td><strong>Caution.</strong> A wrapper roll overhead") {
		t.Error("somebody is told what to do before the caution that belongs to it")
	}
}

var update = flag.Bool("update", false, "write the drawings of the line")

// The line is drawn wide and narrow, each a file that README shows, and well formed. The
// style has each colour once more for dark.
func TestLineView(t *testing.T) {
	for name, got := range map[string]string{"line.svg": handbook.LineView(), "line-narrow.svg": handbook.LineViewNarrow()} {
		if n := reporttest.WellFormed(t, got); n["desc"] != 1 || n["circle"] < 30 || n["text"] < 30 {
			t.Errorf("%s: elements %v", name, n)
		}
		if found := regexp.MustCompile(`url\(|@import|https?://[^"]*`).FindAllString(got, -1); len(found) != 1 || found[0] != "http://www.w3.org/2000/svg" {
			t.Errorf("%s names what is elsewhere: %v", name, found)
		}
		used, forms := regexp.MustCompile(`var\((--[a-z]+)\)`).FindAllStringSubmatch(got, -1), strings.Count(got, "--ground: ")
		if len(used) < 10 || forms != 3 {
			t.Errorf("%s: %d colours used, in %d forms", name, len(used), forms)
		}
		for _, u := range used {
			if n := strings.Count(got, u[1]+": "); n != forms {
				t.Errorf("%s: the colour %s is in %d of %d forms", name, u[1], n, forms)
			}
		}
		path := "../../configs/handbook/" + name
		if *update {
			if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		if want, err := os.ReadFile(path); err != nil || string(want) != got {
			t.Errorf("%s is not what is drawn, %v: run go test ./gateway/handbook -update and look at it", path, err)
		}
	}
}

// Each guarantee rests on something, or it could not be waived.
func TestGuarantees(t *testing.T) {
	list := handbook.Guarantees()
	for i, g := range list {
		if g.Name != fmt.Sprintf("S%d", i+1) || len(g.Rests) == 0 || !strings.HasSuffix(g.Text, ".") {
			t.Errorf("got %+v", g)
		}
	}
	if len(list) < 10 {
		t.Errorf("%d guarantees", len(list))
	}
}

// A text that asks for what there is not is refused, with all of it named.
func TestUnknownParts(t *testing.T) {
	_, err := page(t, "# A\n\n[[caution of nothing]]\n\n[[tables]]\n\nand [[findings]] in a sentence\n")
	if err == nil {
		t.Fatal("accepted")
	}
	for _, want := range []string{`"of nothing"`, `"tables"`, "no paragraph of its own"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%v does not tell of %s", err, want)
		}
	}
}

// Every entry of every table says what is so, and what is a hold, an alarm or a number
// at the panel says what to do.
func TestEntriesAreWhole(t *testing.T) {
	seen := map[string]bool{}
	for _, e := range append(append(append(append(handbook.Findings(), handbook.Conditions()...), handbook.Notices()...), handbook.Panel()...), handbook.Refusals()...) {
		if seen[e.ID] || e.Meaning == "" || strings.Contains(e.Meaning, "does not know") {
			t.Errorf("%s stands twice, or says nothing: %q", e.Code, e.Meaning)
		}
		seen[e.ID] = true
		acts := e.Kind == "hold" || e.Kind == "warning" || e.Kind == "reject" || e.Kind == "lamp" || e.Kind == "refusal" || e.Alarm != ""
		if acts && !strings.HasSuffix(e.Remedy, ".") {
			t.Errorf("%s, a %s, has the remedy %q; want a sentence", e.Code, e.Kind, e.Remedy)
		}
	}
	if len(seen) < 200 {
		t.Errorf("%d entries: this test looks at too few", len(seen))
	}
}

// A manual page escapes what the formatter would take for its own.
func TestManPages(t *testing.T) {
	pages := handbook.ManPages(facts(), "Short", "Long text.")
	var names []string
	for _, p := range pages {
		names = append(names, p.Name)
		for line := range strings.Lines(p.Text) {
			if line = strings.TrimRight(line, "\n"); line == "" || strings.HasPrefix(line, "'") {
				t.Errorf("%s has the line %q", p.Name, line)
			}
		}
	}
	if got := strings.Join(names, " "); got != "lapgate.1 lapgate-show.1 lapgate-show-one.1" {
		t.Errorf("pages %s", got)
	}
	for _, want := range []string{
		".SH NAME\nlapgate\\-show \\- Show it\n", "\\&'quoted\n\\&.dotted \\e end\n", ".nf\n  kept  as it is\n.fi\n", ".TP\n.B \\-a, \\-\\-all\nall of it\n",
		"in \"quotes\"\n", ".B lapgate show one\nShow one.\n", ".BR lapgate (1),\n.BR lapgate\\-show\\-one (1).\n", ".SH EXIT STATUS\n.TP\n.B 0\ndone\n",
	} {
		if !strings.Contains(pages[1].Text, want) {
			t.Errorf("the page has no %q:\n%s", want, pages[1].Text)
		}
	}
}
